"""Draws stand for prior times likelihood, also where the last look that was to find their place was a rough one."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.inference.posterior import tempering
from monitor.inference.posterior.priors import CONDUCTANCE, UNKNOWNS, Prior
from monitor.inference.posterior.sampler import sample
from monitor.physics.numerics import FloatArray
from monitor.physics.sorption import PiecewiseLinear

SEEN, SEEN_SD = 1.5, 0.2
STRAIGHT = PiecewiseLinear((0.0, 1.0), (0.0, 1.0))


def standard_prior() -> Prior:
    mean = np.zeros(len(UNKNOWNS))
    mean[1] = np.log(0.2)
    return Prior(mean, np.r_[1.0, 0.3, 0.01, np.ones(len(UNKNOWNS) - 3)], (STRAIGHT, STRAIGHT), 1.0, True, 1.0)


def exact(theta: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * ((theta[:, CONDUCTANCE] - SEEN) / SEEN_SD) ** 2)


def rough(theta: FloatArray) -> FloatArray:
    """Sees it five standard errors off, and is as sure."""
    return np.asarray(-0.5 * ((theta[:, CONDUCTANCE] - SEEN + 5.0 * SEEN_SD) / SEEN_SD) ** 2)


@pytest.mark.parametrize("most_rounds", [1, 8])
def test_what_scouts_saw_roughly_is_never_handed_on_as_exact(most_rounds: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Normal times normal: mean SEEN / (1 + SEEN_SD²), half a standard deviation allowed."""
    monkeypatch.setattr(tempering, "_MOST_ROUNDS", most_rounds)
    draws = sample(standard_prior(), exact, 1000, np.random.default_rng(3), rough=rough)
    found = draws.theta[:, CONDUCTANCE]
    mean = float(draws.weights @ found)
    assert mean == pytest.approx(SEEN / (1.0 + SEEN_SD**2), abs=0.5 * SEEN_SD)
    assert draws.made is not None
    counting = draws.weights > 0.0
    assert draws.made.seen[counting] == pytest.approx(exact(draws.theta[counting]))
