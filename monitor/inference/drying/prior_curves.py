"""The unknowns of a drying run and the curves they make: dry mass, end loading, pace, shape, start mass, losses.

Every unknown is a monotone map of one standard normal number, so the whole prior is a cloud of independent normals:
easy to draw from, and its bounds can't be left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cache

import numpy as np

from monitor.physics.numerics import FloatArray


class Unknown(IntEnum):
    """The unknowns of a run: columns of the standard normal draws. A column a loss follows."""

    end_mass = 0
    """Place in the prior's order of the end mass; the dry mass follows from it."""
    pace = 1
    shape = 2
    start_mass = 3


_PAIRS_LOG2 = 16
"""Pairs of dry mass and end mass that lay the prior out, as a power of two: 65,536. [pairs, as a binary
logarithm] Judgement: finer than any scale."""
_CLEAR_OF_ENDS = 1e-7
"""Evenly spread numbers keep clear of 0 and 1 by so much, so that the normal quantile is finite. Judgement: far
less than the 1.5e-5 between two of them. No unit."""
NEARBY_PAIRS = 300
"""Pairs on either side that stand for one end mass: half a per cent of them. Judgement."""

SHAPE_RANGE = (0.5, 1.3)
"""Bounds of the exponent, which has no unit, of the modified Page equation: 1 is a plain exponential, below 1 a deep
bed that drags on, above 1 a load that has to warm up first. The range is a judgement, wide enough for the materials
reviewed by Sander, Chem. Eng. Process. 46 (2007) 1324."""

STALL_FROM_Z = 1.0
"""Above so many standard deviations the end is no longer the floor's own spread but a bed that stalls above it: one run
in six, anywhere up to the loading it started with. [standard deviations] Judgement: beds in cups do that now and
then."""


@dataclass(frozen=True, slots=True)
class DryMass:
    """The dry mass of the beads on the scale, lognormal: median [g] and relative standard deviation."""

    median_g: float
    """[g]"""
    relative_sd: float
    """Standard deviation of its logarithm. [fraction]"""

    def at(self, z: FloatArray) -> FloatArray:
        """Return the dry mass for standard normal numbers.

        Parameters
        ----------
        z : ndarray, draws
            [standard deviations]

        Returns
        -------
        ndarray, draws
            [g]
        """
        return np.asarray(self.median_g * np.exp(self.relative_sd * z))


@dataclass(frozen=True, slots=True)
class EndLoading:
    """The loading a run settles at if the whole bed gets there: lognormal by its mean and standard deviation."""

    mean_g_per_g: float
    """[g/g]"""
    sd_g_per_g: float = 0.015
    """[g/g] Judgement: real beds end within a point or two of what they should."""

    def at(self, z: FloatArray, start_g_per_g: FloatArray) -> FloatArray:
        """Return the end loading for standard normal numbers; above ``STALL_FROM_Z`` the bed stalls.

        Parameters
        ----------
        z : ndarray, draws
            [standard deviations]
        start_g_per_g : ndarray, draws
            Loading at the start, which no stall lies above. [g/g]

        Returns
        -------
        ndarray, draws
            [g/g]
        """
        from scipy.special import ndtr  # noqa: PLC0415 -- a quarter of a second, paid where a run is looked at

        log_sd = np.sqrt(np.log1p((self.sd_g_per_g / self.mean_g_per_g) ** 2))
        floor = self.mean_g_per_g * np.exp(log_sd * np.minimum(z, STALL_FROM_Z) - 0.5 * log_sd**2)
        tail = (ndtr(z) - ndtr(STALL_FROM_Z)) / ndtr(-STALL_FROM_Z)
        return np.asarray(floor + np.maximum(tail, 0.0) * np.maximum(start_g_per_g - floor, 0.0))


@dataclass(frozen=True, slots=True)
class Pace:
    """How quickly such a load dries: the time constant, lognormal: median [s] and standard deviation of its log."""

    median_s: float
    """Of the time constant. [s]"""
    log_sd: float = 1.0
    """Standard deviation of its logarithm. [1]"""

    def rate_per_s(self, z: FloatArray) -> FloatArray:
        """Return the rate constant for standard normal numbers.

        Parameters
        ----------
        z : ndarray, draws
            [standard deviations]

        Returns
        -------
        ndarray, draws
            [1/s]
        """
        return np.asarray(np.exp(self.log_sd * z) / self.median_s)


