"""Fits with the sampler taken out: draws spread evenly about the prior, so that what is made of them can be held.

What the filter, the mixture, the forecast and the words make of draws is then the same numbers on any machine and under
any sampler. How well a sampler draws is held elsewhere, by truths and by theory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.special import ndtri

from monitor.inference.fit import fit
from monitor.inference.fit.importance import Draws, ProposalRecord
from monitor.inference.fit.weights import normalized
from monitor.inference.model.prior import Prior, Unknown
from monitor.physics.numerics import FloatArray

DRAWS = 60
_PRIMES = np.array([2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37])


def spread(prior: Prior, count: int, share: float, shifts: Mapping[Unknown, float]) -> FloatArray:
    """Draws as even as square roots of primes make them, within a share of the prior's spread, some shifted."""
    there = (np.arange(count)[:, None] + 0.5) * np.sqrt(_PRIMES[: len(prior.mean)]) % 1.0
    theta = prior.mean + share * prior.sd * ndtri(np.clip(there, 1e-4, 1.0 - 1e-4))
    for unknown, shift in shifts.items():
        if unknown < theta.shape[1]:
            theta[:, unknown] += shift
    return np.asarray(theta)


@contextmanager
def fixed_draws(share: float = 0.4, shifts: Mapping[Unknown, float] | None = None) -> Iterator[None]:
    """Let every fit within have these draws, mildly weighted by their likelihood.

    ``rounds`` tells what the fit handed over: 1, and 1 more for a rough likelihood, 2 more for draws near the answer.
    """

    def sample(prior: Prior, log_likelihood: Any, count: int, _rng: Any, **more: Any) -> Draws:
        theta = spread(prior, count, share, shifts or {})
        rough = more.get("rough")
        rough_values = np.zeros(count) if rough is None else rough(theta)
        values = log_likelihood(theta)
        points = theta.copy()
        points[:, Unknown.log_start_humidity] = np.exp(theta[:, 1]) + theta[:, Unknown.sensor_bias]
        rounds = 1 + (rough is not None) + 2 * (more.get("near") is not None)
        weights = normalized(values / max(float(values.std()), 1.0))
        return Draws(theta, weights, rounds, ProposalRecord(points, rough_values, values), np.arange(count))

    with patch.object(fit, "sample", sample):
        yield
