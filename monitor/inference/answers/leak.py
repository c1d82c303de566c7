"""The leak of a box: its conductance since the last recharge, and the water it lets in now and through the year."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.room_climate import LearnedRoom
from monitor.inference.fit.posterior import Posterior, conditioned_on_sampled_rooms, humidity_now, mean_conductance
from monitor.inference.fit.quantiles import quantiles
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE
from monitor.physics.leakage import opening_water_g
from monitor.physics.numerics import FloatArray, median
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import LeakEstimate, Quantiles
from monitor.units import HOURS_PER_DAY, PA_PER_KPA

_LEAST_APART_KPA = 0.05
"""Nearer to the room than this an opening brings nothing worth a word. [kPa] Judgement: 0.004 g in ten liters."""
_HALF_A_YEAR_DAYS, _DAYS_OF_A_LEAP_YEAR = 182.6, 366.0
"""From the room's moistest day to its driest, half a Gregorian year, and the days searched for the moistest, those of a
leap year: both by definition. [days]"""
_FAR_AHEAD_DAYS = 1e5
"""Days since 1970 on which only the season of a room counts, and no weather of today. [days] Judgement: in 2243"""


def leak_of(posterior: Posterior) -> LeakEstimate:
    """Return how leaky a box is, with the water it takes in now, in summer and in winter.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    LeakEstimate
        The 5, 50 and 95 % points over the draws.
    """
    averaged, inside_kpa, summer = mean_conductance(posterior), _inside_kpa(posterior), _summer_day(posterior.room)
    opening = _opening(posterior, inside_kpa)

    def ingress(day: float, conductance: FloatArray) -> Quantiles:
        """G times the difference of vapor pressures on a day, the box as humid as it is now. [g/day]"""
        return quantiles(conductance * (_outside_kpa(posterior.room, day) - inside_kpa))

    return LeakEstimate(
        conductance_g_per_day_per_kpa=quantiles(averaged),
        air_changes_per_day=quantiles(averaged / (CONDUCTANCE_PER_AIR_CHANGE * posterior.box.volume_liter)),
        ingress_g_per_day=ingress(posterior.now_s / DAY_S, posterior.state.conductance),
        ingress_summer_g_per_day=ingress(summer, averaged),
        ingress_winter_g_per_day=ingress(summer + _HALF_A_YEAR_DAYS, averaged),
        capacity_share_per_day_per_kpa=_capacity_share(posterior, averaged),
        grams_known=grams_known(posterior),
        opening_g=opening[0] if opening else None,
        opening_hours=opening[1] if opening else None,
    )


def _capacity_share(posterior: Posterior, averaged: FloatArray) -> Quantiles | None:
    """Conductance over the water that the charge holds at rest with the limit at 23 °C."""
    if posterior.episode.desiccant is None:
        return None
    drawn = posterior.state.drawn
    full = drawn.table.loading(posterior.box.humidity_limit, REFERENCE_DEGC) * drawn.dry_mass_g
    return quantiles(averaged / full)


def _opening(posterior: Posterior, inside_kpa: FloatArray) -> tuple[Quantiles, Quantiles] | None:
    """What one opening brings, all the air of the box changed for the room's, and how many hours of leak do the same.

    Spools and walls take up some on top, an opening of seconds changes less: the order of size is what counts.
    """
    degc = float(posterior.bins.temperature_degc[-1])
    apart_kpa = _outside_kpa(posterior.room, posterior.now_s / DAY_S) - inside_kpa
    water_g = np.asarray(opening_water_g(posterior.box.volume_liter, PA_PER_KPA * apart_kpa, 0.0, degc))
    if median(apart_kpa) <= _LEAST_APART_KPA:
        return None
    per_conductance = np.asarray(opening_water_g(posterior.box.volume_liter, PA_PER_KPA, 0.0, degc))
    hours = HOURS_PER_DAY * per_conductance / conditioned_on_sampled_rooms(posterior).conductance
    return quantiles(water_g), quantiles(hours)


def grams_known(posterior: Posterior) -> bool:
    """Return whether weighings or a test of the empty box give grams; a box without desiccant needs neither.

    Weighings of the same beads in earlier episodes count too.

    Parameters
    ----------
    posterior : Posterior
        Of one box.

    Returns
    -------
    bool
        False where all masses go with the declared mass of beads.
    """
    episode = posterior.episode
    weighed = len(episode.weighings) > 0 or posterior.problem.prior.weighed_before
    return weighed or episode.leak_tested or episode.desiccant is None


@lru_cache(maxsize=4)  # rooms, a count; judgement: a shelf has few
def _summer_day(room: LearnedRoom) -> float:
    """A day of the room's highest vapor pressure; kept for the next box in it."""
    days = np.arange(0.0, _DAYS_OF_A_LEAP_YEAR)
    return float(days[np.argmax(room.log_vapor.course(_FAR_AHEAD_DAYS + days))] + _FAR_AHEAD_DAYS)


@lru_cache(maxsize=16)  # rooms times days, a count; judgement: four rooms, and three days of each are asked about
def _outside_kpa(room: LearnedRoom, day: float) -> float:
    """Vapor pressure of a room on a day; kept for the next box in it. [kPa]"""
    return float(room.expected_kpa(np.array([day]))[0])


def _inside_kpa(posterior: Posterior) -> FloatArray:
    """Vapor pressure in the box as it is now. [kPa]"""
    degc = float(posterior.bins.temperature_degc[-1])
    humidity, _ = humidity_now(posterior)
    return np.asarray(humidity * float(saturation_vapor_pressure_pa(degc)) / PA_PER_KPA)
