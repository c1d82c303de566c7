"""Conductance and charge to the day the limit is passed: the water balance read forward, through sampled rooms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
from numpy.typing import NDArray

from monitor.inference.answers.compiled_simulation import compiled_steps
from monitor.inference.answers.simulation import Ahead, Simulated, full_loading, simulate
from monitor.inference.fit.below import given_below
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.quantiles import quantile_points, quantiles
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import log_saturation_slope_per_k, saturation_vapor_pressure_pa
from monitor.records import Column, CrossingForecast, DateQuantiles, Fan, Quantiles, VaporFan
from monitor.units import PA_PER_KPA

HORIZON_DAYS = 540
"""How far ahead a forecast goes. [days] Judgement: a summer, a winter and another summer; seals change meanwhile."""
FAN_DAYS = 180
"""For how long the course itself is given. [days] Judgement: as much as a picture shows."""
_FAN_SHARES = 0.05, 0.25, 0.50, 0.75, 0.95
"""The shares that the fan is drawn by. [shares] Judgement: 90 % as every interval has it, and even odds."""
_VAPOR_EVERY_STEPS = 3
"""Vapor pressure is drawn through every third step. [steps] Judgement: its points move little from day to day, and a
third of the work is left."""
STEPS = np.r_[
    np.arange(0.25, 2.0, 0.25), np.arange(2.0, 21.0), np.arange(21.0, 45.0, 2.0), np.arange(45.0, 90.0, 5.0),
    np.arange(90.0, 180.0, 10.0), np.arange(180.0, 900.0, 15.0),
]  # fmt: skip
"""Ends of the forecast's steps: fine where a day counts, coarse where months do. [days] Judgement.

Against steps of a quarter day throughout, median dates come 2 % early on average, 3 % in the root mean square over 25
boxes; an interval spans a factor of three. Ten days for fifteen beyond day 180 move dates out there by 0.3 %, a third
of what another seed does, and take an eighth more time.
"""
_LEAST_NOT_OVER = 0.5
"""With a smaller share of draws below the limit, the forecast is conditioned on being below. [share] Judgement: fewer
than half of the draws are too few for a 5 % point."""
LOOK_EVERY_STEPS = 8
"""So often it is looked whether every draw has crossed. [steps] Judgement: a look costs as much as one or two."""


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
    temperature_degc: FloatArray | None = None
    """Inside, at the ends of those steps that vapor pressure is drawn through; None where no fan is asked for.
    (those steps × draws) [°C]"""

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
    return all_of_them, futures(given_below(posterior, limit), limit, horizon_days, seed, with_fan=False)


def futures(
    posterior: Posterior, limit: float, horizon_days: int = HORIZON_DAYS, seed: int = 2, *, with_fan: bool = True
) -> Futures:
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
    with_fan : bool
        True goes on for ``FAN_DAYS`` at least, where no draw is left to cross too.

    Returns
    -------
    Futures
        A course for each draw of the posterior.

    Raises
    ------
    FloatingPointError
        If the water of a draw is not a number.
    """
    ends = STEPS[horizon_days >= STEPS]
    ahead, start = Ahead.of(posterior, limit, ends, seed), Simulated.now(posterior, limit)
    steps = compiled_steps(ahead) or partial(simulate, ahead)
    course = np.empty((len(ends), len(start.loading)))
    done = int(np.searchsorted(ends, FAN_DAYS, side="right")) if with_fan else 0
    simulated = steps(start, course, 0, done)
    while done < len(ends) and np.isinf(simulated.crossing_days).any():
        stop = min(done + LOOK_EVERY_STEPS, len(ends))
        simulated, done = steps(simulated, course, done, stop), stop
    course[done:] = np.nan
    if not np.isfinite(simulated.loading).all():
        raise FloatingPointError("the water of a draw is not a number")
    degc = ahead.temperature_degc(_vapor_steps(ends)) if with_fan else None
    return Futures(ends, course, start.humidity, simulated.crossing_days, simulated.spent_days, degc)


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
        vapor_fan=_vapor_fan(ahead),
        first_pass_at=_dates(now, below.crossing_days, horizon_days),
    )


def _dates(now: datetime, days: FloatArray, horizon_days: int) -> DateQuantiles:
    days = days if len(days) else np.full(1, STEPS[0])
    points = quantile_points(days, reached=True)
    return DateQuantiles(*(now + timedelta(days=float(d)) if d <= horizon_days else None for d in points))


def _chances(crossing_days: FloatArray, horizon_days: int) -> Column:
    ordered = np.sort(crossing_days)
    passed = np.searchsorted(ordered, np.arange(horizon_days + 1), side="right")
    return Column.of(passed / len(ordered))


def _capacity_used(posterior: Posterior, limit: float) -> Quantiles:
    """Water held over water held at the limit: what the glass column of beads shows."""
    return quantiles(posterior.state.loading / full_loading(posterior, limit))


def _headroom_g(posterior: Posterior, limit: float) -> Quantiles:
    left = full_loading(posterior, limit) - posterior.state.loading
    return quantiles(np.maximum(left, 0.0) * posterior.state.drawn.dry_mass_g)


def _fan(now: datetime, ahead: Futures) -> Fan:
    """Daily quantiles of humidity; between the coarser steps they lie on a line."""
    known = slice(_known(ahead))
    columns = _daily(ahead.ahead_days[known], _points(ahead.humidity[known]))
    return Fan(now.date() + timedelta(days=1), *columns)


def _vapor_fan(ahead: Futures) -> VaporFan | None:
    """The same of vapor pressure: each draw's humidity at its own temperature.

    ln of saturation is taken for straight about the mean temperature: within 0.7 % at 5 K from it, and quicker.
    """
    if ahead.temperature_degc is None:
        return None
    some, degc = _vapor_steps(ahead.ahead_days), ahead.temperature_degc
    middle = degc.mean(axis=1, keepdims=True)
    apart = degc - middle
    apart *= log_saturation_slope_per_k(middle)
    kpa = ahead.humidity[some]
    kpa *= np.asarray(saturation_vapor_pressure_pa(middle)) / PA_PER_KPA
    kpa *= np.exp(apart.astype(np.float32))
    return VaporFan(*_daily(ahead.ahead_days[some], [*_points(kpa), middle[:, 0]]))


def _vapor_steps(ends: FloatArray) -> NDArray[np.intp]:
    """The steps that vapor pressure is drawn through: some of those up to the end of the fan, and the last of them."""
    steps = np.arange(np.searchsorted(ends, FAN_DAYS, side="right"))
    return np.asarray(steps[(steps[-1] - steps) % _VAPOR_EVERY_STEPS == 0])


def _known(ahead: Futures) -> int:
    """How many steps a fan is drawn through: the first ones."""
    known = np.isfinite(ahead.humidity[:, 0])
    known[1:] &= ahead.ahead_days[:-1] < FAN_DAYS
    return int(np.count_nonzero(known))


def _points(rows: FloatArray) -> FloatArray:
    return quantile_points(rows.astype(np.float32), _FAN_SHARES, of_rows=True)  # seven digits, and twice as fast


def _daily(ahead_days: FloatArray, rows: Iterable[FloatArray]) -> list[Column]:
    whole = np.arange(1, FAN_DAYS + 1, dtype=float)
    return [Column.of(np.interp(whole, ahead_days, row)) for row in rows]
