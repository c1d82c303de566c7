"""The plan that is kept: given as it is while all that it rests on is the same, made anew where anything changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from answers_by_hand import AS_OF, assessment_of, due_in

from monitor.planning.mend import Unmet
from monitor.planning.recharge import RechargePlan
from monitor.planning.worth import PlanWorth, RuleWorth
from monitor.records import (
    AnnouncedDay,
    Appliance,
    BoxState,
    DecisionKind,
    EntryKind,
    KeptOutlook,
    LedgerEntry,
    PlanDecision,
    PlannedDay,
    PlanRules,
    RoomClimate,
)
from monitor.records.desk_events import LotBought
from monitor.services import kept_plan, packing
from monitor.services.kept_plan import PlanAsked, plan_apart, plan_at_hand, plan_now
from monitor.services.recharge_plan import FullPlan
from monitor.store.opening import Stores, open_stores
from monitor.texts import say

TODAY = AS_OF.date()
SOON = TODAY + timedelta(days=3)


@dataclass
class Planner:
    """Stands in for the planner, which has tests of its own: says what it is told to, and counts."""

    on: int = 3
    made: int = 0
    announced: list[dict[str, AnnouncedDay]] = field(default_factory=list)

    def __call__(
        self, sources: object, assessments: object, *, announced: dict[str, AnnouncedDay], **_: object
    ) -> FullPlan:
        self.made += 1
        self.announced.append(announced)
        on = TODAY + timedelta(days=self.on)
        why = say("It is due by {day}.", day="Thu 12 Mar")
        before = announced.get("pla")
        changed = {"pla": f"Moved to day {self.on}."} if before and before.on != on else {}
        plan = RechargePlan("oven", (PlannedDay(on, "oven", ("pla",), {"pla": why}),), changed=changed)
        worth = PlanWorth(100.0, 20.0, 1.5, None, (RuleWorth("this plan", 1.0, 1.0, 0.5, 2.0),))
        return FullPlan(plan, worth, (Unmet("pa", 2, 0.3, "late"),), dict.fromkeys(changed, TODAY))


@dataclass
class Shelf:
    path: Path
    stores: Stores
    planner: Planner

    def asked(self, **other: object) -> PlanAsked:
        boxes = [assessment_of("pla", due_in(9)), assessment_of("pa", due_in(30))]
        asked = PlanAsked(
            self.stores, [one.box for one in boxes], [Appliance("oven")], PlanRules(), AS_OF, TODAY, boxes,
            self.stores.ledger.stamp(), tuple(self.stores.plan_decisions.counting()),
        )  # fmt: skip
        return replace(asked, **other)  # type: ignore[arg-type]

    def is_kept(self, **other: object) -> bool:
        """Return whether a question is answered without planning."""
        before = self.planner.made
        plan_now(self.asked(**other))
        return self.planner.made == before


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    path, planner = tmp_path / "siccast.sqlite3", Planner()
    monkeypatch.setattr(kept_plan, "plan_shelf", planner)
    with open_stores(path, begin=True, synchronous="OFF"):
        pass
    with open_stores(path, read_only=True) as stores:
        yield Shelf(path, stores, planner)


def test_the_same_question_is_answered_from_what_is_kept_by_any_process(shelf: Shelf) -> None:
    made = plan_now(shelf.asked())
    with open_stores(shelf.path, read_only=True) as others:
        assert plan_now(shelf.asked(stores=others)) == made
        assert plan_at_hand(shelf.asked(stores=others)) == (made, True)
    assert shelf.planner.made == 1
    assert plan_now(shelf.asked(), fresh=True) == made
    assert shelf.planner.made == 2


def test_what_a_person_changes_is_planned_for_at_once(shelf: Shelf) -> None:
    asked = shelf.asked()
    others: dict[str, object] = {
        "today": TODAY + timedelta(days=1),
        "boxes": [replace(asked.boxes[0], humidity_limit=0.3), *asked.boxes[1:]],
        "appliances": [Appliance("oven"), Appliance("microwave", "microwave")],
        "rules": PlanRules(weekdays=(2,)),
        "room_climate": RoomClimate(21.0, 0.5),
    }
    for name, other in others.items():
        plan_now(asked)
        assert shelf.is_kept(), name
        assert not shelf.is_kept(**{name: other}), name
        assert shelf.is_kept(**{name: other}), name
        assert plan_at_hand(asked) == (None, False), f"{name}: the plan before was asked for otherwise"


def _log(stores: Stores) -> None:
    stores.ledger.log(LedgerEntry(EntryKind.opening, "pla", AS_OF), AS_OF)


def _decide(stores: Stores) -> None:
    stores.plan_decisions.keep(PlanDecision(DecisionKind.moved, SOON, "pla"), AS_OF)


def _at_desk(stores: Stores) -> None:
    stores.events.log(LotBought("march", "silica_gel", 1000.0), AS_OF, AS_OF)


def _announce(stores: Stores) -> None:
    kept = stores.plans.newest()
    assert kept is not None
    stores.plans.keep(kept, [AnnouncedDay("pa", SOON, AS_OF)], AS_OF)


def _learn(stores: Stores) -> None:
    stores.outlooks.keep([(KeptOutlook("pla", AS_OF, b"more readings", b"", b""), None)], ["pla"])


@pytest.mark.parametrize("happens", [_log, _decide, _at_desk, _announce, _learn])
def test_what_happens_in_the_stores_is_planned_for(shelf: Shelf, happens: Callable[[Stores], None]) -> None:
    plan_now(shelf.asked())
    assert shelf.is_kept()
    with open_stores(shelf.path) as stores:
        happens(stores)
    assert not shelf.is_kept()
    assert shelf.is_kept()


@pytest.mark.parametrize("happens", [_log, _decide])
def test_a_plan_that_another_process_has_overtaken_is_neither_kept_nor_announced(
    shelf: Shelf, happens: Callable[[Stores], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By what is logged after the boxes were assessed, or decided at the very last."""
    asked = shelf.asked()
    usual = kept_plan.announcement

    def announcement(*told: Any) -> Any:
        with open_stores(shelf.path) as stores:
            happens(stores)
        return usual(*told)

    monkeypatch.setattr(kept_plan, "announcement", announcement)
    assert plan_now(asked).plan.days
    monkeypatch.undo()
    monkeypatch.setattr(kept_plan, "plan_shelf", shelf.planner)
    assert plan_now(asked).plan.days, "asked before that happened"
    assert (shelf.stores.plans.newest(), shelf.stores.plan_decisions.announced()) == (None, {})
    assert not shelf.is_kept()
    assert shelf.is_kept()


