"""Draw by draw: when a box is over its limit with its present beads, and how long fresh ones would hold from any day.

Fresh beads are simulated as what-if simulates them, begun again on some days ahead; between these the days that they
hold lie on a line. The room goes on as in the forecast of the same draw. Of what befalls a box, the leak's wandering
goes on too; openings and swaps come at the same distance from each filling, which keeps neighboring days alike. Spools
and walls are as humid as the present beads leave them, but no more humid than the limit: whoever plans doesn't leave
a box over it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache, partial
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from monitor.errors import OutOfRangeError
from monitor.inference.answers.compiled_simulation import compiled_steps
from monitor.inference.answers.drawn_future import Chances, Usage, Weather, chances
from monitor.inference.answers.forecast import HORIZON_DAYS, LOOK_EVERY_STEPS, STEPS
from monitor.inference.answers.simulation import Ahead, Simulated, simulate
from monitor.inference.answers.what_if import as_changed
from monitor.inference.fit.fit import COLDEST_DEGC, WARMEST_DEGC
from monitor.inference.fit.posterior import Posterior
from monitor.physics.numerics import FloatArray
from monitor.records import NORMAL_P95, Quantiles, WhatIf
from monitor.records.futures import BoxFutures

LONGEST_DAYS = 365
"""The longest horizon. [days] Judgement: a year of plans; of the 540 days that a forecast looks ahead, enough is then
left to see most of what the last beads hold."""
_BEGUN_DAYS = np.r_[0.0, 5.0, 15.0, np.arange(30.0, 400.0, 30.0)]
"""Fresh beads are begun again so many days ahead. [days] Judgement by what it costs and errs
(tests/bench/futures.py)."""
_DRIEST = 1e-4
"""Beads come out no drier. [g/g] Judgement: far below any floor; it only keeps a logarithm sound."""
_SEED = 2
"""Of the random numbers. [count, no unit] Judgement: that of the forecast, so that its futures are these."""
_DRYNESS_STREAM = 9
"""Stream of the random numbers of how dry beads come out. [count, no unit] Judgement: any that simulation leaves
free."""


@dataclass(frozen=True)
class FreshBeads:
    """Beads dried in one way, as they go into a box."""

    loading_g_per_g: tuple[Quantiles, ...]
    """Their water by the month of that day, January first; one for all months where it is always the same. [g/g]"""
    dry_mass_g: float | None = None
    """None: as heavy as those in the box. [g]"""
    desiccant: str | None = None
    """None: of the kind of those in the box."""

    def loading_on(self, month: int, dryness: FloatArray) -> FloatArray:
        """Return the water of each draw's beads in a month.

        Parameters
        ----------
        month : int
            January is 1.
        dryness : ndarray, draws
            How far each lies from the middle. [standard deviations of the logarithm]

        Returns
        -------
        ndarray, draws
            [g/g]
        """
        of_month = self.loading_g_per_g[(month - 1) % len(self.loading_g_per_g)]
        low, middle, high = (max(value, _DRIEST) for value in (of_month.p05, of_month.p50, of_month.p95))
        return np.asarray(middle * np.exp(np.log(high / low) / (2.0 * NORMAL_P95) * dryness))


@dataclass(frozen=True, eq=False)
class _Begun:
    """A day that fresh beads are begun on: what is ahead of it, and what is there but for the beads."""

    day: float
    """From today. [days]"""
    ahead: Ahead
    """Of the draws that are asked for; steps are counted from that day."""
    then: Simulated
    """Of these draws, with the present beads."""
    degc: FloatArray | float
    """Inside. (draws) [°C]"""


def box_futures(
    posterior: Posterior,
    ways: Mapping[str, FreshBeads],
    limit: float | None = None,
    horizon_days: int = LONGEST_DAYS,
    *,
    every_draw: int = 1,
) -> BoxFutures:
    """Return when each draw of a box is over its limit, with the present beads and with fresh ones from each day on.

    Parameters
    ----------
    posterior : Posterior
        Of the box.
    ways : mapping of str to FreshBeads
        Ways of drying by their names.
    limit : float, optional
        Humidity limit; the box's own where left out. [fraction of saturation]
    horizon_days : int
        How many days from today on are asked for. [days]
    every_draw : int
        Only each so-manieth draw is answered; the same ones of every box. [draws]

    Returns
    -------
    BoxFutures
        Whole days, begun ones counted as whole, as the chances of the forecast are: the share of draws over the limit
        within d days is its ``chance_by_day[d]``. Where the forecast ends before fresh beads do, they hold.

    Raises
    ------
    OutOfRangeError
        If the horizon is none that is planned for.
    FloatingPointError
        If the water of a draw is not a number.
    """
    if not 1 <= horizon_days <= LONGEST_DAYS:
        raise OutOfRangeError(f"futures reach {horizon_days} days ahead; ask for 1 to {LONGEST_DAYS}")
    limit = posterior.box.humidity_limit if limit is None else limit
    crossing_days, begun = _begun(posterior, limit, horizon_days, every_draw)
    count = len(crossing_days)
    holds = {
        name: _holds_days(begun, way, _dryness(name, count)[::every_draw], horizon_days) for name, way in ways.items()
    }
    return BoxFutures(posterior.box.name, whole_days(crossing_days, horizon_days)[::every_draw], holds)


def whole_days(days: FloatArray, horizon_days: int) -> NDArray[np.int16]:
    """Return days until a limit is passed as whole ones, a begun one counted as a whole one.

    Parameters
    ----------
    days : ndarray, any
        0 where it is passed, infinite where it never is. [days]
    horizon_days : int
        [days]

    Returns
    -------
    ndarray, as days
        At most one more than the horizon. [days]

    Examples
    --------
    >>> whole_days(np.array([0.0, 0.2, 3.0, np.inf]), 60).tolist()
    [0, 1, 3, 61]
    """
    return np.minimum(np.ceil(days), horizon_days + 1).astype(np.int16)


def _begun(
    posterior: Posterior, limit: float, horizon_days: int, every_draw: int
) -> tuple[FloatArray, tuple[_Begun, ...]]:
    """Simulate the present beads: days until each draw is over the limit, and the days that fresh ones are begun on."""
    ends = STEPS[STEPS <= HORIZON_DAYS]
    ahead, now = Ahead.of(posterior, limit, ends, _SEED), Simulated.now(posterior, limit)
    steps = compiled_steps(ahead) or partial(simulate, ahead)
    course, wettest = np.empty((len(ends), len(now.loading))), np.maximum(now.slow_humidity, limit)
    some = _some_of(ahead, every_draw)
    begun, done = [_from_day(some, now, ahead.weather, 0, horizon_days)], 0
    for day in _days_begun(horizon_days)[1:].tolist():
        stop = int(np.searchsorted(ends, day)) + 1
        now, done = steps(now, course, done, stop), stop
        then = replace(now, slow_humidity=np.minimum(now.slow_humidity, wettest))
        begun.append(_from_day(some, then, ahead.weather, done, horizon_days))
    return _finite(now), tuple(begun)


def _finite(simulated: Simulated) -> FloatArray:
    """Return when the limit is passed, of draws whose water is a number."""
    if not np.isfinite(simulated.loading).all():
        raise FloatingPointError("the water of a draw is not a number")
    return simulated.crossing_days


def _days_begun(horizon_days: int) -> FloatArray:
    """Return them up to the first one that the horizon doesn't reach beyond."""
    return np.asarray(_BEGUN_DAYS[: int(np.searchsorted(_BEGUN_DAYS, horizon_days)) + 1])


