"""A disk that is full in the middle of a command: shelf file and database stay as they were, and as one."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from living_shelf import SHELF, living_shelf
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.errors import SettingsError
from monitor.presentation.clock import utc_now
from monitor.records import Reading
from monitor.settings.shelf_append import declare_box
from monitor.store.opening import open_stores
from tests.reliability.trouble import fill, small_disk

BLOCK = 4096
"""How much room a disk in memory gives away at a time: a page. [bytes]"""


def stands(shelf: Path) -> tuple[bytes, set[str], set[str]]:
    """Return the shelf file, the boxes that the database shows, and the files there are."""
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        shown = set(stores.readings.latest())
    return (shelf / "shelf.toml").read_bytes(), shown, {each.name for each in shelf.iterdir()}


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (("box", "rename", "left", "window"), {"window", "right", "room"}),
        (("box", "remove", "left"), {"right", "room"}),
        (("adopt", "away"), {"left", "right", "room", "away"}),
    ],
)
def test_shelf_file_and_database_change_as_one(words: tuple[str, ...], shown: set[str], tmp_path: Path) -> None:
    """The file was changed first, and stayed so where the database found no room: a box had two names."""
    with small_disk(tmp_path / "disk", megabytes=1) as disk:
        living_shelf(disk, hours=1)
        now = utc_now()
        with open_stores(disk / "siccast.sqlite3") as stores:
            stores.readings.add(Reading("away", now - timedelta(minutes=10 * back), 21.0, 0.1) for back in range(1, 9))
            stores.boxes.remove("away", now)
        with closing(sqlite3.connect(disk / "siccast.sqlite3")) as reader:  # the log and its index are there
            reader.execute("SELECT count(*) FROM readings").fetchone()
            filler = fill(disk)
            before = stands(disk)
            refusals: list[str] = []
            while (result := CliRunner().invoke(app, ["--shelf", str(disk), *words])).exit_code:
                refusals.append(str(result.exception))
                assert stands(disk) == before, refusals[-1]
                os.truncate(filler, filler.stat().st_size - BLOCK)
            assert stands(disk)[0] != before[0]
            assert stands(disk)[1] == shown
    assert any("siccast.sqlite3: the disk is full; free some space" in one for one in refusals)
    assert all("ree some space" in one for one in refusals)


def test_no_part_of_an_addition_stays_where_the_rest_finds_no_room(tmp_path: Path) -> None:
    """Its first bytes fit into the last block of the file, and ended within a quoted name: nothing could be read."""
    with small_disk(tmp_path / "disk", megabytes=1) as disk:
        before = SHELF.encode().ljust(BLOCK - 14, b"\n")
        (disk / "shelf.toml").write_bytes(before)
        fill(disk)
        with pytest.raises(SettingsError, match=r"No space left on device\. Free some space"):
            declare_box(disk, "new", 12.0, 0.15)
        assert (disk / "shelf.toml").read_bytes() == before
