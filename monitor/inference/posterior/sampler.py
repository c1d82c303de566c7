"""Weighted draws of a box's unknowns: its prior and likelihood handed to the one sampler (``tempering``).

Humidity shown at the start and bias are drawn, not humidity and bias: the sensor pins their sum, and the ridge it
leaves is straight in these.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.inference.posterior.priors import BIAS, START, Prior
from monitor.inference.posterior.tempering import GOOD_SHARE, IMPOSSIBLE, Target, draw
from monitor.inference.posterior.weights import effective_sample_size, normalized, resample
from monitor.physics.numerics import FloatArray

LogLikelihood = Callable[[FloatArray], FloatArray]

_DRIEST, _WETTEST = 1e-5, 0.95


@dataclass(frozen=True, eq=False)
class Made:
    """How draws came about: enough to weigh them under another prior."""

    place: FloatArray
    """Where they were made: as ``theta``, with the humidity shown at the start instead of the true one."""
    log_density: FloatArray
    """Log density with which each was made."""
    seen: FloatArray
    """Log likelihood of each."""


@dataclass(frozen=True, eq=False)
class Draws:
    """Weighted draws of the unknowns."""

    theta: FloatArray
    """One row a draw, in the order of ``UNKNOWNS``."""
    weights: FloatArray
    rounds: int
    made: Made | None = None

    @property
    def enough(self) -> bool:
        """True where so many of them count that no others need be made."""
        return self.effective > GOOD_SHARE * len(self.weights)

    @property
    def effective(self) -> float:
        """How many equally weighted draws these are worth."""
        return effective_sample_size(self.weights)

    def chosen(self, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
        """Return which draws stand for all of them, equally weighted."""
        return resample(self.weights, count, rng)


def sample(
    prior: Prior,
    log_likelihood: LogLikelihood,
    count: int,
    rng: np.random.Generator,
    *,
    rough: LogLikelihood | None = None,
    near: Draws | None = None,
) -> Draws:
    """Return weighted draws from prior times likelihood; the likelihood was last asked of just these draws.

    Pilot draws go by a ``rough`` likelihood where there is one. None are made where draws ``near`` the posterior are
    known.
    """

    def first(draws: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        theta = prior.mean + prior.sd * rng.standard_normal((draws, len(prior.mean)))
        place = _to_place(theta)
        return place, log_prior(prior, theta, place)

    target = Target(
        log_prior=lambda place: log_prior(prior, _from_place(place), place),
        log_likelihood=lambda place: log_likelihood(_from_place(place)),
        first=first,
        rough_likelihood=None if rough is None else lambda place: rough(_from_place(place)),
    )
    around = None if near is None or near.made is None else (near.made.place, near.weights)
    drawn = draw(target, count, rng, near=around)
    made = Made(drawn.points, drawn.log_density, drawn.log_likelihood)
    return Draws(_from_place(drawn.points), drawn.weights, drawn.rounds, made)


def weighed_anew(draws: Draws, prior: Prior) -> Draws:
    """Return the same draws under another prior."""
    assert draws.made is not None, "draws carried on from an earlier look are not weighed anew"
    believed = log_prior(prior, draws.theta, draws.made.place)
    return replace(draws, weights=normalized(believed + draws.made.seen - draws.made.log_density))


def log_prior(prior: Prior, theta: FloatArray, place: FloatArray) -> FloatArray:
    """Return the log density of the prior where the draws are made; the start changes its measure there."""
    z = (theta - prior.mean) / prior.sd
    density = -0.5 * (z * z).sum(axis=1) - theta[:, START] - np.log(prior.sd).sum()
    density -= 0.5 * z.shape[1] * np.log(2.0 * np.pi)
    start = place[:, START] - place[:, BIAS]
    return np.where((start > _DRIEST) & (start < _WETTEST), density, 2.0 * IMPOSSIBLE)


def _to_place(theta: FloatArray) -> FloatArray:
    place = theta.copy()
    place[:, START] = np.clip(np.exp(theta[:, START]), 1.01 * _DRIEST, 0.99 * _WETTEST) + theta[:, BIAS]
    return place


def _from_place(place: FloatArray) -> FloatArray:
    theta = place.copy()
    theta[:, START] = np.log(np.clip(place[:, START] - place[:, BIAS], _DRIEST, _WETTEST))
    return theta
