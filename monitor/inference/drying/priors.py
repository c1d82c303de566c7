"""Prior of a drying run, before its weighings: dry mass, end loading, pace, shape and wet mass.

Every unknown is a monotone map of one standard normal number, so the whole prior is a cloud of independent normals:
easy to draw from, and its bounds can't be left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from monitor.physics.drying import drying_floor_g_per_g

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.physics.materials import Desiccant

FloatArray = NDArray[np.float64]


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
    because: str = ""
    """Where it is known from, in words."""

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
    because: str = ""
    """Where it is known from, in words."""

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
        place = ndtr(z[:, Unknown.end_mass]) * (len(self.end_g) - 1)
        low, high = SHAPE_RANGE
        start = self.start_g + self.start_sd_g * z[:, Unknown.start_mass]
        end = np.minimum(np.interp(place, np.arange(len(self.end_g)), self.end_g), start)
        pair = np.clip(place + NEARBY_PAIRS * beside, 0, len(self.end_g) - 1).astype(np.intp)
        return Curves(
            dry_mass_g=np.minimum(self.dry_g[pair] * end / self.end_g[pair], end),
            start_g=start,
            end_g=end,
            rate_per_s=self.priors.pace.rate_per_s(z[:, Unknown.pace]),
            shape=low + (high - low) * ndtr(z[:, Unknown.shape]),
        )


@cache
def _pairs() -> tuple[FloatArray, FloatArray]:
    """Return evenly spread pairs of standard normal numbers."""
    uniform = np.clip(qmc.Sobol(2, seed=1).random_base2(_PAIRS_LOG2), _CLEAR_OF_ENDS, 1.0 - _CLEAR_OF_ENDS)
    first, second = ndtri(uniform).T
    return first, second


LotFactor = tuple[float, float]
"""Capacity of a lot over the isotherm's: median and relative standard deviation."""

NEW_LOADING = 0.025
"""Mean of the water in beads from a fresh bag: JIS Z 0701:1977 allows 2.0 to 2.5 % as supplied; that handling adds some
is a judgement. [g/g]"""
NEW_LOADING_SD = 0.015
"""Its standard deviation. [g/g] Judgement: from bone-dry to twice as much."""
_SDS_OF_NEW = 3.0
"""Beads from a fresh bag are wetter than this once in 740 bags, so those that are were not fresh. [standard deviations]
Judgement: three sigma, as is usual."""

UNKNOWN_LOADING = 0.18
"""Mean of the water in beads of which nothing is known. [g/g] Judgement: between half dry and full."""
UNKNOWN_RELATIVE_SD = 0.07
"""Standard deviation that this leaves in their dry mass. [ln mass] Judgement: anything from half dry to full."""

ROOM_HUMIDITY_SD = 0.05
"""How far the air that beads lay in may have been from what the room shows now (a judgement). [fraction of
saturation]"""

MICROWAVE_END = EndLoading(0.012, 0.010, "beads at about 100 to 120 °C once the steam is swept off")
"""No published end loading of a household microwave was found. Beads that no longer boil sit near 100 to 120 °C, where
the floor of room air is 0.6 to 1.2 %; steam that lingers adds to it, so the spread is wide on purpose: both are
judgements. [g/g]"""

LEAST_FLOOR = 0.002
"""Above 120 °C beads count as dry, 0.2 ± 0.2 %: relative to what laboratories degas at, usually 120 to 150 °C.
Judgement. [g/g]"""

