"""Shelves of hundreds of boxes in a database, as a site has them: hourly readings of made-up boxes beside one room."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from made_shelf import made_shelf

from monitor.records import ROOM, BoxHistory, Reading, ReadingSeries
from monitor.store.opening import open_stores

_TEMPLATES = 12
_SHELF_FILE = "shelf.toml"


class BigShelf:
    """So many boxes: a dozen made ones over and over, each copy with a noise of its own; nights can be added."""

    def __init__(self, folder: Path, boxes: int, days: int, nights: int = 0) -> None:
        self.folder, self.boxes = folder, boxes
        self._made, last = made_shelf(min(boxes, _TEMPLATES), days + nights)
        self._until = last - timedelta(days=nights)
        if not folder.exists():
            self.folder = folder.with_name(f"{folder.name}.unfinished")
            shutil.rmtree(self.folder, ignore_errors=True)
            self._fill()
            self.folder = self.folder.rename(folder)

    def _fill(self) -> None:
        self.folder.mkdir(parents=True)
        self._declare()
        self._add(datetime(2000, 1, 1, tzinfo=UTC), self._until)
        with open_stores(self._file, synchronous="OFF") as stores:
            for name, one in self._each():
                for entry in one.entries:
                    stores.ledger.log(replace(entry, box=name), self._until)

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
        (self.folder / _SHELF_FILE).write_text("\n".join((head, *tables)))

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


def _readings(name: str, series: ReadingSeries, seed: int, start: datetime, end: datetime) -> Iterator[Reading]:
    """Yield what a sensor told between two instants; the same however it is cut."""
    noise = 0.002 * np.random.default_rng(seed).standard_normal(len(series.at_s))
    seen = (series.at_s >= start.timestamp()) & (series.at_s < end.timestamp())
    shown = np.clip(series.relative_humidity + noise, 0.0, 1.0)
    columns = (series.at_s[seen], series.temperature_degc[seen], shown[seen])
    for at_s, degc, humidity in zip(*(column.tolist() for column in columns), strict=True):
        yield Reading(name, datetime.fromtimestamp(at_s, UTC), degc, humidity)
