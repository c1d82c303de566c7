"""The cached answers behind the page: renewed when there is something new, kept when renewing fails."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from kept_site import Watched
from made_up import AS_OF
from shelf_made_up import got, make_shelf, serving, take_snapshot_by_hand

from monitor.errors import StoreBusyError, StoreError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry, Reading
from monitor.settings import load_shelf
from monitor.store.opening import open_stores
from monitor.web.snapshot import (
    Keeper,
    Snapshot,
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
    assert "the database is &lt;locked&gt;" in page


def test_the_page_says_when_it_is_not_the_newest_state(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    keeper = Keeper(partial(take_snapshot_by_hand, shelf), lambda _: 1)
    with serving(shelf, keeper) as address:
        keeper._remember("the disk is full")
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
