"""Ten million readings of a thousand boxes over a year: what the faces ask for, and what it takes on the disk.

pytest tests/bench/bench_store.py --benchmark-only -s          (some minutes to fill; SICCAST_BENCH_ROWS for fewer rows)
"""

from __future__ import annotations

import os
import sqlite3
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from monitor.records import Reading
from monitor.store.opening import Stores, open_stores

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BOXES = 1_000
ROWS = int(os.environ.get("SICCAST_BENCH_ROWS", "10000000"))
STEPS = ROWS // BOXES
START = datetime(2026, 1, 1, tzinfo=UTC)
STEP = timedelta(seconds=365 * 86_400 // STEPS)
"""Whole seconds and no `seq`: a fraction of a second costs four bytes a row, a `seq` two to four."""


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stores]:
    """Filled in time order, ten steps of all boxes a commit, as a large site would."""
    path = tmp_path_factory.mktemp("bench") / "siccast.sqlite3"
    with open_stores(path) as opened:
        began = time.perf_counter()
        for first in range(0, STEPS, 10):
            opened.readings.add(
                Reading(
                    f"box{box}",
                    START + step * STEP,
                    20.0 + (step + box) % 500 / 100,
                    0.1 + (step * 7 + box) % 900 / 1e4,
                    2.9,
                )
                for step in range(first, min(first + 10, STEPS))
                for box in range(BOXES)
            )
        print(f"\nfilled with {ROWS / (time.perf_counter() - began):.0f} rows/s, roll-up and latest included")
        yield opened


def bench_a_box_year_to_arrays(benchmark: Any, stores: Stores) -> None:
    series = benchmark(stores.readings.series, "box500")
    assert len(series) == STEPS


def bench_a_box_year_hourly_from_the_rollup(benchmark: Any, stores: Stores) -> None:
    hourly = benchmark(stores.readings.hourly, "box500")
    assert 0 < len(hourly) <= 8_760


def bench_latest_of_a_thousand_boxes(benchmark: Any, stores: Stores) -> None:
    assert len(benchmark(stores.readings.latest)) == BOXES


def bench_bytes_a_row(benchmark: Any, stores: Stores) -> None:
    """Not a time: the pages of each table, by SQLite's own dbstat."""
    stores.readings.add([])
    pages = benchmark.pedantic(table_bytes, args=(stores.upkeep.path,), rounds=1)
    rows = {"readings": ROWS, "hourly": ROWS, "whole file": ROWS}
    for name, count in rows.items():
        size = sum(pages.values()) if name == "whole file" else pages[name]
        print(f"\n{name}: {size / count:.1f} bytes a reading", end="")
        benchmark.extra_info[name] = round(size / count, 1)


def table_bytes(path: Path) -> dict[str, int]:
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return dict(connection.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name").fetchall())
    finally:
        connection.close()
