"""The cached answers behind the page: renewed when there is something new, kept when renewing fails."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import pytest
from answers_by_hand import AS_OF
from kept_site import Watched
from shelf_on_page import got, make_shelf, serving, take_snapshot_by_hand

from monitor.errors import StoreBusyError, StoreError
from monitor.planning.recharge import RechargePlan
from monitor.presentation.clock import utc_now
from monitor.records import DecisionKind, EntryKind, LedgerEntry, PlanDecision, Reading
from monitor.settings import load_shelf
from monitor.store.opening import open_stores
from monitor.web.snapshot import (
    Keeper,
    Snapshot,
    _Wanted,
    read_stamp,
    take_snapshot,
)

LATER = datetime(2026, 3, 5, tzinfo=UTC)


class Counted:
    """Takes snapshots, counts them, and fails on demand."""

    def __init__(self) -> None:
        self.taken = 0
        self.failure: Exception | None = None

    def __call__(self, clock: datetime) -> Snapshot:
        if self.failure:
            raise self.failure
        self.taken += 1
        return Snapshot(clock, ())


def keeper_of(take: Callable[[datetime], Snapshot], stamps: list[object]) -> Keeper:
    return Keeper(take, lambda _: stamps[0], clock=lambda: LATER)


def test_nothing_new_takes_no_new_snapshot() -> None:
    take, stamps = Counted(), [1]
    keeper = keeper_of(take, stamps)
    asyncio.run(keeper.renew())
    asyncio.run(keeper.renew())
    assert take.taken == 1
    stamps[0] = 2
    asyncio.run(keeper.renew())
    assert take.taken == 2


def test_a_slow_machine_is_left_time_for_the_rest() -> None:
    keeper = keeper_of(Counted(), [1])
    before_the_first = keeper.pause_s
    asyncio.run(keeper.renew())
    assert before_the_first < keeper.pause_s == 300.0
    keeper._took_s = 60.0
    assert keeper.pause_s >= 600.0


@pytest.mark.parametrize(
    ("failure", "words"),
    [(StoreBusyError("the database is locked"), "the database is locked"), (ZeroDivisionError(), "ZeroDivisionError")],
)
def test_a_failure_keeps_the_old_answer_and_is_said_beside_it(failure: Exception, words: str) -> None:
    take, stamps = Counted(), [1]
    keeper = keeper_of(take, stamps)
    asyncio.run(keeper.renew())
    take.failure, stamps[0] = failure, 2
    asyncio.run(keeper.renew())
    assert keeper.newest is not None
    assert words in keeper.newest.notice
    take.failure = None
    asyncio.run(keeper.renew())
    assert keeper.newest.notice == ""


def test_a_first_failure_is_shown_while_waiting(tmp_path: Path) -> None:
    take = Counted()
    take.failure = StoreBusyError("the database is <locked>")
    shelf = make_shelf(tmp_path)
    with serving(shelf, Keeper(take, lambda _: 1), wait_for="database is") as address:
        page = got(address).text
    assert "The database is &lt;locked&gt;." in page


def test_the_page_says_when_it_is_not_the_newest_state(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    keeper = Keeper(partial(take_snapshot_by_hand, shelf), lambda _: 1)
    with serving(shelf, keeper) as address:
        assert keeper.newest is not None
        keeper.newest = replace(keeper.newest, notice="the disk is full")
        assert "Not the newest state." in got(address).text


def test_a_database_that_vanished_is_said_on_the_page_and_not_made_anew(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    keeper = Keeper(partial(take_snapshot_by_hand, shelf), partial(read_stamp, shelf), renew_s=0.1)
    with serving(shelf, keeper) as address:
        for file in tmp_path.glob("siccast.sqlite3*"):
            file.unlink()
        asyncio.run(keeper.renew())
        page, box = got(address).text, got(f"{address}/box/over")
    assert "Not the newest state." in page
    assert "there is no database" in page
    assert box.status_code == 503
    assert "there is no database" in box.text
    with pytest.raises(StoreError, match="there is no database"):
        take_snapshot(shelf, LATER)
    assert [path.name for path in tmp_path.iterdir()] == ["shelf.toml"]


def test_the_stamp_changes_with_readings_and_with_the_ledger(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    stamps = [read_stamp(shelf, AS_OF)]
    with open_stores(shelf.database_path) as stores:
        stores.readings.add([Reading("over", AS_OF, 21.0, 0.25)])
        stamps.append(read_stamp(shelf, AS_OF))
        stores.ledger.log(LedgerEntry(EntryKind.opening, "over", AS_OF), utc_now())
        stamps.append(read_stamp(shelf, AS_OF))
    assert len(set(stamps)) == 3


def test_time_alone_renews_a_living_site_and_not_a_recorded_one(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    assert read_stamp(shelf, AS_OF) == read_stamp(shelf, LATER)
    (tmp_path / "shelf.toml").write_text('site = "live"\n')
    live = load_shelf(tmp_path, {})
    assert read_stamp(live, AS_OF) != read_stamp(live, LATER)


def test_a_snapshot_of_a_real_store_holds_every_box_and_the_room(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    snapshot = take_snapshot(shelf, LATER)
    assert snapshot.as_of == AS_OF
    assert {answer.box.name for answer in snapshot.answers} > {box.name for box in shelf.boxes}
    assert snapshot.room is not None
    assert 0.2 < snapshot.highest <= 0.26


def test_a_snapshot_after_another_carries_its_boxes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf, watched = make_shelf(tmp_path), Watched()
    watched.stand_between(monkeypatch)
    before = take_snapshot(shelf, LATER)
    fitted, _ = watched.since()
    after = take_snapshot(shelf, LATER)
    assert fitted == {box.name for box in shelf.boxes}
    assert watched.since() == (set(), set())
    assert after.answers == before.answers


def test_what_is_carried_on_while_all_is_assessed_is_not_lost() -> None:
    """An assessment begins before a reading comes and ends after it was put in: what it found is older."""
    begun, go_on = threading.Event(), threading.Event()
    newest = [1.0]

    def take(clock: datetime) -> Snapshot:
        found = newest[0]
        begun.set()
        go_on.wait()
        return Snapshot(clock, (), highest=found)

    def carry(snapshot: Snapshot, _clock: datetime) -> tuple[Snapshot, bool]:
        return replace(snapshot, highest=newest[0]), True

    async def both() -> None:
        go_on.set()
        await keeper.renew()
        begun.clear()
        go_on.clear()
        stamps[0] = 2
        renewal = asyncio.create_task(keeper.renew())
        await asyncio.to_thread(begun.wait)
        newest[0] = 2.0
        await keeper.carry_on()
        assert keeper.newest is not None
        assert keeper.newest.highest == 2.0
        go_on.set()
        await renewal

    stamps: list[object] = [1]
    keeper = Keeper(take, lambda _: stamps[0], carry=carry, clock=lambda: LATER)
    asyncio.run(both())
    assert keeper.newest is not None
    assert keeper.newest.highest == 2.0


def test_what_says_more_than_a_figure_is_assessed_after_a_rest_and_a_deed_at_once() -> None:
    taken: list[float] = []
    again = asyncio.Event()
    sort = [True]

    def take(clock: datetime) -> Snapshot:
        taken.append(1)
        loop.call_soon_threadsafe(again.set)
        return Snapshot(clock, ())

    async def run() -> None:
        nonlocal loop
        loop = asyncio.get_running_loop()
        async with keeper.running():
            for asked in (keeper.look_soon, keeper.look_when_rested):
                again.clear()
                sort[0] = not sort[0]
                asked()
                await again.wait()

    loop: asyncio.AbstractEventLoop
    keeper = Keeper(take, lambda _: sort[0], clock=lambda: LATER)
    asyncio.run(run())
    assert len(taken) == 3


def test_a_deed_asks_for_rest_no_longer_than_the_last_look_and_readings_for_their_share() -> None:
    keeper = keeper_of(Counted(), [1])
    asyncio.run(keeper.renew())
    keeper._took_s = 1.5
    assert keeper._rest_s == 300.0
    keeper._wanted = _Wanted.when_rested
    assert keeper._rest_s == 30.0
    keeper._wanted = _Wanted.soon
    assert keeper._rest_s == 1.5


@pytest.mark.parametrize("is_decided_meanwhile", [False, True])
def test_a_plan_that_is_due_follows_while_all_else_goes_on(*, is_decided_meanwhile: bool) -> None:
    """Readings that come while it is made stay; what was decided meanwhile is planned for, not planned over."""
    whole, theirs = RechargePlan("oven", (), {"pla": "It holds."}), RechargePlan("oven", (), {"pla": "You skip it."})
    begun, go_on, told = threading.Event(), threading.Event(), threading.Event()
    skipped = (PlanDecision(DecisionKind.skip, date(2026, 3, 7), "pla", decision_id=1),)
    figures = [1.0]

    def plan(snapshot: Snapshot, make: bool) -> Snapshot:
        assert make
        begun.set()
        go_on.wait()
        return replace(snapshot, plan=whole, plan_is_due=False)

    async def run() -> Snapshot | None:
        async with keeper.running():
            await asyncio.to_thread(begun.wait)
            figures[0] = 2.0
            await keeper.carry_on()
            if is_decided_meanwhile and keeper.newest is not None:
                made = replace(keeper.newest, plan=theirs, plan_is_due=False, decisions=skipped)
                await asyncio.to_thread(keeper.show_plan, made)
            told.clear()
            go_on.set()
            if not is_decided_meanwhile:
                await asyncio.to_thread(told.wait)
            assert keeper._planning is not None
            await keeper._planning
            return keeper.newest

    keeper = Keeper(
        lambda clock: Snapshot(clock, (), plan=RechargePlan("oven", ()), plan_is_due=True),
        lambda _: 1,
        carry=lambda snapshot, _: (replace(snapshot, highest=figures[0]), True),
        clock=lambda: LATER,
        plan=plan,
    )
    keeper.changed = told.set
    shown = asyncio.run(run())
    assert shown is not None
    assert shown.highest == 2.0
    assert shown.plan == (theirs if is_decided_meanwhile else whole)
    assert not shown.plan_is_due


SKIPPED = (PlanDecision(DecisionKind.skip, date(2026, 3, 7), "pla", decision_id=1),)
DECIDED = RechargePlan("oven", (), {"pla": "You skip it."})


def test_what_is_decided_while_all_is_assessed_stays_shown() -> None:
    """That look had begun before, so it knows nothing of it; the next one does."""
    begun, go_on, known = threading.Event(), threading.Event(), [()]
    go_on.set()

    def take(clock: datetime) -> Snapshot:
        decisions = known[0]
        begun.set()
        go_on.wait()
        plan = DECIDED if decisions else RechargePlan("oven", ())
        return Snapshot(clock, (), plan=plan, decisions=decisions)

    async def run() -> list[Snapshot | None]:
        stamps: list[object] = [1]
        keeper = keeper_of(take, stamps)
        await keeper.renew()
        begun.clear()
        go_on.clear()
        stamps[0] = 2
        look = asyncio.create_task(keeper.renew())
        await asyncio.to_thread(begun.wait)
        known[0] = SKIPPED
        assert keeper.newest is not None
        await keeper._show_plan(replace(keeper.newest, plan=DECIDED, decisions=SKIPPED))
        go_on.set()
        await look
        shown = [keeper.newest]
        stamps[0], known[0] = 3, ()
        await keeper.renew()
        return [*shown, keeper.newest]

    after, undone = asyncio.run(run())
    assert after is not None
    assert (after.plan, tuple(after.decisions)) == (DECIDED, SKIPPED)
    assert undone is not None
    assert (undone.plan, undone.decisions) == (RechargePlan("oven", ()), ()), "undone before the next look"


def test_a_plan_that_waits_for_its_turn_does_not_replace_that_of_a_later_decision() -> None:
    async def run() -> Snapshot | None:
        keeper = keeper_of(lambda clock: Snapshot(clock, ()), [1])
        keeper._plan = lambda snapshot, _: replace(snapshot, plan=RechargePlan("oven", ()))
        await keeper.renew()
        async with keeper._one_at_a_time:
            planning = asyncio.create_task(keeper._plan_anew(make=True))
            while not keeper._one_at_a_time._waiters:  # until it has made its plan and waits
                await asyncio.sleep(0)
            assert keeper.newest is not None
            keeper.newest = replace(keeper.newest, plan=DECIDED, decisions=SKIPPED)
        await planning
        return keeper.newest

    shown = asyncio.run(run())
    assert shown is not None
    assert (shown.plan, shown.decisions) == (DECIDED, SKIPPED)
