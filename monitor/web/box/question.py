"""What if, asked on the page of a box: a plain form that holds the present values, or a script while they are moved."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from monitor.errors import TypedError
from monitor.physics import calculators
from monitor.presentation.amounts import figures
from monitor.presentation.answers import time_left_ratio
from monitor.presentation.bead_wording import beads
from monitor.presentation.what_if_input import what_if_input
from monitor.presentation.what_if_wording import what_changes
from monitor.presentation.wording import Wording
from monitor.records import WhatIf
from monitor.texts import say
from monitor.units import grams_to_ounces
from monitor.web.box.views import View, fan_of
from monitor.web.snapshot import suppose

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from monitor.records import Assessment, Reading
    from monitor.services.supposing import Supposing
    from monitor.settings import Shelf
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot

_SUCH_AS = {"limit": "25", "leak-times": "0.5", "dry-mass": "100", "room-rh": "50", "room-temperature": "20"}
_NUMBERS = tuple(_SUCH_AS)
_AT_HAND = 8  # boxes; judgement: as many as people look at in one hour; half a megabyte each
_SAME = 1e-4  # of a value; judgement: what is lost where four digits of it are shown
_MOST_SLID = 4.0  # times what is there; judgement: four portions fill any box
_LEAST_SLID_G = 500.0  # judgement: so far at least, as a bag of beads goes


@dataclass(frozen=True, slots=True)
class QuestionView:
    """The form as it is filled in, and what came of it."""

    values: Mapping[str, str]
    """What stands in each field: what was typed, else the present."""
    present: Mapping[str, str]
    beads: Sequence[tuple[str, str, bool]]
    """Kind, what it is called, and whether it was chosen."""
    beads_now: str
    most_mass: int
    """Where the slider of beads ends, in the unit of the shelf."""
    is_fresh: bool
    is_wider: bool
    """Whether something was typed that hardly anybody asks."""
    problem: str = ""
    problem_at: str = ""
    """The field whose value won't do."""
    supposing: str = ""
    verdict: str = ""
    rows: Sequence[tuple[str, str]] = ()
    drawn: Mapping[str, Any] | None = None
    """The course with the change, as the script of the chart takes it."""


@dataclass(frozen=True, slots=True)
class Present:
    """A box as it is, of which something is supposed."""

    answer: Assessment
    room: Reading | None
    """Newest of the room."""


@dataclass(slots=True)
class Asker:
    """Answers what is asked about one box; fits of boxes that were asked about stay at hand."""

    site: Site
    _at_hand: OrderedDict[str, tuple[Snapshot, Supposing]] = field(default_factory=OrderedDict)
    """Of each box that was asked about lately, with the state that it holds for."""
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def is_asked(self, typed: Mapping[str, str]) -> bool:
        """Return whether there is something to work out, which takes long."""
        return any(typed.get(name, "").strip() for name in (*_NUMBERS, "beads", "fresh"))

    def view(self, typed: Mapping[str, str], snapshot: Snapshot, answer: Assessment, words: Wording) -> QuestionView:
        """Return the form, with an answer where something was supposed."""
        now = Present(answer, snapshot.room)
        blank = _blank(typed, now, words)
        try:
            change = _change(self.site.shelf, typed, blank.present, answer)
        except TypedError as error:
            return replace(blank, problem=str(error), problem_at=error.field)
        if change == WhatIf():
            return blank
        found = self.supposing(snapshot, answer.box.name)
        if isinstance(found, str) or answer.forecast is None:
            why = found if isinstance(found, str) else answer.refusal
            return replace(blank, problem=why or say("There is no forecast yet."))
        return _answered(blank, replace(answer, forecast_if=found.forecast(change)), change, words)

    def supposing(self, snapshot: Snapshot, box: str) -> Supposing | str:
        """Return the box with its fit; two that ask for one at once both look it up."""
        with self._one_at_a_time:
            of_state, there = self._at_hand.get(box, (None, None))
        if there is not None and of_state is snapshot:
            return there
        found = suppose(self.site.shelf, snapshot.as_of, box)
        if not isinstance(found, str):
            with self._one_at_a_time:
                self._at_hand[box] = snapshot, found
                self._at_hand.move_to_end(box)
                while len(self._at_hand) > _AT_HAND:
                    self._at_hand.popitem(last=False)
        return found


