"""The regression on a room's course against the same by plain Gaussian algebra, no whitening: dense covariances."""

import numpy as np
import pytest

from monitor.inference.evidence.course_regression import regress

MEMORIES_DAYS = np.array([1.7, 5.6, 18.0])
DAYS = np.array([0.5, 1.5, 2.5, 4.5, 5.5, 9.5, 10.5, 11.5, 30.5, 31.5, 32.5, 33.5])  # with days not seen
RNG = np.random.default_rng(4)
BASIS = np.column_stack([np.ones(len(DAYS)), np.cos(DAYS / 58.0), np.sin(DAYS / 58.0)])
OBSERVED = BASIS @ np.array([0.2, 0.3, -0.1]) + 0.1 * RNG.standard_normal(len(DAYS))
MEAN, COVARIANCE = np.array([0.1, 0.4, 0.0]), np.diag([0.3, 0.2, 0.1]) ** 2
USUAL_SD = 0.2

FITS = regress((MEAN, np.linalg.inv(COVARIANCE)), BASIS, DAYS, OBSERVED, USUAL_SD, MEMORIES_DAYS)


def errors(sd: float, memory_days: float) -> np.ndarray:
    """Covariance of an AR(1) process seen on these days."""
    return sd**2 * np.exp(-np.abs(np.subtract.outer(DAYS, DAYS)) / memory_days)


@pytest.mark.parametrize("place", range(len(MEMORIES_DAYS)))
def test_unknowns_are_those_of_plain_gaussian_conditioning(place: int) -> None:
    seen = BASIS @ COVARIANCE @ BASIS.T + errors(FITS.residual_sd[place], MEMORIES_DAYS[place])
    gain = COVARIANCE @ BASIS.T @ np.linalg.inv(seen)
    assert FITS.mean[place] == pytest.approx(MEAN + gain @ (OBSERVED - BASIS @ MEAN), rel=1e-8)
    assert FITS.covariance[place] == pytest.approx(COVARIANCE - gain @ BASIS @ COVARIANCE, rel=1e-8, abs=1e-12)


def test_memories_are_weighed_by_the_density_of_the_record() -> None:
    found = []
    for sd, memory_days in zip(FITS.residual_sd, MEMORIES_DAYS, strict=True):
        seen = BASIS @ COVARIANCE @ BASIS.T + errors(sd, memory_days)
        off = OBSERVED - BASIS @ MEAN
        density = -0.5 * (off @ np.linalg.solve(seen, off) + np.linalg.slogdet(seen)[1])
        ratio = (USUAL_SD / sd) ** 2  # scaled inverse chi square of 10 days, up to a constant
        found.append(density + 5.0 * (np.log(ratio) - ratio))
    assert np.diff(FITS.log_evidence) == pytest.approx(np.diff(found), rel=1e-8)


def test_a_calm_record_makes_the_usual_spread_smaller() -> None:
    assert USUAL_SD / 2.0 < FITS.residual_sd[0] < USUAL_SD
