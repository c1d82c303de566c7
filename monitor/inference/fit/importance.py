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
"""The first draws keep clear of both ends by so much, so that none is born impossible. [factors] Judgement."""


@dataclass(frozen=True, eq=False)
class Made:
    """How draws came about: enough to weigh them under another prior."""

    place: FloatArray
    """Where they were made: as ``theta``, with the humidity shown at the start instead of the true one. (draws ×
    unknowns) [unit of each ``Unknown``]"""
    log_density: FloatArray
    """With which each was made. (draws) [nat]"""
    seen: FloatArray
    """Log-likelihood of each. (draws) [nat]"""


@dataclass(frozen=True, eq=False)
class Draws:
    """Weighted draws of the unknowns."""

    theta: FloatArray
    """One column an ``Unknown``. (draws × unknowns) [unit of each]"""
    weights: FloatArray
    """Add up to 1. (draws) [fraction]"""
    rounds: int
    """How many proposals it took."""
    made: Made | None = None
    """How they came about; None for draws carried on from an earlier look."""

    @property
    def enough(self) -> bool:
        """True where so many of them count that no others need be made."""
        return self.effective > GOOD_SHARE * len(self.weights)

    @property
    def effective(self) -> float:
        """How many equally weighted draws these are worth. [draws]"""
        return effective_sample_size(self.weights)

    def chosen(self, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
        """Return which draws stand for all of them, equally weighted (systematic resampling).

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

    Pilot draws go by a ``rough`` likelihood where there is one. None are made where draws ``near`` the posterior are
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
        theta = prior.mean + prior.sd * rng.standard_normal((draws, len(prior.mean)))
        place = _to_standard(theta)
        return place, log_prior(prior, theta, place)

    target = Target(
        log_prior=lambda place: log_prior(prior, _from_standard(place), place),
        log_likelihood=lambda place: log_likelihood(_from_standard(place)),
        first=first,
        rough_likelihood=None if rough is None else lambda place: rough(_from_standard(place)),
    )
    around = None if near is None or near.made is None else (near.made.place, near.weights)
    drawn = draw(target, count, rng, near=around)
    made = Made(drawn.points, drawn.log_density, drawn.log_likelihood)
    return Draws(_from_standard(drawn.points), drawn.weights, drawn.rounds, made)


def reweighted(draws: Draws, prior: Prior) -> Draws:
    """Return the same draws under another prior.

    Parameters
    ----------
    draws : Draws
        With how they came about.
    prior : Prior
        Of the same unknowns.

    Returns
    -------
    Draws
        Of the posterior under that prior.
    """
    assert draws.made is not None, "draws carried on from an earlier look are not weighed anew"
    believed = log_prior(prior, draws.theta, draws.made.place)
    return replace(draws, weights=normalized(believed + draws.made.seen - draws.made.log_density))


def log_prior(prior: Prior, theta: FloatArray, place: FloatArray) -> FloatArray:
    """Return the log density of the prior where the draws are made; the start changes its measure there.

    Parameters
    ----------
    prior : Prior
        Of the unknowns.
    theta : ndarray, draws × unknowns
        [unit of each ``Unknown``]
    place : ndarray, draws × unknowns
        The same, with the humidity shown at the start. [unit of each ``Unknown``]

    Returns
    -------
    ndarray, draws
        [nat]
    """
    z = (theta - prior.mean) / prior.sd
    density = -0.5 * (z * z).sum(axis=1) - theta[:, Unknown.log_start_humidity] - np.log(prior.sd).sum()
    density -= 0.5 * z.shape[1] * np.log(2.0 * np.pi)
    start = place[:, Unknown.log_start_humidity] - place[:, Unknown.sensor_bias]
    return np.where((start > _DRIEST) & (start < _WETTEST), density, 2.0 * IMPOSSIBLE)


def _to_standard(theta: FloatArray) -> FloatArray:
    place = theta.copy()
    place[:, Unknown.log_start_humidity] = (
        np.clip(np.exp(theta[:, Unknown.log_start_humidity]), _CLEAR_OF_DRIEST * _DRIEST, _CLEAR_OF_WETTEST * _WETTEST)
        + theta[:, Unknown.sensor_bias]
    )
    return place


def _from_standard(place: FloatArray) -> FloatArray:
    theta = place.copy()
    theta[:, Unknown.log_start_humidity] = np.log(
        np.clip(place[:, Unknown.log_start_humidity] - place[:, Unknown.sensor_bias], _DRIEST, _WETTEST)
    )
    return theta
