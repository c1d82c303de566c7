"""Rounds of importance sampling that add up: every point is weighed by the mixture of all proposals so far.

A round that came from a poor proposal then costs a few points, and never a heavy weight: where one proposal is thin
another one is not (the deterministic mixture [1]_, with proposals that learn from round to round [2]_).

References
----------
.. [1] Owen, Zhou (2000), J. Am. Stat. Assoc. 95:135.
.. [2] Cornuet, Marin, Mira, Robert (2012), Scand. J. Stat. 39:798.
.. [3] Fearnhead, Clifford (2003), J. R. Stat. Soc. B 65:887.
.. [4] Koblents, Miguez (2015), Stat. Comput. 25:407.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.inference.fit.weights import (
    effective_sample_size,
    largest_exponent,
    normalized,
    resample,
)
from monitor.inference.model.state import LEAST_CHANCE
from monitor.physics.numerics import FloatArray

_DEGREES = 7.0
"""Of the proposal's Student t. [degrees of freedom] Judgement: tails heavier than a normal posterior's, with
moments."""
_WIDER = 1.12
"""Scale of the proposal over that of the draws. [factor] Judgement: too wide costs a few draws, too narrow a tail."""
_LEAST_SPREAD_SHARE, _LEAST_SPREAD_VAR = 1e-5, 1e-12
"""Added to the proposal's variances: a share of themselves [fraction], and so much [unit of the unknown, squared].
Judgement: next to nothing; it keeps the covariance invertible."""
_LIGHTEST = -1e6
"""Log weights are taken for no further below the heaviest. [nat] Judgement: no weight at all at any exponent, and
differences keep their digits."""


LogDensity = Callable[[FloatArray], FloatArray]
"""Log density of points, one row each. (points) [nat]"""


@dataclass(frozen=True, eq=False)
class StudentT:
    """A multivariate t, heavy in its tails, to propose points from."""

    mean: FloatArray
    """(unknowns) [unit of each]"""
    root: FloatArray
    """Lower triangle; times its own transpose it is the scale matrix. (unknowns × unknowns) [unit of each]"""

    @classmethod
    def fitted(cls, points: FloatArray, weights: FloatArray) -> StudentT:
        """Return the one with the mean and a little more than the covariance of weighted points.

        Parameters
        ----------
        points : ndarray, points × unknowns
            [unit of each unknown]
        weights : ndarray, points
            Add up to 1. [fraction]

        Returns
        -------
        StudentT
            To propose from.
        """
        mean = weights @ points
        away = points - mean
        spread = away.T @ (away * weights[:, None])
        spread += np.diag(_LEAST_SPREAD_SHARE * np.diag(spread) + _LEAST_SPREAD_VAR)
        return cls(mean, np.asarray(np.linalg.cholesky(spread) * _WIDER))

    def points(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Return so many points.

        Parameters
        ----------
        count : int
            How many.
        rng : Generator
            Random numbers.

        Returns
        -------
        ndarray, count × unknowns
            [unit of each unknown]
        """
        stretch = np.sqrt(rng.chisquare(_DEGREES, count) / _DEGREES)
        step = rng.standard_normal((count, len(self.mean))) / stretch[:, None]
        return np.asarray(self.mean + step @ self.root.T)

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log density at points.

        Parameters
        ----------
        points : ndarray, points × unknowns
            [unit of each unknown]

        Returns
        -------
        ndarray, points
            [nat]
        """
        size = len(self.mean)
        square = np.square((points - self.mean) @ np.linalg.inv(self.root).T).sum(axis=1)
        scale = (
            math.lgamma(0.5 * (_DEGREES + size)) - math.lgamma(0.5 * _DEGREES) - 0.5 * size * np.log(_DEGREES * np.pi)
        )
        scale -= np.log(np.diag(self.root)).sum()
        return np.asarray(scale - 0.5 * (_DEGREES + size) * np.log1p(square / _DEGREES))


@dataclass(eq=False)
class Rounds:
    """Points of all rounds so far, with prior, likelihood and the density of the mixture that they came from."""

    points: FloatArray
    """In the order they were made in. (points × unknowns) [unit of each]"""
    log_prior: FloatArray
    """(points) [nat]"""
    log_likelihood: FloatArray
    """(points) [nat]"""
    _log_total: FloatArray
    """Log of the sum over rounds, number of points times their density. (points) [nat]"""
    _proposals: list[tuple[int, LogDensity]] = field(default_factory=list)
    """Number of points of each round, and the log density of its proposal."""

    @classmethod
    def none(cls, unknowns: int) -> Rounds:
        """Return no rounds yet, of points of so many unknowns.

        Parameters
        ----------
        unknowns : int
            How many.

        Returns
        -------
        Rounds
            To add to.
        """
        return cls(np.empty((0, unknowns)), np.empty(0), np.empty(0), np.empty(0))

    def __len__(self) -> int:
        """How many points. [points]"""
        return len(self.points)

    @property
    def number(self) -> int:
        """How many rounds. [rounds]"""
        return len(self._proposals)

    def add(self, proposal: LogDensity, points: FloatArray, log_prior: FloatArray, log_likelihood: FloatArray) -> None:
        """Add a round.

        Parameters
        ----------
        proposal : callable
            Log density of what its points were drawn from, at any points.
        points : ndarray, points × unknowns
            [unit of each unknown]
        log_prior, log_likelihood : ndarray, points
            [nat]
        """
        here = np.log(len(points)) + proposal(self.points) if len(self) else self._log_total
        self._log_total = np.r_[np.logaddexp(self._log_total, here), np.zeros(len(points))]
        self._proposals.append((len(points), proposal))
        self._log_total[-len(points) :] = self._log_total_at(points)
        self.points = np.vstack([self.points, points])
        self.log_prior = np.r_[self.log_prior, log_prior]
        self.log_likelihood = np.r_[self.log_likelihood, log_likelihood]

    @property
    def log_density(self) -> FloatArray:
        """Of the mixture, at its own points. (points) [nat]"""
        return np.asarray(self._log_total - np.log(len(self)))

    @property
    def effective(self) -> float:
        """How many equally weighted draws of the posterior all points are worth. [draws]"""
        return effective_sample_size(normalized(self._log_weights()))

    def flattened(self, least_effective: float) -> tuple[float, FloatArray]:
        """Return weights to the power of an exponent as near to 1 as leaves so many effective, scaled anew [4]_.

        Parameters
        ----------
        least_effective : float
            [draws]

        Returns
        -------
        (float, ndarray)
            The exponent [1], and the weights, which add up to 1 (points) [fraction].
        """
        log_weights = self._log_weights()

        def enough(exponent: float) -> bool:
            return effective_sample_size(normalized(exponent * log_weights)) >= least_effective

        exponent = 1.0 if enough(1.0) else largest_exponent(enough, 0.0, 1.0)
        return exponent, normalized(exponent * log_weights)

    def kept(self, count: int, rng: np.random.Generator) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
        """Return so many of the points that stand for all of them: the heavy ones, and some of the light ones [3]_.

        Parameters
        ----------
        count : int
            How many; no more than there are.
        rng : Generator
            Random numbers.

        Returns
        -------
        (ndarray, ndarray, ndarray), each of count
            Their numbers; their weights, which add up to 1 [fraction]; the log density with which each was proposed and
            kept [nat].
        """
        log_weights = self._log_weights()
        chosen, chance = thinned(normalized(log_weights), count, rng)
        log_chance = np.log(chance)
        return chosen, normalized(log_weights[chosen] - log_chance), self.log_density[chosen] + log_chance

    def _log_weights(self) -> FloatArray:
        log_weights = self.log_prior + self.log_likelihood - self._log_total
        return np.asarray(np.maximum(log_weights - log_weights.max(), _LIGHTEST))

    def _log_total_at(self, points: FloatArray) -> FloatArray:
        logs = [np.log(count) + log_density(points) for count, log_density in self._proposals]
        return np.asarray(np.logaddexp.reduce(logs, axis=0))


def thinned(weights: FloatArray, count: int, rng: np.random.Generator) -> tuple[NDArray[np.intp], FloatArray]:
    """Choose so many of weighted draws: a heavy one for sure, a light one by chance, so that no sum is biased.

    A draw of weight w is kept with the chance min(w / c, 1) and then counts as max(w, c): Fearnhead and Clifford [3]_.

    Parameters
    ----------
    weights : ndarray, draws
        Add up to 1. [fraction]
    count : int
        How many; no more than there are.
    rng : Generator
        Random numbers.

    Returns
    -------
    (ndarray, ndarray), each of count
        Their numbers, and the chance that each had of being chosen [fraction].

    Examples
    --------
    >>> thinned(np.array([0.5, 0.1, 0.4]), 3, np.random.default_rng(1))[1].tolist()
    [1.0, 1.0, 1.0]
    """
    order = np.argsort(-weights)
    sorted_weights = weights[order]
    rest = np.cumsum(sorted_weights[::-1])[::-1]  # of this draw and all lighter ones
    places = count - np.arange(count)
    light = np.flatnonzero(sorted_weights[:count] * places < rest[:count])
    sure = int(light[0]) if light.size else count
    if sure == count:
        return order[:count], np.ones(count)
    least = rest[sure] / (count - sure)
    some = sure + resample(sorted_weights[sure:] / rest[sure], count - sure, rng)
    chance = np.maximum(sorted_weights[some] / least, LEAST_CHANCE)
    return order[np.r_[:sure, some]], np.r_[np.ones(sure), chance]