@dataclass(frozen=True, slots=True)
class Loss:
    """Beads that fell out of a run: the share that stayed, lognormal, or any share at all where nobody knows."""

    kept_share: float | None = None
    """Median of the share that stayed; None where nobody knows. [fraction]"""
    relative_sd: float = 0.0
    """Standard deviation of its logarithm. [fraction]"""

    def kept_at(self, z: FloatArray) -> FloatArray:
        """Return the share that stayed for standard normal numbers.

        Parameters
        ----------
        z : ndarray, draws
            [standard deviations]

        Returns
        -------
        ndarray, draws
            [fraction]
        """
        from scipy.special import ndtr  # noqa: PLC0415 -- as above

        if self.kept_share is None:
            return np.asarray(LEAST_KEPT_SHARE + (1.0 - LEAST_KEPT_SHARE) * ndtr(z))
        return np.asarray(np.minimum(self.kept_share * np.exp(self.relative_sd * z), 1.0))


LEAST_KEPT_SHARE = 0.05
"""Who spills more than this leaves starts a new run (a judgement: so little on a kitchen scale shows nothing)."""
WIDEST_DRY_SD = 0.35
"""However badly weighings fit, the prior of the dry mass is widened no further than this. [ln mass] Judgement: full
beads hold about a third of their mass."""
WIDEST_PACE_LOG_SD = 2.0
"""The same of the pace. [ln s] Judgement: a factor of seven either way."""


