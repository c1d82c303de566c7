"""What is believed about a drying run before its weighings: dry mass, end loading, pace, shape and wet mass.

Every unknown is a monotone map of one standard normal number, so the whole prior is a cloud of independent normals:
easy to draw from, and its bounds can't be left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

FloatArray = NDArray[np.float64]

UNKNOWNS = 5
SHAPE_RANGE = (0.5, 1.3)
"""Bounds of the exponent of the modified Page equation: 1 is a plain exponential, below 1 a deep bed that drags on,
above 1 a load that has to warm up first. The range is a choice of ours, wide enough for the materials reviewed by
Sander, Chem. Eng. Process. 46 (2007) 1324."""

STALL_FROM_Z = 1.0
"""Above one standard deviation the end is no longer the floor's own spread but a bed that stalls above it: one run in
six (a guess of ours), anywhere up to the loading it started with."""


@dataclass(frozen=True, slots=True)
class DryMass:
    """The dry mass of the beads on the scale, lognormal: median [g] and relative standard deviation."""

    median_g: float
    relative_sd: float
    because: str = ""

    def at(self, z: FloatArray) -> FloatArray:
        """Return the dry mass for standard normal numbers. [g]"""
        return np.asarray(self.median_g * np.exp(self.relative_sd * z))


@dataclass(frozen=True, slots=True)
class EndLoading:
    """The loading a run settles at if the whole bed gets there: lognormal by its mean and standard deviation."""

    mean_g_per_g: float
    sd_g_per_g: float = 0.015
    because: str = ""

    def at(self, z: FloatArray, start_g_per_g: FloatArray) -> FloatArray:
        """Return the end loading for standard normal numbers; above ``STALL_FROM_Z`` the bed stalls. [g/g]"""
        log_sd = np.sqrt(np.log1p((self.sd_g_per_g / self.mean_g_per_g) ** 2))
        floor = self.mean_g_per_g * np.exp(log_sd * np.minimum(z, STALL_FROM_Z) - 0.5 * log_sd**2)
        tail = (ndtr(z) - ndtr(STALL_FROM_Z)) / ndtr(-STALL_FROM_Z)
        return np.asarray(floor + np.maximum(tail, 0.0) * np.maximum(start_g_per_g - floor, 0.0))


@dataclass(frozen=True, slots=True)
class Pace:
    """How quickly such a load dries: the time constant, lognormal: median [s] and standard deviation of its log."""

    median_s: float
    log_sd: float = 1.0

    def rate_per_s(self, z: FloatArray) -> FloatArray:
        """Return the rate constant for standard normal numbers. [1/s]"""
        return np.asarray(np.exp(self.log_sd * z) / self.median_s)


@dataclass(frozen=True, slots=True)
class RunPriors:
    """Everything believed before the weighings."""

    dry_mass: DryMass
    end_loading: EndLoading
    pace: Pace


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Many possible drying curves of one run, as columns of equal length."""

    dry_mass_g: FloatArray
    start_g: FloatArray
    end_g: FloatArray
    rate_per_s: FloatArray
    shape: FloatArray

    def mass_g(self, heated_s: float | FloatArray) -> FloatArray:
        """Return the mass of every curve (rows) at every heating time (columns). [g]

        m(t) = m_end + (m_start − m_end)·exp(−(k t)^n), the modified Page equation, fitted as mass because a moisture
        ratio needs the very end that is sought.
        """
        reach = self.rate_per_s[:, None] * np.atleast_1d(np.asarray(heated_s, dtype=float))[None, :]
        left = np.exp(-(reach ** self.shape[:, None]))
        return np.asarray(self.end_g[:, None] + (self.start_g - self.end_g)[:, None] * left)


def curves_from(z: FloatArray, priors: RunPriors, start_g: float, start_sd_g: float) -> Curves:
    """Turn standard normal numbers (n, 5) into drying curves of a run whose first weighing was ``start_g``."""
    start = start_g + start_sd_g * z[:, 4]
    dry = np.minimum(priors.dry_mass.at(z[:, 0]), start)
    end_loading = priors.end_loading.at(z[:, 1], start / dry - 1.0)
    low, high = SHAPE_RANGE
    return Curves(
        dry_mass_g=dry,
        start_g=start,
        end_g=np.minimum(dry * (1.0 + end_loading), start),
        rate_per_s=priors.pace.rate_per_s(z[:, 2]),
        shape=low + (high - low) * ndtr(z[:, 3]),
    )
