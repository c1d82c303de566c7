"""Conductance and charge to the day the limit is passed: the water balance read forward, through sampled rooms."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bins import DAY_S
from monitor.inference.evidence.episodes import rates_from
from monitor.inference.fit.fit import (
    COLDEST_DEGC,
    WARMEST_DEGC,
    given_below,
)
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.quantiles import quantile_points, quantiles
from monitor.inference.model.disturbances import (
    opening_dose_g,
    opening_var_g,
    swap_dose_g,
)
from monitor.inference.model.state import air_states
from monitor.physics.box_balance import Air, advance
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.records import CrossingForecast, DateQuantiles, FanDay, Quantiles

HORIZON_DAYS = 540
"""How far ahead a forecast goes. [days] Judgement: a summer, a winter and another summer; seals change meanwhile."""
FAN_DAYS = 180
"""For how long the course itself is given. [days] Judgement: as much as a picture shows."""
_STEPS = np.r_[
    np.arange(0.25, 2.0, 0.25), np.arange(2.0, 21.0), np.arange(21.0, 45.0, 2.0), np.arange(45.0, 90.0, 5.0),
    np.arange(90.0, 900.0, 10.0),
]  # fmt: skip
"""Ends of the forecast's steps: fine where a day counts, coarse where months do. [days] Judgement.

Against steps of a quarter day throughout, median dates come 2 % early on average, 3 % in the root mean square over 25
boxes; an interval spans a factor of three.
"""
_SPOOLS_OF_A_BOX_SD = 0.1
"""How far the usual humidity of the spools that come into one box lies from that of all. [fraction of saturation]
Judgement: half of how far single spools differ."""
_LEAST_NOT_OVER = 0.5
"""With a smaller share of draws below the limit, the forecast is conditioned on being below. [share] Judgement: fewer
than half of the draws are too few for a 5 % point."""
_LEAST_RISE = 1e-9
"""The rise of humidity over a step divides, and is taken for no less. [fraction of saturation] Judgement: far below any
display's step."""
_LEAST_KEPT, _MOST_KEPT = 1e-300, 1.0 - 1e-9
"""The share of the water kept over a step is taken within these. [fraction] Judgement: so near to none and to all that
they only keep its logarithm finite and below zero."""


@dataclass(frozen=True, eq=False)
class Futures:
    """Plausible courses of one box: humidity at the end of each step, and when the limit is passed."""

    ahead_days: FloatArray
    """Ends of the steps, from now. (steps) [days]"""
    humidity: FloatArray
    """At the end of each step; NaN beyond the step at which every draw had crossed. (steps × draws)
    [fraction of saturation]"""
    humidity_now: FloatArray
    """(draws) [fraction of saturation]"""
    crossing_days: FloatArray
    """Days until the limit is passed: 0 where it is passed already, infinite beyond the horizon. (draws) [days]"""
    spent_days: FloatArray
    """Days until the charge holds what it holds at rest with the limit at 23 °C, whatever the weather that day. (draws)
    [days]"""

    @property
    def over_already(self) -> NDArray[np.bool_]:
        """Whether the limit is passed now. (draws)"""
        return self.crossing_days <= 0.0

    @property
    def still_ahead(self) -> FloatArray:
        """Crossing days of the draws that aren't over yet. (those draws) [days]"""
        return self.crossing_days[~self.over_already]


def crossing_ahead(
    posterior: Posterior, limit: float, horizon_days: int = HORIZON_DAYS, seed: int = 2
) -> tuple[Futures, Futures]:
    """Return the futures of a box, and those given that it is not over its limit yet.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float
        Humidity limit. [fraction of saturation]
    horizon_days : int
        How far to look ahead. [days]
    seed : int
        Of the random numbers.

    Returns
    -------
    (Futures, Futures)
        Of all draws, and given that the box is below its limit now. Twice the same where more than half of the draws
        are.
    """
    all_of_them = futures(posterior, limit, horizon_days, seed)
    if np.mean(all_of_them.over_already) < 1.0 - _LEAST_NOT_OVER:
        return all_of_them, all_of_them
    return all_of_them, futures(given_below(posterior, limit), limit, horizon_days, seed)