@dataclass(frozen=True, slots=True)
class RunPriors:
    """Priors of a run."""

    dry_mass: DryMass
    """Of the beads on the scale at the start."""
    end_loading: EndLoading
    """If the whole bed gets there."""
    pace: Pace
    """The time constant."""

    def widened(self, variance_ratio: float) -> RunPriors:
        """Return the same priors with more variance.

        Parameters
        ----------
        variance_ratio : float
            New variance over old. [ratio]

        Returns
        -------
        RunPriors
            Dry mass and pace widened, as far as beads allow.
        """
        times, dry, pace = float(np.sqrt(variance_ratio)), self.dry_mass, self.pace
        return replace(
            self,
            dry_mass=replace(dry, relative_sd=max(min(times * dry.relative_sd, WIDEST_DRY_SD), dry.relative_sd)),
            pace=replace(pace, log_sd=max(min(times * pace.log_sd, WIDEST_PACE_LOG_SD), pace.log_sd)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Many possible drying curves of one run, as columns of equal length."""

    dry_mass_g: FloatArray
    """(curves) [g]"""
    start_g: FloatArray
    """Wet mass before the heat. (curves) [g]"""
    end_g: FloatArray
    """Mass at which the run would settle. (curves) [g]"""
    rate_per_s: FloatArray
    """k of the modified Page equation. (curves) [1/s]"""
    shape: FloatArray
    """n of the modified Page equation. (curves) [1]"""

    def mass_g(self, heated_s: float | FloatArray) -> FloatArray:
        """Return the mass of every curve at every heating time.

        m(t) = m_end + (m_start − m_end)·exp(−(k t)^n), the modified Page equation, fitted as mass because a moisture
        ratio needs the very end that is sought.

        Parameters
        ----------
        heated_s : float or ndarray, times
            Heating times from the start. [s]

        Returns
        -------
        ndarray, curves × times
            [g]
        """
        reach = self.rate_per_s[:, None] * np.atleast_1d(np.asarray(heated_s, dtype=float))[None, :]
        left = np.exp(-(reach ** self.shape[:, None]))
        return np.asarray(self.end_g[:, None] + (self.start_g - self.end_g)[:, None] * left)

    def share(self, kept: FloatArray) -> Curves:
        """Return the curves of the share of the beads that stayed.

        Parameters
        ----------
        kept : ndarray, curves
            [fraction]

        Returns
        -------
        Curves
            Their masses times that.
        """
        return replace(self, dry_mass_g=kept * self.dry_mass_g, start_g=kept * self.start_g, end_g=kept * self.end_g)


def masses_from(
    z_dry: FloatArray, z_end: FloatArray, priors: RunPriors, start_g: float
) -> tuple[FloatArray, FloatArray]:
    """Turn standard normal numbers into dry mass and end mass of a wet load.

    Parameters
    ----------
    z_dry, z_end : ndarray, draws
        [standard deviations]
    priors : RunPriors
        Of the run.
    start_g : float
        Wet mass. [g]

    Returns
    -------
    (ndarray, ndarray), each draws
        Dry mass and end mass; neither above the wet mass. [g]
    """
    dry = np.minimum(priors.dry_mass.at(z_dry), start_g)
    end_loading = priors.end_loading.at(z_end, start_g / dry - 1.0)
    return dry, np.minimum(dry * (1.0 + end_loading), start_g)


@dataclass(frozen=True, slots=True, eq=False)
class PriorCurves:
    """Every curve a run could take, reached by four standard normal numbers: end mass, pace, shape, wet mass.

    Weighings inform about the end mass and never about the dry mass behind it, so the prior's pairs of the two are laid
    out in order of the end mass: its place in that order is the unknown, and the dry mass is that of a pair beside it.
    """

    priors: RunPriors
    """Of the run."""
    start_g: float
    """Mean of the wet mass. [g]"""
    start_sd_g: float
    """Its standard deviation. [g]"""
    dry_g: FloatArray
    """Of each pair. (pairs) [g]"""
    end_g: FloatArray
    """Of each pair, in rising order. (pairs) [g]"""

    @classmethod
    def of(cls, priors: RunPriors, start_g: float, start_sd_g: float) -> PriorCurves:
        """Lay the prior of a run out.

        Parameters
        ----------
        priors : RunPriors
            Of the run.
        start_g : float
            Mean of the wet mass. [g]
        start_sd_g : float
            Its standard deviation. [g]

        Returns
        -------
        PriorCurves
            Of as many pairs for every run.
        """
        dry, end = masses_from(*_pairs(), priors, start_g)
        order = np.argsort(end, kind="stable")
        return cls(priors, start_g, start_sd_g, dry[order], end[order])

    def at(self, z: FloatArray, beside: FloatArray | float = 0.0) -> Curves:
        """Return the curves for standard normal numbers.

        Parameters
        ----------
        z : ndarray, curves × unknowns
            Columns as ``Unknown``; more of them are left alone. [standard deviations]
        beside : ndarray, curves, or float
            From -1 to 1: which pair nearby gives the dry mass. [1]

        Returns
        -------
        Curves
            One for each row.
        """
        from scipy.special import ndtr  # noqa: PLC0415 -- as above

        place = ndtr(z[:, Unknown.end_mass]) * (len(self.end_g) - 1)
        low, high = SHAPE_RANGE
        start = self.start_g + self.start_sd_g * z[:, Unknown.start_mass]
        end = np.minimum(_between(self.end_g, place), start)
        pair = np.clip(place + NEARBY_PAIRS * beside, 0, len(self.end_g) - 1).astype(np.intp)
        return Curves(
            dry_mass_g=np.minimum(self.dry_g[pair] * end / self.end_g[pair], end),
            start_g=start,
            end_g=end,
            rate_per_s=self.priors.pace.rate_per_s(z[:, Unknown.pace]),
            shape=low + (high - low) * ndtr(z[:, Unknown.shape]),
        )


def _between(values: FloatArray, place: FloatArray) -> FloatArray:
    """Return values at places that may lie between two of them; the search that others need is spared."""
    before = np.minimum(place.astype(np.intp), len(values) - 2)
    low = values[before]
    return np.asarray(low + (place - before) * (values[before + 1] - low))


@cache
def _pairs() -> tuple[FloatArray, FloatArray]:
    """Return evenly spread pairs of standard normal numbers."""
    from scipy.special import ndtri  # noqa: PLC0415 -- as below
    from scipy.stats import qmc  # noqa: PLC0415 -- half a second, paid where there is a run

    uniform = np.clip(qmc.Sobol(2, seed=1).random_base2(_PAIRS_LOG2), _CLEAR_OF_ENDS, 1.0 - _CLEAR_OF_ENDS)
    first, second = ndtri(uniform).T
    return first, second