def _blank(typed: Mapping[str, str], now: Present, words: Wording) -> QuestionView:
    present = _present(now, words)
    charge = now.answer.charge
    there_g = charge.dry_mass_g or 0.0 if charge is not None else 0.0
    most_g = max(_LEAST_SLID_G, _MOST_SLID * there_g)
    return QuestionView(
        values={name: typed.get(name, "").strip() or present[name] for name in _NUMBERS},
        present=present,
        beads=[(kind, beads(kind), typed.get("beads") == kind) for kind in calculators.desiccant_kinds()],
        beads_now=beads(charge.desiccant) if charge is not None and charge.desiccant else "",
        most_mass=round(grams_to_ounces(most_g) if words.ounces else most_g),
        is_fresh="fresh" in typed,
        is_wider=any(
            typed.get(name, "").strip() not in ("", present[name]) for name in ("room-rh", "room-temperature")
        ),
    )


def _present(now: Present, words: Wording) -> dict[str, str]:
    """Return the present values as the fields hold them; nothing where they are not known."""
    answer, charge = now.answer, now.answer.charge
    mass_g = charge.dry_mass_g if charge is not None else None
    return {
        "limit": f"{100.0 * answer.box.humidity_limit:.4g}",
        "leak-times": "1",
        "dry-mass": "" if mass_g is None else f"{grams_to_ounces(mass_g) if words.ounces else mass_g:.4g}",
        "room-rh": "" if now.room is None else f"{100.0 * now.room.relative_humidity:.0f}",
        "room-temperature": "" if now.room is None else f"{words.degrees(now.room.temperature_degc):.0f}",
    }


def _change(shelf: Shelf, typed: Mapping[str, str], present: Mapping[str, str], answer: Assessment) -> WhatIf:
    """Return what is supposed to be otherwise: a field that holds the present value changes nothing."""
    numbers = {name.replace("-", "_"): _number(name, typed.get(name, ""), present[name]) for name in _NUMBERS}
    change = what_if_input(shelf, beads=typed.get("beads") or None, **numbers)
    if "fresh" in typed and change.dry_mass_g is None and change.desiccant is None:
        there_g = answer.charge.dry_mass_g if answer.charge is not None else None
        if there_g is None:
            raise TypedError(say("type how much of fresh beads: nobody logged what is in the box"), field="dry-mass")
        return replace(change, dry_mass_g=there_g)
    return change


def _number(name: str, text: str, present: str) -> float | None:
    """A number as people type it, with a comma or a point; nothing where it is empty or as it is now."""
    plain = text.strip().replace(",", ".")
    if not plain:
        return None
    try:
        number = float(plain)
    except ValueError:
        raise TypedError(
            say("'{text}' won't do; write a number, such as {such_as}", text=text[:20], such_as=_SUCH_AS[name]),
            field=name,
        ) from None
    return None if present and abs(number - float(present)) <= _SAME * abs(float(present)) else number


def _answered(blank: QuestionView, answer: Assessment, change: WhatIf, words: Wording) -> QuestionView:
    supposing = "; ".join(words.changes(change, answer.box.humidity_limit))
    return replace(
        blank,
        supposing=supposing,
        verdict=_verdict(answer, words),
        rows=[*_rows(answer, words), *what_changes(answer, change, words)],
        drawn=_drawn(answer, change, words),
    )


def _verdict(answer: Assessment, words: Wording) -> str:
    """Return in one sentence until when a changed box would hold."""
    then = answer.forecast_if
    assert then is not None
    when = words.crossing_in_brief(then, answer.as_of)
    if then.cross_at.p50 is not None and then.cross_at.p50 <= answer.as_of:
        return say("It would be over its limit all the same.")
    held = words.holds(then, answer.as_of)
    if held == when:
        return say("It would hold for long: humidity would rise above the limit {when}.", when=when)
    return say("It would hold {held}.", held=held)


def _rows(answer: Assessment, words: Wording) -> list[tuple[str, str]]:
    assert answer.forecast is not None
    assert answer.forecast_if is not None
    rows = [
        (say("As it is"), words.holds(answer.forecast, answer.as_of, brief=True)),
        (say("With the change"), words.holds(answer.forecast_if, answer.as_of, brief=True)),
    ]
    ratio = time_left_ratio(answer)
    return rows if ratio is None else [*rows, (say("Lasts"), say("{ratio} times as long", ratio=figures(ratio)))]


def _drawn(answer: Assessment, change: WhatIf, words: Wording) -> dict[str, Any] | None:
    limit = change.humidity_limit or answer.box.humidity_limit
    fan = fan_of(View.humidity, replace(answer, forecast=answer.forecast_if), words)
    if fan is None or answer.forecast_if is None:
        return None
    low, _, middle, _, high = fan.points
    dates = answer.forecast_if.cross_at
    return {
        "at": [int(noon.timestamp()) for noon in fan.at],
        **{name: row.round(2).tolist() for name, row in (("low", low), ("middle", middle), ("high", high))},
        "limitPct": round(100.0 * limit, 2),
        "crossing": [None if day is None else int(day.timestamp()) for day in (dates.p05, dates.p50, dates.p95)],
    }
