"""A box, parcel or drawer of which nothing was seen, drawn from a prior, and its balance read forward to size a charge.

A box brings draws of its style's prior; a parcel, of what its film lets through. Their water comes in through the leak,
from openings at their mean rate and from what lies in them, over the room's seasons; lids badly seated, swapped spools
and a leak that wanders are left out here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple, Self

import numpy as np

from monitor.inference.answers.sizing import SEED, STEPS, Fillable, Supposed, start_drawn, with_air_shut_in
from monitor.inference.answers.what_if import WETTEST_START
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.room_climate import LearnedRoom, learn_room
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, slow_spreads, start_humidity_of, style_prior
from monitor.inference.model.contents import known_or_plain_gel, shapes_of, slow_store
from monitor.inference.model.prior import Assumptions
from monitor.inference.model.state import air_of
from monitor.physics.box_balance import Air, DrawnBox, advance
from monitor.physics.leakage import opening_water_g
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import Box, RoomClimate
from monitor.units import PA_PER_KPA

_DRAWS = 200
"""Draws of each charge. [draws] Judgement: the ends of an interval then move by a tenth of its width."""
TEST_DEGC, TEST_HUMIDITY = 38.0, 0.90
"""The climate that films are tested in (ASTM F1249, ISO 15106: 38 °C, 90 % RH). [°C], [fraction of saturation]"""
_FILM_LOG_SD = 0.4
"""How far a parcel's leak lies from its film's by the sheet. [ln conductance] Judgement: seams and folds leak more, and
at room temperature a film passes less than it does at 38 °C."""
BETTER_STYLE = "valve"
"""Boxes with a better seal than others have. Judgement: of the rigid ones with a style, the tightest of the prior."""


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
        rng, assume = np.random.default_rng(SEED), Assumptions()
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
    outside, degc, _ = sized.room.sample(begin_s / DAY_S, STEPS, count, np.random.default_rng(SEED))
    many = sized.repeated(charges)
    table = SorptionTable(*shapes_of(supposed.desiccant), many.isotherm_shape)
    mass_g = np.repeat(masses_g, count) * many.capacity_ratio
    drawn = DrawnBox(table, mass_g, many.slow_g_per_humidity, many.slow_lag_days, sized.volume_liter)
    humidity = np.tile(_start_humidity(sized, supposed), charges)
    closing = air_of(np.tile(outside[0], charges), np.tile(degc[0], charges))
    loading = with_air_shut_in(drawn, table.loading(humidity, float(degc[0].mean())), closing)
    humidity, _ = table.humidity(loading, closing.temperature_degc)
    now = _Filled(loading, many.slow_humidity, humidity)
    crossed, now_days = np.where(humidity >= supposed.limit, 0.0, np.inf), 0.0
    for end_days, kpa, warmth in zip(STEPS.tolist(), outside, degc, strict=True):
        air, days = air_of(np.tile(kpa, charges), np.tile(warmth, charges)), end_days - now_days
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
        start = start_drawn(supposed, known, len(start))
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
