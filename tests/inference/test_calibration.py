"""Intervals mean what they say: truths drawn from the prior, at every floor; two wrong treatments fail the same test.

Simulation-based calibration after Talts et al. (2018), arXiv:1804.06788; limits are binomial at 99 %. The ordinary
suite takes fewer truths; SICCAST_CALIBRATION_TRUTHS=200 takes as many as the limits are stated for.
"""

from __future__ import annotations

import os

import pytest
from rank_calibration import calibrate

from monitor.inference.model.prior import Assumptions

TRUTHS = int(os.environ.get("SICCAST_CALIBRATION_TRUTHS", "60"))
FLOORS = (None, 0.10, 0.15, 0.20)


@pytest.mark.parametrize("floor", FLOORS)
def test_intervals_hold_the_truth_as_often_as_they_say(floor: float | None) -> None:
    found = calibrate(floor, TRUTHS)
    assert found.calibrated, found


def test_intervals_of_a_box_that_no_sensor_watches_hold_the_truth_as_often_as_they_say() -> None:
    """Truths of thirty days, of which nothing was shown: leak and date by the prior alone."""
    found = calibrate(None, TRUTHS, blind=True)
    assert found.calibrated, found


@pytest.mark.parametrize("floor", FLOORS[1:])
def test_a_floor_taken_for_a_value_fails(floor: float) -> None:
    found = calibrate(floor, TRUTHS, Assumptions(censored=False))
    assert not found.calibrated
    assert found.conductance_covered < 0.6


def test_leaving_readings_at_the_floor_out_fails() -> None:
    """Their bound is thrown away, so a box still at its floor is thought leakier than it is."""
    found = calibrate(0.10, max(TRUTHS, 200), Assumptions(drop_censored=True))
    assert not found.calibrated
    assert found.lean_where_hidden < -3.3
