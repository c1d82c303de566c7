"""A linear filter of another library, to hold ours against, and the straight isotherm on which ours is linear too."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest

from monitor.physics.numerics import FloatArray, Numeric

PER_HUMIDITY = 0.55
"""A straight isotherm: a gram of beads takes up 0.55 g for a humidity of 1."""


class StraightTable:
    """A straight isotherm without the corners that a table has."""

    def humidity(self, loading: FloatArray, temperature_degc: Numeric) -> tuple[FloatArray, FloatArray]:
        return loading / PER_HUMIDITY, np.full_like(loading, 1.0 / PER_HUMIDITY)

    def keep_within(self, loading: FloatArray) -> FloatArray:
        return loading


class Step(NamedTuple):
    """One bin of a linear problem: x' = transition x + moved + noise, shown = design x' + offset."""

    transition: FloatArray
    moved: FloatArray
    noise: FloatArray
    design: FloatArray
    offset: FloatArray


class Filtered(NamedTuple):
    mean: FloatArray
    covariance: FloatArray
    log_likelihood: float


def exactly_filtered(
    step_at: Callable[[int, FloatArray], Step], seen: FloatArray, noise_of_seen: FloatArray, start: Filtered
) -> Filtered:
    """Filter by statsmodels, bin by bin: its first period is where a bin begins, its second where it ends.

    What is linear in a bin may depend on the mean before it, as the offset of a bin's mean does.
    """
    library = pytest.importorskip("statsmodels.tsa.statespace.kalman_filter")
    for k, shown in enumerate(seen):
        step = step_at(k, start.mean)
        size = len(start.mean)
        exact = library.KalmanFilter(k_endog=len(shown), k_states=size, k_posdef=size)
        exact.bind(np.vstack([np.full_like(shown, np.nan), shown]))
        exact["transition"], exact["state_intercept"] = step.transition, step.moved[:, None]
        exact["selection"], exact["state_cov"] = np.eye(size), step.noise
        exact["design"], exact["obs_intercept"] = step.design, step.offset[:, None]
        exact["obs_cov"] = noise_of_seen
        exact.initialize_known(start.mean, start.covariance)
        found = exact.filter()
        mean, covariance = found.filtered_state[:, 1], found.filtered_state_cov[:, :, 1]
        start = Filtered(mean, covariance, start.log_likelihood + float(found.llf_obs[1]))
    return start


def assert_same(found: Filtered, exact: Filtered) -> None:
    assert found.mean == pytest.approx(exact.mean, rel=1e-9, abs=1e-12)
    assert found.covariance == pytest.approx(exact.covariance, rel=1e-9, abs=1e-18)
    assert found.log_likelihood == pytest.approx(exact.log_likelihood, rel=1e-9)
