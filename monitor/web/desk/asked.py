"""What looks wrong, asked about in place: each doubt with the answers that a tap can give."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from monitor.desk import TrapError
from monitor.presentation.amounts import sentence
from monitor.texts import said, say, to_say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.desk.traps import Trap
    from monitor.errors import UnconfirmedError
    from monitor.presentation.wording import Wording

_SURE = ("sure", "1")
_RIGHT = (to_say("It is right: save it"), *_SURE)
_FELL_OUT = (to_say("Beads fell out before this weighing"), "spilled", "1")
_ANSWERS: Mapping[str, Sequence[tuple[str, str, str]]] = MappingProxyType(
    {
        "gain": (
            (to_say("The beads stood open: save it"), *_SURE),
            (to_say("The last weighing was wrong: drop that one"), "undo", "1"),
        ),
        "another holder": ((to_say("The beads stood open: save it"), *_SURE),),
        "wetter than new": ((to_say("They stood in the open: save it"), *_SURE),),
        "off the curve": (_FELL_OUT, _RIGHT),
        "more than the heat allows": (_FELL_OUT, _RIGHT),
        "more water than there was": (_FELL_OUT, _RIGHT),
        "not what the books say": (_FELL_OUT, _RIGHT),
        "less than dry": ((to_say("Some were taken out or fell out"), "spilled", "1"), _RIGHT),
        "which tare": (
            (to_say("On the scale as it is set now"), "tare_scale", "same"),
            (to_say("In grams"), "tare_scale", "grams"),
        ),
        "another unit": (),
        "missed point": (),
        "unlike the box's log": ((to_say("They are other beads, or a part of them: go on"), *_SURE),),
    }
)
"""What a trap is answered by: label, field and value. The number can always be corrected instead."""
FIELDS = frozenset({"sure", "weight", "spilled", "undo", "tare", "tare_scale", "scale", "seen"})
"""What an answer may set; nothing else is taken from a button."""
_SAID_OF_UNITS = MappingProxyType(
    {"milk": to_say("milliliters of milk"), "oil": to_say("milliliters of oil"), "ounces": to_say("ounces")}
)


@dataclass(frozen=True, slots=True)
class Answer:
    """A button: its label, and the field that it sets."""

    label: str
    value: str
    """'field=value'."""


@dataclass(frozen=True, slots=True)
class Question:
    """Something that looks wrong, with what was typed and the answers to it."""

    action: str
    texts: tuple[str, ...]
    answers: tuple[Answer, ...]
    kept: tuple[tuple[str, str], ...]
    """What was typed, sent again with the answer."""


def question(
    doubt: UnconfirmedError, action: str, kept: Mapping[str, str], words: Wording, right: str = ""
) -> Question:
    """Return a doubt as the page asks about it; ``right``: how 'all the same' is said."""
    traps = doubt.traps if isinstance(doubt, TrapError) else ()
    texts = tuple(sentence(words.in_own_units(said(trap.plain or trap.text))) for trap in traps)
    found: dict[str, Answer] = {}
    for trap in traps:
        for label, field, value in _answers(trap, right, words):
            found.setdefault(f"{field}={value}", Answer(label, f"{field}={value}"))
    if not traps:
        texts, found = (sentence(words.in_own_units(str(doubt))),), {"sure": _sure(right)}
    sure_last = sorted(found.values(), key=lambda answer: answer.value == "sure=1")
    return Question(action, texts, tuple(sure_last), tuple(kept.items()))


def answered(form: Mapping[str, str]) -> dict[str, str]:
    """Return a form with what the pressed button answered filled in."""
    typed = {name: value for name, value in form.items() if name not in {"answer", "token"}}
    name, _, value = form.get("answer", "").partition("=")
    return {**typed, name: value} if name in FIELDS else typed


def _answers(trap: Trap, right: str, words: Wording) -> list[tuple[str, str, str]]:
    told = list(_ANSWERS.get(trap.name, ((right or _RIGHT[0], *_SURE),)))
    if not trap.could_stand_open:
        told = [_RIGHT if answer[1:] == _SURE else answer for answer in told]
    told = [(say(label), field, value) for label, field, value in told]
    if trap.shown_g is not None:
        told.insert(0, (f"{words.weight(trap.shown_g)}?", "weight", f"{trap.shown_g:g}g"))
    if trap.unit:
        unit = say(_SAID_OF_UNITS[trap.unit]) if trap.unit in _SAID_OF_UNITS else trap.unit
        told.insert(0, (say("The scale is set to {unit}", unit=unit), "scale", trap.unit))
    if trap.tare_g is not None:
        told.insert(0, (say("Yes, the holder of {tare}", tare=words.mass(trap.tare_g)), "tare", f"{trap.tare_g:g}g"))
    return told


def _sure(right: str) -> Answer:
    return Answer(say(right or _RIGHT[0]), "sure=1")
