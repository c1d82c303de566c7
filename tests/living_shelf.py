"""A shelf that is no recording: its readings go up to the present, and other processes write into it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import httpx

from monitor.presentation.clock import utc_now
from monitor.records import Reading
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores

SHELF = """
site = "shed"
timezone = "Europe/Vienna"

[boxes.left]
limit_rh_pct = 20

[boxes.right]
limit_rh_pct = 20
"""

ADD = """
import sys
from datetime import datetime, timedelta
from pathlib import Path
from monitor.records import Reading
from monitor.store.opening import open_stores
path, box, at, humidity = sys.argv[1:]
with open_stores(Path(path)) as stores:
    stores.readings.add([Reading(box, datetime.fromisoformat(at), 21.0, float(humidity))])
"""


def living_shelf(folder: Path, hours: int = 30, *, last_ago: timedelta = timedelta(minutes=20)) -> Shelf:
    """Make a shelf whose boxes sent every ten minutes, until some minutes ago."""
    (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    shelf = load_shelf(folder, {})
    last = utc_now() - last_ago
    with open_stores(shelf.database_path, synchronous="OFF") as stores:
        for name, humidity in (("left", 0.10), ("right", 0.12), ("room", 0.45)):
            stores.readings.add(
                Reading(name, last - timedelta(minutes=10 * back), 21.0, humidity) for back in range(6 * hours)
            )
    return shelf


def add_elsewhere(shelf: Shelf, box: str, humidity: float, at: datetime | None = None) -> None:
    """Store a reading in a process of its own."""
    when = (at or utc_now() - timedelta(seconds=1)).isoformat()
    subprocess.run([sys.executable, "-c", ADD, str(shelf.database_path), box, when, str(humidity)], check=True)


def siccast(shelf: Shelf, *words: str) -> str:
    """Ask the command line, in a process of its own."""
    command = [sys.executable, "-c", "from monitor.cli.app import main; main()", "--shelf", str(shelf.folder), *words]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


class Told:
    """What one open page is told; waits as long as the limit of the test allows."""

    def __init__(self, lines: Iterator[str]) -> None:
        self._lines = lines

    def of(self, kind: str) -> None:
        """Wait until something of this kind is told."""
        for line in self._lines:
            if line.startswith("data: ") and kind in line.split():
                return
        raise AssertionError(f"the events ended before one of {kind!r}")

    def to_the_end(self) -> None:
        """Wait until the server ends the stream."""
        for _ in self._lines:
            pass


@contextmanager
def listening(address: str) -> Iterator[Told]:
    """Be an open page; the first line is there, so the server counts us."""
    with httpx.Client(timeout=None) as client, client.stream("GET", f"{address}/live") as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        lines = answer.iter_lines()
        assert next(lines).startswith("retry: ")
        yield Told(lines)
