"""Rejected messages tried again: by the shelf file, the rules and the clock of today; nothing is taken in twice."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from monitor.feed.decode import Decoder
from monitor.records import OWN_FEED, FeedSpec, RawMessage, SensorMove, ValueAt
from monitor.services.intake import Intake
from monitor.services.reread_rejected import RereadCounts, try_again
from monitor.store.opening import Stores, open_stores

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
WRONG = NOW - timedelta(days=400)
"""What a clock said that had not been set yet."""

OWN = "siccast/1/attic/box1/reading"
PORCH = FeedSpec("porch", "porch/{box}", ValueAt("/t", "C"), ValueAt("/h", "%"))


def take(stores: Stores, told: object, arrived_at: datetime, topic: str = OWN, *, retained: bool = False) -> None:
    message = RawMessage("mqtt", topic, json.dumps(told).encode(), arrived_at, retained=retained)
    Intake(Decoder((OWN_FEED,), "attic"), stores.readings).keep([message])


def again(stores: Stores, *feeds: FeedSpec, moves: tuple[SensorMove, ...] = ()) -> RereadCounts:
    return try_again(
        stores.readings, stores.ledger, (OWN_FEED, *feeds),
        site="attic", moves=moves, now=NOW, alone=stores.events.transaction,
    )  # fmt: skip


def reading(minutes: float, **more: object) -> dict[str, object]:
    at = (NOW - timedelta(minutes=minutes)).timestamp()
    return {"t": at, "temperature_c": 21.4, "rh_pct": 17.2, **more}


def test_what_a_wrong_clock_took_for_the_future_comes_in(stores: Stores) -> None:
    """Alone, in a backlog whose good part was stored, and in a pack of SenML records."""
    take(stores, reading(30), WRONG)
    take(stores, [reading(20), reading(10), reading(600_000)], WRONG)
    pack = [{"u": "Cel", "v": 21.4, "t": NOW.timestamp() - 300}, {"u": "%RH", "v": 17.2, "t": NOW.timestamp() - 300}]
    pack += [{"u": "Cel", "v": 21.4, "t": NOW.timestamp() - 60}, {"u": "%RH", "v": 17.2, "t": NOW.timestamp() - 60}]
    take(stores, pack, WRONG)
    assert (stores.readings.count(), len(stores.ledger.rejected())) == (1, 5)
    assert again(stores) == RereadCounts(tried=5, taken_in=5, new=5)
    assert {each.at for each in stores.readings.each("box1", NOW - timedelta(days=1))} == {
        NOW - timedelta(minutes=minutes) for minutes in (30, 20, 10, 5, 1)
    }
    assert stores.ledger.rejected() == []
    assert stores.ledger.rejected_count() == 5, "ever"
    assert again(stores) == RereadCounts()


def test_two_who_try_again_at_once_take_in_what_has_no_time_once(stores: Stores) -> None:
    """The other waits until the first has stored what it read: it is begun in between, and has to wait."""
    for minutes in range(3):
        take(stores, {"t": 21.0 + minutes, "h": 17.0}, NOW - timedelta(minutes=10 - minutes), "porch/box7")
    path = stores.upkeep.path
    refused: list[str] = []
    usual = stores.ledger.rejected_from

    def rejected_from(*told: Any) -> Any:
        messages = usual(*told)
        with open_stores(path) as other, sqlite3.connect(path, timeout=0.0) as held:
            try:
                held.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as error:
                refused.append(str(error))
            else:
                held.execute("ROLLBACK")
                again(other, PORCH)
        return messages

    beside = SimpleNamespace(readings=stores.readings, ledger=SimpleNamespace(rejected_from=rejected_from))
    beside.events = stores.events
    assert again(beside, PORCH).new == 3  # type: ignore[arg-type]
    assert set(refused) == {"database is locked"}
    assert stores.readings.count() == 3


def test_what_is_still_wrong_stays_as_it_was(stores: Stores) -> None:
    take(stores, {"rh_pct": 17.2}, WRONG)
    take(stores, reading(-3 * 24 * 60), WRONG)
    take(stores, [7, 8], WRONG)
    before = stores.ledger.rejected()
    assert again(stores) == RereadCounts(tried=4)
    assert stores.ledger.rejected() == before


def test_a_feed_that_is_declared_later_takes_in_what_came_before_it(stores: Stores) -> None:
    """Without a time they are of the instant of their arrival, and of the box in which the sensor was then."""
    arrived = NOW - timedelta(days=3)
    for minutes in range(3):
        take(stores, {"t": 21.0 + minutes, "h": 17.0}, arrived + timedelta(minutes=minutes), "porch/box7")
    moves = (SensorMove("box7", "box8", NOW - timedelta(days=1)),)
    assert again(stores, PORCH, moves=moves) == RereadCounts(tried=3, taken_in=3, new=3)
    stored = list(stores.readings.each("box7"))
    assert [each.at for each in stored] == [arrived + timedelta(minutes=minutes) for minutes in range(3)]
    assert [each.temperature_degc for each in stored] == [21.0, 22.0, 23.0]


def test_what_the_broker_had_kept_is_of_no_known_instant(stores: Stores) -> None:
    take(stores, {"temperature_c": 21.4, "rh_pct": 17.2}, NOW, retained=True)
    assert again(stores) == RereadCounts(tried=1)


def test_nothing_is_stored_in_the_year_1970(stores: Stores) -> None:
    take(stores, {"t": 21.0, "h": 17.0}, datetime(1970, 1, 1, tzinfo=UTC), "porch/box7")
    assert again(stores, PORCH) == RereadCounts(tried=1)


def test_halves_are_not_married_anew(stores: Stores) -> None:
    cellar = FeedSpec("cellar", "c/{box}/t", ValueAt("", "C"), ValueAt("", "%"), humidity_topic="c/{box}/h")
    take(stores, 21.4, WRONG, "c/box7/t")
    take(stores, 17.2, WRONG, "c/box7/h")
    assert again(stores, cellar) == RereadCounts(tried=2)


def test_what_is_held_or_at_odds_by_now_is_counted(stores: Stores) -> None:
    take(stores, reading(30), WRONG)
    take(stores, reading(20), WRONG)
    take(stores, reading(30), NOW)
    take(stores, reading(20, rh_pct=50), NOW)
    assert again(stores) == RereadCounts(tried=2, taken_in=2, held=1, differing=1)
    (kept,) = stores.ledger.rejected()
    assert "already has 21.40 °C and 50.00%" in kept.reason


def test_more_than_are_held_in_memory_at_once(stores: Stores) -> None:
    take(stores, [reading(minutes) for minutes in range(1_000)], WRONG)
    assert len(stores.ledger.rejected(2_000)) == 101
    assert again(stores) == RereadCounts(tried=101, taken_in=101, new=1_000)


def test_the_command(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text('site = "attic"\n')
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        take(stores, reading(30), WRONG)
        take(stores, {"rh_pct": 17.2}, WRONG)
    program = "from monitor.cli.app import main; main()"
    command = [sys.executable, "-c", program, "--shelf", str(tmp_path), "rejected"]
    said = subprocess.run([*command, "--again"], capture_output=True, text=True, check=True).stdout
    assert said == "tried 2 again. 1 can be read now (1 new readings, 0 already stored). 1 still can't\n"
    listed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert "'temperature_c' is missing" in listed
    assert "ahead of its arrival" not in listed


def test_check_and_the_list_let_go_of_what_was_taken_in_later(tmp_path: Path) -> None:
    """A clock that was wrong once must not be complained of for good."""
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        take(stores, reading(30), WRONG)
        assert "messages: 1 rejected so far" in siccast(tmp_path, "check", "--all")
        again(stores)
    assert "rejected" not in siccast(tmp_path, "check", "--all")
    assert "1 rejected so far; all that are still stored could be read later" in siccast(tmp_path, "rejected")


def siccast(shelf: Path, *words: str) -> str:
    """Return what a command says; `check` ends with 3 where it has something to say."""
    command = [sys.executable, "-m", "monitor.cli.app", "--shelf", str(shelf), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in {0, 3}, done.stderr
    return done.stdout
