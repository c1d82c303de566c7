"""The one measurement that would sharpen a forecast most, by how much it is expected to narrow its interval.

Each measurement is simulated: what it would read in one draw, with its own error. All draws are weighted by the
likelihood of that reading, and the interval of days is taken again. The mean over many such readings is the expected
narrowing (preposterior analysis [1]_).

References
----------
.. [1] Raiffa, Schlaifer (1961), Applied Statistical Decision Theory, chapter 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.inference.answers.forecast import Futures
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.fit.posterior import Posterior, humidity_now
from monitor.inference.fit.quantiles import INTERVAL, quantile_points, weighted_points
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import FloatArray, median
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.texts import say, say_many, to_say, together

_WORTH_IT = 0.08
"""A smaller share of the interval isn't worth the trouble. Judgement: one day in twelve."""
_SURELY_OVER = 0.95
"""From this chance of being over the limit on, no measurement changes what to do. Judgement: as the interval has it."""
_PARTS = (
    (0.1, to_say("a tenth")),
    (0.2, to_say("a fifth")),
    (0.25, to_say("a quarter")),
    (0.33, to_say("a third")),
    (0.5, to_say("a half")),
    (0.67, to_say("two thirds")),
    (0.75, to_say("three quarters")),
    (0.9, to_say("nine tenths")),
)
"""Shares as a person says them. [fraction] Judgement: a guess of a guess needs no finer word."""
_READINGS = 48
"""Simulated readings. [readings] Judgement: their mean is then known to some per cent of the interval."""
_DRAWS = 1000
"""Draws that are weighted. [draws] Judgement: all there are."""
_TOGETHER = 10
"""Neighbors in the order of their answer that are added up before a quantile is looked for. [draws] Judgement: a
hundredth of all, less than their noise; it halves the time."""
_SMOOTHED = 0.15
"""The error of a reading is at least this share of the spread over draws. [share] Judgement: a finer one would leave a
handful of draws effective."""
_SOONEST_DAYS = 0.25
"""Days left are no fewer, so that they have a logarithm. [days] Judgement: the forecast's first step, the
finest it resolves."""
_BETWEEN_WEIGHINGS_DAYS = 21.0
"""From one weighing to the next: a leak of 0.05 g/day/kPa and 0.9 kPa bring 1 g in three weeks. [days] Judgement."""
_CHECKED_SENSOR_SD = 0.005
"""A sensor checked at home in air of known humidity is known to this. [fraction of saturation] Judgement."""
_EMPTY_BOX_SD = 0.36
"""A test of the empty box gives the leak to this. [ln conductance] Judgement: the lid is seated again after it, and a
box differs by a third from one seating to the next (``pooling``)."""
_GAIN_SD_G = 0.15
"""Two weighings on a scale that shows 0.1 g give a gain to this. [g] Judgement: handling, more than the scale."""
_JAR_SD = 0.01
"""A good hygrometer in a jar gives humidity to this. [fraction of saturation] The best class of sensor states 1 to 1.5
% RH from 20 to 80 %; drier air is a judgement."""
_CAPACITY_SD = 0.03
"""Weighing beads dry and spent gives what they hold to this. [ln water] Judgement: dry is what the last drying left."""
_WEIGHING_SD_G = 0.05
"""One weighing on a scale that shows 0.1 g. [g] Judgement: half of its step."""
_PUSH_SHARE = 0.8
"""Of the room's vapor pressure, what pushes into a dry box. [share] Judgement: at 20 % of its room's, as most are
kept."""
_LEAST_WIDTH = 1e-9
"""The interval before a measurement divides, and is taken for no narrower. [unit of the answer] Judgement: it only
keeps a division sound."""
_LEAST_SD = 1e-12
"""The same of the error of a measurement. [unit of the measurement] Judgement: it only keeps a division sound."""


@dataclass(frozen=True)
class Measurement:
    """A measurement one could make: what it reads in each draw, and how far off it is (standard deviation)."""

    advice: str
    """What to do, as a sentence."""
    reads: Callable[[Posterior], FloatArray]
    """What it would read in each draw of a posterior, without its error. (draws) [unit of the measurement]"""
    sd: float
    """Standard deviation of its error. [unit of the measurement]"""
    takes_days: float = 0.0
    """How long it takes. [days]"""


