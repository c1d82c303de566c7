"""What is told of a leak: the conductance a box has lived with, and the water it lets in now and through the year."""

from __future__ import annotations

import numpy as np

from monitor.inference.posterior.believed import Posterior
from monitor.inference.posterior.evidence import DAY_S
from monitor.inference.posterior.priors import CONDUCTANCE_PER_AIR_CHANGE
from monitor.inference.posterior.quantiles import quantiles
from monitor.physics.leakage import opening_water_g
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import LeakEstimate, Quantiles

_LEAST_APART_KPA = 0.05
"""Nearer to the room than this an opening brings nothing worth a word."""
MODEL_SD = 0.12
"""What no draw covers, in ln conductance: a bed that isn't at rest, one lag for all spools (a judgement)."""


def lived_conductance(posterior: Posterior) -> FloatArray:
    """Return draws of the conductance since the last recharge, with what the model itself may be off by. [g/day/kPa]"""
    rng = np.random.default_rng(len(posterior.theta))
    sd = np.hypot(MODEL_SD, 0.0 if posterior.room_seen else _assumed_room_sd(posterior))
    return posterior.state.lived_conductance * np.exp(sd * rng.standard_normal(len(posterior.theta)))


def _assumed_room_sd(posterior: Posterior) -> FloatArray:
    """What a room nobody measured leaves open, in ln conductance: water came in, but by how much of a push?

    The forecast hardly minds: a moister room behind a tighter box brings the same water.
    """
    middle = posterior.now_s / DAY_S - 0.5 * posterior.bins.length_days
    outside = float(posterior.room.expected_kpa(np.array([middle]))[0])
    apart = np.maximum(posterior.state.dose_kpa_days / posterior.bins.length_days, 0.3 * outside)
    return np.asarray(posterior.room.log_vapor.sd(middle) * outside / apart)


def leak_of(posterior: Posterior) -> LeakEstimate:
    """Return how leaky a box is, with the water it takes in now, in summer and in winter."""
    lived, opening = lived_conductance(posterior), _opening(posterior)
    return LeakEstimate(
        conductance_g_per_day_per_kpa=quantiles(lived),
        air_changes_per_day=quantiles(lived / (CONDUCTANCE_PER_AIR_CHANGE * posterior.box.volume_liter)),
        ingress_g_per_day=quantiles(_ingress(posterior, posterior.now_s / DAY_S, posterior.state.conductance)),
        ingress_summer_g_per_day=quantiles(_ingress(posterior, _summer_day(posterior), lived)),
        ingress_winter_g_per_day=quantiles(_ingress(posterior, _summer_day(posterior) + 182.6, lived)),
        capacity_share_per_day_per_kpa=_capacity_share(posterior, lived),
        grams_known=grams_known(posterior),
        opening_g=opening[0] if opening else None,
        opening_hours=opening[1] if opening else None,
    )


def _capacity_share(posterior: Posterior, lived: FloatArray) -> Quantiles | None:
    """Conductance over the water that the charge holds at rest with the limit at 23 °C."""
    if posterior.episode.desiccant is None:
        return None
    drawn = posterior.state.drawn
    full = drawn.table.loading(np.full(len(lived), posterior.box.humidity_limit), 23.0) * drawn.dry_mass_g
    return quantiles(lived / full)


def _opening(posterior: Posterior) -> tuple[Quantiles, Quantiles] | None:
    """What one opening brings, all the air of the box changed for the room's, and how many hours of leak do the same.

    Spools and walls take up some on top, an opening of seconds changes less: the order of size is what counts.
    """
    now = posterior.now_s / DAY_S
    warm = float(posterior.bins.temperature_degc[-1])
    apart_kpa = _apart_kpa(posterior, now)
    water_g = np.asarray(opening_water_g(posterior.box.volume_liter, 1e3 * apart_kpa, 0.0, warm))
    if np.median(apart_kpa) <= _LEAST_APART_KPA:
        return None
    per_conductance = np.asarray(opening_water_g(posterior.box.volume_liter, 1e3, 0.0, warm))
    hours = 24.0 * per_conductance / posterior.state.conductance
    return quantiles(water_g), quantiles(hours)


def grams_known(posterior: Posterior) -> bool:
    """True where weighings or a test of the empty box tie the estimate to grams; a box without desiccant is so tied."""
    episode = posterior.episode
    return len(episode.weighings) > 0 or episode.leak_tested or episode.desiccant is None


def _summer_day(posterior: Posterior) -> float:
    """A day of the room's highest vapor pressure."""
    days = np.arange(0.0, 366.0)
    return float(days[np.argmax(posterior.room.log_vapor.course(1e5 + days))] + 1e5)


def _ingress(posterior: Posterior, day: float, conductance: FloatArray) -> FloatArray:
    """G times the difference of vapor pressures on a day, the box as humid as it is now. [g/day]"""
    return conductance * _apart_kpa(posterior, day)


def _apart_kpa(posterior: Posterior, day: float) -> FloatArray:
    """Vapor pressure of the room on a day above that of the box as it is now. [kPa]"""
    warm = float(posterior.bins.temperature_degc[-1])
    humidity, _ = posterior.state.drawn.table.humidity(posterior.state.loading, warm)
    inside = humidity * float(saturation_vapor_pressure_pa(warm)) / 1e3
    outside = float(posterior.room.expected_kpa(np.array([day]))[0])
    return np.asarray(outside - inside)
