"""How many grams hold how long: a known box by the forecast itself, others by the balance read forward from a prior.

A box that is known is pushed ahead as what-if does it, with charge after charge. One that is not brings draws of its
style's prior; a parcel, of what its film lets through. Their water comes in through the leak, from openings at their
mean rate and from what lies in them, over the room's seasons; lids badly seated, swapped spools and a leak that wanders
are left out there. Both begin with the room's air, shut in when the lid closes.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, Self

import numpy as np

from monitor.inference.answers.forecast import futures
from monitor.inference.answers.what_if import WETTEST_START, as_changed
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.room_climate import LearnedRoom, learn_room
from monitor.inference.fit.posterior import Posterior, mean_conductance
from monitor.inference.fit.quantiles import quantile_points
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, slow_spreads, start_humidity_of, style_prior
from monitor.inference.model.contents import known_or_plain_gel, shapes_of, slow_store
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.physics.box_balance import Air, DrawnBox, advance, at_rest_with
from monitor.physics.leakage import opening_water_g
from monitor.physics.materials import Desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import Box, Quantiles, RoomClimate, WhatIf
from monitor.units import LITERS_PER_M3, PA_PER_KPA

HORIZON_DAYS = 890
"""How far ahead is looked. [days] Judgement: as far as a forecast's steps go; seals change meanwhile."""
_DRAWS = 200
"""Draws of each charge. [draws] Judgement: the ends of an interval then move by a tenth of its width."""
_SEED = 5
"""Of the random numbers. [count, no unit] Judgement: any would do; one and the same makes answers repeat."""
_STEPS = np.r_[np.arange(0.5, 3.0, 0.5), np.arange(3.0, 30.0), np.arange(30.0, HORIZON_DAYS + 5.0, 5.0)]
"""Ends of the steps. [days] Judgement: fine at first, as beside wet spools; then a forecast's weeks do."""
_MASSES_G = np.geomspace(1.0, 30_000.0, 16)
"""Charges that are tried. [g] Judgement: from a sachet to a pallet's. Between two, ln(days) is a line of ln(mass beyond
that for the air), as a balance without its air has it."""
TEST_DEGC, TEST_HUMIDITY = 38.0, 0.90
"""The climate that films are tested in (ASTM F1249, ISO 15106: 38 °C, 90 % RH). [°C], [fraction of saturation]"""
_FILM_LOG_SD = 0.4
"""How far a parcel's leak lies from its film's by the sheet. [ln conductance] Judgement: seams and folds leak more, and
at room temperature a film passes less than it does at 38 °C."""
BETTER_STYLE = "valve"
"""Boxes with a better seal than others have. Judgement: of the rigid ones with a style, the tightest of the prior."""


@dataclass(frozen=True)
class Supposed:
    """What is put in, and what it has to hold."""

    desiccant: str
    """Kind of beads."""
    limit: float
    """[fraction of saturation]"""
    method: str | None = None
    """How they were dried; None: as dry as those of the box were, or new ones where nothing is known."""
    leak_times: float = 1.0
    """Factor on the leak. [ratio]"""


