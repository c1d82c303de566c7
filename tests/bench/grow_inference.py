"""How the cost of fit and forecast grows with boxes, days and draws: a table, and what a straight line makes of it.

python tests/bench/grow_inference.py
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from bench_inference import DRAWS, a_year
from simulated_shelf import outlooks, simulated_shelf

from monitor.inference.answers.forecast import forecast
from monitor.inference.fit.fit import estimate


def cpu_ms(work: Callable[[], object], rounds: int = 3) -> float:
    """Least processor time of some rounds: other programs on the machine only add to it."""
    times = []
    for _ in range(rounds + 1):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return 1e3 * min(times[1:])


def of_one_box(days: int, draws: int) -> float:
    record, now_s = a_year(days=days)
    return cpu_ms(lambda: forecast(estimate(record, now_s, count=draws)))


def of_boxes(boxes: int) -> float:
    histories, as_of = simulated_shelf(boxes, 90)
    return cpu_ms(lambda: outlooks(histories, as_of, workers=1), rounds=1)


def table(name: str, costs: dict[int, float]) -> None:
    """Print costs, the straight line through them, and how far off it is at most."""
    at, cost = np.array(list(costs), dtype=float), np.array(list(costs.values()))
    slope, offset = np.polyfit(at, cost, 1)
    off = cost - (offset + slope * at)
    print(f"\n{name:>8}      ms    line")
    for x, ms, gap in zip(at, cost, off, strict=True):
        print(f"{x:8.0f} {ms:7.1f} {ms - gap:7.1f}")
    explained = 1.0 - off.var() / cost.var()
    print(f"line: {offset:.1f} ms + {slope:.4f} ms x {name}")
    print(f"off by {np.abs(off).max():.1f} ms at most, R2 {explained:.3f}")


if __name__ == "__main__":
    table("draws", {draws: of_one_box(365, draws) for draws in (500, 1000, 2000, 4000, 8000)})
    table("days", {days: of_one_box(days, DRAWS) for days in (45, 90, 180, 365, 730)})
    table("boxes", {boxes: of_boxes(boxes) for boxes in (4, 8, 16, 32)})
