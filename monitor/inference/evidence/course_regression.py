"""Linear regression of a record of days on the unknowns of a course, with AR(1) errors whitened day by day.

It is done for several memories of the errors at once. Each whitens the record once: the spread of the errors only
scales it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.physics.numerics import FloatArray

_USUAL_SD_DAYS = 10.0
"""The usual spread of the residual counts as so many days of a room's own record: a spread known by n days is known to
a share of 1/√(2n). [days] Measured: twelve homes (``room_climate``) have 0.13 ± 0.03, as by nine days; spans of 30, 90
and 180 days of four of them 5, 7 and 10."""


class Fits(NamedTuple):
    """A regression for each memory."""

    residual_sd: FloatArray
    """Spread of the residual, as the record has it. (memories) [ln(kPa) or °C]"""
    mean: FloatArray
    """Of the unknowns. (memories × unknowns) [ln(kPa) or °C]"""
    covariance: FloatArray
    """Of the same. (memories × unknowns × unknowns) [ln(kPa)² or K²]"""
    log_evidence: FloatArray
    """Log density of the record, its unknowns integrated out, and of its spread. (memories) [nat]"""


def regress(  # noqa: PLR0917 -- a record, and what is known without it
    prior: tuple[FloatArray, FloatArray],
    basis: FloatArray,
    days: FloatArray,
    observed: FloatArray,
    usual_sd: float,
    memories_days: FloatArray,
) -> Fits:
    """Regress twice: with the usual spread of the residual, then with the room's own.

    Parameters
    ----------
    prior : (ndarray, ndarray)
        Mean of the unknowns (unknowns) [ln(kPa) or °C], and its precision (unknowns × unknowns) [1/ln(kPa)² or 1/K²].
    basis : ndarray, days × unknowns
        What a day has of each of them. [1]
    days : ndarray, days
        In order. [days since 1970 UTC]
    observed : ndarray, days
        Mean of each. [ln(kPa) or °C]
    usual_sd : float
        Usual spread of the residual. [ln(kPa) or °C]
    memories_days : ndarray, memories
        Time constants with which it forgets. [days]

    Returns
    -------
    Fits
        In the order of the memories.
    """
    record = _Whitened.of(basis, days, observed, memories_days)
    theta, _ = record.given(prior, np.full(len(memories_days), usual_sd))
    own_sd = _own_sd(usual_sd, record.residual(theta))
    found = record.given(prior, own_sd)
    return Fits(own_sd, *found, _log_evidence(record, prior, found, own_sd) + _log_density_of_sd(own_sd, usual_sd))


class _Whitened(NamedTuple):
    """A record for each memory, its errors made independent and of the spread that the residual has."""

    basis: FloatArray
    """(memories × days × unknowns)"""
    observed: FloatArray
    """(memories × days)"""
    square: FloatArray
    """Products of the columns of the basis. (memories × unknowns × unknowns)"""
    moment: FloatArray
    """The same with what was observed. (memories × unknowns)"""
    log_shrunk: FloatArray
    """Log of what is left of the spread of its errors, summed over the days. (memories) [nat]"""

    @classmethod
    def of(cls, basis: FloatArray, days: FloatArray, observed: FloatArray, memories_days: FloatArray) -> _Whitened:
        correlation = np.exp(-np.diff(days) / memories_days[:, None])
        left = np.sqrt(1.0 - correlation**2)
        columns = np.column_stack([basis, observed])
        white = np.empty((len(memories_days), *columns.shape))
        white[:, 0] = columns[0]
        rows = np.multiply(-correlation[..., None], columns[:-1], out=white[:, 1:])  # in place, as they are many
        rows += columns[1:]
        rows /= left[..., None]
        products = np.array([one.T @ one for one in white])  # one by one, as stacks of them are not given to BLAS
        shrunk = np.log(left).sum(axis=1)
        return cls(white[..., :-1], white[..., -1], products[:, :-1, :-1], products[:, :-1, -1], shrunk)

    def given(self, prior: tuple[FloatArray, FloatArray], sd: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance of the unknowns given the record, with a spread of the residual for each memory."""
        mean, precision = prior
        weight = 1.0 / sd[:, None] ** 2
        covariance = np.asarray(np.linalg.inv(precision + weight[..., None] * self.square), dtype=np.float64)
        moment = precision @ mean + weight * self.moment
        return (covariance @ moment[..., None])[..., 0], covariance

    def residual(self, theta: FloatArray) -> FloatArray:
        return np.asarray(self.observed - (self.basis @ theta[..., None])[..., 0])


def _own_sd(usual_sd: float, white: FloatArray) -> FloatArray:
    """Standard deviation of the residual: the usual one, counted as so many days, and what this room showed."""
    innovations = white[:, 1:]
    showed = np.square(innovations).sum(axis=1)
    return np.asarray(np.sqrt((_USUAL_SD_DAYS * usual_sd**2 + showed) / (_USUAL_SD_DAYS + innovations.shape[1])))


def _log_evidence(
    record: _Whitened, prior: tuple[FloatArray, FloatArray], found: tuple[FloatArray, FloatArray], sd: FloatArray
) -> FloatArray:
    """Log density of what was seen, its unknowns integrated out: exact for a linear model with this residual."""
    (prior_mean, precision), (theta, covariance) = prior, found
    white, off = record.residual(theta), theta - prior_mean
    misfit = np.square(white).sum(axis=1) / sd**2 + np.sum(off @ precision * off, axis=1)
    volume = np.linalg.slogdet(precision)[1] + np.linalg.slogdet(covariance)[1]
    return np.asarray(-0.5 * (misfit - volume) - white.shape[1] * np.log(sd) - record.log_shrunk)


def _log_density_of_sd(found_sd: FloatArray, usual_sd: float) -> FloatArray:
    """Of the logarithm of a residual's variance, with the usual one known from so many days (scaled inverse χ²)."""
    ratio = usual_sd**2 / found_sd**2
    return np.asarray(0.5 * _USUAL_SD_DAYS * (np.log(ratio) - ratio))
