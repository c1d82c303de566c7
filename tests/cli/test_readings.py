"""`readings import` and `export`, `check`, `adopt`, `backup`, `thin`, `log` as a person types them."""

from __future__ import annotations

import json
import os
import re
import sqlite3
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from monitor.errors import StoreBusyError
from monitor.presentation.clock import utc_now
from monitor.records import Reading
from monitor.store.listener_lock import lock_shelf
from monitor.store.opening import open_stores
from monitor.store.sqlite.upkeep import SqliteUpkeep

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    folder = tmp_path / "shelf"
    folder.mkdir()
    (folder / "shelf.toml").write_text('site = "attic"\n[boxes.box1]\nvolume_l = 12\n')
    return folder


def fill(shelf: Path, box: str = "box1", count: int = 300) -> datetime:
    """Store readings every ten minutes up to the present second, which is returned."""
    now = utc_now().replace(microsecond=0)
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add(Reading(box, now - timedelta(minutes=10 * k), 21.4, 0.172, 2.98, k) for k in range(count))
    return now


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_what_is_exported_is_imported_again(run: Callable[..., Any], shelf: Path, tmp_path: Path, ending: str) -> None:
    now = fill(shelf)
    file = tmp_path / f"readings.{ending}"
    run("readings", "export", str(file))
    assert "0 new readings, 300 already stored, 0 differing, 0 rejected" in run("readings", "import", str(file)).stdout
    (shelf / "siccast.sqlite3").unlink()
    assert "300 new readings, 0 already stored, 0 differing, 0 rejected" in run("readings", "import", str(file)).stdout
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        (first, *_) = stores.readings.each("box1")
    assert (first.at, first.temperature_degc, first.relative_humidity, first.battery_v, first.seq) == (
        now - timedelta(minutes=2990), 21.4, 0.172, 2.98, 299
    )  # fmt: skip


def test_a_file_that_is_not_there(run: Callable[..., Any]) -> None:
    result = run("readings", "import", "nowhere.csv", exit_code=1)
    assert "nowhere.csv can't be read: No such file or directory" in str(result.exception)


def test_check_names_what_needs_the_person(run: Callable[..., Any], shelf: Path) -> None:
    fill(shelf)
    with lock_shelf(shelf, utc_now()) as hold:
        assert "All is well" in run("check").stdout
        assert f"listener: process {os.getpid()} has listened for this shelf since" in run("check", "--all").stdout
        hold.ended("stopped")
    fill(shelf, "stranger")
    shown = run("check", exit_code=3).stdout
    assert re.search(
        r"^listener: none is running for this shelf; the last one, .* UTC, ended: stopped – start", shown, re.M
    )
    assert "stranger: seen, not declared – `siccast adopt stranger` makes it a box" in shown
    findings = json.loads(run("check", "--json", exit_code=3).stdout)["findings"]
    known = {"folder", "disk", "store", "broker", "listener", "stranger", "estimates", "speed"}
    assert known >= {each["subject"] for each in findings}


def test_a_silent_box_is_noticed_by_its_own_habit(run: Callable[..., Any], shelf: Path) -> None:
    newest = datetime.now(tz=UTC) - timedelta(minutes=150)
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add(Reading("box1", newest - timedelta(minutes=10 * k), 21.4, 0.172) for k in range(300))
    assert "box1: silent for 2 hours; usually it sends every 10 minutes" in run("check", exit_code=3).stdout


@pytest.mark.parametrize(
    ("sent_hours_ago", "told"),
    [
        ([1.0], ""),
        ([1.0, 2.0, 3.0], ""),
        ([23.9 + 24.0 * day for day in range(7)], ""),
        ([71.0 + 24.0 * day for day in range(7)], ""),
        ([73.0 + 24.0 * day for day in range(7)], "silent for 3 days"),
        ([25.0], "silent for 25 hours"),
    ],
)
def test_a_sensor_that_sent_little_is_not_silent_yet(
    sent_hours_ago: list[float], told: str, run: Callable[..., Any], shelf: Path
) -> None:
    """After a quarter of an hour it was said to have sent more often, on its first evening and once a day for ever."""
    now = datetime.now(tz=UTC)
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add(Reading("box1", now - timedelta(hours=ago), 21.4, 0.172) for ago in sent_hours_ago)
    said = run("check", exit_code=3).stdout
    assert ("box1: silent" in said) == bool(told)
    assert told in said


