"""Draws follow prior times likelihood, also where the last round of pilot draws used a rough likelihood."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.inference.fit import tempering
from monitor.inference.fit.importance import sample
from monitor.inference.model.prior import Normal, Prior, Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.sorption import PiecewiseLinear

SEEN, SEEN_SD = 1.5, 0.2
STRAIGHT = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))


def standard_prior() -> Prior:
    unknowns = {unknown: Normal(0.0, 1.0) for unknown in Unknown}
    unknowns[Unknown.log_start_humidity] = Normal(float(np.log(0.2)), 0.3)
    unknowns[Unknown.sensor_bias] = Normal(0.0, 0.01)
    prior = Prior(unknowns, (STRAIGHT, STRAIGHT), dry_mass_g=1.0, grams_declared=True, swapped_g_per_humidity=1.0)
    return prior.without_change_point()


def exact(theta: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * ((theta[:, Unknown.log_conductance] - SEEN) / SEEN_SD) ** 2)


def rough(theta: FloatArray) -> FloatArray:
    """Sees it five standard errors off, and is as sure."""
    return np.asarray(-0.5 * ((theta[:, Unknown.log_conductance] - SEEN + 5.0 * SEEN_SD) / SEEN_SD) ** 2)


@pytest.mark.parametrize("most_rounds", [1, 8])
def test_a_rough_likelihood_of_pilot_draws_is_never_taken_for_the_exact_one(
    most_rounds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Normal times normal: mean SEEN / (1 + SEEN_SD²), half a standard deviation allowed."""
    monkeypatch.setattr(tempering, "_MOST_ROUNDS", most_rounds)
    draws = sample(standard_prior(), exact, 1000, np.random.default_rng(3), rough=rough)
    found = draws.theta[:, Unknown.log_conductance]
    mean = float(draws.weights @ found)
    assert mean == pytest.approx(SEEN / (1.0 + SEEN_SD**2), abs=0.5 * SEEN_SD)
    assert draws.proposal is not None
    counting = draws.weights > 0.0
    assert draws.proposal.log_likelihood[counting] == pytest.approx(exact(draws.theta[counting]))
