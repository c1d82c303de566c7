"""Speed of fit, forecast and a night's update; the reference is the same posterior by scipy's solve_ivp.

pytest tests/bench/bench_inference.py --benchmark-only --benchmark-columns=min,median,ops

How cost grows with boxes, days and draws:

python tests/bench/grow_inference.py

How long a person waits, how many boxes, how many years:

python -m tests.bench.answers, python -m tests.bench.many_boxes, python -m tests.bench.ten_years
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from by_solve_ivp import posterior_by_ours, posterior_by_solve_ivp
from simulated_boxes import Truth, simulated_box
from with_compiled import require_compiled_filter

from monitor.inference.answers.forecast import forecast
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Record
from monitor.inference.fit.refreshed import refreshed
from monitor.inference.model import compiled_run
from monitor.inference.model.kalman import run

DRAWS = 1000
"""As many as `siccast forecast` makes."""
REFERENCE_DRAWS = 60
DAY_S = 86_400.0


def a_year(seed: int = 0, days: int = 365) -> tuple[Record, float]:
    """A tight box on much gel: a year of hourly readings in one episode, the dearest case there is."""
    record, now_s, _ = simulated_box(Truth(conductance=0.03, dry_mass_g=300.0), days, seed)
    return record, now_s


RECORD, NOW_S = a_year()
YESTERDAY = estimate(RECORD, NOW_S - DAY_S, count=DRAWS)


def fit_and_forecast(draws: int = DRAWS) -> None:
    forecast(estimate(RECORD, NOW_S, count=draws))


FIT: dict[str, Callable[[], object]] = {
    "fit and forecast": fit_and_forecast,
    "fit and forecast, 400 draws": lambda: fit_and_forecast(400),
    "fit": lambda: estimate(RECORD, NOW_S, count=DRAWS),
    "forecast": lambda: forecast(YESTERDAY),
    "a night's update": lambda: refreshed(YESTERDAY, RECORD, NOW_S),
    "a night's update and forecast": lambda: forecast(refreshed(YESTERDAY, RECORD, NOW_S)),
}
ONE_PASS: dict[str, Callable[[], object]] = {
    "ours, all draws at once": lambda: posterior_by_ours(YESTERDAY, REFERENCE_DRAWS),
    "solve_ivp, draw by draw": lambda: posterior_by_solve_ivp(YESTERDAY, REFERENCE_DRAWS),
}


@pytest.mark.benchmark(group="1 a year of one box", timer=time.process_time)
@pytest.mark.parametrize("what", FIT)
def test_fit(benchmark: Any, what: str) -> None:
    benchmark.pedantic(FIT[what], rounds=7, warmup_rounds=1)


@pytest.mark.benchmark(group="2 one pass of sixty draws", timer=time.process_time)
@pytest.mark.parametrize("what", ONE_PASS)
def test_pass(benchmark: Any, what: str) -> None:
    benchmark.pedantic(ONE_PASS[what], rounds=2, warmup_rounds=0)


@pytest.mark.benchmark(group="3 one pass through the year, compiled and by numpy", timer=time.process_time)
@pytest.mark.parametrize("draws", [200, 400, 1000])
@pytest.mark.parametrize("way", ["compiled", "numpy"])
def test_compiled_pass(benchmark: Any, way: str, draws: int, monkeypatch: pytest.MonkeyPatch) -> None:
    if way == "numpy":
        monkeypatch.setattr(compiled_run, "filter_kernel", lambda: (None, "left aside by a benchmark"))
    else:
        require_compiled_filter()
    theta = np.asfortranarray(YESTERDAY.theta[:draws])
    benchmark.pedantic(lambda: run(YESTERDAY.problem, theta), rounds=20, warmup_rounds=2)


@pytest.mark.benchmark(group="2 one pass of sixty draws", timer=time.process_time)
def test_both_passes_give_the_same_posterior(benchmark: Any) -> None:
    """Tolerances: the water of every draw to 1 part in 2000, its log likelihood to 0.15 beside a spread of above 1."""
    scores, loading = benchmark.pedantic(ONE_PASS["ours, all draws at once"], rounds=3, warmup_rounds=0)
    exact_scores, exact_loading = ONE_PASS["solve_ivp, draw by draw"]()  # type: ignore[misc]
    assert loading == pytest.approx(exact_loading, rel=5e-4)
    apart = (scores - scores.mean()) - (exact_scores - exact_scores.mean())
    assert float(np.abs(apart).max()) < 0.15
    assert float(exact_scores.std()) > 1.0
