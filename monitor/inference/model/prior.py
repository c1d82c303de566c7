"""The unknowns of a box and their prior: leak by kind of box, start by recharge, sensor, contents, shape."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property

import numpy as np

from monitor.inference.evidence.episodes import Episode
from monitor.inference.model.contents import (
    known_or_plain_gel,
    prompt_contents,
    slow_store,
    swapped_g_per_humidity,
)
from monitor.physics.leakage import conductance_from_air_changes
from monitor.physics.materials import Desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.sorption import Isotherm
from monitor.physics.sorption.caveats import Dye
from monitor.records import NORMAL_P95, Box
from monitor.records.words import NOT_DRIED


class Unknown(IntEnum):
    """The unknowns of a box: columns of ``theta``. The last three are there where a change point is allowed for."""

    log_conductance = 0
    """Mean over the episode. [ln(g/day/kPa)]"""
    log_start_humidity = 1
    """Humidity over the charge when the box was closed. [ln(fraction)]"""
    sensor_bias = 2
    """What the sensor shows above the true humidity. [fraction of relative humidity]"""
    isotherm_shape = 3
    """Where the isotherm lies between the two of the desiccant, which are at 0 and at 1."""
    log_capacity_scale = 4
    """What the beads hold over what the isotherm says of their dry mass. [ln(ratio)]"""
    log_slow_humidity = 5
    """Humidity with which spools and cores were at rest as they went in. [ln(fraction)]"""
    log_slow_capacity = 6
    """Water that spools and cores take up for a humidity of 1. [ln(g)]"""
    log_slow_lag = 7
    """Time constant of spools and cores. [ln(days)]"""
    log_dry_mass = 8
    """Dry mass of the beads over the declared one. [ln(ratio)]"""
    log_change_factor = 9
    """Conductance after the change point over that before. [ln(ratio)]"""
    change_day = 10
    """Days into the episode until half of the change had come."""
    log_change_duration = 11
    """How long the change took. [ln(days)]"""


CONDUCTANCE_PER_AIR_CHANGE = float(conductance_from_air_changes(1.0, 1.0, REFERENCE_DEGC))
"""G of one air change a day and liter, n V/(R_v T) at 23 °C: 0.0073 g/day/kPa."""

_AIR_CHANGES = {
    "valve": (1.0, 1.0),
    "gasket": (1.2, 0.9),
    "canister": (1.6, 0.9),
    "clip": (1.8, 0.9),
    "feed": (2.5, 0.9),
    "tote": (4.0, 1.1),
    "bag": (0.7, 1.2),
    "cabinet": (4.0, 1.1),
}
"""Air changes by a word in the box's style: median [1/day] and sd of its logarithm. Display cases run from 0.1 (very
well sealed) to 24 (AIC wiki 2020, degree of case seal); an empty polypropylene clip-lid box had 2.8 (Kelly, Daniel
2000, Abbey Newsletter 24:1). Each figure within that range, and every spread, is a judgement: no survey of such boxes
is known to us. Wide on purpose: readings and other boxes of the style narrow it."""
_AIR_CHANGES_UNKNOWN = (1.6, 1.2)
"""The same of any other style. [1/day] and [1] Judgement: the middle of these, with a spread over all of them."""
_FED_THROUGH_TUBE = 1.3
"""A hole for the filament makes a box so many times as leaky. [factor] Judgement: a tight bore of 2 mm passes 0.001
g/day/kPa (``physics.leakage.hole_conductance``), a loose one or a worn grommet a good part of what a seal does."""

_START_HUMIDITY = {
    "new": (0.03, 0.7),
    "oven": (0.02, 1.0),
    "microwave": (0.04, 0.9),
    "hot_air": (0.055, 0.8),
    "dryer": (0.055, 0.8),
    "bed": (0.07, 0.8),
    "indicator": (0.08, 0.8),
    NOT_DRIED: (0.12, 0.9),  # anything from nearly dry to past most limits (a judgement)
}
"""Humidity over the charge when the box is closed, by a word in how it was dried: median [fraction of saturation] and
sd of its logarithm. The floor of hot air (equation 2 of any Dubinin isotherm, RH = exp(-A_dry / R T): 5.7 % at 55 °C,
3.1 % at 65 °C, 0.4 % at 100 °C in a room of 20 °C and 50 % RH) is a lower bound; many charges stop far short of it, so
medians above it and wide spreads are a judgement."""
_START_UNKNOWN = (0.06, 1.0)
"""The same of any other method. [fraction of saturation] and [1] Judgement: the middle of these, with a wide spread."""
_START_WITHOUT_BEADS = (0.30, 0.8)
"""The same of a box without beads. [fraction of saturation] and [1] Judgement: closed on the room's air, or on air that
was dried or moistened first."""
_START_OF_SIEVE = {"new": (0.0015, 1.5), "oven": (0.006, 1.4), "unknown": (0.01, 1.6)}
"""The same of a sieve, by methods that mean another heat for it. A sealed pack was fired and holds some 3 to 5 % of
water. Ovens run from 250 °C down to 120 °C, whose floor is 0.1 % RH and 6 % of water (Dubinin), and a bed stops short.
Hot air, print beds and microwaves leave the humidity that they leave over any beads, by the potential of their air:
16 % of water from 65 °C. Medians above the floors, and spreads, are a judgement."""
_DRIEST_KNOWN = 1e-4
"""A loading known from a drying run or jar check is taken for no drier than this. [fraction of saturation] Judgement:
below it isotherms are extrapolated."""
_LEAST_KNOWN_SD = 0.1
"""And known no better than this. [ln humidity] Judgement: the isotherm itself is off by that much."""

_SALT_SHAPE_SD = 0.15
"""A salt goes in steps, so its shape is near the first; the second only takes the edge off. Judgement."""
_DRY_MASS_SD = 0.03
"""How far the dry mass lies from what was declared. [ln mass] Beads from the bag carry up to 2.5 % of water (JIS Z
0701:1977), some more by handling; both signs, and the last half per cent, are a judgement."""
_BETWEEN_BRANCHES_SD = 0.3
"""Beads that come from wetter air and were not dried take up less for the same rise of humidity, until they are back on
the branch that the model knows. [ln water] Judgement: half as much in the first month of
tests/inference/test_hysteresis.py, and ever more after it."""
_WALLS_STORE_SD = 0.8
"""Of the store of bare walls, where there are no beads. [ln water] Judgement: known to a factor of two or so."""
_SLOW_HUMIDITY_SD = 0.9
"""How far the humidity lies with which spools went in. [ln humidity] Judgement: a spool called dry may be wet."""
_SLOW_CAPACITY_SD = 0.35
"""How far what spools can hold lies from the table. [ln water] Judgement: uptakes are known to 0.15 to 0.25
(tables/polymers.toml), masses left on a spool less well."""
_SLOW_LAG_SD = 0.6
"""How far their lag lies from the table's. [ln days] Judgement: winding slows a spool three to ten times (from memory,
``physics.materials.SIGMA_LN_WINDING_FACTOR``)."""
_LEAST_LAG_DAYS = 0.5
"""Slow contents lag by at least this much. [days] Judgement: what answers sooner is at rest with the air in any bin."""
_NO_SLOW_G = 1e-4
"""Slow contents where they are taken out of the model, for the ablation table. [g for a humidity of 1] Judgement: next
to nothing, as a logarithm needs more than none."""


@dataclass(frozen=True)
class Assumptions:
    """The settings of the model of errors; each switch is a row of the ablation table."""

    bias_share_of_accuracy: float = 0.5
    """Standard deviation of a sensor's bias: a stated accuracy is read as two of them (coverage factor 2, JCGM
    100:2008, 6.2). [share of the stated accuracy]"""
    bias_walk: float = 0.005
    """How far a bias wanders in a year; sheets of common sensors say 0.25 to 0.5 % RH, some from memory. [fraction of
    saturation per square root of a year]"""
    shape_mean: float = 0.5
    """Mean of the isotherm shape. [1] No unit. Judgement: halfway between the two published isotherms, at 0 and at
    1."""
    shape_sd: float = 0.4
    """Standard deviation of the isotherm shape. [1] No unit. Judgement: no published curve fits every lot."""
    drift_sd: float = 0.2
    """How far ln conductance wanders around its mean in a box left closed. [1] Judgement: a fifth either way."""
    drift_days: float = 60.0
    """How long it remembers where it was. [days] Judgement: seals creep over weeks, and the seasons turn in months."""
    seating_sd: float = 0.10
    """How differently a lid sits after an opening. [1] Judgement: a tenth."""
    badly_seated: float = 0.15
    """Share of openings after which the lid does not close as before. [fraction] Judgement: one in seven."""
    ajar_log_conductance: float = 1.2
    """What that adds to ln G until the next opening, or until that is noticed. [1] Judgement: a seam three times
    as wide."""
    ajar_days: float = 10.0
    """How long until that is noticed, on average. [days] Judgement."""
    unknown_share: float = 0.15
    """Unseen gains and losses, as a share of the day's ingress. [per square root of a day] Judgement: wind, breathing
    and warm hours that daily means smooth."""
    unknown_g_per_g: float = 5e-5
    """Unseen gains and losses of a charge, whatever leaks. [g/g per square root of a day] Judgement: what it exchanges
    with contents that the one lag misses."""
    unknown_humidity_over_salt: float = 0.01
    """Air over a salt follows crust, brine and draft as much as its fill: by so much it wanders from it. [fraction of
    saturation per square root of a day] Judgement: in a fortnight as far as a hydrate's steps lie apart, 4 points."""
    unknown_humidity_without_beads: float = 0.01
    """A box without beads follows drafts and warm hours that daily means smooth. [fraction of saturation per square
    root of a day] Judgement."""
    settling_humidity: float = 0.004
    """Beads, core and spools come to rest with one another: noise of the first days. [fraction of saturation per square
    root of a day] Judgement."""
    settling_days: float = 4.0
    """How long that takes to fade to a third. [days] Judgement: a bed is at rest in days, a spool in a week or more."""
    settling_share_of_step: float = 0.25
    """A step of humidity runs back by about this much as the water goes deeper. [share per square root of a day]
    Judgement."""
    reading_sd: float = 0.003
    """Scatter of a bin's mean about the true one. [fraction of saturation] Judgement: sensors repeat to some tenths of
    a per cent, and hours of one bin err alike."""
    reading_share: float = 0.01
    """The same as a share of the humidity shown: warmth that differs between beads and sensor. [fraction] Judgement: a
    sixth of a kelvin, at 6 % a kelvin (monitor/physics/saturation.py)."""
    reading_sd_over_salt: float = 0.04
    """Over a salt humidity follows crust and draft as much as fill: honest silence, the grams come from the prior.
    [fraction of saturation] Judgement: as wide as a hydrate's steps lie apart."""
    student_degrees: float = 5.0
    """Degrees of freedom of the errors of readings and weighings. [1] Judgement: a day four spreads off
    happens."""
    opening_sd_g: float = 0.10
    """By how much one opening differs from another. [g] Judgement: as much as the air of ten liters holds at half
    saturation; lids stay open for a breath or for minutes, and surfaces take up some."""
    swapped_humidity: float = 0.25
    """A spool that is swapped in comes from a sealed bag, a dryer or the open shelf, and it is not known which: between
    dry and the room's. [fraction of saturation] Judgement."""
    swapped_humidity_sd: float = 0.2
    """How far one spool's humidity lies from that of the others. [fraction of saturation] Judgement: as wide as
    that."""
    swap_least_sd_g: float = 0.15
    """By how much one swap differs from another at least. [g] Judgement: it is an opening, and a longer one."""
    censored: bool = True
    """False takes a floor for a value: wrong, kept for the test that must fail."""
    drop_censored: bool = False
    """True leaves readings at the floor out, which wastes their information."""
    seasonal_room: bool = True
    """False holds the room's year flat."""
    future_events: bool = True
    """False leaves openings and swaps out of the forecast."""
    slow_contents: bool = True
    """False leaves spools and cores out."""
    wandering_leak: bool = True
    """False holds the conductance."""
    carried: bool = True
    """False starts every episode without what earlier ones say of beads, spools and sensor."""