def test_a_box_that_passes_its_limit_is_planned_for(shelf: Shelf) -> None:
    first, second = shelf.asked().assessments
    plan_now(shelf.asked())
    over = [replace(first, state=BoxState.over_limit), second]
    assert plan_at_hand(shelf.asked(assessments=over))[1] is False
    assert not shelf.is_kept(assessments=over)
    assert not shelf.is_kept(assessments=[replace(first, refusal="too new", forecast=None), second])


def test_other_code_made_another_plan(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    plan_now(shelf.asked())
    monkeypatch.setattr(kept_plan, "version_of_code", lambda _rooms: b"another")
    assert plan_at_hand(shelf.asked()) == (None, False)
    assert not shelf.is_kept()


def test_the_plan_before_is_at_hand_where_only_outlooks_moved(shelf: Shelf) -> None:
    made = plan_now(shelf.asked())
    with open_stores(shelf.path) as stores:
        _learn(stores)
    assert plan_at_hand(shelf.asked()) == (made, False)
    assert shelf.planner.made == 1


@pytest.mark.parametrize("value", [b"no pickle", packing.packed(("foreign", "entry"))])
def test_a_foreign_entry_is_dropped_and_made_again(shelf: Shelf, value: bytes) -> None:
    made = plan_now(shelf.asked())
    kept = shelf.stores.plans.newest()
    assert kept is not None
    shelf.stores.plans.keep(replace(kept, plan=value), [AnnouncedDay("pla", SOON, AS_OF)], AS_OF)
    assert plan_at_hand(shelf.asked())[0] is None
    assert plan_now(shelf.asked()) == made
    assert shelf.is_kept()


def test_who_can_not_keep_it_is_answered_all_the_same(shelf: Shelf) -> None:
    with closing(sqlite3.connect(shelf.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert plan_now(shelf.asked()).plan.days
        other.execute("ROLLBACK")
    assert shelf.stores.plan_decisions.announced() == {}, "the days are announced with the plan, or not"
    assert not shelf.is_kept()
    assert shelf.is_kept()


def test_days_are_announced_and_why_one_moved_is_said_for_a_week(shelf: Shelf) -> None:
    plan_now(shelf.asked())
    assert shelf.stores.plan_decisions.announced()["pla"].on == SOON
    shelf.planner.on = 10
    assert plan_now(shelf.asked(), fresh=True).plan.changed == {"pla": "Moved to day 10."}
    for days, is_said in ((0, True), (7, True), (8, False)):
        later = plan_now(shelf.asked(today=TODAY + timedelta(days=days)))
        assert bool(later.plan.changed) is is_said, days


def test_another_question_is_neither_kept_nor_announced(shelf: Shelf) -> None:
    plan_apart(shelf.asked(rules=PlanRules(horizon_days=90)))
    assert shelf.stores.plans.newest() is None
    assert shelf.stores.plan_decisions.announced() == {}
    plan_now(shelf.asked())
    plan_apart(shelf.asked(as_of=AS_OF - timedelta(days=1)), of_the_past=True)
    plan_apart(shelf.asked())
    assert [bool(one) for one in shelf.planner.announced] == [False, False, False, True]
    assert shelf.is_kept()


def test_what_comes_while_it_is_made_is_planned_for_next_time(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    def meanwhile(*told: object, **how: object) -> FullPlan:
        with open_stores(shelf.path) as stores:
            _log(stores)
        return shelf.planner(*told, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(kept_plan, "plan_shelf", meanwhile)
    assert plan_now(shelf.asked()).plan.days
    assert shelf.stores.plans.newest() is None
