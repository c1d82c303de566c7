"""The one measurement that would sharpen a forecast most, by how much it is expected to narrow its interval.

Each measurement is made in thought: what it would read in one draw, with its own error; all draws are weighed by how
well they foretell that reading, and what is left of the interval of days is looked at. The mean over many such readings
is the expected narrowing (preposterior analysis [1]_).

References
----------
.. [1] Raiffa, Schlaifer (1961), Applied Statistical Decision Theory, chapter 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.inference.forecast import Futures
from monitor.inference.posterior.believed import Posterior
from monitor.inference.posterior.evidence import DAY_S
from monitor.inference.posterior.priors import BIAS, CAPACITY, DRY_MASS
from monitor.inference.posterior.quantiles import quantile_points, weighted_points
from monitor.physics.numerics import FloatArray

_WORTH_IT = 0.08
"""A smaller share of the interval isn't worth the trouble."""
_SURELY_OVER = 0.95
_READINGS = 48
_DRAWS = 1000
_SMOOTHED = 0.15
"""A finer reading would single out a handful of draws; so it is blurred to this share of what is open."""
_SOONEST_DAYS = 0.25
_BETWEEN_WEIGHINGS_DAYS = 21.0


@dataclass(frozen=True)
class Measurement:
    """A measurement one could make: what it reads in each draw, and how far off it is (standard deviation)."""

    advice: str
    reads: Callable[[Posterior], FloatArray]
    sd: float
    takes_days: float = 0.0


def sharpening_of(posterior: Posterior, ahead: Futures, limit: float) -> str:
    """Return the measurement that would narrow the forecast most, with how much; ``ahead`` are futures of all draws."""
    if np.mean(ahead.over_already) > _SURELY_OVER:
        return "No measurement would change what to do: it is over its limit."
    days = _days_left(posterior, ahead, limit)
    could = [one for one in measurements(posterior) if one.takes_days < np.median(days)]
    logs = np.log(days)
    share, advice = max((expected_narrowing(one.reads(posterior), one.sd, logs), one.advice) for one in could)
    if share < _WORTH_IT:
        return "Nothing single would sharpen it much; more days of readings will."
    return f"{advice} That would narrow the interval of days left by about {100 * share:.0f} %."


def expected_narrowing(reads: FloatArray, sd: float, answer: FloatArray, seed: int = 5) -> float:
    """Return the share of the 90 % interval of an answer that a measurement is expected to take away.

    Parameters
    ----------
    reads : ndarray
        What the measurement would read in each of equally weighted draws, without its error.
    sd : float
        Standard deviation of its error.
    answer : ndarray
        What is asked, in the same draws.

    Examples
    --------
    A measurement of the answer itself, as uncertain as the answer was, leaves the square root of a half of it.

    >>> answer = np.random.default_rng(1).standard_normal(4000)
    >>> bool(abs(expected_narrowing(answer, 1.0, answer) - (1.0 - 0.5**0.5)) < 0.04)
    True
    """
    rng = np.random.default_rng(seed)
    some = np.linspace(0, len(answer), min(_DRAWS, len(answer)), endpoint=False).astype(int)
    some = some[np.argsort(answer[some])]
    reads, answer = reads[some], answer[some]
    sd = max(sd, _SMOOTHED * float(reads.std()), 1e-12)
    true = rng.integers(len(some), size=_READINGS)
    shown = reads[true] + sd * rng.standard_normal(_READINGS)
    misfit = -0.5 * ((shown[:, None] - reads) / sd) ** 2
    weights = np.exp(misfit - misfit.max(axis=1, keepdims=True))
    width_after = np.mean([_width(weighted_points(answer, row)) for row in weights])
    return float(1.0 - width_after / max(_width(quantile_points(answer)), 1e-9))


def _width(points: FloatArray) -> float:
    return float(points[-1] - points[0])


def measurements(posterior: Posterior) -> list[Measurement]:
    """Return what one could measure about a box, each with what it would read."""
    sensor = Measurement(
        "Check the sensor against a jar of freshly dried beads or a salt of known humidity.",
        lambda p: p.theta[:, BIAS],
        0.005,
    )
    # the lid is seated anew after the test, and boxes differ by a third from one seating to the next
    empty = Measurement("Run an empty-box test of the leak.", lambda p: np.log(p.state.conductance), 0.36)
    if posterior.episode.desiccant is None:
        return [sensor, empty]
    weigh = Measurement(
        "Weigh the beads now and again in three weeks, on a scale that shows 0.1 g.",
        lambda p: p.state.conductance * _dose_kpa_days(p, _BETWEEN_WEIGHINGS_DAYS),
        0.15,
        _BETWEEN_WEIGHINGS_DAYS,
    )
    jar = Measurement("Put the beads and a good hygrometer in a closed jar for a day.", _humidity_now, 0.01)
    full = Measurement(
        "Weigh the beads dried out and again when spent, to learn what they hold.", lambda p: p.theta[:, CAPACITY], 0.03
    )
    if posterior.episode.loaded_mass is None and not posterior.episode.weighings:
        return [weigh, sensor, jar, empty, full]
    again = Measurement("Weigh the beads, on a scale that shows 0.1 g.", _mass_g, 0.05)
    return [again, weigh, sensor, jar, empty, full]


def _mass_g(posterior: Posterior) -> FloatArray:
    dry_g = posterior.problem.prior.dry_mass_g * np.exp(posterior.theta[:, DRY_MASS])
    return np.asarray(dry_g + posterior.state.drawn.dry_mass_g * posterior.state.loading)


def _humidity_now(posterior: Posterior) -> FloatArray:
    warm = float(posterior.bins.temperature_degc[-1])
    return posterior.state.drawn.table.humidity(posterior.state.loading, warm)[0]


def _dose_kpa_days(posterior: Posterior, days: float) -> float:
    outside = posterior.room.expected_kpa(np.array([posterior.now_s / DAY_S + days / 2]))
    return float(outside[0]) * 0.8 * days


def _days_left(posterior: Posterior, ahead: Futures, limit: float) -> FloatArray:
    """Days left in every draw; beyond the horizon the headroom over the present inflow, roughly."""
    state = posterior.state
    full = state.drawn.table.loading(np.full(len(state.loading), limit), 23.0)
    headroom_g = np.maximum(full - state.loading, 0.0) * state.drawn.dry_mass_g
    rough = headroom_g / (state.conductance * _dose_kpa_days(posterior, 1.0))
    horizon = float(ahead.ahead_days[-1])
    days = np.where(np.isfinite(ahead.crossing_days), ahead.crossing_days, np.maximum(rough, horizon))
    return np.maximum(days, _SOONEST_DAYS)
