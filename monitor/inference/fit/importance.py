"""Weighted draws of a box's unknowns: its prior and likelihood handed to the one sampler (``tempering``).

Humidity shown at the start and bias are drawn, not humidity and bias: the sensor pins their sum, and the ridge it
leaves is straight in these.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.inference.fit.tempering import (
    GOOD_SHARE,
    IMPOSSIBLE,
    Target,
    draw,
)
from monitor.inference.fit.weights import (
    effective_sample_size,
    normalized,
    resample,
)
from monitor.inference.model.prior import Prior, Unknown
from monitor.physics.numerics import FloatArray

LogLikelihood = Callable[[FloatArray], FloatArray]

_DRIEST, _WETTEST = 1e-5, 0.95
"""Between these lies the humidity at the start. [fraction of saturation] As far as isotherms are tabulated below
(``physics.sorption.tabulated``); above, a judgement."""
_CLEAR_OF_DRIEST, _CLEAR_OF_WETTEST = 1.01, 0.99
"""The first draws keep clear of both ends by so much, so that none has density zero. [factors] Judgement."""


@dataclass(frozen=True, eq=False)
class ProposalRecord:
    """Where draws were proposed, with their densities: enough to reweight them under another prior."""

    points: FloatArray
    """The coordinates they were proposed in: as ``theta``, with the humidity shown at the start instead of the true
    one. (draws × unknowns) [unit of each ``Unknown``]"""
    log_density: FloatArray
    """With which each was proposed. (draws) [nat]"""
    log_likelihood: FloatArray
    """Of each. (draws) [nat]"""


@dataclass(frozen=True, eq=False)
class Draws:
    """Weighted draws of the unknowns."""

    theta: FloatArray
    """One column an ``Unknown``. (draws × unknowns) [unit of each]"""
    weights: FloatArray
    """Add up to 1. (draws) [fraction]"""
    rounds: int
    """How many proposals it took."""
    proposal: ProposalRecord | None = None
    """None for draws updated from an earlier fit."""
    evaluated: NDArray[np.intp] | None = None
    """Which of all the points that the likelihood was asked for, in that order, they are; from the end where negative.
    (draws)"""

    @property
    def enough(self) -> bool:
        """True where so many of them are effective that no others need be drawn."""
        return self.effective_sample_size > GOOD_SHARE * len(self.weights)

    @property
    def effective_sample_size(self) -> float:
        """How many equally weighted draws these are worth. [draws]"""
        return effective_sample_size(self.weights)

    def resampled(self, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
        """Return which draws represent all of them, equally weighted (systematic resampling).

        Parameters
        ----------
        count : int
            How many.
        rng : Generator
            Random numbers.

        Returns
        -------
        ndarray, count
            Their numbers.
        """
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
    """Return weighted draws from prior times likelihood.

    Pilot draws use a ``rough`` likelihood where there is one. There are none where draws ``near`` the posterior are
    known.

    Parameters
    ----------
    prior : Prior
        Of the unknowns.
    log_likelihood : callable
        Of theta, draws × unknowns; returns one for each draw. [nat]
    count : int
        How many draws.
    rng : Generator
        Random numbers.
    rough : callable, optional
        A cheaper likelihood.
    near : Draws, optional
        Of a posterior that is not far.

    Returns
    -------
    Draws
        As many as asked for.
    """

    def first(draws: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        theta = prior.drawn(draws, rng)
        points = _coordinates(theta)
        return points, log_prior(prior, theta, points)

    target = Target(
        log_prior=lambda points: log_prior(prior, _theta_at(points), points),
        log_likelihood=lambda points: log_likelihood(_theta_at(points)),
        first=first,
        rough_likelihood=None if rough is None else lambda points: rough(_theta_at(points)),
    )
    around = None if near is None or near.proposal is None else (near.proposal.points, near.weights)
    drawn = draw(target, count, rng, near=around)
    proposal = ProposalRecord(drawn.points, drawn.log_density, drawn.log_likelihood)
    return Draws(_theta_at(drawn.points), drawn.weights, drawn.rounds, proposal, drawn.evaluated)


def reweighted(draws: Draws, prior: Prior) -> Draws:
    """Return the same draws under another prior.

    Parameters
    ----------
    draws : Draws
        With the record of their proposal.
    prior : Prior
        Of the same unknowns.

    Returns
    -------
    Draws
        Of the posterior under that prior.
    """
    assert draws.proposal is not None, "draws updated from an earlier fit can't be reweighted"
    log_density = log_prior(prior, draws.theta, draws.proposal.points)
    return replace(draws, weights=normalized(log_density + draws.proposal.log_likelihood - draws.proposal.log_density))


def log_prior(prior: Prior, theta: FloatArray, points: FloatArray) -> FloatArray:
    """Return the log density of the prior in the coordinates of the proposal, with the Jacobian of the start humidity.

    Parameters
    ----------
    prior : Prior
        Of the unknowns.
    theta : ndarray, draws × unknowns
        [unit of each ``Unknown``]
    points : ndarray, draws × unknowns
        The same, with the humidity shown at the start. [unit of each ``Unknown``]

    Returns
    -------
    ndarray, draws
        [nat]
    """
    density = prior.log_density(theta) - theta[:, Unknown.log_start_humidity]
    start = points[:, Unknown.log_start_humidity] - points[:, Unknown.sensor_bias]
    return np.where((start > _DRIEST) & (start < _WETTEST), density, 2.0 * IMPOSSIBLE)


def _coordinates(theta: FloatArray) -> FloatArray:
    points = theta.copy()
    points[:, Unknown.log_start_humidity] = (
        np.clip(np.exp(theta[:, Unknown.log_start_humidity]), _CLEAR_OF_DRIEST * _DRIEST, _CLEAR_OF_WETTEST * _WETTEST)
        + theta[:, Unknown.sensor_bias]
    )
    return points


def _theta_at(points: FloatArray) -> FloatArray:
    theta = points.copy()
    theta[:, Unknown.log_start_humidity] = np.log(
        np.clip(points[:, Unknown.log_start_humidity] - points[:, Unknown.sensor_bias], _DRIEST, _WETTEST)
    )
    return theta