def futures(posterior: Posterior, limit: float, horizon_days: int = HORIZON_DAYS, seed: int = 2) -> Futures:
    """Push the posterior through sampled rooms and openings to the horizon, or until every draw has crossed.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float
        Humidity limit. [fraction of saturation]
    horizon_days : int
        How far to look ahead. [days]
    seed : int
        Of the random numbers.

    Returns
    -------
    Futures
        A course for each draw of the posterior.
    """
    rng = np.random.default_rng(seed)
    state = posterior.state
    box, count = state.drawn, len(state.loading)
    ahead = _STEPS[horizon_days >= _STEPS]
    outside, degc = posterior.room.sample(posterior.now_s / DAY_S, ahead, count, rng)
    degc = np.clip(degc + posterior.temperature_above_room_degc, COLDEST_DEGC, WARMEST_DEGC)
    acting, usage = air_states(outside, degc), _usage(posterior, count, rng)
    now, slope = box.table.humidity(state.loading, float(posterior.bins.temperature_degc[-1]))
    full = box.table.loading(np.full(count, limit), REFERENCE_DEGC)
    crossing, spent = np.where(now > limit, 0.0, np.inf), np.where(state.loading > full, 0.0, np.inf)
    course = np.full((len(ahead), count), np.nan)
    simulated = _Simulated(state.loading, state.slow_humidity, state.wander, np.zeros(count), now, slope, 0.0)
    for i, end in enumerate(ahead):
        before, simulated = simulated, _step(posterior, simulated, acting[i], degc[i], float(end), usage, rng)
        passed = np.isinf(crossing) & (simulated.humidity > limit)
        rise = np.maximum(simulated.humidity[passed] - before.humidity[passed], _LEAST_RISE)
        share = np.clip((limit - before.humidity[passed]) / rise, 0.0, 1.0)
        crossing[passed] = before.at_days + (simulated.at_days - before.at_days) * share
        spent[np.isinf(spent) & (simulated.loading > full)] = end
        course[i] = simulated.humidity
        if end > FAN_DAYS and not np.isinf(crossing).any():
            break
    return Futures(ahead, course, now, crossing, spent)


@dataclass(frozen=True, eq=False)
class _Simulated:
    """State of every draw so many days ahead."""

    loading: FloatArray
    slow_humidity: FloatArray
    wander: FloatArray
    ajar: FloatArray
    """What a badly seated lid adds to ln G, until that is noticed or the box is opened again."""
    humidity: FloatArray
    slope: FloatArray
    at_days: float


def _step(  # noqa: PLR0917
    posterior: Posterior,
    simulated: _Simulated,
    air: Air,
    degc: FloatArray,
    end: float,
    usage: _Usage,
    rng: np.random.Generator,
) -> _Simulated:
    """Simulate every draw one step ahead: leak, openings and swaps, and process noise."""
    box, assume = posterior.state.drawn, posterior.problem.assumptions
    days, count = end - simulated.at_days, len(simulated.loading)
    conductance = np.exp(posterior.state.log_conductance + simulated.wander + simulated.ajar)
    stepped = advance(box, simulated.loading, simulated.slow_humidity, conductance, air, days=days)
    retained, retained_squared = _retained(stepped.loading_kept)
    noise = (assume.unknown_share * stepped.loading_by_log_conductance) ** 2 / days
    noise = noise + assume.unknown_g_per_g**2 * days * retained_squared
    wander_kept = np.exp(-days / assume.drift_days)
    drift = np.full(count, assume.drift_sd**2 * (1.0 - wander_kept * wander_kept))
    loading, wander, ajar = stepped.loading_g_per_g, simulated.wander, simulated.ajar
    if assume.future_events:
        opened, swapped = rng.poisson(usage.openings * days), rng.poisson(usage.events * days)
        capacity_g = box.water_per_loading_g(simulated.slope, air)
        per_g = simulated.slope / capacity_g
        swap_g, swap_var = swap_dose_g(posterior.problem, simulated.humidity, per_g, usage.swapped_humidity)
        grams = opened * opening_dose_g(box, air, simulated.humidity) + swapped * swap_g
        loading = loading + retained * grams / capacity_g
        spread = opened * opening_var_g(posterior.problem, per_g) + swapped * swap_var
        noise = noise + retained_squared * spread / capacity_g**2
        drift = drift + (opened + swapped) * assume.seating_sd**2
        reseated, badly = opened + swapped > 0, rng.random(count) < assume.badly_seated
        ajar = np.where(rng.random(count) < np.exp(-days / assume.ajar_days), ajar, 0.0)
        ajar = np.where(reseated, np.where(badly, assume.ajar_log_conductance, 0.0), ajar)
    loading = box.table.keep_within(loading + np.sqrt(noise) * rng.standard_normal(count))
    if assume.wandering_leak:
        wander = wander_kept * wander + np.sqrt(drift) * rng.standard_normal(count)
    humidity, slope = box.table.humidity(loading, degc)
    return _Simulated(loading, stepped.slow_humidity, wander, ajar, humidity, slope, end)