@dataclass(frozen=True, eq=False)
class _Some:
    """Some of the draws of what is ahead; weather and random numbers are still those of all."""

    ahead: Ahead
    every_draw: int

    def of(self, values: FloatArray) -> FloatArray:
        """Return what belongs to these draws. (draws)"""
        return values[:: self.every_draw]


def _some_of(ahead: Ahead, every_draw: int) -> _Some:
    some, posterior = slice(None, None, every_draw), ahead.posterior
    draws = np.arange(len(posterior.theta))[some]
    fewer = replace(posterior, theta=posterior.theta[draws], state=posterior.state.take(draws))
    usage = Usage(**{name: values[some] for name, values in vars(ahead.usage).items()})
    return _Some(replace(ahead, posterior=fewer, usage=usage), every_draw)


def _from_day(some: _Some, then: Simulated, room: Weather, done: int, horizon_days: int) -> _Begun:
    """Return what is ahead of the end of a step, counted from there."""
    every, ends = some.every_draw, some.ahead.ends
    day = float(ends[done - 1]) if done else 0.0
    within = ends[ends <= ends[-1] - day]
    within = within[: int(np.searchsorted(within, horizon_days + 1.0)) + 1]
    ahead = replace(
        some.ahead,
        ends=within,
        weather=_weather_from(room, tuple(ends.tolist()), day, len(within), every),
        chances=_some_chances(len(within), len(then.loading), every),
    )
    degc: FloatArray | float = float(ahead.posterior.bins.temperature_degc[-1])
    if done:
        warmth = some.of(room.degc[done - 1]) + ahead.posterior.temperature_above_room_degc
        degc = np.clip(warmth, COLDEST_DEGC, WARMEST_DEGC)
    return _Begun(day, ahead, Simulated(**{name: some.of(values) for name, values in vars(then).items()}), degc)