@dataclass(frozen=True)
class Useful:
    """The measurement that would narrow a forecast most, as it was found at a fit.

    It is looked for anew with each fit: weekly, and when anything but hours was added. Updates in between keep it, as a
    week of readings hardly changes what one should measure; what it would do to the range of days is said of now.
    """

    advice: str
    """What to do, as a sentence."""
    share: float
    """Of the range of days that it is expected to take away. [fraction]"""
    takes_days: float
    """How long it takes. [days]"""
    limit: float
    """Humidity limit that it was found for. [fraction of saturation]"""

    def holds(self, ahead: Futures, limit: float) -> bool:
        """Return whether it is still of use: asked about the same limit, and done before that is passed.

        Parameters
        ----------
        ahead : Futures
            Of all draws.
        limit : float
            Humidity limit. [fraction of saturation]

        Returns
        -------
        bool
            False where another is to be looked for.
        """
        return self.limit == limit and self.takes_days < median(ahead.crossing_days)


def most_useful(posterior: Posterior, ahead: Futures, limit: float, known: Useful | None = None) -> Useful | None:
    """Return the measurement that would narrow the forecast most.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    ahead : Futures
        Of all its draws.
    limit : float
        Humidity limit. [fraction of saturation]
    known : Useful, optional
        The one of its last fit.

    Returns
    -------
    Useful or None
        The one that is known where it still holds; None where the box is over its limit anyway.
    """
    if np.mean(ahead.over_already) > _SURELY_OVER:
        return None
    if known is not None and known.holds(ahead, limit):
        return known
    days = _days_left(posterior, ahead, limit)
    could = [one for one in measurements(posterior) if one.takes_days < median(days)]
    logs = np.log(days)
    shares = [expected_narrowing(one.reads(posterior), one.sd, logs) for one in could]
    share, best = max(zip(shares, could, strict=True), key=lambda pair: (pair[0], pair[1].advice))
    return Useful(best.advice, share, best.takes_days, limit)


def best_measurement(posterior: Posterior, ahead: Futures, useful: Useful | None) -> str:
    """Say which measurement would narrow the forecast most, and by how much.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    ahead : Futures
        Of all its draws.
    useful : Useful or None
        As ``most_useful`` found it.

    Returns
    -------
    str
        Plain sentences.
    """
    if useful is None:
        if posterior.episode.desiccant is None:
            return say("Put dry beads in; no measurement is needed.")
        return say("Dry the beads; no measurement is needed.")
    if useful.share < _WORTH_IT:
        return say("No single measurement would help much. More days of readings will.")
    return together(useful.advice, _shrinks(ahead.still_ahead, useful.share))


def _shrinks(crossing_days: FloatArray, share: float) -> str:
    """Say what is left of the range of days when a share of it, in logarithms, is taken away; its middle stays."""
    first, middle, last = quantile_points(np.maximum(crossing_days, _SOONEST_DAYS), reached=True)
    if np.isfinite(last):
        low, high = (middle * (end / middle) ** (1.0 - share) for end in (first, last))
        before, after = f"{last - first:.0f}", f"{high - low:.0f}"
        if before != after:
            return say_many(
                "The day would then be known to within about {count} day instead of {before}.",
                "The day would then be known to within about {count} days instead of {before}.",
                int(after),
                before=before,
            )
    part = min(_PARTS, key=lambda part: abs(part[0] - share))[1]
    return say("The range would shrink by about {part}.", part=say(part))


