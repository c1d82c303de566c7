"""An open box holds the room's air, so that its sensor can be compared with the room's: what that says of its bias.

How much of the air was exchanged is never known. So the likelihood of a comparison is a mixture: all of it with some
chance, else a part, rather much than little. A comparison that stayed far from the room then says nothing, without a
threshold. The room's sensor has a bias too, the same in every comparison, and a sensor's error in a room is not quite
its error in a dry box: both widen the likelihood.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from monitor.inference.model.prior import Assumptions
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import EntryKind, LedgerEntry, ReadingSeries, SensorSpec
from monitor.records.logged import FILLINGS
from monitor.series.hourly_values import usable_in_time_order
from monitor.series.spans import between
from monitor.units import DAYS_PER_JULIAN_YEAR, SECONDS_PER_DAY

_YEAR_S = DAYS_PER_JULIAN_YEAR * SECONDS_PER_DAY
_ACROSS_SHARE_OF_ACCURACY = 0.3
"""How differently a sensor errs in a room and in a dry box, within the band its sheet vouches for. [share of its stated
accuracy] Judgement: sheets state 20 to 80 % RH closely and dry air loosely, as one error and not two."""

_LOGGED_EARLY_S, _OPEN_FOR_S = 600.0, 5400.0
"""An opening is searched from so long before its entry to so long after. [s] Judgement: people log at the box, or
when they are done with it."""
_LEFT_OPEN_S = 3600.0
"""Before beads go in a box stands open; its last hour is compared, whatever it shows. [s] Judgement: filling takes
about that long."""
_BEFORE_S = (6 * 3600.0, 600.0)
"""What a box held before an opening is seen from so long to so long before it. [s] Judgement: hours enough for a
median, and clear of the opening itself."""
_DAY_BEFORE_S = 30 * 3600.0
"""What a box held before it stood open for new beads: from this long before, up to the start of the span above. [s]
Judgement: a full day."""
_ROOM_NEAR_S = 1800.0
"""A reading of the room further away than this is none of the same moment. [s] Judgement: room air moves within the
hour."""
_LEAST_APART, _MOST_LEFT = 0.12, 0.5
"""Only a box clearly apart from its room, of which the larger part of the air was exchanged, is compared by its step.
[fraction of saturation], [share of the old air] Judgement: four times a common sensor's accuracy; half."""
_IN_A_ROW = 3
"""So many readings make a level, by their median. [readings] Judgement: one odd one among them does no harm."""
_HELD_S, _HELD_WITHIN = 600.0, 0.01
"""Readings in a row over at least this long, within this much of one another, are a level that held. [s], [fraction of
saturation] Judgement: sensors settle within minutes, to about the noise of a display."""
_CHANCE_ALL, _CHANCE_ALL_BRIEF, _CHANCE_ODD = 0.35, 0.10, 0.05
"""That all air was exchanged: where the sensor held its level, where it was a moment; that something else was there.

These, and the spreads below, are judgements: no survey of how people open boxes is known to us.
"""
_ODD_SD = 0.15
"""Spread of a comparison in which something else was there. [fraction of saturation] Judgement: anything a room
holds."""
_EITHER_WAY = 0.2
"""A gap that no exchange of air would leave, where the box's own air is not known: so far either way. [fraction of
saturation] Judgement: from a dry box to a room, less what was exchanged."""
_SCATTER = 0.005
"""Scatter of a median of readings beside the room's. [fraction of saturation] Judgement: a common sensor's noise."""
_WARMTH_SHARE = 0.018
"""Two thermometers differ by about 0.3 K (a judgement): so much of a humidity, by the slope of saturation at room
temperature, 6 % a kelvin (monitor/physics/saturation.py). [share of the humidity]"""
_UNEXCHANGED = ((np.arange(60) + 0.5) / 60.0) ** 2
"""Quantiles of Beta(1/2, 1): a part of the air left behind, rather a small part than a large one. [share] Judgement;
sixty points integrate it to far below the noise."""
_GRID = np.linspace(-0.3, 0.3, 601)
"""Biases that a likelihood is tabulated at. [fraction of saturation] Judgement: beyond any sheet, in steps of 0.1 %
RH."""
EPISODES_COMPARED = 3
"""Episodes that count: a habit of opening repeats itself, so one comparison represents all of an episode.
[episodes] Judgement."""


