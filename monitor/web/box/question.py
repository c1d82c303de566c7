"""What if, asked on the page of a box: a plain form, no script, answered by the same joint as the command line."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from monitor.physics import calculators
from monitor.presentation.answers import time_left_ratio
from monitor.presentation.what_if_input import WhatIfInputError, what_if_input
from monitor.presentation.wording import (
    Wording,
    beads,
    figures,
)
from monitor.records import WhatIf
from monitor.web.snapshot import suppose

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from monitor.records import Assessment
    from monitor.settings import Shelf
    from monitor.web.site import Site

_SUCH_AS = {"limit": "25", "leak-times": "0.5", "dry-mass": "100", "room-rh": "50", "room-temperature": "20"}
_NUMBERS = tuple(_SUCH_AS)


@dataclass(frozen=True, slots=True)
class QuestionView:
    """The form as it was filled in, and what came of it."""

    numbers: Sequence[tuple[str, str, str]]
    """Name, label and what was typed."""
    beads: Sequence[tuple[str, str, bool]]
    """Kind, what it is called, and whether it was chosen."""
    problem: str = ""
    problem_at: str = ""
    """The field whose value won't do."""
    supposing: str = ""
    rows: Sequence[tuple[str, str]] = ()


@dataclass(slots=True)
class Asker:
    """Answers what is asked about one box."""

    site: Site

    def is_asked(self, typed: Mapping[str, str]) -> bool:
        """Return whether there is something to work out, which takes long."""
        return any(typed.get(name, "").strip() for name in (*_NUMBERS, "beads"))

    def view(self, typed: Mapping[str, str], box: str, as_of: datetime, words: Wording) -> QuestionView:
        """Return the form, with an answer where something was supposed."""
        blank = _blank(typed, words)
        try:
            change = _change(self.site.shelf, typed)
        except WhatIfInputError as error:
            return replace(blank, problem=str(error), problem_at=error.field)
        if change == WhatIf():
            return blank
        answers = suppose(self.site.shelf, as_of, change, box)
        answer = next((one for one in answers if one.box.name == box), None)
        if answer is None or answer.forecast is None or answer.forecast_if is None:
            return replace(blank, problem=answer.refusal if answer and answer.refusal else "There is no forecast yet.")
        said = "; ".join(words.changes(change, answer.box.humidity_limit))
        return replace(blank, supposing=said, rows=_rows(answer, words))


def _blank(typed: Mapping[str, str], words: Wording) -> QuestionView:
    labels = (
        "Humidity limit, %",
        "Leak (0.5 = half, 2 = double)",
        f"Fresh beads, {words.mass_unit}",
        "Room humidity, %",
        f"Room temperature, {words.temperature_unit}",
    )
    return QuestionView(
        numbers=[(name, label, typed.get(name, "")) for name, label in zip(_NUMBERS, labels, strict=True)],
        beads=[(kind, beads(kind), typed.get("beads") == kind) for kind in calculators.desiccant_kinds()],
    )


def _change(shelf: Shelf, typed: Mapping[str, str]) -> WhatIf:
    numbers = {name.replace("-", "_"): _number(name, typed.get(name, "")) for name in _NUMBERS}
    return what_if_input(shelf, beads=typed.get("beads") or None, **numbers)


def _number(name: str, text: str) -> float | None:
    """A number as people type it, with a comma or a point; nothing where the field was left empty."""
    plain = text.strip().replace(",", ".")
    if not plain:
        return None
    try:
        return float(plain)
    except ValueError:
        raise WhatIfInputError(name, f"'{text[:20]}' won't do; write a number, such as {_SUCH_AS[name]}") from None


def _rows(answer: Assessment, words: Wording) -> list[tuple[str, str]]:
    assert answer.forecast is not None
    assert answer.forecast_if is not None
    rows = [
        ("As it is", words.crossing_in_brief(answer.forecast, answer.as_of)),
        ("With the change", words.crossing_in_brief(answer.forecast_if, answer.as_of)),
    ]
    ratio = time_left_ratio(answer)
    return rows if ratio is None else [*rows, ("Lasts", f"{figures(ratio)} times as long")]