def expected_narrowing(reads: FloatArray, sd: float, answer: FloatArray, seed: int = 5) -> float:
    """Return the share of the 90 % interval of an answer that a measurement is expected to take away.

    Parameters
    ----------
    reads : ndarray, draws
        What the measurement would read in each of equally weighted draws, without its error. [unit of the measurement]
    sd : float
        Standard deviation of its error. [unit of the measurement]
    answer : ndarray, draws
        What is asked, in the same draws. [any unit]
    seed : int
        Of the random numbers. Judgement: any number will do; fixed, so that the same draws give the same advice.

    Returns
    -------
    float
        Below 0 where chance made it wider. [fraction]

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
    sd = max(sd, _SMOOTHED * float(reads.std()), _LEAST_SD)
    true = rng.integers(len(some), size=_READINGS)
    standard = ((reads - reads.mean()) / sd).astype(np.float32)  # seven digits of numbers about 1
    shown = standard[true] + rng.standard_normal(_READINGS).astype(np.float32)
    weights = np.subtract.outer(shown, standard)
    weights *= -0.5 * weights
    np.exp(weights - weights.max(axis=1, keepdims=True), out=weights)
    starts = np.arange(0, len(answer), _TOGETHER)
    ends = answer[np.minimum(starts + _TOGETHER, len(answer)) - 1]
    first, last = weighted_points(ends, np.add.reduceat(weights, starts, axis=1), (INTERVAL[0], INTERVAL[-1]))
    return float(1.0 - np.mean(last - first) / max(_width(quantile_points(answer)), _LEAST_WIDTH))


def _width(points: FloatArray) -> float:
    return float(points[-1] - points[0])


def measurements(posterior: Posterior) -> list[Measurement]:
    """Return what one could measure about a box, each with what it would read.

    Parameters
    ----------
    posterior : Posterior
        Of the box.

    Returns
    -------
    list of Measurement
        At least two.
    """
    sensor = Measurement(
        say("Put the sensor in a closed jar of freshly dried beads for a day: it should show a few per cent at most."),
        lambda p: p.theta[:, Unknown.sensor_bias],
        _CHECKED_SENSOR_SD,
    )
    empty = Measurement(
        say("Test how fast the box leaks while it is empty: `siccast leak-test` says how."),
        lambda p: np.log(p.state.conductance),
        _EMPTY_BOX_SD,
    )
    if posterior.episode.desiccant is None:
        return [sensor, empty]
    weigh = Measurement(
        say("Weigh the beads now and again in three weeks. Use a scale that shows 0.1 g."),
        lambda p: p.state.conductance * _dose_kpa_days(p, _BETWEEN_WEIGHINGS_DAYS),
        _GAIN_SD_G,
        _BETWEEN_WEIGHINGS_DAYS,
    )
    jar = Measurement(
        say("Put the beads of this box and a good hygrometer in a closed jar for a day."), _humidity_now, _JAR_SD
    )
    full = Measurement(
        say("Weigh the beads when freshly dried and again when full. That tells how much they hold."),
        lambda p: p.theta[:, Unknown.log_capacity_scale],
        _CAPACITY_SD,
    )
    if posterior.episode.loaded_mass is None and not posterior.episode.weighings:
        return [weigh, sensor, jar, empty, full]
    again = Measurement(say("Weigh the beads again. Use a scale that shows 0.1 g."), _mass_g, _WEIGHING_SD_G)
    return [again, weigh, sensor, jar, empty, full]


def _mass_g(posterior: Posterior) -> FloatArray:
    dry_g = posterior.problem.prior.dry_mass_g * np.exp(posterior.theta[:, Unknown.log_dry_mass])
    return np.asarray(dry_g + posterior.state.drawn.dry_mass_g * posterior.state.loading)


def _humidity_now(posterior: Posterior) -> FloatArray:
    return humidity_now(posterior)[0]


def _dose_kpa_days(posterior: Posterior, days: float) -> float:
    outside = posterior.room.expected_kpa(np.array([posterior.now_s / DAY_S + days / 2]))
    return float(outside[0]) * _PUSH_SHARE * days


def _days_left(posterior: Posterior, ahead: Futures, limit: float) -> FloatArray:
    """Days left in every draw; beyond the horizon the headroom over the present inflow, roughly."""
    state = posterior.state
    full = state.drawn.table.loading(limit, REFERENCE_DEGC)
    headroom_g = np.maximum(full - state.loading, 0.0) * state.drawn.dry_mass_g
    rough = headroom_g / (state.conductance * _dose_kpa_days(posterior, 1.0))
    horizon = float(ahead.ahead_days[-1])
    days = np.where(np.isfinite(ahead.crossing_days), ahead.crossing_days, np.maximum(rough, horizon))
    return np.maximum(days, _SOONEST_DAYS)
