"""How many grams hold how long, asked on the page of a box: a plain form, and the answer of `siccast size`."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from monitor.errors import TypedError
from monitor.physics import calculators
from monitor.presentation import quantities
from monitor.presentation.amounts import sentence
from monitor.presentation.bead_wording import beads
from monitor.presentation.sizing_wording import (
    air_sentence,
    at_second_hand,
    leak_sentence,
    size_rows,
    size_sentence,
    standard_rows,
    standard_rules,
)
from monitor.presentation.what_if_input import known_beads
from monitor.presentation.wording import Wording
from monitor.records import BoxState
from monitor.records.declared import LIMIT_RANGE_PCT, SIZED_MONTHS, SIZED_MONTHS_RANGE
from monitor.services.sizing import SizeQuestion, sizing
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from monitor.records import Assessment
    from monitor.services.sizing import Sizing
    from monitor.services.supposing import Supposing
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot

MONTHS, MASS, LIMIT, KIND = "size-months", "size-mass", "size-limit", "size-beads"
FIELDS = (MONTHS, MASS, LIMIT, KIND)
_USUAL_BEADS = "silica_gel_regular_density"
_KEPT = 32  # a count of answers; judgement: a page that renews itself asks the same once more


@dataclass(frozen=True, slots=True)
class SizeView:
    """The form as it is filled in, and what came of it."""

    values: Mapping[str, str]
    beads: Sequence[tuple[str, str, bool]]
    """Kind, what it is called, and whether it is chosen."""
    problem: str = ""
    problem_at: str = ""
    """The field whose value won't do."""
    said: Sequence[str] = ()
    """The answer in sentences: first of all the number, then whose leak it rests on."""
    answer: str = ""
    """What the numbers of the rows are."""
    rows: Sequence[tuple[str, str]] = ()
    """The same with one thing changed."""
    standards: Sequence[tuple[str, str, str, str]] = ()
    """What standards would put in, why that differs, and their rules."""
    notes: str = ""


@dataclass(eq=False)
class Sizer:
    """Answers how much is needed; ``known`` looks up the fit of a box, or says why there is none."""

    site: Site
    known: Callable[[Snapshot, str], Supposing | str]
    _answers: OrderedDict[object, SizeView] = field(default_factory=OrderedDict)
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def is_asked(self, typed: Mapping[str, str]) -> bool:
        """Return whether there is something to work out, which takes long."""
        return any(typed.get(name, "").strip() for name in (MONTHS, MASS))

    def view(self, typed: Mapping[str, str], snapshot: Snapshot, answer: Assessment, words: Wording) -> SizeView:
        """Return the form, with an answer where something was asked."""
        blank = _blank(typed, answer)
        if not self.is_asked(typed) or answer.state is BoxState.undeclared:
            return blank
        try:
            question = self._question(typed, snapshot, answer)
        except TypedError as error:
            return replace(blank, problem=str(error), problem_at=error.field)
        asked = (question, words.ounces, snapshot.assessed_at or snapshot.as_of)
        with self._one_at_a_time:
            there = self._answers.get(asked)
        if there is None:
            there = self._answered(blank, question, snapshot, words)
            with self._one_at_a_time:
                self._answers[asked] = there
                while len(self._answers) > _KEPT:
                    self._answers.popitem(last=False)
        return replace(there, values=blank.values)

    def _question(self, typed: Mapping[str, str], snapshot: Snapshot, answer: Assessment) -> SizeQuestion:
        mass_g = _mass_g(typed.get(MASS, "").strip(), self.site)
        limit_pct = _number(typed, LIMIT, 100.0 * answer.box.humidity_limit, LIMIT_RANGE_PCT)
        months = _number(typed, MONTHS, SIZED_MONTHS, SIZED_MONTHS_RANGE)
        try:
            kind = known_beads(typed.get(KIND) or _kind_of(answer))
        except TypedError as error:
            raise TypedError(str(error), field=KIND) from None
        return SizeQuestion(
            box=answer.box,
            desiccant=kind or _USUAL_BEADS,
            limit=limit_pct / 100.0,
            begin_at=snapshot.assessed_at or snapshot.as_of,
            months=None if mass_g is not None else months,
            grams=mass_g,
        )

    def _answered(self, blank: SizeView, question: SizeQuestion, snapshot: Snapshot, words: Wording) -> SizeView:
        known = self.known(snapshot, question.box.name)
        told = sizing(question, box=None if isinstance(known, str) else known, climate=self.site.shelf.room)
        no_leak = (
            say("There is no estimate of its leak yet: {why}", why=known) if isinstance(known, str) and known else ""
        )
        told_in_turn = (
            size_sentence(told, words),
            air_sentence(told, words),
            leak_sentence(told, words),
            no_leak and sentence(no_leak),
        )
        return replace(
            blank,
            said=[said for said in told_in_turn if said],
            answer="grams" if question.grams is None else "months",
            rows=_rows(told, words),
            standards=_standards(told, words),
            notes=at_second_hand(),
        )


def _rows(told: Sizing, words: Wording) -> list[tuple[str, str]]:
    """Return the answer with one thing changed each time; a limit is named where it is another one."""
    (asked, limit, said), *others = size_rows(told, words)
    return [(asked, said), *((what if pct == limit else f"{what}, {pct}", then) for what, pct, then in others)]


def _standards(told: Sizing, words: Wording) -> list[tuple[str, str, str, str]]:
    rules = dict(standard_rules(told))
    return [
        (name, say("{mass}, {units} units", mass=mass, units=units) if units else mass, sentence(why), rules[name])
        for name, units, mass, why in standard_rows(told, words)
    ]


def _blank(typed: Mapping[str, str], answer: Assessment) -> SizeView:
    limit = "" if answer.state is BoxState.undeclared else f"{100.0 * answer.box.humidity_limit:.4g}"
    usual = {MONTHS: f"{SIZED_MONTHS:g}", MASS: "", LIMIT: limit, KIND: _kind_of(answer)}
    values = {name: typed.get(name, "").strip() or usual[name] for name in FIELDS}
    kinds = [(kind, beads(kind), values[KIND] == kind) for kind in calculators.desiccant_kinds()]
    return SizeView(values, kinds)


def _kind_of(answer: Assessment) -> str:
    """Return the kind of beads in a box; what two kinds make together is none that one could buy."""
    kind = answer.charge.desiccant if answer.charge is not None else None
    return calculators.desiccant_kind(kind or _USUAL_BEADS) or _USUAL_BEADS


def _mass_g(text: str, site: Site) -> float | None:
    try:
        return quantities.mass_g(text, site.shelf) if text else None
    except TypedError as error:
        raise TypedError(str(error), field=MASS) from None


def _number(typed: Mapping[str, str], name: str, usual: float, span: tuple[float, float]) -> float:
    text = typed.get(name, "").strip()
    try:
        number = float(text.replace(",", ".")) if text else usual
    except ValueError:
        problem = say("'{text}' won't do; write a number, such as {such_as}", text=text[:20], such_as=f"{usual:g}")
        raise TypedError(problem, field=name) from None
    if not span[0] <= number <= span[1]:
        right = say("from {low} to {high}", low=f"{span[0]:g}", high=f"{span[1]:g}")
        raise TypedError(
            say("{number} is not valid: write a number {right}", number=f"{number:g}", right=right), field=name
        )
    return number