class Fillable(ABC):
    """What can be filled with a charge: a known box or another."""

    def crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray:
        """Return when the limit is passed, for each charge and draw.

        Parameters
        ----------
        supposed : Supposed
            With what it is filled, and until when that is good.
        masses_g : ndarray, charges
            Dry masses. [g]
        begin_s : float
            When it is closed. [s since 1970 UTC]

        Returns
        -------
        ndarray, charges × draws
            0 where fresh beads are over the limit; infinite beyond the horizon. [days]
        """
        return self._crossing_days(supposed, masses_g, begin_s)

    @abstractmethod
    def _crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray: ...

    @property
    @abstractmethod
    def _around(self) -> LearnedRoom:
        """The room around it."""

    def _closing(self, begin_s: float, count: int) -> Air:
        """Return what the box lies in on the day it is closed. (draws)"""
        outside, degc, _ = self._around.sample(begin_s / DAY_S, _STEPS[:1], count, np.random.default_rng(_SEED))
        return _air(outside[0], degc[0])

    def air_shut_in(self, supposed: Supposed, begin_s: float) -> tuple[FloatArray, FloatArray]:
        """Return what the room's air holds beyond the limit when the lid closes on it, and the beads for that.

        Parameters
        ----------
        supposed : Supposed
            With what it is filled, and until when that is good.
        begin_s : float
            When it is closed. [s since 1970 UTC]

        Returns
        -------
        (ndarray, ndarray), draws
            Water [g], 0 where the room is drier than the limit; dry beads that are at the limit with it [g], infinite
            where they are as humid before.
        """
        box, dry = self._filled(supposed, 1.0, begin_s)
        air = self._closing(begin_s, len(dry))
        water_g = np.maximum(_air_water_g(box, supposed.limit, air), 0.0)
        takes_g = box.dry_mass_g * (box.table.loading(np.full(len(dry), supposed.limit), air.temperature_degc) - dry)
        return water_g, np.divide(water_g, takes_g, out=np.full(len(dry), np.inf), where=takes_g > 0.0)

    @abstractmethod
    def _filled(self, supposed: Supposed, mass_g: float, begin_s: float) -> tuple[DrawnBox, FloatArray]:
        """Return it with a charge, and the loading of that before it has dried any air. (draws) [g/g]"""


def _air_water_g(box: DrawnBox, humidity: FloatArray | float, air: Air) -> FloatArray:
    """Return the water that air of the room has beyond the same air at some humidity. (draws) [g]"""
    outside_pa, inside_pa = (PA_PER_KPA * np.asarray(kpa) for kpa in (air.outside_kpa, humidity * air.saturation_kpa))
    return np.asarray(opening_water_g(box.volume_liter, outside_pa, inside_pa, air.temperature_degc))


def _with_air_shut_in(box: DrawnBox, loading: FloatArray, air: Air) -> FloatArray:
    """Return the loading when a charge has dried the room's air that was shut in with it. (draws) [g/g]"""
    humidity, _ = box.table.humidity(loading, air.temperature_degc)
    return at_rest_with(box, loading, _air_water_g(box, humidity, air), air)


@dataclass(frozen=True, eq=False)
class KnownBox(Fillable):
    """A box by its own posterior."""

    posterior: Posterior
    """Of the box."""

    @property
    def conductance(self) -> FloatArray:
        """(draws) [g/day/kPa]"""
        return mean_conductance(self.posterior)

    def _crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray:
        """The futures of what-if, for each charge and draw."""
        begun, crossed = self._begun(supposed, begin_s), []
        air = self._closing(begin_s, len(begun.theta))
        for mass_g in masses_g.tolist():
            filled = self._with_charge(begun, supposed, mass_g)
            box, dry = filled.state.drawn, self._dry(filled, mass_g, air)
            closed = replace(filled, state=replace(filled.state, loading=_with_air_shut_in(box, dry, air)))
            crossed.append(futures(closed, supposed.limit, HORIZON_DAYS, with_fan=False).crossing_days)
        return np.array(crossed)

    @property
    def _around(self) -> LearnedRoom:
        return self.posterior.room

    def _filled(self, supposed: Supposed, mass_g: float, begin_s: float) -> tuple[DrawnBox, FloatArray]:
        filled = self._with_charge(self._begun(supposed, begin_s), supposed, mass_g)
        return filled.state.drawn, self._dry(filled, mass_g, self._closing(begin_s, len(filled.theta)))

    def _with_charge(self, begun: Posterior, supposed: Supposed, mass_g: float) -> Posterior:
        return as_changed(begun, WhatIf(None, supposed.leak_times, supposed.desiccant, mass_g))

    def _dry(self, filled: Posterior, mass_g: float, air: Air) -> FloatArray:
        """Return the loading before any air was dried. (draws) [g/g]

        How dry the beads of this box began is known from its readings, after they had dried the air of their closing.
        """
        state, seen_g = filled.state, filled.problem.prior.dry_mass_g
        if filled.theta is not self.posterior.theta or seen_g <= 0.0:
            return state.loading
        humidity, _ = state.drawn.table.humidity(state.loading, air.temperature_degc)
        had_g = state.drawn.dry_mass_g * (seen_g / mass_g)
        return state.drawn.table.keep_within(state.loading - _air_water_g(state.drawn, humidity, air) / had_g)

    def _begun(self, supposed: Supposed, begin_s: float) -> Posterior:
        """Return the box closed on another day on beads dried in another way; it is used as it was so far."""
        posterior, later_s = self.posterior, begin_s - self.posterior.now_s
        episode = replace(
            posterior.episode,
            first_start_s=posterior.episode.first_start_s + later_s,
            steps_counted_from_s=posterior.episode.steps_counted_from_s + later_s,
        )
        theta, known = posterior.theta, known_or_plain_gel(supposed.desiccant)
        if supposed.method is not None or known.humidity_shows == "little":
            theta = theta.copy()
            theta[:, Unknown.log_start_humidity] = _start(supposed, known, len(theta))
        return replace(posterior, problem=replace(posterior.problem, episode=episode), theta=theta, now_s=begin_s)


