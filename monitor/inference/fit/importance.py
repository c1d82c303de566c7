"""Adaptive importance sampling: from the prior to the posterior by tempering, with a weight for every draw.

Draws are made from a heavy-tailed proposal fitted to the weighted draws before; the likelihood is let in by and by, at
each round as far as the draws can bear (population Monte Carlo [1]_ with tempering [2]_). A few scouts find the place,
and once they bear all of the likelihood, draws are made in full number. Where that leaves too few of them effective, as
with a charge weighed every week, ``moves`` takes over.

Humidity shown at the start and bias are drawn, not humidity and bias: the sensor pins their sum, and the ridge it
leaves is straight in these.

References
----------
.. [1] Cappe, Guillin, Marin, Robert (2004), J. Comput. Graph. Stat. 13:907.
.. [2] Del Moral, Doucet, Jasra (2006), J. R. Stat. Soc. B 68:411.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from monitor.inference.fit.smc import Population, moved_to_posterior
from monitor.inference.model.prior import Prior, Unknown
from monitor.physics.numerics import FloatArray

LogLikelihood = Callable[[FloatArray], FloatArray]

_DEGREES = 7.0
"""Degrees of freedom of the proposal, a multivariate t: heavier tails than any posterior here, so that no draw's weight
runs away. Judgement."""
_WIDER = 1.12
"""The proposal's spread over that of the draws it is fitted to. Judgement: a little too wide wastes draws, too narrow
loses tails."""
_BEARABLE, _GOOD = 0.10, 0.25
"""Effective shares: a round lets in as much of the likelihood as leaves the first; all is well from the second on.
Judgement: a tenth fits a proposal, a quarter of 1,000 draws makes quantiles."""
_MOST_ROUNDS = 8
"""After so many rounds ``moves`` takes over. Judgement: a bound on the work."""
_SCOUTS = 400
"""Draws of the first rounds. Judgement: enough for mean and covariance of nine to twelve unknowns."""
_DRIEST, _WETTEST = 1e-5, 0.95
"""Between these lies the humidity at the start. [fraction of saturation] As far as isotherms are tabulated below
(``physics.sorption.tabulated``); above, a judgement."""
_CLEAR_OF_DRIEST, _CLEAR_OF_WETTEST = 1.01, 0.99
"""The first draws keep clear of both ends by so much, so that none is born impossible. [factors]"""
_IMPOSSIBLE = -1e9
"""Log density of what can't be; finite, so that differences stay numbers."""
_HALVINGS = 25
"""Of the interval in which a step is sought: to 3e-8 of it."""
_RIDGE, _LEAST_VAR = 1e-5, 1e-12
"""Added to the variances of a proposal, as a share and as such, so that its matrix has a root."""


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
        return self.effective > _GOOD * len(self.weights)

    @property
    def effective(self) -> float:
        """How many equally weighted draws these are worth. [draws]"""
        return float(1.0 / np.square(self.weights).sum())

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
        places = (np.arange(count) + rng.random()) / count
        return np.searchsorted(np.cumsum(self.weights), places).clip(0, len(self.weights) - 1)


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

    The likelihood was last asked of just these draws. Scouts go by a ``rough`` likelihood where there is one: they only
    tell where to draw. None are sent where draws ``near`` the posterior are known.

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

    def judge(place: FloatArray, likelihood: LogLikelihood = log_likelihood) -> tuple[FloatArray, FloatArray]:
        theta = _from_standard(place)
        believed = log_prior(prior, theta, place)
        seen = np.nan_to_num(likelihood(theta), nan=_IMPOSSIBLE)
        return believed, np.where(believed > _IMPOSSIBLE, seen, _IMPOSSIBLE)

    scouting, scouted_by = count > _SCOUTS or rough is not None, rough or log_likelihood
    if near is not None and near.made is not None and near.effective > _BEARABLE * count:
        scouting = False
        place, log_proposal = _propose(near.made.place, near.weights, count, rng)
    else:
        theta = prior.mean + prior.sd * rng.standard_normal((min(count, _SCOUTS), len(prior.mean)))
        place = _to_standard(theta)
        log_proposal = log_prior(prior, theta, place)
    exponent = 0.0
    for rounds in range(1, _MOST_ROUNDS + 1):
        judged_by = scouted_by if scouting else log_likelihood
        believed, seen = judge(place, judged_by)
        base = believed - log_proposal
        if not scouting and _effective(base + seen) > _GOOD * count:
            return Draws(_from_standard(place), _weights(base + seen), rounds, Made(place, log_proposal, seen))
        exponent = _tempering_exponent(base, seen, exponent)
        weights = _weights(base + exponent * seen)
        scouting = scouting and exponent < 1.0
        if rounds < _MOST_ROUNDS:
            place, log_proposal = _propose(place, weights, len(place) if scouting else count, rng)
    if rough is not None:
        if judged_by is rough:
            believed, seen = judge(place)
        # how far a rough likelihood was let in says nothing of how far the exact one can be
        exponent = _tempering_exponent(believed - log_proposal, seen, 0.0)
        weights = _weights(believed - log_proposal + exponent * seen)
    moved = moved_to_posterior(Population(place, believed, seen, exponent), weights, count, judge, rng)
    believed, seen = judge(moved.place)
    even = np.full(count, 1.0 / count)
    return Draws(_from_standard(moved.place), even, _MOST_ROUNDS, Made(moved.place, believed + seen, seen))


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
    return replace(draws, weights=_weights(believed + draws.made.seen - draws.made.log_density))


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
    return np.where((start > _DRIEST) & (start < _WETTEST), density, 2.0 * _IMPOSSIBLE)


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


def _weights(log_weights: FloatArray) -> FloatArray:
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _effective(log_weights: FloatArray) -> float:
    return float(1.0 / np.square(_weights(log_weights)).sum())


def _tempering_exponent(base: FloatArray, seen: FloatArray, exponent: float) -> float:
    """How far the likelihood can be let in; it never goes back."""
    low, high = exponent, 1.0
    if _effective(base + exponent * seen) <= _BEARABLE * len(base):
        return exponent
    if _effective(base + seen) > _BEARABLE * len(base):
        return 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _effective(base + middle * seen) > _BEARABLE * len(base) else (low, middle)
    return low


def _propose(
    place: FloatArray, weights: FloatArray, count: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draw from a multivariate t with the weighted mean and covariance; return the draws and their log density."""
    size = place.shape[1]
    mean = weights @ place
    away = place - mean
    spread = away.T @ (away * weights[:, None])
    spread += np.diag(_RIDGE * np.diag(spread) + _LEAST_VAR)
    root = np.linalg.cholesky(spread) * _WIDER
    stretch = np.sqrt(rng.chisquare(_DEGREES, count) / _DEGREES)
    step = rng.standard_normal((count, size)) / stretch[:, None]
    square = np.square(step).sum(axis=1)
    scale = gammaln(0.5 * (_DEGREES + size)) - gammaln(0.5 * _DEGREES) - 0.5 * size * np.log(_DEGREES * np.pi)
    log_density = scale - np.log(np.diag(root)).sum() - 0.5 * (_DEGREES + size) * np.log1p(square / _DEGREES)
    return mean + step @ root.T, log_density
