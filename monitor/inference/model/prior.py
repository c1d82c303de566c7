"""The unknowns of a box, what the model of errors takes for granted, and a joint prior of the unknowns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.physics.sorption import Isotherm
from monitor.physics.sorption.caveats import Dye


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
    reading_sd: float = 0.001
    """Scatter of a bin's mean from one to the next. [fraction of saturation] Each of two like loggers in the same air
    repeats to 0.0006 from day to day in one measured home and to 0.0011 in another
    (tests/inference/test_logger_pairs.py)."""
    reading_wander_sd: float = 0.0028
    """How far a sensor wanders about its bias. [fraction of saturation] Measured, of the same loggers: 0.0028 and
    0.0029."""
    reading_wander_days: float = 30.0
    """How long it remembers where it was. [days] Measured, of the same loggers: by how they differ over 16 days, some
    30 to 60."""
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

    def __reduce__(self) -> tuple[type[Normal], tuple[float, float]]:
        """Travel as a call: a fit has one for each unknown, and a record's own way is slow."""
        return Normal, (self.mean, self.sd)


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
    swapped_share: float = 0.0
    """One spool of those in the box, where the water of one that is swapped in is followed as it comes; 0 where it is
    taken to come to rest at once. [fraction]"""
    humidity_shows: str = "fill"
    """What humidity shows of this desiccant: 'fill', 'little' or 'phase' (a salt in steps)."""
    dye: Dye | None = None
    """Of beads that show their humidity by color."""
    weighed_before: bool = False
    """True where these very beads were weighed as they took up water in an earlier episode."""
    leak_var_before: float = 0.0
    """Variance of the leak at which its correlations were found, in an earlier episode. [(ln G)²]"""
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
        if not self.has_change_point:
            return self
        return replace(self, unknowns={u: n for u, n in self.unknowns.items() if u < Unknown.log_change_factor})