_PACES = MappingProxyType(
    {
        "microwave": Pace(330.0, 0.7),
        "oven": Pace(2400.0, 0.8),
        "filament_dryer": Pace(30_000.0, 0.8),
        "print_bed": Pace(36_000.0, 0.9),
        "other": Pace(7200.0, 1.2),
    }
)
"""Time constants until runs of one's own are logged: median [s] and sd of its logarithm. Oven: one to two hours in a
thin layer at 100-120 °C (museum and conservation advice after Weintraub). Microwave and filament dryer: common
practice, no source. Print bed, others and the spreads: judgements."""
_HOT_DEGC = 100.0
"""An oven below this is slower than one that museums use. [°C] Judgement: the least of the 100 to 120 °C they use for
gel (after Weintraub)."""
_HALVED_EVERY_K = 17.0
"""Diffusion in the bead slows by half every so many kelvin: 42 kJ/mol from 60 to 100 °C (Sakoda and Suzuki 1984, J.
Chem. Eng. Japan 17:52, from memory). [K]"""
_LEARNED_LOG_SD = 0.4
"""How far a run's time constant lies from those of earlier runs. [ln s] Judgement: loads and layers differ by a
half."""
_LEAST_DRY_SD = 0.003
"""No dry mass is known better than this. [relative] Judgement: beads dried at 120 °C in room air still hold 0.3 to 0.8
% by the isotherm."""
_DRIEST_AIR, _WETTEST_AIR = 0.02, 0.98
"""Beads are at rest with no drier and no moister room than this. [fraction of saturation] Judgement: no room is."""
_LEAST_INFORMATIVE_AIR = 0.05
"""Beads that were at rest with drier air show nothing of a lot's capacity. [fraction of saturation] Judgement: below it
the isotherms of lots differ most, and sensors err by as much."""
_FLOOR_SHARE_SD, _FLOOR_HOT_SD, _HOT_FLOOR_DEGC = 0.25, 0.005, 90.0
"""How well the floor of hot air is known: a quarter of it from lot to lot up to this temperature [°C], and half a per
cent above [g/g], both sd: from measured isotherms of three lots of gel (monitor/physics/drying.py)."""


def known_dry_mass(dry_mass_g: float, relative_sd: float, because: str) -> DryMass:
    """Return a dry mass known from an earlier run, or from weighing new beads.

    Parameters
    ----------
    dry_mass_g : float
        Median. [g]
    relative_sd : float
        Relative standard deviation, kept above a least one. [fraction]
    because : str
        Where it is known from.

    Returns
    -------
    DryMass
        Lognormal.
    """
    return DryMass(dry_mass_g, max(relative_sd, _LEAST_DRY_SD), because)


def dry_mass_of_new(mass_g: float) -> DryMass:
    """Return the dry mass of beads from a fresh bag.

    Parameters
    ----------
    mass_g : float
        As they come. [g]

    Returns
    -------
    DryMass
        Lognormal.
    """
    sd = NEW_LOADING_SD / (1.0 + NEW_LOADING)
    return DryMass(mass_g / (1.0 + NEW_LOADING), sd, "new beads carry about 2.5 % of water")


def least_dry_of_new(mass_g: float) -> float:
    """Return what beads that were thought fresh from the bag weigh at least when dry; below it they were not.

    Parameters
    ----------
    mass_g : float
        As they came. [g]

    Returns
    -------
    float
        [g]
    """
    return mass_g / (1.0 + NEW_LOADING + _SDS_OF_NEW * NEW_LOADING_SD)


def dry_mass_from_room(
    mass_g: float,
    desiccant: Desiccant,
    room_temperature_degc: float,
    room_relative_humidity: float,
    factor: LotFactor | None = None,
) -> DryMass:
    """Return the dry mass of beads that have come to rest with the air of a room.

    m / (1 + q): the loading follows from the isotherm, the lot's capacity (its own where a run of it gave it, else the
    spread between lots) and how well the room is known.

    Parameters
    ----------
    mass_g : float
        As they are. [g]
    desiccant : Desiccant
        The beads.
    room_temperature_degc : float
        [°C]
    room_relative_humidity : float
        [fraction of saturation]
    factor : LotFactor, optional
        Capacity of the lot over the isotherm's: median and relative standard deviation. [ratio]

    Returns
    -------
    DryMass
        Lognormal.
    """
    humidity = np.clip(room_relative_humidity, _DRIEST_AIR, _WETTEST_AIR)
    loading = float(desiccant.isotherm.loading_g_per_g(float(humidity), room_temperature_degc))
    slope = float(desiccant.isotherm.slope(float(humidity), room_temperature_degc))
    middle, relative_sd = factor or (1.0, desiccant.sigma_ln_capacity)
    sd = np.hypot(loading * middle * relative_sd, slope * middle * ROOM_HUMIDITY_SD) / (1.0 + loading * middle)
    known_from = "a run of the same lot" if factor else f"beads at rest with {100.0 * room_relative_humidity:.0f} % RH"
    return DryMass(
        mass_g / (1.0 + loading * middle), float(sd), f"{known_from}: about {100.0 * loading * middle:.0f} %"
    )