@dataclass(frozen=True)
class Comparison:
    """Humidity shown in an open box less that of the room's air at the same temperature."""

    at_s: float
    """[s since 1970 UTC]"""
    episode: int
    """How many times beads went in before."""
    before_filling: bool
    """True before beads went in, False at an opening."""
    gap: float
    """What the box's sensor showed above the room's. [fraction of saturation]"""
    apart: float | None
    """What the gap would be had no air been exchanged; None where that is not known. [fraction of saturation]"""
    sd: float
    """Standard deviation of the gap. [fraction of saturation]"""
    all_exchanged: float
    """Chance that all air was. [fraction]"""

    @property
    def left_behind(self) -> float:
        """Share of the old air that seems to be there still; 0 where that is not known. [fraction]"""
        return 0.0 if self.apart is None else self.gap / self.apart


def span_compared(at_s: float) -> tuple[float, float]:
    """Return the span whose readings a comparison rests on.

    Parameters
    ----------
    at_s : float
        When a box was opened, or filled. [s since 1970 UTC]

    Returns
    -------
    (float, float)
        Its start and its end. [s since 1970 UTC]
    """
    return at_s - _DAY_BEFORE_S, at_s + _OPEN_FOR_S


def comparisons(
    inside: ReadingSeries | None, room: ReadingSeries | None, entries: Iterable[LedgerEntry]
) -> tuple[Comparison, ...]:
    """Return the comparisons of a box with its room: at logged openings, and before beads went in.

    Parameters
    ----------
    inside : ReadingSeries or None
        Of the box's sensor.
    room : ReadingSeries or None
        Of the room's.
    entries : iterable of LedgerEntry
        Of this box.

    Returns
    -------
    tuple of Comparison
        In order of time; those that stayed near the old air left out.
    """
    if inside is None or room is None or min(len(inside), len(room)) == 0:
        return ()
    episode, found = 0, []
    for entry in sorted(entries, key=lambda e: e.at):
        at_s = entry.at.timestamp()
        if entry.kind is EntryKind.opening:
            found.append(_SideBySide(inside, room, at_s).at_opening(at_s, episode))
        elif entry.kind in FILLINGS:
            found.append(_SideBySide(inside, room, at_s).before_filling(at_s, episode))
            episode += 1
    return tuple(one for one in found if one is not None and one.left_behind <= _MOST_LEFT)


class _SideBySide:
    """Readings of a box about an event, each with the room's humidity at the box's temperature."""

    def __init__(self, inside: ReadingSeries, room: ReadingSeries, at_s: float) -> None:
        start_s, end_s = span_compared(at_s)
        inside = between(inside, start_s, end_s)
        room = between(room, start_s - 2.0 * _ROOM_NEAR_S, end_s + 2.0 * _ROOM_NEAR_S)
        here, there = usable_in_time_order(inside), usable_in_time_order(room)
        self.at_s = inside.at_s[here]
        vapor_pa = room.relative_humidity[there] * saturation_vapor_pressure_pa(room.temperature_degc[there])
        saturation_pa = np.asarray(saturation_vapor_pressure_pa(inside.temperature_degc[here]))
        self.level = _near(self.at_s, room.at_s[there], vapor_pa) / saturation_pa
        self.gap = inside.relative_humidity[here] - self.level

    def at_opening(self, at_s: float, episode: int) -> Comparison | None:
        """Return how near the sensor came to the room after an opening, by the nearest readings in a row."""
        apart = self._median(at_s - _BEFORE_S[0], at_s - _BEFORE_S[1])
        here = self._between(at_s - _LOGGED_EARLY_S, at_s + _OPEN_FOR_S)
        gaps = self.gap[here]
        if apart is None or abs(apart) < _LEAST_APART or np.isfinite(gaps).sum() < _IN_A_ROW:
            return None
        at, gaps = self.at_s[here][np.isfinite(gaps)], gaps[np.isfinite(gaps)]
        rows = sliding_window_view(gaps, _IN_A_ROW)
        best = int(np.argmin(np.median(rows, axis=1) / apart))
        held = at[best + _IN_A_ROW - 1] - at[best] >= _HELD_S and np.ptp(rows[best]) <= _HELD_WITHIN
        chance = _CHANCE_ALL if held else _CHANCE_ALL_BRIEF
        return Comparison(at_s, episode, False, float(np.median(rows[best])), apart, self._sd(here), chance)

    def before_filling(self, at_s: float, episode: int) -> Comparison | None:
        """Return what the last hour before beads went in showed."""
        here = self._between(at_s - _LEFT_OPEN_S, at_s)
        gap = self._median(at_s - _LEFT_OPEN_S, at_s)
        if gap is None:
            return None
        apart = self._median(at_s - _DAY_BEFORE_S, at_s - _BEFORE_S[0])
        if episode and (apart is None or abs(apart) < _LEAST_APART):
            return None
        apart = None if apart is None or abs(apart) < _LEAST_APART else apart
        return Comparison(at_s, episode, True, gap, apart, self._sd(here), _CHANCE_ALL)

    def _between(self, start_s: float, end_s: float) -> slice:
        return slice(*(int(i) for i in np.searchsorted(self.at_s, (start_s, end_s))))

    def _median(self, start_s: float, end_s: float) -> float | None:
        gaps = self.gap[self._between(start_s, end_s)]
        gaps = gaps[np.isfinite(gaps)]
        return float(np.median(gaps)) if len(gaps) >= _IN_A_ROW else None

    def _sd(self, here: slice) -> float:
        return float(np.hypot(_SCATTER, _WARMTH_SHARE * np.nanmean(self.level[here])))


