"""Shelves of hundreds of boxes in a database: hourly readings of made-up boxes, or the boxes of the demo many times."""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from simulated_shelf import simulated_shelf

from monitor.records import ROOM, BoxHistory, Reading, ReadingSeries
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

_TEMPLATES = 12
_NOISE = 0.002
"""Of relative humidity; what tells one copy of a box from another."""
_TABLE = re.compile(r"^\[boxes\.([\w-]+)\]\n(.*?)(?=^\[|\Z)", flags=re.MULTILINE | re.DOTALL)
FIRST = datetime(2000, 1, 1, tzinfo=UTC)


class BigShelf:
    """So many boxes: a dozen made ones over and over, each copy with a noise of its own; nights can be added."""

    def __init__(self, folder: Path, boxes: int, days: int, nights: int = 0) -> None:
        self.folder, self.boxes = folder, boxes
        self._made, last = simulated_shelf(min(boxes, _TEMPLATES), days + nights)
        self._until = last - timedelta(days=nights)
        if not folder.exists():
            self.folder = _unfinished(folder)
            self._declare()
            self._add(FIRST, self._until)
            with open_stores(self._file, synchronous="OFF") as stores:
                for name, one in self._each():
                    for entry in one.entries:
                        stores.ledger.log(replace(entry, box=name), self._until)
            self.folder = self.folder.rename(folder)

    @property
    def _file(self) -> Path:
        return self.folder / "siccast.sqlite3"

    def add_a_night(self) -> None:
        """Let a day pass: its hours come in, and the next question is asked at its end."""
        start, self._until = self._until, self._until + timedelta(days=1)
        self._add(start, self._until)
        self._declare()

    def _declare(self) -> None:
        """Write the shelf file; a recording is asked about as of its end."""
        tables = [
            f'[boxes."{name}"]\nvolume_l = {one.box.volume_liter}\nstyle = "{one.box.style}"\n'
            f"limit_rh_pct = {100.0 * one.box.humidity_limit}\n"
            f"sensor = {{ accuracy_rh_pct = {100.0 * one.box.sensor.accuracy}, resolution_rh_pct = 0.1 }}\n"
            for name, one in self._each()
        ]
        head = f'site = "many"\nrecorded_until = {self._until:%Y-%m-%dT%H:%M:%SZ}\n'
        (self.folder / "shelf.toml").write_text("\n".join((head, *tables)))

    def _each(self) -> Iterator[tuple[str, BoxHistory]]:
        for number in range(self.boxes):
            yield f"box {number}", self._made[number % len(self._made)]

    def _add(self, start: datetime, end: datetime) -> None:
        room = self._made[0].room
        assert room is not None
        with open_stores(self._file, synchronous="OFF", begin=True, now=end) as stores:
            stores.readings.add(_readings(ROOM, room, 0, start, end))
            for number, (name, one) in enumerate(self._each()):
                stores.readings.add(_readings(name, one.readings, number, start, end))


def many_times_the_demo(folder: Path, demo: Path, boxes: int, days: int) -> Path:
    """Make a shelf of copies of the demo's boxes with its last days, each with a noise of its own; return its folder.

    These are opened, recharged and read by coarse sensors, as boxes are, and cost several times what made-up ones do.
    """
    if folder.exists():
        return folder
    unfinished, shelf = _unfinished(folder), load_shelf(demo, {})
    end = shelf.recorded_until
    assert end is not None
    start = end - timedelta(days=days)
    over_and_over = shelf.boxes * (1 + boxes // len(shelf.boxes))
    copies = [(f"{box.name}-{number}", box) for number, box in enumerate(over_and_over[:boxes])]
    told = (demo / "shelf.toml").read_text(encoding="utf-8")
    settings = dict(_TABLE.findall(told))
    tables = [f"[boxes.{name}]\n{settings[box.name]}" for name, box in copies]
    (unfinished / "shelf.toml").write_text("\n".join((_TABLE.sub("", told), *tables)), encoding="utf-8")
    with (
        open_stores(demo / "siccast.sqlite3", read_only=True) as given,
        open_stores(unfinished / "siccast.sqlite3", synchronous="OFF", begin=True, now=end) as stores,
    ):
        stores.readings.add(given.readings.each(ROOM, start))
        for number, (name, box) in enumerate(copies):
            series = given.readings.series(box.name)
            stores.readings.add(_readings(name, series, number, start, end))
            for entry in given.ledger.entries(box.name):
                stores.ledger.log(replace(entry, box=name, entry_id=None, logged_at=None), end)
    return unfinished.rename(folder)


def _unfinished(folder: Path) -> Path:
    """Return a new folder to fill, which gets its name when it is full."""
    beside = folder.with_name(f"{folder.name}.unfinished")
    shutil.rmtree(beside, ignore_errors=True)
    beside.mkdir(parents=True)
    return beside


def _readings(name: str, series: ReadingSeries, seed: int, start: datetime, end: datetime) -> Iterator[Reading]:
    """Yield what a sensor told between two instants; the same however it is cut."""
    noise = _NOISE * np.random.default_rng(seed).standard_normal(len(series.at_s))
    seen = (series.at_s >= start.timestamp()) & (series.at_s < end.timestamp())
    shown = np.clip(series.relative_humidity + noise, 0.0, 1.0)
    columns = (series.at_s[seen], series.temperature_degc[seen], shown[seen])
    for at_s, degc, humidity in zip(*(column.tolist() for column in columns), strict=True):
        yield Reading(name, datetime.fromtimestamp(at_s, UTC), degc, humidity)
