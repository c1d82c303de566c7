"""A thousand boxes with a year of hourly readings each, on all cores, the way `siccast forecast` asks; then a night on.

python tests/bench/many_inference.py [boxes] [days] [cores]
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from made_shelf import made_shelf

from monitor.inference import Fitted, RefitReason, fitted, outlooks, updated
from monitor.records import BoxHistory, Outlook, ReadingSeries

_TEMPLATES = 12


def shelf_of(boxes: int, days: int) -> tuple[list[BoxHistory], datetime]:
    """So many boxes: a dozen made ones over and over, each copy with a noise of its own."""
    made, as_of = made_shelf(min(boxes, _TEMPLATES), days)
    shelf = []
    for k in range(boxes):
        one, name = made[k % len(made)], f"box {k}"
        noise = 0.002 * np.random.default_rng(k).standard_normal(len(one.readings))
        readings = replace(one.readings, box=name, relative_humidity=one.readings.relative_humidity + noise)
        entries = tuple(replace(entry, box=name) for entry in one.entries)
        shelf.append(replace(one, box=replace(one.box, name=name), readings=readings, entries=entries))
    return shelf, as_of


def until(histories: list[BoxHistory], at: datetime) -> list[BoxHistory]:
    """What was known of them then."""
    room = histories[0].room
    assert room is not None
    room = _cut(room, at)
    return [replace(one, readings=_cut(one.readings, at), room=room) for one in histories]


def _cut(series: ReadingSeries, at: datetime) -> ReadingSeries:
    seen = slice(0, int(np.searchsorted(series.at_s, at.timestamp())))
    columns = (series.at_s, series.temperature_degc, series.relative_humidity, series.marks)
    return ReadingSeries(series.box, *(column[seen] for column in columns))


def resident_mib() -> float:
    """Memory of this process and its pool, as the kernel counts it now."""
    processes = [os.getpid(), *(child.pid for child in multiprocessing.active_children())]
    pages = sum(int(Path(f"/proc/{one}/statm").read_text().split()[1]) for one in processes)
    return pages * resource.getpagesize() / 2**20


def timed(what: str, ask: Callable[..., Sequence[Fitted | RefitReason]], boxes: int, cores: int) -> list[Fitted]:
    """Ask, show how far it is, and print what it took."""
    from rich.progress import Progress

    start, before, most = time.perf_counter(), os.times(), [0.0]
    with Progress() as bar:
        task = bar.add_task(what, total=1.0)

        def show(share: float) -> None:
            bar.update(task, completed=share)
            most[0] = max(most[0], resident_mib())

        given = ask(workers=cores, progress=show)
    wall, after = time.perf_counter() - start, os.times()
    spent = sum(after[:4]) - sum(before[:4])
    print(f"{what}: {wall:.0f} s on {cores} cores, {1e3 * spent / boxes:.1f} ms of processor time a box")
    print(f"  memory at most {most[0]:.0f} MiB in all processes together")
    answers = [one for one in given if isinstance(one, Fitted)]
    forecasts = sum(one.outlook.forecast is not None for one in answers)
    print(f"  {forecasts} forecasts, {boxes - len(answers)} boxes to be fitted again")
    return answers


def _apart(of: Callable[[Outlook], float], carried: Sequence[Outlook], refits: Sequence[Outlook]) -> str:
    ratios = [of(one) / of(other) for one, other in zip(carried, refits, strict=True)]
    return f"{np.mean(ratios):.3f} (from {min(ratios):.3f} to {max(ratios):.3f})"


def _leak(outlook: Outlook) -> float:
    assert outlook.leak is not None
    return outlook.leak.conductance_g_per_day_per_kpa.p50


def _used(outlook: Outlook) -> float:
    assert outlook.forecast is not None
    return outlook.forecast.capacity_used.p50


if __name__ == "__main__":
    boxes, days, cores = (*map(int, sys.argv[1:]), *(1000, 365, os.cpu_count() or 1)[len(sys.argv) - 1 :])
    everything, end = shelf_of(boxes, days + 1)
    night = end - timedelta(days=1)
    first = timed(f"{boxes} boxes, {days} days each", partial(fitted, until(everything, night), night), boxes, cores)
    fits = [(one.last_fit, one.teaching) for one in first if one.last_fit is not None]
    carried = timed("the night after, updated", partial(updated, fits, everything, end), boxes, cores)
    some = slice(0, _TEMPLATES)
    carried = [one.outlook for one in carried[some]]
    refits = outlooks(everything[some], end)
    print(f"  updated over fitted again, {len(refits)} boxes, medians: leak {_apart(_leak, carried, refits)}, "
          f"capacity used {_apart(_used, carried, refits)}")  # fmt: skip
