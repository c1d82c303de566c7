"""Weighted draws of a box's unknowns: its prior and likelihood handed to the one sampler (``tempering``).

Humidity shown at the start and bias are drawn, not humidity and bias: the sensor pins their sum, and the ridge it
leaves is straight in these. Of beads that were weighed as they went in, the mass with its water is drawn instead of the
dry mass: the scale pins the sum of both, and water bends with the humidity at the start.
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
WaterAtStart = Callable[[FloatArray], FloatArray]
"""Of theta, draws × unknowns: the water of each over the declared dry mass. (draws) [g/g]"""

_DRIEST, _WETTEST = 1e-5, 0.95
"""Between these lies the humidity at the start. [fraction of saturation] As far as isotherms are tabulated below
(``physics.sorption.tabulated``); above, a judgement."""
_LEAST_DRY_SHARE = 1e-3
"""A dry mass is taken for no less of the declared one. [share] Judgement: its logarithm stays finite, and no prior lets
it be."""
_CLEAR_OF_DRIEST, _CLEAR_OF_WETTEST = 1.01, 0.99
"""The first draws keep clear of both ends by so much, so that none has density zero. [factors] Judgement."""


@dataclass(frozen=True, eq=False)
class ProposalRecord:
    """Where draws were proposed, with their densities: enough to reweight them under another prior."""

    points: FloatArray
    """The coordinates they were proposed in: as ``theta``, with the humidity shown at the start instead of the true
    one, and mass with water over the declared dry mass instead of the dry mass where that was weighed. (draws ×
    unknowns) [unit of each ``Unknown``]"""
    log_density: FloatArray
    """With which each was proposed, by the logarithm of its dry mass. (draws) [nat]"""
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
    water_at_start: WaterAtStart | None = None,
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
    water_at_start : callable, optional
        Of beads that were weighed as they went in.

    Returns
    -------
    Draws
        As many as asked for.
    """

    def first(draws: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        points = _coordinates(prior.drawn(draws, rng), water_at_start)
        return points, of_prior(points)

    def theta_at(points: FloatArray) -> FloatArray:
        return _theta_at(points, water_at_start)

    def of_prior(points: FloatArray) -> FloatArray:
        theta = theta_at(points)
        return log_prior(prior, theta, points) - (theta[:, Unknown.log_dry_mass] if water_at_start else 0.0)

    target = Target(
        log_prior=of_prior,
        log_likelihood=lambda points: log_likelihood(theta_at(points)),
        first=first,
        rough_likelihood=None if rough is None else lambda points: rough(theta_at(points)),
    )
    around = None if near is None or near.proposal is None else (near.proposal.points, near.weights)
    drawn = draw(target, count, rng, near=around)
    theta, log_density = theta_at(drawn.points), drawn.log_density
    if water_at_start:
        log_density = log_density + theta[:, Unknown.log_dry_mass]
    proposal = ProposalRecord(drawn.points, log_density, drawn.log_likelihood)
    return Draws(theta, drawn.weights, drawn.rounds, proposal, drawn.evaluated)


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


def _coordinates(theta: FloatArray, water_at_start: WaterAtStart | None) -> FloatArray:
    points = theta.copy()
    points[:, Unknown.log_start_humidity] = (
        np.clip(np.exp(theta[:, Unknown.log_start_humidity]), _CLEAR_OF_DRIEST * _DRIEST, _CLEAR_OF_WETTEST * _WETTEST)
        + theta[:, Unknown.sensor_bias]
    )
    if water_at_start:
        kept = _theta_at(points, None)
        points[:, Unknown.log_dry_mass] = np.exp(theta[:, Unknown.log_dry_mass]) + water_at_start(kept)
    return points


def _theta_at(points: FloatArray, water_at_start: WaterAtStart | None) -> FloatArray:
    theta = points.copy()
    theta[:, Unknown.log_start_humidity] = np.log(
        np.clip(points[:, Unknown.log_start_humidity] - points[:, Unknown.sensor_bias], _DRIEST, _WETTEST)
    )
    if water_at_start:
        dry = points[:, Unknown.log_dry_mass] - water_at_start(theta)
        theta[:, Unknown.log_dry_mass] = np.log(np.maximum(dry, _LEAST_DRY_SHARE))
    return theta