@dataclass(frozen=True, slots=True)
class Normal:
    """The normal prior of one unknown, in its unit."""

    mean: float
    """[unit of the unknown]"""
    sd: float
    """[unit of the unknown]"""


@dataclass(frozen=True, eq=False)
class Prior:
    """Normal priors of the unknowns, and the isotherms between which the shape lies."""

    unknowns: Mapping[Unknown, Normal]
    """All of a box; those of a change point where one is allowed for."""
    shapes: tuple[Isotherm, Isotherm]
    """At 0 and at 1 of the isotherm shape."""
    dry_mass_g: float
    """Of the beads, 1 where not declared; without any, what the walls take up for a humidity of 1. [g]"""
    grams_declared: bool
    """True where the dry mass of beads is known, so that weighings inform."""
    swapped_g_per_humidity: float
    """Water that one spool of the box gives or takes for a humidity of 1 between it and the air of the box. [g]"""
    humidity_shows: str = "fill"
    """What humidity shows of this desiccant: 'fill', 'little' or 'phase' (a salt in steps)."""
    dye: Dye | None = None
    """Of beads that show their humidity by color."""
    weighed_before: bool = False
    """True where these very beads were weighed as they took up water in an earlier episode."""
    correlation: FloatArray | None = None
    """Of all unknowns but those of a change point, where earlier episodes told of several at once; None where they are
    independent. (unknowns × unknowns) [1]"""

    @cached_property
    def mean(self) -> FloatArray:
        """Mean of each unknown, in the order of the columns of ``theta``. (unknowns) [unit of each ``Unknown``]"""
        return np.array([self.unknowns[unknown].mean for unknown in sorted(self.unknowns)])

    @cached_property
    def sd(self) -> FloatArray:
        """Standard deviation of each unknown, in the same order. (unknowns) [unit of each ``Unknown``]"""
        return np.array([self.unknowns[unknown].sd for unknown in sorted(self.unknowns)])

    @cached_property
    def _root(self) -> FloatArray:
        """Lower triangle whose square is the correlation. (unknowns × unknowns)"""
        count = len(self.unknowns)
        root = np.eye(count)
        if self.correlation is not None:
            joint = len(self.correlation)
            root[:joint, :joint] = np.linalg.cholesky(self.correlation)
        return root

    def drawn(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Return draws of the unknowns.

        Parameters
        ----------
        count : int
            How many.
        rng : Generator
            Random numbers.

        Returns
        -------
        ndarray, draws × unknowns
            [unit of each ``Unknown``]
        """
        z = rng.standard_normal((count, len(self.mean)))
        return self.mean + self.sd * (z if self.correlation is None else z @ self._root.T)

    def log_density(self, theta: FloatArray) -> FloatArray:
        """Return the log density of draws.

        Parameters
        ----------
        theta : ndarray, draws × unknowns
            [unit of each ``Unknown``]

        Returns
        -------
        ndarray, draws
            [nat]
        """
        z, scale = (theta - self.mean) / self.sd, np.log(self.sd).sum()
        if self.correlation is not None:
            z, scale = z @ self._inverse_root.T, scale + np.log(np.diag(self._root)).sum()
        return np.asarray(-0.5 * (z * z).sum(axis=1) - scale - 0.5 * z.shape[1] * np.log(2.0 * np.pi))

    @cached_property
    def _inverse_root(self) -> FloatArray:
        return np.asarray(np.linalg.inv(self._root))

    def with_leak(self, box: Box, pooled: tuple[float, float]) -> Prior:
        """Return the same prior with another one of the leak.

        Parameters
        ----------
        box : Box
            As declared.
        pooled : (float, float)
            Mean and standard deviation of ln(air changes a day). [ln(1/day)]

        Returns
        -------
        Prior
            All else as it was.
        """
        return replace(self, unknowns={**self.unknowns, Unknown.log_conductance: _log_conductance(box, pooled)})

    @property
    def has_change_point(self) -> bool:
        """True where the conductance may change on some day of the episode."""
        return Unknown.change_day in self.unknowns

    def with_change_point(self, *, log_factor: Normal, day: Normal, log_duration: Normal) -> Prior:
        """Return the same prior with a change of the conductance allowed for.

        Parameters
        ----------
        log_factor : Normal
            Of the conductance after it over that before. [ln(ratio)]
        day : Normal
            Days into the episode. [days]
        log_duration : Normal
            How long it took. [ln(days)]

        Returns
        -------
        Prior
            Of three more unknowns.
        """
        more = {
            Unknown.log_change_factor: log_factor,
            Unknown.change_day: day,
            Unknown.log_change_duration: log_duration,
        }
        return replace(self, unknowns={**self.unknowns, **more})

    def without_change_point(self) -> Prior:
        """Return the same prior of a conductance that stays."""
        return replace(self, unknowns={u: n for u, n in self.unknowns.items() if u < Unknown.log_change_factor})


def prior_of(box: Box, episode: Episode, assumptions: Assumptions, pooled: tuple[float, float] | None = None) -> Prior:
    """Return the prior of a box.

    Parameters
    ----------
    box : Box
        As declared.
    episode : Episode
        With the beads and how they were dried.
    assumptions : Assumptions
        The model of errors.
    pooled : (float, float), optional
        Mean and standard deviation of ln(air changes a day) learned from boxes of its kind; those of its style where
        left out. [ln(1/day)]

    Returns
    -------
    Prior
        Without a change point.
    """
    shapes, dry_mass_g, shows = prompt_contents(box, episode)
    beads = None if episode.desiccant is None else known_or_plain_gel(episode.desiccant)
    shape = Normal(assumptions.shape_mean, assumptions.shape_sd)
    unknowns = {
        Unknown.log_conductance: _log_conductance(box, pooled),
        Unknown.log_start_humidity: _log_start_humidity(episode, shapes[0], shows),
        Unknown.sensor_bias: Normal(0.0, _bias_sd(box, episode, assumptions)),
        Unknown.isotherm_shape: Normal(0.0, _SALT_SHAPE_SD) if shows == "phase" else shape,
        Unknown.log_capacity_scale: Normal(0.0, _capacity_sd(beads, episode)),
        **_slow_contents(box, episode, assumptions),
        Unknown.log_dry_mass: Normal(0.0, _DRY_MASS_SD),
    }
    return Prior(
        unknowns=unknowns,
        shapes=shapes,
        dry_mass_g=dry_mass_g,
        grams_declared=beads is not None and episode.dry_mass_g > 0.0,
        swapped_g_per_humidity=swapped_g_per_humidity(box),
        humidity_shows=shows,
        dye=None if beads is None else beads.dye,
    )


def _capacity_sd(beads: Desiccant | None, episode: Episode) -> float:
    """Of the lot; and of the branch that beads are on which were not dried."""
    if beads is None:
        return _WALLS_STORE_SD
    between = _BETWEEN_BRANCHES_SD if episode.method == NOT_DRIED and beads.hysteresis is not None else 0.0
    return math.hypot(beads.sigma_ln_capacity, between)


def _log_conductance(box: Box, pooled: tuple[float, float] | None) -> Normal:
    log_changes, spread = pooled or style_prior(box)
    return Normal(float(log_changes + np.log(CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter)), spread)


def _log_start_humidity(episode: Episode, isotherm: Isotherm, shows: str) -> Normal:
    """By the loading that a drying run or jar check found, else by how the beads were dried."""
    if episode.desiccant is None:
        middle, sd = _START_WITHOUT_BEADS
    elif episode.known_loading is not None:
        return _start_from_loading(episode.known_loading, isotherm)
    else:
        middle, sd = start_humidity_of(episode.method, shows)
    return Normal(float(np.log(middle)), sd)


def start_humidity_of(method: str, shows: str) -> tuple[float, float]:
    """Return how dry fresh beads start, by how they were dried.

    Parameters
    ----------
    method : str
        In the words of the ledger.
    shows : str
        What humidity shows of the beads: 'fill', 'little' or 'phase'.

    Returns
    -------
    (float, float)
        Median [fraction of saturation] and standard deviation of its logarithm [1].
    """
    if shows != "little":
        return _matching(_START_HUMIDITY, method, _START_UNKNOWN)
    return _matching(_START_OF_SIEVE, method, _matching(_START_HUMIDITY, method, _START_OF_SIEVE["unknown"]))


def slow_spreads() -> tuple[float, float, float, float]:
    """Return how little is known of what lies in a box.

    Returns
    -------
    (float, float, float, float)
        Standard deviations of the logarithms of its humidity, store and lag [1], and the least lag [days].
    """
    return _SLOW_HUMIDITY_SD, _SLOW_CAPACITY_SD, _SLOW_LAG_SD, _LEAST_LAG_DAYS


def _bias_sd(box: Box, episode: Episode, assumptions: Assumptions) -> float:
    """Spread of a sensor's bias by its sheet; wider where it and the one before it disagree by more than sheets allow.

    Two results that disagree are both widened until they don't, as nobody knows which is wrong: the ratio of Birge
    (1932), Physical Review 40:207.
    """
    return max(assumptions.bias_share_of_accuracy * box.sensor.accuracy, episode.sensors_apart / math.sqrt(2.0))


def style_prior(box: Box) -> tuple[float, float]:
    """Return the prior of the leak by how a box closes.

    Parameters
    ----------
    box : Box
        As declared.

    Returns
    -------
    (float, float)
        Mean and standard deviation of ln(air changes a day). [ln(1/day)]
    """
    changes, spread = _matching(_AIR_CHANGES, box.style, _AIR_CHANGES_UNKNOWN)
    return float(np.log(changes * (_FED_THROUGH_TUBE if box.fed_through_tube else 1.0))), spread


def _matching(table: dict[str, tuple[float, float]], name: str, otherwise: tuple[float, float]) -> tuple[float, float]:
    return next((value for word, value in table.items() if word in name.lower()), otherwise)


def _slow_contents(box: Box, episode: Episode, assumptions: Assumptions) -> dict[Unknown, Normal]:
    """Spools and cores as one slow store."""
    size, humidity, lag = slow_store(box, episode.spools_went_in)
    if not assumptions.slow_contents:
        size = _NO_SLOW_G
    return {
        Unknown.log_slow_humidity: Normal(float(np.log(humidity)), _SLOW_HUMIDITY_SD),
        Unknown.log_slow_capacity: Normal(float(np.log(size)), _SLOW_CAPACITY_SD),
        Unknown.log_slow_lag: Normal(float(np.log(max(lag / size, _LEAST_LAG_DAYS))), _SLOW_LAG_SD),
    }


def _start_from_loading(known: tuple[float, float, float], isotherm: Isotherm) -> Normal:
    """From the 5, 50 and 95 % points of a loading that a drying run or jar check found, as humidity at rest."""
    low, middle, high = (
        float(np.log(max(isotherm.relative_humidity(q, REFERENCE_DEGC), _DRIEST_KNOWN))) for q in known
    )
    return Normal(middle, max((high - low) / (2.0 * NORMAL_P95), _LEAST_KNOWN_SD))