def test_adopting_keeps_the_readings_from_the_first_on(run: Callable[..., Any], shelf: Path) -> None:
    fill(shelf)
    fill(shelf, "stranger")
    assert "stranger is a box now, with 300 readings" in run("adopt", "stranger", "--volume-l", "8").stdout
    with lock_shelf(shelf, utc_now()):
        assert "All is well" in run("check").stdout
    assert "volume_l = 8" in (shelf / "shelf.toml").read_text()
    assert "already declared" in str(run("adopt", "stranger", exit_code=1).exception)
    assert "never sent a reading. Sent readings: box1, stranger" in str(run("adopt", "ghost", exit_code=2).exception)


def test_backup_and_thin(run: Callable[..., Any], shelf: Path, tmp_path: Path) -> None:
    now = utc_now()
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add(Reading("box1", now - timedelta(days=60, minutes=k), 21.4, 0.172) for k in range(600))
    assert "and checked it: no damage found" in run("backup", str(tmp_path / "copy.sqlite3")).stdout
    shown = run("readings", "thin", "--older-than-days", "30", "--keep-every-minutes", "60", "--yes").stdout
    assert re.search(r"deleted 5\d\d readings. The database is \d+\.\d MiB smaller", shown)
    with sqlite3.connect(shelf / "siccast.sqlite3") as file:
        assert file.execute("PRAGMA freelist_count").fetchone() == (0,)
    file.close()
    copy = sqlite3.connect(tmp_path / "copy.sqlite3")
    assert copy.execute("SELECT count(*) FROM readings").fetchone() == (600,)
    copy.close()


def test_a_disk_without_room_to_shrink_the_file_names_what_does_it_later(
    run: Callable[..., Any], shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def without_room(_: object) -> int:
        raise StoreBusyError("the disk is full; free some space")

    fill(shelf)
    monkeypatch.setattr(SqliteUpkeep, "shrink", without_room)
    shown = run("readings", "thin", "--older-than-days", "30", "--keep-every-minutes", "60", "--yes").stdout
    assert "To give it back to the disk, run the same command again (the disk is full; free some space)" in shown


def test_a_reading_off_a_display_and_an_entry_taken_back(run: Callable[..., Any]) -> None:
    assert "saved a reading of box1" in run("log", "reading", "box1", "17.2", "21.4").stdout
    run("log", "charge", "box1", "--dry-mass", "50", "--mass", "62", "--holder", "10", "--method", "new")
    entry = json.loads(run("log", "show", "--json").stdout)["entries"][0]
    assert (entry["kind"], entry["mass_g"], entry["dry_mass_g"]) == ("charge", 52.0, 50.0)
    run("log", "undo", "1")
    assert json.loads(run("log", "show", "--json").stdout)["entries"] == []
    assert "it is not declared, and it never sent a reading" in str(
        run("log", "opening", "ghost", exit_code=2).exception
    )
    assert "is in the future" in run("log", "opening", "box1", "--at", "2999-01-01", exit_code=2).output


def test_a_look_at_the_beads_is_kept_with_what_it_can_mean(run: Callable[..., Any]) -> None:
    run("log", "charge", "box1", "--dry-mass", "50", "--desiccant", "orange_gel", "--method", "new")
    assert "anything from dry to half full" in run("log", "color", "box1", "Orange").stdout
    entry = json.loads(run("log", "show", "--json").stdout)["entries"][-1]
    assert (entry["kind"], entry["color"]) == ("color", "orange")


@pytest.mark.parametrize(
    ("charged_with", "said"),
    [
        (
            "orange_gel",
            "'purple' is not valid: orange indicating silica gel (organic dye) looks orange, green or turning",
        ),
        ("mol_sieve", "has no dye. Only indicating gel shows anything by its color"),
        (None, "no beads of box1 were logged before that time. First log them with their kind: `siccast log charge`"),
    ],
)
def test_a_color_that_says_nothing_gets_one_line(run: Callable[..., Any], charged_with: str | None, said: str) -> None:
    if charged_with:
        run("log", "charge", "box1", "--dry-mass", "50", "--desiccant", charged_with)
    refusal = str(run("log", "color", "box1", "purple", exit_code=1).exception)
    assert said in refusal
    assert "\n" not in refusal


def test_a_box_with_one_reading_is_not_told_that_it_has_none(run: Callable[..., Any], shelf: Path) -> None:
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add([Reading("box1", datetime(2026, 3, 1, 10, 10, tzinfo=UTC), 21.4, 0.172)])
    (box,) = json.loads(run("forecast", "--json", "--as-of", "2026-03-01T10:20Z").stdout)["boxes"]
    assert "There is no full hour of usable readings yet" in " ".join(box["evidence"])
    assert "no readings" not in " ".join(box["evidence"])