@lru_cache(maxsize=4)  # a count; judgement: of two horizons, and shorter ones where the forecast ends
def _some_chances(steps: int, count: int, every_draw: int) -> Chances:
    """Random numbers of some of the draws, kept for the next box."""
    if every_draw == 1:
        return chances(steps, count, _SEED)
    return Chances(np.ascontiguousarray(chances(steps, count, _SEED).rows[:, :, ::every_draw]))


@lru_cache(maxsize=32)  # days of rooms, a count; judgement: those of two rooms, a megabyte each
def _weather_from(room: Weather, ends: tuple[float, ...], day: float, steps: int, every_draw: int) -> Weather:
    """The courses of a room counted from a day ahead, on a line between the forecast's; kept for the next box in it."""
    known, wanted = np.array(ends), np.clip(day + np.array(ends[:steps]), ends[0], ends[-1])
    after = np.maximum(np.searchsorted(known, wanted), 1)
    share = ((wanted - known[after - 1]) / (known[after] - known[after - 1]))[:, np.newaxis]

    def between(rows: FloatArray) -> FloatArray:
        some = rows[:, ::every_draw]
        return np.ascontiguousarray((1.0 - share) * some[after - 1] + share * some[after])

    return replace(room, outside_kpa=between(room.outside_kpa), degc=between(room.degc))


def _dryness(way: str, count: int) -> FloatArray:
    """Whether beads come out drier or wetter than usual, in sds: the same in every box that is filled in this way."""
    return np.random.default_rng((_SEED, _DRYNESS_STREAM, crc32(way.encode()))).standard_normal(count)


def _holds_days(begun: Sequence[_Begun], way: FreshBeads, dryness: FloatArray, horizon_days: int) -> NDArray[np.int16]:
    """Days that fresh beads hold from each day on. (horizon + 1 × draws) [days]"""
    posterior = begun[0].ahead.posterior
    change = WhatIf(desiccant=way.desiccant, dry_mass_g=way.dry_mass_g or posterior.problem.prior.dry_mass_g)
    filled = as_changed(posterior, change)
    held = [_crossing_days(one, filled, way.loading_on(_month(posterior, one.day), dryness)) for one in begun]
    most = np.minimum(held, horizon_days + 1.0)
    return whole_days(_on_each_day(np.array([one.day for one in begun]), most, horizon_days), horizon_days)


def _month(posterior: Posterior, day: float) -> int:
    return (datetime.fromtimestamp(posterior.now_s, UTC) + timedelta(days=day)).month


def _crossing_days(begun: _Begun, filled: Posterior, loading: FloatArray) -> FloatArray:
    """Days that fresh beads hold from one day on. (draws) [days]"""
    ahead = replace(begun.ahead, posterior=filled)
    now, done, count = _filled(begun, filled, ahead.limit, loading), 0, len(ahead.ends)
    steps, course = compiled_steps(ahead) or partial(simulate, ahead), np.empty((count, len(loading)))
    while done < count and np.isinf(now.crossing_days).any():
        stop = min(done + LOOK_EVERY_STEPS, count)
        now, done = steps(now, course, done, stop), stop
    return _finite(now)


def _filled(begun: _Begun, filled: Posterior, limit: float, loading: FloatArray) -> Simulated:
    """Return the state as fresh beads have gone in and the lid was closed as what-if closes it."""
    table = filled.state.drawn.table
    loading = table.keep_within(loading)
    humidity, slope = table.humidity(loading, begun.degc)
    over = np.where(humidity > limit, 0.0, np.inf)
    return replace(
        begun.then,
        loading=loading,
        ajar=np.zeros(len(loading)),
        humidity=humidity,
        slope=slope,
        crossing_days=over,
        spent_days=over,
    )


def _on_each_day(begun: FloatArray, held: FloatArray, horizon_days: int) -> FloatArray:
    """Return days held from each day on, on a line between the days that were simulated. (days × draws) [days]"""
    days = np.arange(horizon_days + 1.0)
    after = np.clip(np.searchsorted(begun, days), 1, len(begun) - 1)
    share = ((days - begun[after - 1]) / (begun[after] - begun[after - 1]))[:, np.newaxis]
    return np.asarray((1.0 - share) * held[after - 1] + share * held[after])
