"""Draws that weights alone would leave to a handful: moved, they follow a density known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.inference.fit.smc import Population, moved_to_posterior
from monitor.physics.numerics import FloatArray


@pytest.mark.parametrize("sharpness", [0.02, 0.002])
def test_moved_draws_follow_the_closed_form_of_a_normal_prior_and_a_sharp_normal_likelihood(sharpness: float) -> None:
    """Conjugate normals (any textbook): two unknowns, their sum measured sharply, the difference left to the prior."""
    rng = np.random.default_rng(5)
    measured = 1.7

    def densities(points: FloatArray) -> tuple[FloatArray, FloatArray]:
        return -0.5 * np.square(points).sum(axis=1), -0.5 * np.square((points.sum(axis=1) - measured) / sharpness)

    points = rng.standard_normal((1000, 2))
    log_prior, log_likelihood = densities(points)
    start = Population(points, log_prior, log_likelihood, exponent=0.0)
    moved = moved_to_posterior(start, np.full(1000, 1e-3), 1000, densities, rng)
    total, difference = moved.points.sum(axis=1), moved.points[:, 0] - moved.points[:, 1]
    precision = 0.5 + sharpness**-2  # of the sum: prior variance 2
    assert moved.exponent == pytest.approx(1.0)
    assert len(np.unique(total)) > 900
    assert total.mean() == pytest.approx(measured * sharpness**-2 / precision, abs=5 * sharpness / np.sqrt(300))
    assert total.std() == pytest.approx(precision**-0.5, rel=0.2)
    assert difference.mean() == pytest.approx(0.0, abs=0.3)
    assert difference.std() == pytest.approx(np.sqrt(2.0), rel=0.15)
