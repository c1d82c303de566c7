"""Weighings of a drying run, and how likely a curve makes them.

A scale that shows whole grams gives an interval, not a value: the likelihood is that of an interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from monitor.errors import OutOfRangeError
from monitor.physics.numerics import FloatArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.inference.drying.prior_curves import Curves


REPEAT_SD_PER_STEP = 0.3
"""How well a kitchen scale repeats itself, as a share of its last digit (a judgement; rounding comes on top)."""
MODEL_SD_SHARE = 0.002
"""How far a real load may stray from a smooth curve, as a share of the water driven off (a judgement)."""
LEAST_RESOLUTION_G = 1e-3
"""A scale shows no finer steps than this. [g] Judgement: none in a household does."""
_FAR_OUT = 1e-290
"""A smaller chance is reckoned by logarithms. No unit. Judgement: near the least number of full precision, 2e-308."""
_NEVER_CERTAIN = -1e-12
"""Logarithms of two chances differ by at least this much. [nat] Judgement: it only keeps a logarithm sound where both
ends of a weighing's interval lie as far out."""


@dataclass(frozen=True, slots=True)
class WeighedPoint:
    """One weighing of the beads without their holder, after so much heating in all."""

    heated_s: float
    """Heating time so far. [s]"""
    mass_g: float
    """Of the beads that are left. [g]"""
    resolution_g: float = 1.0
    """Last digit of the scale. [g]"""
    losses_before: int = 0
    """How many times beads had fallen out of the run by then."""


def require_sound(points: Sequence[WeighedPoint]) -> None:
    """Refuse weighings that no run can have.

    Parameters
    ----------
    points : sequence of WeighedPoint
        In the order of heating.

    Raises
    ------
    OutOfRangeError
        If the heating times do not rise, or a mass is not positive.
    """
    for before, after in pairwise(points):
        if after.heated_s < before.heated_s or (
            after.heated_s == before.heated_s and after.losses_before == before.losses_before
        ):
            raise OutOfRangeError(
                f"heated_s is {after.heated_s:g} after {before.heated_s:g}; heating times have to rise"
            )
    for point in points:
        if not point.mass_g > 0.0:
            raise OutOfRangeError(f"mass_g is {point.mass_g:g}; beads on a scale weigh more than nothing")


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What a scale showed, as columns of equal length."""

    heated_s: FloatArray
    """(weighings) [s]"""
    mass_g: FloatArray
    """(weighings) [g]"""
    half_g: FloatArray
    """Half the last digit of the scale. (weighings) [g]"""
    losses_before: NDArray[np.intp]
    """(weighings) [losses]"""

    @classmethod
    def of(cls, points: Sequence[WeighedPoint]) -> Shown:
        """Return weighings as columns.

        Parameters
        ----------
        points : sequence of WeighedPoint
            In the order of heating.

        Returns
        -------
        Shown
            As long.
        """
        resolution_g = np.array([point.resolution_g for point in points])
        return cls(
            np.array([point.heated_s for point in points]),
            np.array([point.mass_g for point in points]),
            0.5 * np.maximum(resolution_g, LEAST_RESOLUTION_G),
            np.array([point.losses_before for point in points], dtype=np.intp),
        )


def log_likelihood(curves: Curves, shown: Shown, kept: FloatArray, variance_ratio: float = 1.0) -> FloatArray:
    """Return the log chance that the scale would show these figures over that of a perfect match, for every curve.

    Parameters
    ----------
    curves : Curves
        Of the run.
    shown : Shown
        What the scale showed.
    kept : ndarray, curves × (losses + 1)
        Share of the beads still there before any loss, after the first, and so on. [fraction]
    variance_ratio : float
        The variances of scale and curve are larger by it. [ratio]

    Returns
    -------
    ndarray, curves
        [nat]
    """
    from scipy.special import erf  # noqa: PLC0415 -- a quarter of a second, paid where a run is fitted

    left = kept[:, shown.losses_before]
    expected = left * curves.mass_g(shown.heated_s)
    stray = MODEL_SD_SHARE * np.maximum(left * curves.start_g[:, None] - expected, 0.0)
    sd = np.sqrt(variance_ratio * ((2.0 * REPEAT_SD_PER_STEP * shown.half_g) ** 2 + stray**2))
    off, half = np.abs(shown.mass_g - expected) / sd, shown.half_g / sd
    match = erf(half / np.sqrt(2.0))  # what a perfect match has: 2 Φ(half) - 1
    return np.asarray(np.sum(_log_chance(off, half) - np.log(match), axis=1))


def _log_chance(off: FloatArray, half: FloatArray) -> FloatArray:
    """Return the log chance of an interval so far off the mean, of so much to either side, all in standard deviations.

    ln(Φ(half - off) - Φ(-half - off)); where that difference is too small for a number, by logarithms of both.
    """
    from scipy.special import log_ndtr, ndtr  # noqa: PLC0415 -- as above

    high, low = half - off, -half - off
    chance = ndtr(high) - ndtr(low)
    far = chance < _FAR_OUT
    chance[far] = 1.0
    log_chance = np.log(chance)
    if far.any():
        top, less = log_ndtr(high[far]), log_ndtr(low[far])
        log_chance[far] = top + np.log1p(-np.exp(np.minimum(less - top, _NEVER_CERTAIN)))
    return np.asarray(log_chance)
