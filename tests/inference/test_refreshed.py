"""A night's update gives what a whole new fit would, within what chance leaves open."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box

from monitor.inference.fit.fit import estimate, under_pooled_prior
from monitor.inference.fit.refreshed import refreshed
from monitor.inference.model.box_prior import style_prior
from monitor.inference.model.kalman import run
from monitor.inference.model.prior import Unknown


def test_carried_on_equals_fitted_anew() -> None:
    truth = Truth(conductance=0.2)
    yesterday, then_s, _ = simulated_box(truth, seen_days=40)
    today, now_s, _ = simulated_box(truth, seen_days=41)
    carried = refreshed(estimate(yesterday, then_s), today, now_s)
    refits = estimate(today, now_s)
    for of in (lambda p: np.log(p.state.conductance), lambda p: p.state.loading):
        one, other = of(carried), of(refits)
        assert abs(one.mean() - other.mean()) < 0.35 * other.std()
        assert 0.7 < one.std() / other.std() < 1.4
    assert carried.bins.length_days == refits.bins.length_days
    assert carried.draws.effective_sample_size > 300


@pytest.mark.parametrize("away", [0.3, 1.5])
def test_a_first_look_under_another_prior_equals_a_fit_under_it(away: float) -> None:
    """Whether the draws of the first fit still do (a prior near theirs) or others are made (one far off)."""
    record, now_s, _ = simulated_box(Truth(conductance=0.2), seen_days=30)
    usual, spread = style_prior(record.box)
    pooled = (usual + away, 0.4 * spread)
    once, twice = estimate(record, now_s, pooled=pooled), under_pooled_prior(estimate(record, now_s), pooled)
    one, other = (p.draws.weights @ p.draws.theta[:, Unknown.log_conductance] for p in (once, twice))
    assert abs(one - other) < 0.15 * float(once.theta[:, Unknown.log_conductance].std())
    assert twice.theta[:, Unknown.log_conductance].std() == pytest.approx(
        once.theta[:, Unknown.log_conductance].std(), rel=0.15
    )
    assert twice.problem.prior.mean[Unknown.log_conductance] == once.problem.prior.mean[Unknown.log_conductance]


@pytest.mark.parametrize("days", [12, 90])
def test_every_weighted_draw_has_the_state_that_the_filter_leaves_of_it(days: int) -> None:
    """Draws come from several rounds, and so do their states; with many bins the pilot rounds have others."""
    record, now_s, _ = simulated_box(Truth(conductance=0.2), seen_days=days)
    posterior = estimate(record, now_s)
    _, expected = run(posterior.problem, posterior.draws.theta)
    for name in ("loading", "var_loading", "wander", "covariance", "leaked_g", "dose_kpa_days", "slow_humidity"):
        assert getattr(posterior.weighted_state, name) == pytest.approx(getattr(expected, name), rel=1e-9)
    assert posterior.weighted_state.mean_conductance == pytest.approx(expected.mean_conductance)