def dry_mass_unknown(mass_g: float) -> DryMass:
    """Return the dry mass of beads of which nothing is known.

    Parameters
    ----------
    mass_g : float
        As they are. [g]

    Returns
    -------
    DryMass
        Lognormal.
    """
    return DryMass(mass_g / (1.0 + UNKNOWN_LOADING), UNKNOWN_RELATIVE_SD, "nobody knows how wet they were")


def lot_factor(desiccant: Desiccant, starts: Sequence[tuple[float, float, float]]) -> LotFactor | None:
    """Return a lot's capacity from runs that began with beads at rest with the room.

    Parameters
    ----------
    desiccant : Desiccant
        The beads.
    starts : sequence of (float, float, float)
        Of each run the loading at its start [g/g], room temperature [°C] and relative humidity
        [fraction of saturation].

    Returns
    -------
    LotFactor or None
        Capacity over the isotherm's: median and relative standard deviation; None without such runs. [ratio]
    """
    factors = [
        loading / float(desiccant.isotherm.loading_g_per_g(humidity, temperature))
        for loading, temperature, humidity in starts
        if loading > 0.0 and humidity > _LEAST_INFORMATIVE_AIR
    ]
    if not factors:
        return None
    return float(np.exp(np.mean(np.log(factors)))), desiccant.sigma_ln_capacity_known / np.sqrt(len(factors))


def end_of_hot_air(
    desiccant: Desiccant, dryer_degc: float, room_temperature_degc: float, room_relative_humidity: float
) -> EndLoading:
    """Return the loading that hot room air ends at: the floor, and how far real beds stray from it.

    Parameters
    ----------
    desiccant : Desiccant
        The beads.
    dryer_degc : float
        Air temperature of the appliance. [°C]
    room_temperature_degc : float
        [°C]
    room_relative_humidity : float
        [fraction of saturation]

    Returns
    -------
    EndLoading
        About the floor.
    """
    floor = float(drying_floor_g_per_g(desiccant.isotherm, dryer_degc, room_temperature_degc, room_relative_humidity))
    return EndLoading(
        max(floor, LEAST_FLOOR), because=f"hot room air at {dryer_degc:.0f} °C ends near {100.0 * floor:.1f} %"
    )


def floor_sd_g_per_g(floor_g_per_g: float, dryer_degc: float) -> float:
    """Return how well the floor itself is known: a quarter of it up to 90 °C, 0.005 g/g above.

    Parameters
    ----------
    floor_g_per_g : float
        The floor. [g/g]
    dryer_degc : float
        Air temperature of the appliance. [°C]

    Returns
    -------
    float
        Standard deviation. [g/g]
    """
    return max(_FLOOR_SHARE_SD * floor_g_per_g, 0.0 if dryer_degc <= _HOT_FLOOR_DEGC else _FLOOR_HOT_SD)


def pace(appliance_kind: str, dryer_degc: float | None, learned_s: Sequence[float] = ()) -> Pace:
    """Return how quickly such a load dries; the time constants of earlier runs of the appliance take over.

    Parameters
    ----------
    appliance_kind : str
        As declared.
    dryer_degc : float or None
        Air temperature; None in a microwave. [°C]
    learned_s : sequence of float
        Time constants of earlier runs of the appliance. [s]

    Returns
    -------
    Pace
        Lognormal.
    """
    usual = _PACES.get(appliance_kind, _PACES["other"])
    if learned_s:
        return Pace(float(np.exp(np.mean(np.log(learned_s)))), _LEARNED_LOG_SD)
    if appliance_kind == "oven" and dryer_degc is not None and dryer_degc < _HOT_DEGC:
        return Pace(usual.median_s * 2.0 ** ((_HOT_DEGC - dryer_degc) / _HALVED_EVERY_K), usual.log_sd)
    return usual
