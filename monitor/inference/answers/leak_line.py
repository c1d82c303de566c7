"""What the leak was read from, to be drawn: water taken up against the push behind it. The slope is the leak.

What beads and spools hold is read off each step's humidity by their isotherms; the push is the vapor pressure outside
less that inside, times days. Water that came at once, with a spool or for no known reason, moves all later points up or
down: there the line begins anew, with the same slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.bins import Bins
from monitor.inference.fit.change_point import ChangePoint
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.quantiles import quantile_points
from monitor.inference.model.disturbances import opening_dose_g
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import air_of
from monitor.physics.box_balance import DrawnBox
from monitor.physics.compiled import forecast_kernel
from monitor.physics.numerics import FloatArray, median
from monitor.records import Column, LeakLine, Quantiles

MOST_POINTS = 400
"""Of more, every second or third is given. [points] Judgement: as many as a wide picture tells apart."""
_LEAST_POINTS = 2
"""Fewer make no line. [points] By definition."""
_DRAWS = 50
"""Draws that what was taken up is worked out for. [draws] Judgement: only its median is shown; all thousand would cost
more than the update of a box."""
_DRIEST = 1e-4
"""A shown humidity, its bias taken off, counts for no less. [fraction of saturation] Judgement: far below any floor."""


def leak_line_of(posterior: Posterior, conductance: Quantiles, change: ChangePoint | None) -> LeakLine | None:
    """Return the points that a leak was read from, with its line.

    Parameters
    ----------
    posterior : Posterior
        Of one box.
    conductance : Quantiles
        Its leak since these beads went in, or since it changed. [g/day/kPa]
    change : ChangePoint or None
        Of its conductance, where there was one.

    Returns
    -------
    LeakLine or None
        None without beads, or where there are no two points.
    """
    bins = posterior.bins
    shown = np.flatnonzero(np.isfinite(bins.shown_humidity) & ~bins.censored)
    if posterior.episode.desiccant is None or len(shown) < _LEAST_POINTS:
        return None
    shown = shown[:: -(-len(shown) // MOST_POINTS)]
    course = _Course.of(posterior)
    taken_up = course.taken_up_g[shown] - course.taken_up_g[shown[0]]
    push = course.push_kpa_days[shown] - course.push_kpa_days[shown[0]]
    middle = quantile_points(taken_up, (0.5,), of_rows=True)[0]
    middles_s = posterior.now_s + DAY_S * _middles(bins)
    bend = _bend(push, middles_s[shown], change)
    piece_of = _pieces(bins)[shown]
    along = bend.along(push)
    start = _starts(middle - conductance.p50 * along, piece_of)
    return LeakLine(
        at_s=Column.of(middles_s[shown]),
        push_kpa_days=Column.of(push),
        taken_up_g=Column.of(middle),
        line_g=Column.of(start + conductance.p50 * along),
        line_low_g=Column.of(start + conductance.p05 * along),
        line_high_g=Column.of(start + conductance.p95 * along),
        pieces=tuple((np.flatnonzero(np.diff(piece_of)) + 1).tolist()),
        changed_push_kpa_days=bend.at_kpa_days,
    )


@dataclass(frozen=True, eq=False)
class _Course:
    """Step by step, at the middle of each: what was taken up by some draws, and the push behind it."""

    taken_up_g: FloatArray
    """Since closing, less what openings brought. (bins × draws) [g]"""
    push_kpa_days: FloatArray
    """Since closing, by the mean humidity of the draws. (bins) [kPa days]"""

    @classmethod
    def of(cls, posterior: Posterior) -> _Course:
        bins = posterior.bins
        some = np.arange(0, len(posterior.theta), max(len(posterior.theta) // _DRAWS, 1))
        box, theta = posterior.state.drawn.take(some), posterior.theta[some]
        humidity = _humidity(bins, theta)
        air = air_of(bins.outside_kpa[:, None], bins.temperature_degc[:, None])  # (bins × 1)
        beads = box.dry_mass_g * box.table.loading(humidity, air.temperature_degc)
        held = beads + _slow_g(box, np.exp(theta[:, Unknown.log_slow_humidity]), humidity, bins.days)
        held = held + box.volume_liter * air.saturated_air_g_per_liter * humidity
        if bins.openings.any():
            held = held - np.cumsum(bins.openings[:, None] * opening_dose_g(box, air, humidity), axis=0)
        inside_kpa = humidity.mean(axis=1) * np.ravel(air.saturation_kpa)
        push = (bins.outside_kpa - inside_kpa) * bins.days
        return cls(held, np.cumsum(push) - 0.5 * push)


def _humidity(bins: Bins, theta: FloatArray) -> FloatArray:
    """True humidity by what was shown; on a line where nothing was, from what the fit says of the start. (bins × draws)

    The bias of a sensor that was swapped since is not known, and taken for none.
    """
    seen = np.isfinite(bins.shown_humidity)
    of_sensor_now = np.arange(len(seen)) >= max(bins.new_sensors, default=0)
    bias = np.where(of_sensor_now[:, None], theta[:, Unknown.sensor_bias], 0.0)
    middles = _middles(bins)
    between = np.interp(middles, middles[seen], bins.shown_humidity[seen])[:, None] - bias
    first = int(np.argmax(seen))
    began = np.exp(theta[:, Unknown.log_start_humidity])
    share = ((middles[:first] - bins.edges_days[0]) / (middles[first] - bins.edges_days[0]))[:, None]
    between[:first] = (1.0 - share) * began + share * between[first]
    return np.clip(between, _DRIEST, 1.0)


def _slow_g(box: DrawnBox, slow_humidity: FloatArray, humidity: FloatArray, days: FloatArray) -> FloatArray:
    """Water in spools and cores, which follow the humidity behind their lag, at the middle of each bin. (bins × draws)
    [g]"""
    half_way = -np.expm1(-0.5 * days[:, None] / box.slow_lag_days)
    begins = _lagged(slow_humidity, humidity, half_way * (2.0 - half_way))
    return np.asarray(box.slow_g_per_humidity * (begins + half_way * (humidity - begins)))


def _lagged(start: FloatArray, humidity: FloatArray, caught_up: FloatArray) -> FloatArray:
    """What follows the humidity, catching up by a share in each bin: as it is when each begins. (bins × draws)"""
    begins, now = np.empty_like(humidity), start.copy()
    kernel, _ = forecast_kernel()
    if kernel is not None:
        kernel.follow(now, humidity, caught_up, begins)
        return begins
    for begin, towards, share in zip(begins, humidity, caught_up, strict=True):
        begin[:] = now
        now += share * (towards - now)
    return begins


def _middles(bins: Bins) -> FloatArray:
    """[days from now, negative]"""
    return 0.5 * (bins.edges_days[1:] + bins.edges_days[:-1])


def _pieces(bins: Bins) -> NDArray[np.intp]:
    """The number of the piece that each bin lies in; one in which water came at once is a piece of its own."""
    at_once = (bins.swaps > 0.0) | (bins.step_size > 0.0)
    begins = np.r_[False, at_once[:-1]] | at_once
    begins[[at for at in bins.new_sensors if at < len(begins)]] = True
    return np.cumsum(begins)


def _starts(above: FloatArray, piece_of: NDArray[np.intp]) -> FloatArray:
    """How high the line of each point's piece begins: the median of what the points lie above it. (points) [g]"""
    out = np.empty_like(above)
    for piece in np.unique(piece_of):
        here = piece_of == piece
        out[here] = median(above[here])
    return out


@dataclass(frozen=True, eq=False)
class _Bend:
    """Where the slope changes, and the slopes before and after over that of the estimate, which counts from there."""

    at_kpa_days: float | None
    shares: tuple[float, ...]

    def along(self, push: FloatArray) -> FloatArray:
        """Return the height of a line whose slope is 1 where the estimate counts. [kPa days]"""
        if self.at_kpa_days is None:
            return push
        before, after = self.shares
        return before * np.minimum(push, self.at_kpa_days) + after * np.maximum(push - self.at_kpa_days, 0.0)


def _bend(push: FloatArray, at_s: FloatArray, change: ChangePoint | None) -> _Bend:
    """The bend at a change within these points; none where there was none, or it came before them."""
    if change is None or not at_s[0] < change.at.timestamp() < at_s[-1]:
        return _Bend(None, (1.0,))
    at = float(np.interp(change.at.timestamp(), at_s, push))
    return _Bend(at, (1.0 / change.factor.p50, 1.0))
