"""The trend of a lot's uptake: its closed form against sums over a grid, and what can't be compared."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from monitor.inference.drying.ageing import (
    SCATTER_LOG_SD,
    SCATTER_MEDIAN,
    TREND_SD,
    Uptake,
    uptake_trend,
)

UPTAKES = (
    Uptake("a", 0, 0.270, 0.08),
    Uptake("a", 1, 0.262, 0.10),
    Uptake("a", 3, 0.241, 0.08),
    Uptake("b", 0, 1.05, 0.05),
    Uptake("b", 2, 0.97, 0.05),
    Uptake("alone", 5, 0.1, 0.05),
)


def by_brute_force() -> np.ndarray:
    """The posterior of the trend over levels, scatter and trend, summed without any of the closed forms. [ln a run]"""
    trends = np.linspace(-0.12, 0.12, 241)
    scatters = np.exp(np.log(SCATTER_MEDIAN) + SCATTER_LOG_SD * np.linspace(-4.0, 4.0, 61))
    chances = stats.norm.pdf(trends, 0.0, TREND_SD)[:, None] * stats.norm.pdf(np.linspace(-4.0, 4.0, 61))
    for series in ("a", "b"):
        own = [uptake for uptake in UPTAKES if uptake.series == series]
        middle = np.mean([np.log(uptake.uptake) for uptake in own])
        levels = np.linspace(middle - 2.5, middle + 2.5, 1501)
        squares = np.zeros((trends.size, levels.size))
        for uptake in own:
            residual = np.log(uptake.uptake) - levels - trends[:, None] * uptake.cycles
            squares += (residual / uptake.log_sd) ** 2
        by_scatter = [np.exp(-0.5 * squares / times**2).sum(axis=1) / times ** len(own) for times in scatters]
        chances = chances * np.column_stack(by_scatter)
    posterior = chances.sum(axis=1)
    cumulative = np.cumsum(posterior) / posterior.sum()
    return np.interp((0.05, 0.5, 0.95), cumulative, trends + 0.5 * (trends[1] - trends[0]))


def test_trend_equals_a_sum_over_trends_levels_and_scatters() -> None:
    trend = uptake_trend(UPTAKES)
    assert trend is not None
    told = trend.per_run()
    assert (told.p05, told.p50, told.p95) == pytest.approx(by_brute_force(), abs=3e-4)
    assert trend.compared == 3


def test_shares_and_runs_follow_from_the_trend() -> None:
    trend = uptake_trend(UPTAKES)
    assert trend is not None
    per_run, left = trend.per_run(), trend.share_left(4)
    assert left.p50 == pytest.approx(np.exp(4.0 * per_run.p50))
    assert trend.runs_until(left.p50).p50 == pytest.approx(4.0)
    assert trend.chance_below(left.p50, 4) == pytest.approx(0.5, abs=1e-6)
    assert trend.chance_below(left.p05, 4) == pytest.approx(0.05, abs=1e-6)
    assert trend.chance_below(0.5, 0) == 0.0


def test_uptake_that_may_rise_is_never_down_to_a_share() -> None:
    rising = uptake_trend([Uptake("a", cycle, float(np.exp(0.03 * cycle)), 0.05) for cycle in range(5)])
    assert rising is not None
    assert rising.runs_until(0.75).p95 == np.inf
    assert rising.chance_falling() < 0.05


def test_uptakes_that_nothing_compares_have_no_trend() -> None:
    assert uptake_trend([]) is None
    assert uptake_trend([Uptake("a", 0, 0.2, 0.1), Uptake("b", 1, 0.1, 0.1)]) is None
    assert uptake_trend([Uptake("a", 2, 0.2, 0.1), Uptake("a", 2, 0.1, 0.1)]) is None


def test_a_larger_unit_or_a_wrong_dry_mass_changes_no_trend() -> None:
    scaled = [Uptake(u.series, u.cycles, 1.3 * u.uptake, u.log_sd) for u in UPTAKES]
    trend, other = uptake_trend(UPTAKES), uptake_trend(scaled)
    assert trend is not None
    assert other is not None
    assert other.per_run().p50 == pytest.approx(trend.per_run().p50, abs=1e-9)
