"""A night's update gives what a whole new fit would, within what chance leaves open."""

from __future__ import annotations

import numpy as np
from made_boxes import Truth, made_box

from monitor.inference.leak import estimate, refreshed


def test_carried_on_equals_fitted_anew() -> None:
    truth = Truth(conductance=0.2)
    yesterday, then_s, _ = made_box(truth, seen_days=40)
    today, now_s, _ = made_box(truth, seen_days=41)
    carried = refreshed(estimate(yesterday, then_s), today, now_s)
    anew = estimate(today, now_s)
    for of in (lambda p: np.log(p.state.conductance), lambda p: p.state.loading):
        one, other = of(carried), of(anew)
        assert abs(one.mean() - other.mean()) < 0.35 * other.std()
        assert 0.7 < one.std() / other.std() < 1.4
    assert carried.bins.length_days == anew.bins.length_days
    assert carried.draws.effective > 300
