"""Speed of fit and forecast, each beside its reference; a reference is the same posterior by scipy's solve_ivp.

pytest tests/bench/bench_inference.py --benchmark-only --benchmark-columns=min,median,ops

How cost grows with boxes, days and draws, and a thousand boxes on all cores:

python tests/bench/bench_inference.py
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from made_boxes import Truth, made_box

from monitor.inference.forecast import forecast
from monitor.inference.leak import Posterior, Record, estimate, refreshed
from monitor.inference.posterior.filter import airs, run
from monitor.physics.numerics import FloatArray

DRAWS = 400
DAY_S = 86_400.0


def a_year(seed: int = 0, days: int = 365) -> tuple[Record, float]:
    """A tight box on much gel: a year of hourly readings in one episode, the dearest case there is."""
    record, now_s, _ = made_box(Truth(conductance=0.03, dry_mass_g=300.0), seen_days=days, seed=seed, whole_days=400)
    return record, now_s


RECORD, NOW_S = a_year()
YESTERDAY = estimate(RECORD, NOW_S - DAY_S, count=DRAWS)


def fit_and_forecast() -> None:
    forecast(estimate(RECORD, NOW_S, count=DRAWS))


def by_solve_ivp(posterior: Posterior, draws: int) -> FloatArray:
    """The course of each draw by an adaptive solver, one after the other: the plain way to the same posterior."""
    bins, ends = posterior.bins, []
    acting = airs(bins.outside_kpa, bins.temperature_degc)
    times = bins.edges_days - bins.edges_days[0]
    for k in range(draws):
        drawn = posterior.state.drawn.take(np.array([k]))
        conductance = np.exp(posterior.theta[k, 0])

        def slope(t: float, y: FloatArray, drawn: Any = drawn, conductance: float = conductance) -> list[float]:
            air = acting[min(int(np.searchsorted(times, t, side="right")) - 1, len(acting) - 1)]
            humidity, by_loading = drawn.table.humidity(y[:1], air.temperature_degc)
            to_slow = drawn.slow_g_per_humidity * (humidity - y[1]) / drawn.slow_lag_days
            leak = conductance * (air.outside_kpa - humidity * air.saturation_kpa)
            air_g = drawn.volume_liter * air.saturated_air_g_per_liter * by_loading
            return [
                float(((leak - to_slow) / (drawn.dry_mass_g + air_g))[0]),
                float((humidity[0] - y[1]) / drawn.slow_lag_days[0]),
            ]

        start = drawn.table.loading(np.exp(posterior.theta[k : k + 1, 1]), 21.0)
        found = solve_ivp(
            slope, (0.0, times[-1]), [float(start[0]), float(np.exp(posterior.theta[k, 5]))], rtol=1e-4, max_step=1.0
        )
        ends.append(found.y[0, -1])
    return np.array(ends)


FIT: dict[str, Callable[[], object]] = {
    "fit and forecast": fit_and_forecast,
    "fit": lambda: estimate(RECORD, NOW_S, count=DRAWS),
    "forecast": lambda: forecast(YESTERDAY),
    "a night's update and forecast": lambda: forecast(refreshed(YESTERDAY, RECORD, NOW_S)),
    "a night's update": lambda: refreshed(YESTERDAY, RECORD, NOW_S),
}
ONE_PASS: dict[str, Callable[[], object]] = {
    "ours, all draws at once": lambda: run(YESTERDAY.problem, YESTERDAY.theta[:60]),
    "solve_ivp, draw by draw": lambda: by_solve_ivp(YESTERDAY, 60),
}


@pytest.mark.benchmark(group="1 a year of one box")
@pytest.mark.parametrize("what", FIT)
def test_fit(benchmark: Any, what: str) -> None:
    benchmark.pedantic(FIT[what], rounds=5, warmup_rounds=1)


@pytest.mark.benchmark(group="2 one pass of sixty draws")
@pytest.mark.parametrize("what", ONE_PASS)
def test_pass(benchmark: Any, what: str) -> None:
    benchmark.pedantic(ONE_PASS[what], rounds=2, warmup_rounds=0)


# --- as a script: growth, and a thousand boxes -----------------------------------------------------------------------


def _one_box(seed: int) -> float:
    record, now_s = a_year(seed % 8)
    start = time.perf_counter()
    forecast(estimate(record, now_s, count=DRAWS))
    return time.perf_counter() - start


def _seconds(days: int, draws: int) -> float:
    record, now_s = a_year(days=days)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        forecast(estimate(record, now_s, count=draws))
        times.append(time.perf_counter() - start)
    return min(times)


def growth() -> None:
    """Print how the cost of one box grows with days and with draws, and what a straight line makes of it."""
    for name, cases in {
        "days": [(days, DRAWS) for days in (30, 90, 180, 365)],
        "draws": [(365, draws) for draws in (200, 400, 800, 1600)],
    }.items():
        at = np.array([case[0] if name == "days" else case[1] for case in cases], dtype=float)
        cost = np.array([1e3 * _seconds(*case) for case in cases])
        slope, offset = np.polyfit(at, cost, 1)
        for x, ms in zip(at, cost, strict=True):
            print(f"{x:6.0f} {name:6} {ms:7.1f} ms")
        print(f"   line: {offset:.1f} ms + {slope:.3f} ms a {name[:-1]}\n")


def many(boxes: int, workers: int) -> None:
    """Fit and forecast so many boxes on all cores."""
    from rich.progress import track

    start = time.perf_counter()
    with ProcessPoolExecutor(workers) as pool:
        costs = list(track(pool.map(_one_box, range(boxes), chunksize=8), total=boxes, description="boxes"))
    wall = time.perf_counter() - start
    memory = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(f"{boxes} boxes with a year each on {workers} cores: {wall:.0f} s")
    print(f"fit and forecast {1e3 * np.median(costs):.0f} ms a box and core (median)")
    print(f"{memory * (workers + 1) / 1024:.0f} MiB at most")


if __name__ == "__main__":
    growth()
    many(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, 2)
