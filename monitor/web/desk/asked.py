"""What looks wrong, asked about in place: each doubt with the answers that a tap can give."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from monitor.desk import TrapError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.desk.traps import Trap
    from monitor.errors import UnconfirmedError
    from monitor.presentation.wording import Wording

_SURE = ("sure", "1")
_RIGHT = ("It is right: save it", *_SURE)
_FELL_OUT = ("Beads fell out before this weighing", "spilled", "1")
_ANSWERS: Mapping[str, Sequence[tuple[str, str, str]]] = MappingProxyType(
    {
        "gain": (
            ("The beads stood open: save it", *_SURE),
            ("The last weighing was wrong: drop that one", "undo", "1"),
        ),
        "another holder": (("The beads stood open: save it", *_SURE),),
        "wetter than new": (("They stood in the open: save it", *_SURE),),
        "off the curve": (_FELL_OUT, _RIGHT),
        "more than the heat allows": (_FELL_OUT, _RIGHT),
        "more water than there was": (_FELL_OUT, _RIGHT),
        "not what the books say": (_FELL_OUT, _RIGHT),
        "less than dry": (("Some were taken out or fell out", "spilled", "1"), _RIGHT),
        "which tare": (
            ("On the scale as it is set now", "tare_scale", "same"),
            ("In grams", "tare_scale", "grams"),
        ),
        "another unit": (),
        "missed point": (),
        "unlike the box's log": (("They are other beads, or a part of them: go on", *_SURE),),
    }
)
"""What a trap is answered by: label, field and value. The number can always be corrected instead."""
FIELDS = frozenset({"sure", "weight", "spilled", "undo", "tare", "tare_scale", "scale", "seen"})
"""What an answer may set; nothing else is taken from a button."""
_SAID_OF_UNITS = MappingProxyType({"milk": "milliliters of milk", "oil": "milliliters of oil", "ounces": "ounces"})


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
    texts = tuple(_sentence(words.in_own_units(trap.plain or trap.text)) for trap in traps)
    found: dict[str, Answer] = {}
    for trap in traps:
        for label, field, value in _answers(trap, right, words):
            found.setdefault(f"{field}={value}", Answer(label, f"{field}={value}"))
    if not traps:
        texts, found = (_sentence(words.in_own_units(str(doubt))),), {"sure": _sure(right)}
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
    if trap.shown_g is not None:
        told.insert(0, (f"{words.weight(trap.shown_g)}?", "weight", f"{trap.shown_g:g}g"))
    if trap.unit:
        told.insert(0, (f"The scale is set to {_SAID_OF_UNITS.get(trap.unit, trap.unit)}", "scale", trap.unit))
    if trap.tare_g is not None:
        told.insert(0, (f"Yes, the holder of {words.mass(trap.tare_g)}", "tare", f"{trap.tare_g:g}g"))
    return told


def _sure(right: str) -> Answer:
    return Answer(right or _RIGHT[0], "sure=1")


def _sentence(text: str) -> str:
    text = text[0].upper() + text[1:]
    return text if text.endswith((".", "?")) else f"{text}."