def _near(at_s: FloatArray, known_s: FloatArray, values: FloatArray) -> FloatArray:
    """Values between the known ones; NaN where none of those is near."""
    if len(known_s) == 0:
        return np.full(len(at_s), np.nan)
    after = np.searchsorted(known_s, at_s).clip(0, len(known_s) - 1)
    away = np.minimum(np.abs(known_s[after] - at_s), np.abs(known_s[np.maximum(after - 1, 0)] - at_s))
    return np.where(away <= _ROOM_NEAR_S, np.interp(at_s, known_s, values), np.nan)


@dataclass(frozen=True, eq=False)
class BiasLikelihood:
    """Likelihood of a sensor's bias by its comparisons with the room."""

    log_likelihood: FloatArray
    """On ``_GRID``, up to a constant. (grid) [nat]"""

    def at(self, bias: FloatArray) -> FloatArray:
        """Return the log-likelihood of each bias.

        Parameters
        ----------
        bias : ndarray, draws
            [fraction of saturation]

        Returns
        -------
        ndarray, draws
            Up to a constant. [nat]
        """
        return np.asarray(np.interp(bias, _GRID, self.log_likelihood))


def bias_likelihood(
    found: Iterable[Comparison], sensor: SensorSpec, assumptions: Assumptions, now_s: float
) -> BiasLikelihood | None:
    """Return what the comparisons before an instant say; None where there are none.

    The room's sensor is taken for a common one.

    Parameters
    ----------
    found : iterable of Comparison
        Of one box, any episodes.
    sensor : SensorSpec
        The box's.
    assumptions : Assumptions
        How biases spread and wander.
    now_s : float
        Later comparisons don't count. [s since 1970 UTC]

    Returns
    -------
    BiasLikelihood or None
        Of the bias the sensor has now.
    """
    counted = _one_an_episode([one for one in found if one.at_s < now_s])
    if not counted:
        return None
    score = np.sum([_log_mixture(one) for one in counted], axis=0)
    years = (now_s - counted[-1].at_s) / _YEAR_S
    smear = np.sqrt(
        (assumptions.bias_share_of_accuracy * SensorSpec().accuracy) ** 2
        + (_ACROSS_SHARE_OF_ACCURACY * sensor.accuracy) ** 2
        + assumptions.bias_walk**2 * years
    )
    # what is compared is the bias plus normal errors: the likelihood of the sum, convolved with them
    offsets = _GRID - _GRID[:, None]
    smeared = np.logaddexp.reduce(score[:, None] - 0.5 * (offsets / smear) ** 2, axis=0)
    return BiasLikelihood(smeared - smeared.max())


def _one_an_episode(found: list[Comparison]) -> list[Comparison]:
    """Of the latest episodes the opening with the least air left behind, and the last hour before beads went in."""
    best: dict[tuple[int, bool], Comparison] = {}
    for one in sorted(found, key=lambda one: -one.left_behind):
        best[one.episode, one.before_filling] = one
    latest = max((one.episode for one in found), default=0)
    kept = [one for one in best.values() if one.episode > latest - EPISODES_COMPARED]
    return sorted(kept, key=lambda one: one.at_s)


def _log_mixture(one: Comparison) -> FloatArray:
    """Log-likelihood of each difference of two sensors: all air exchanged, a part of it, or something odd."""
    away = one.gap - _GRID
    ends = (-_EITHER_WAY, _EITHER_WAY) if one.apart is None else (one.apart,)
    parts = np.concatenate([end * _UNEXCHANGED for end in ends])
    part = _normal(away[:, None] - parts, one.sd).mean(axis=1)
    rest = 1.0 - one.all_exchanged - _CHANCE_ODD
    every = one.all_exchanged * _normal(away, one.sd) + rest * part + _CHANCE_ODD * _normal(away, _ODD_SD)
    return np.asarray(np.log(every))


def _normal(away: FloatArray, sd: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * np.square(away / sd)) / sd)