def _retained(loading_kept: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What is left at a step's end of water that came in at any time of it, and of the square of that, on average.

    A box that leaks as much as it holds in less than a step has lost most of it by then to its room.
    """
    relaxed = -np.log(np.clip(loading_kept, _LEAST_KEPT, _MOST_KEPT))
    return -np.expm1(-relaxed) / relaxed, -np.expm1(-2.0 * relaxed) / (2.0 * relaxed)


@dataclass(frozen=True, eq=False)
class _Usage:
    """How a box is used: openings a day, bigger events a day, and how humid the spools are that come in."""

    openings: FloatArray
    events: FloatArray
    swapped_humidity: FloatArray


def _usage(posterior: Posterior, count: int, rng: np.random.Generator) -> _Usage:
    """Rates as they were so far, the shelf's own counted as one more event; spools shrunk towards the usual."""
    episode, assume = posterior.episode, posterior.problem.assumptions
    watched = max((posterior.now_s - episode.first_start_s) / DAY_S, 1.0)
    steps_counted = min((posterior.now_s - episode.steps_counted_from_s) / DAY_S, watched)
    # where readings of old were left out, steps came then as often as since
    steps = episode.all_unlogged_steps * (watched / max(steps_counted, 1.0))
    opened, happened = episode.all_openings, episode.all_swaps + steps
    rates = posterior.shelf_rates or rates_from(opened, happened, watched)
    openings = rng.gamma(opened + 1.0, 1.0, count) / (watched + 1.0 / rates.openings_per_day)
    events = rng.gamma(happened + 1.0, 1.0, count) / (watched + 1.0 / rates.events_per_day)
    counted, sd = len(episode.swaps_s) + episode.unlogged_steps, assume.swapped_humidity_sd
    weight = counted + (sd / _SPOOLS_OF_A_BOX_SD) ** 2
    apart = posterior.state.event_g / posterior.problem.prior.swapped_g_per_humidity / weight
    humidity = assume.swapped_humidity + apart + sd / np.sqrt(weight) * rng.standard_normal(count)
    return _Usage(openings, events, humidity)


def forecast(
    posterior: Posterior, limit: float | None = None, horizon_days: int = HORIZON_DAYS, seed: int = 2
) -> CrossingForecast:
    """Return when the daily-mean humidity of the box's air passes the limit.

    Dates are those of the draws that are not over it yet; how likely it is over already is given beside them.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float, optional
        Humidity limit; the box's own where left out. [fraction of saturation]
    horizon_days : int
        How far to look ahead. [days]
    seed : int
        Of the random numbers.

    Returns
    -------
    CrossingForecast
        Dates, chances and the water that is held and may still come.
    """
    limit = posterior.box.humidity_limit if limit is None else limit
    return forecast_of(posterior, limit, crossing_ahead(posterior, limit, horizon_days, seed), horizon_days)


def forecast_of(
    posterior: Posterior, limit: float, futures: tuple[Futures, Futures], horizon_days: int = HORIZON_DAYS
) -> CrossingForecast:
    """Return the forecast from the futures of ``crossing_ahead``.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    limit : float
        Humidity limit. [fraction of saturation]
    futures : (Futures, Futures)
        Of all draws, and given that the box is below its limit now.
    horizon_days : int
        How far they go; later dates are None. [days]

    Returns
    -------
    CrossingForecast
        Dates, chances and the water that is held and may still come.
    """
    ahead, below = futures
    now = datetime.fromtimestamp(posterior.now_s, UTC)
    return CrossingForecast(
        humidity_limit=limit,
        cross_at=_dates(now, below.still_ahead, horizon_days),
        chance_by_day=_chances(ahead.crossing_days, horizon_days),
        spent_at=_dates(now, ahead.spent_days, horizon_days),
        capacity_used=_capacity_used(posterior, limit),
        headroom_g=_headroom_g(posterior, limit),
        present_relative_humidity=quantiles(ahead.humidity_now),
        chance_over_already=float(np.mean(ahead.over_already)),
        fan=_fan(now, ahead),
        first_pass_at=_dates(now, below.crossing_days, horizon_days),
    )


def _dates(now: datetime, days: FloatArray, horizon_days: int) -> DateQuantiles:
    days = days if len(days) else np.full(1, _STEPS[0])
    points = quantile_points(days, reached=True)
    return DateQuantiles(*(now + timedelta(days=float(d)) if d <= horizon_days else None for d in points))


def _chances(crossing_days: FloatArray, horizon_days: int) -> tuple[float, ...]:
    ordered = np.sort(crossing_days)
    passed = np.searchsorted(ordered, np.arange(horizon_days + 1), side="right")
    return tuple(float(p) for p in passed / len(ordered))


def _full_loading(posterior: Posterior, limit: float) -> FloatArray:
    table = posterior.state.drawn.table
    return table.loading(np.full(len(posterior.theta), limit), REFERENCE_DEGC)


def _capacity_used(posterior: Posterior, limit: float) -> Quantiles:
    """Water held over water held at the limit: what the glass column of beads shows."""
    return quantiles(posterior.state.loading / _full_loading(posterior, limit))


def _headroom_g(posterior: Posterior, limit: float) -> Quantiles:
    left = _full_loading(posterior, limit) - posterior.state.loading
    return quantiles(np.maximum(left, 0.0) * posterior.state.drawn.dry_mass_g)


def _fan(now: datetime, ahead: Futures) -> tuple[FanDay, ...]:
    """Daily quantiles of humidity; between the coarser steps they lie on a line."""
    whole = np.arange(1, FAN_DAYS + 1, dtype=float)
    known = np.isfinite(ahead.humidity[:, 0])
    known[1:] &= ahead.ahead_days[:-1] < FAN_DAYS
    rows = quantile_points(ahead.humidity[known], axis=1)
    daily = [np.interp(whole, ahead.ahead_days[known], row) for row in rows]
    return tuple(
        FanDay((now + timedelta(days=float(d))).date(), Quantiles(float(a), float(b), float(c)))
        for d, a, b, c in zip(whole, *daily, strict=True)
    )