def _start(supposed: Supposed, known: Desiccant, count: int) -> FloatArray:
    middle, sd = start_humidity_of(supposed.method or "new", known.humidity_shows)
    return np.asarray(np.log(middle) + sd * np.random.default_rng(_SEED).standard_normal(count))


@dataclass(frozen=True, eq=False)
class SizedBox(Fillable):
    """A box, parcel or drawer of which nothing was seen: draws of what is not known of it."""

    conductance: FloatArray
    """(draws) [g/day/kPa]"""
    isotherm_shape: FloatArray
    """(draws) [1]"""
    capacity_ratio: FloatArray
    """What beads hold over what the isotherm says. (draws) [ratio]"""
    log_start_humidity: FloatArray
    """Of beads as dry as those of the box were. (draws) [ln(fraction)]"""
    slow_g_per_humidity: FloatArray
    """(draws) [g]"""
    slow_lag_days: FloatArray
    """(draws) [days]"""
    slow_humidity: FloatArray
    """(draws) [fraction of saturation]"""
    openings_per_day: FloatArray
    """(draws) [1/day]"""
    volume_liter: float
    """[L]"""
    room: LearnedRoom
    """Around it."""

    @classmethod
    def of_prior(
        cls, box: Box, climate: RoomClimate | None, openings_per_day: float, film_g_per_day_per_kpa: float | None = None
    ) -> Self:
        """Return a box of which nothing was seen yet: its style's leak, or what its film lets through.

        Parameters
        ----------
        box : Box
            As declared or supposed.
        climate : RoomClimate, optional
            Around it.
        openings_per_day : float
            [1/day]
        film_g_per_day_per_kpa : float, optional
            Leak of a parcel by its film. [g/day/kPa]

        Returns
        -------
        SizedBox
            Drawn from the prior.
        """
        rng, assume = np.random.default_rng(_SEED), Assumptions()
        if film_g_per_day_per_kpa is None:
            log_changes, spread = style_prior(box)
            middle = float(log_changes + np.log(CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter))
        else:
            middle, spread = float(np.log(film_g_per_day_per_kpa)), _FILM_LOG_SD
        store, humidity, lag = slow_store(box, spools_went_in=True)
        wet_sd, store_sd, lag_sd, least_days = slow_spreads()
        start, start_sd = start_humidity_of("new", "fill")

        def draw(mean: float, sd: float) -> FloatArray:
            return np.asarray(mean + sd * rng.standard_normal(_DRAWS))

        return cls(
            conductance=np.exp(draw(middle, spread)),
            isotherm_shape=draw(assume.shape_mean, assume.shape_sd),
            capacity_ratio=np.exp(draw(0.0, known_or_plain_gel("silica_gel_unspecified").sigma_ln_capacity)),
            log_start_humidity=draw(float(np.log(start)), start_sd),
            slow_g_per_humidity=np.exp(draw(float(np.log(store)), store_sd)),
            slow_lag_days=np.exp(draw(float(np.log(max(lag / store, least_days))), lag_sd)),
            slow_humidity=np.clip(np.exp(draw(float(np.log(humidity)), wet_sd)), 0.0, WETTEST_START),
            openings_per_day=np.full(_DRAWS, openings_per_day),
            volume_liter=box.volume_liter,
            room=learn_room(None, climate, 0.0),
        )

    def _crossing_days(self, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray:
        return _crossing_days(self, supposed, masses_g, begin_s)

    @property
    def _around(self) -> LearnedRoom:
        return self.room

    def _filled(self, supposed: Supposed, mass_g: float, begin_s: float) -> tuple[DrawnBox, FloatArray]:
        table = SorptionTable(*shapes_of(supposed.desiccant), self.isotherm_shape)
        drawn = DrawnBox(
            table, mass_g * self.capacity_ratio, self.slow_g_per_humidity, self.slow_lag_days, self.volume_liter
        )
        air = self._closing(begin_s, len(self.conductance))
        return drawn, table.loading(_start_humidity(self, supposed), float(np.mean(air.temperature_degc)))

    def repeated(self, times: int) -> SizedBox:
        """Return each draw so many times, one block after the other.

        Parameters
        ----------
        times : int
            [times]

        Returns
        -------
        SizedBox
            Of so many times as many draws.
        """
        tiled: dict[str, Any] = {
            name: np.tile(value, times) for name, value in self.__dict__.items() if isinstance(value, np.ndarray)
        }
        return replace(self, **tiled)


def film_conductance(wvtr_g_per_m2_day: float, area_m2: float) -> float:
    """Return the leak of a parcel by the sheet of its film: transmission over the push of the test climate.

    Parameters
    ----------
    wvtr_g_per_m2_day : float
        At 38 °C and 90 % RH. [g/m²/day]
    area_m2 : float
        Both sides. [m²]

    Returns
    -------
    float
        [g/day/kPa]

    Examples
    --------
    >>> round(film_conductance(1.0, 1.0), 3)
    0.168
    """
    push_kpa = TEST_HUMIDITY * float(saturation_vapor_pressure_pa(TEST_DEGC)) / PA_PER_KPA
    return wvtr_g_per_m2_day * area_m2 / push_kpa


def better_seal_conductance(box: Box) -> float:
    """Return what a box of this size usually leaks where it closes as well as such boxes can.

    Parameters
    ----------
    box : Box
        As declared; its own style and holes don't count.

    Returns
    -------
    float
        Median of the prior of ``BETTER_STYLE``. [g/day/kPa]
    """
    log_changes, _ = style_prior(replace(box, style=BETTER_STYLE, fed_through_tube=False))
    return float(np.exp(log_changes)) * CONDUCTANCE_PER_AIR_CHANGE * box.volume_liter


class _Filled(NamedTuple):
    """Every charge in every draw, at the end of a step."""

    loading: FloatArray
    slow_humidity: FloatArray
    humidity: FloatArray


def _crossing_days(sized: SizedBox, supposed: Supposed, masses_g: FloatArray, begin_s: float) -> FloatArray:
    count, charges = len(sized.conductance), len(masses_g)
    outside, degc, _ = sized.room.sample(begin_s / DAY_S, _STEPS, count, np.random.default_rng(_SEED))
    many = sized.repeated(charges)
    table = SorptionTable(*shapes_of(supposed.desiccant), many.isotherm_shape)
    mass_g = np.repeat(masses_g, count) * many.capacity_ratio
    drawn = DrawnBox(table, mass_g, many.slow_g_per_humidity, many.slow_lag_days, sized.volume_liter)
    humidity = np.tile(_start_humidity(sized, supposed), charges)
    closing = _air(np.tile(outside[0], charges), np.tile(degc[0], charges))
    loading = _with_air_shut_in(drawn, table.loading(humidity, float(degc[0].mean())), closing)
    humidity, _ = table.humidity(loading, closing.temperature_degc)
    now = _Filled(loading, many.slow_humidity, humidity)
    crossed, now_days = np.where(humidity >= supposed.limit, 0.0, np.inf), 0.0
    for end_days, kpa, warmth in zip(_STEPS.tolist(), outside, degc, strict=True):
        air, days = _air(np.tile(kpa, charges), np.tile(warmth, charges)), end_days - now_days
        then = _step(many, drawn, now, many.conductance * supposed.leak_times, air, days=days)
        passing = np.isinf(crossed) & (then.humidity >= supposed.limit)
        rise = np.maximum(then.humidity - now.humidity, np.finfo(float).tiny)
        share = np.clip((supposed.limit - now.humidity) / rise, 0.0, 1.0)
        crossed = np.where(passing, now_days + days * share, crossed)
        now, now_days = then, end_days
    return np.asarray(crossed.reshape(charges, count))


def _start_humidity(sized: SizedBox, supposed: Supposed) -> FloatArray:
    known, start = known_or_plain_gel(supposed.desiccant), sized.log_start_humidity
    if supposed.method is not None or known.humidity_shows == "little":
        start = _start(supposed, known, len(start))
    return np.minimum(np.exp(start), WETTEST_START)


def _step(many: SizedBox, drawn: DrawnBox, now: _Filled, conductance: FloatArray, air: Air, *, days: float) -> _Filled:
    """Step the balance; what openings brought on the way has partly left again by the end."""
    outside_pa = np.asarray(air.outside_kpa) * PA_PER_KPA
    inside_pa = now.humidity * air.saturation_kpa * PA_PER_KPA
    opening_g = opening_water_g(many.volume_liter, outside_pa, inside_pa, air.temperature_degc)
    stepped = advance(drawn, now.loading, now.slow_humidity, conductance, air, days=days)
    came_g = many.openings_per_day * days * opening_g * stepped.retained
    loading = stepped.loading_g_per_g + came_g / drawn.water_per_loading_g(stepped.start_slope, air)
    loading = drawn.table.keep_within(loading)
    humidity, _ = drawn.table.humidity(loading, air.temperature_degc)
    return _Filled(loading, stepped.slow_humidity, humidity)


def _air(outside_kpa: FloatArray, degc: FloatArray) -> Air:
    saturation_pa = np.asarray(saturation_vapor_pressure_pa(degc))
    water = saturation_pa * np.asarray(grams_per_m3_per_pa(degc)) / LITERS_PER_M3
    return Air(outside_kpa, saturation_pa / PA_PER_KPA, degc, water)


def days_for(sized: Fillable, supposed: Supposed, mass_g: float, begin_s: float) -> Quantiles:
    """Return how long a charge holds.

    Parameters
    ----------
    sized : Fillable
        What is filled.
    supposed : Supposed
        With what, and until when it is good.
    mass_g : float
        Dry mass. [g]
    begin_s : float
        When it is closed. [s since 1970 UTC]

    Returns
    -------
    Quantiles
        Infinite beyond the horizon. [days]
    """
    crossed = sized.crossing_days(supposed, np.array([mass_g]), begin_s)[0]
    return Quantiles(*(float(point) for point in quantile_points(crossed, reached=True)))


def grams_for(sized: Fillable, supposed: Supposed, hold_days: float, begin_s: float) -> Quantiles:
    """Return the dry mass that holds so long, draw by draw: the 95 % point is enough in 19 of 20 boxes like it.

    Parameters
    ----------
    sized : Fillable
        What is filled.
    supposed : Supposed
        With what, and until when it is good.
    hold_days : float
        [days]
    begin_s : float
        When it is closed. [s since 1970 UTC]

    Returns
    -------
    Quantiles
        0 where it holds so long without beads, infinite where no charge would do. [g]
    """
    crossed = sized.crossing_days(supposed, _MASSES_G, begin_s)
    _, for_air_g = sized.air_shut_in(supposed, begin_s)
    holds = crossed >= hold_days
    first = np.argmax(holds, axis=0)
    draws = np.arange(crossed.shape[1])
    low_g, high_g = (np.maximum(_MASSES_G[place] - for_air_g, 0.0) for place in (np.maximum(first - 1, 0), first))
    low, high = crossed[np.maximum(first - 1, 0), draws], np.minimum(crossed[first, draws], 2.0 * HORIZON_DAYS)
    with np.errstate(divide="ignore", invalid="ignore"):
        power = np.where(low > 0.0, np.log(high_g / low_g) / np.log(high / low), 1.0)
        grams = high_g * (hold_days / high) ** power
    grams = for_air_g + np.where(np.isfinite(grams), np.clip(grams, low_g, high_g), high_g)
    grams = np.where(first == 0, 0.0, grams)
    grams = np.where(holds.any(axis=0), grams, np.inf)
    return Quantiles(*(float(point) for point in quantile_points(grams, reached=True)))
