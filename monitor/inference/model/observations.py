"""Measurement updates of the filter: by a reading, a weighing of the charge, the color of the beads."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import Problem, State
from monitor.inference.model.swapped_spools import SlowTangents, Swap
from monitor.physics.box_balance import Air
from monitor.physics.numerics import FloatArray


@dataclass(eq=False)
class EarlierBias:
    """Bias of a sensor that was swapped since: its mean, variance and covariances in the filter of each draw."""

    mean: FloatArray
    """(draws) [fraction of saturation]"""
    var: FloatArray
    """Its variance. (draws) [fraction of saturation²]"""
    with_loading: FloatArray
    """Its covariance with the loading. (draws) [g/g]"""
    with_wander: FloatArray
    """Its covariance with ln conductance. (draws) [1]"""
    with_slow: FloatArray
    """Its covariance with the slow humidity. (draws) [fraction of saturation²]"""

    @classmethod
    def from_prior(cls, sd: float, count: int) -> EarlierBias:
        """Return its prior, before the first reading.

        Parameters
        ----------
        sd : float
            Standard deviation of a bias by the prior. [fraction of saturation]
        count : int
            How many draws.

        Returns
        -------
        EarlierBias
            With mean zero.
        """
        zero = np.zeros(count)
        return cls(zero, np.full(count, sd * sd), zero, zero, zero)

    def predict(
        self, loading_kept: FloatArray, by_wander: FloatArray, wander_kept: float, slow: SlowTangents | None = None
    ) -> None:
        """Predict the covariances one bin ahead, as those of water and conductance are, in place.

        Parameters
        ----------
        loading_kept : ndarray, draws
            d end loading / d start loading. [1]
        by_wander : ndarray, draws
            d end loading / d ln conductance. [g/g]
        wander_kept : float
            Share of the wander of ln conductance still there. [fraction]
        slow : SlowTangents, optional
            Of slow humidity, where it has an error.
        """
        with_loading = loading_kept * self.with_loading + by_wander * self.with_wander
        if slow is not None:
            with_loading = with_loading + slow.loading_by_slow * self.with_slow
            self.with_slow = (
                slow.slow_by_loading * self.with_loading
                + slow.slow_by_wander * self.with_wander
                + slow.slow_by_slow * self.with_slow
            )
        self.with_loading = with_loading
        self.with_wander = wander_kept * self.with_wander

    def swap_spools(self, swap: Swap) -> None:
        """Swap spools, as in the state itself, in place.

        Parameters
        ----------
        swap : Swap
            Of the bin.
        """
        self.with_loading = self.with_loading - swap.replaced * swap.loading * self.with_slow
        self.with_slow = (1.0 - swap.replaced * swap.stays) * self.with_slow

    def update(  # noqa: PLR0917
        self,
        innovation: FloatArray,
        removed_variance: FloatArray,
        gain: FloatArray,
        by_loading: FloatArray,
        by_wander: FloatArray,
        by_slow: FloatArray,
    ) -> None:
        """Update the bias by an observation, in place.

        Parameters
        ----------
        innovation : ndarray, draws
            The observation less its prediction, times the weight of a robust update. [unit of the observation]
        removed_variance : ndarray, draws
            Variance that the update removes. [its square]
        gain : ndarray, draws
            Of the bias. [fraction of saturation by that unit]
        by_loading : ndarray, draws
            Gain of the loading. [g/g by that unit]
        by_wander : ndarray, draws
            Gain of ln conductance. [1 by that unit]
        by_slow : ndarray, draws
            Gain of the slow humidity. [fraction of saturation by that unit]
        """
        self.mean = self.mean + gain * innovation
        self.var = np.maximum(self.var - gain * gain * removed_variance, 0.0)
        self.with_loading = self.with_loading - gain * by_loading * removed_variance
        self.with_wander = self.with_wander - gain * by_wander * removed_variance
        self.with_slow = self.with_slow - gain * by_slow * removed_variance


_LOG_SQRT_2PI = 0.9189385332046727
"""ln of the square root of 2π, exact to the last digit of a double."""
STEEPEST = 60.0
"""Most slope of humidity by loading that a reading is linearized with. [fraction per g/g] Judgement: past its knee a
sieve is steeper, but only for a hair of loading, and a straight line through that point would throw the draw."""
_ROUNDING_SD_STEPS = 0.29
"""Standard deviation of rounding to a display's step, 1/√12 (JCGM 100:2008, F.2.2.1, from memory). [steps]"""
_ROUNDING_LEFT_IN_MEAN = 0.5
"""Of the variance of rounding, what is left in a bin's mean. [share] Judgement: within a day humidity moves over some
steps, so hours round differently, but not independently."""
SCALE_SD_STEPS = 0.3
"""The same of a scale, repeatability included. [steps] Judgement: 1/√12 and a hair."""
_LEAST_WEIGHING_SD_G = 0.03
"""A weighing of a charge is no better than this, whatever the scale shows. [g] Judgement: water taken up on the way to
the scale, beads that cling to a holder."""


def reading_noise(shown: float, problem: Problem) -> float:
    """Return the variance of a bin's mean: the sensor's scatter, its display step, and a share of the humidity itself.

    Parameters
    ----------
    shown : float
        What the bin shows. [fraction of saturation]
    problem : Problem
        Its sensor and assumptions.

    Returns
    -------
    float
        [fraction of saturation²]
    """
    step = _ROUNDING_SD_STEPS * problem.box.sensor.resolution
    share = problem.assumptions.reading_share * shown
    return _scatter_variance(problem) + _ROUNDING_LEFT_IN_MEAN * step**2 + share**2


def _scatter_variance(problem: Problem) -> float:
    """What a sensor is off by about its mean error of the episode so far. [fraction of saturation²]

    Its wander is taken for a first-order process: seen over a span, it keeps its variance less that of its mean, and
    that is in the bias. A young box's readings so say more of how its humidity rises than of where it stands.
    """
    assume = problem.assumptions
    if problem.prior.humidity_shows == "phase":
        return assume.reading_sd_over_salt**2
    left = 1.0 - _share_of_mean(problem.span_days / assume.reading_wander_days)
    return assume.reading_sd**2 + left * assume.reading_wander_sd**2


def _share_of_mean(span: float) -> float:
    """Variance of the mean of a first-order process over a span, in its memories, as a share of its own variance.

    Exact: 2 (a - 1 + exp(-a)) / a², the double integral of exp(-|t - s|). [fraction]
    """
    if span == 0.0:
        return 1.0
    return 2.0 * (1.0 + math.expm1(-span) / span) / span


def update_by_reading(  # noqa: PLR0917
    state: State,
    problem: Problem,
    theta: FloatArray,
    i: int,
    air: Air,
    loading: FloatArray,
    earlier: EarlierBias | None = None,
) -> FloatArray:
    """Update the state by the reading of a bin, in place.

    Parameters
    ----------
    state : State
        At the end of the bin.
    problem : Problem
        The episode.
    theta : ndarray, draws × unknowns
        The constants. [unit of each ``Unknown``]
    i : int
        The bin.
    air : Air
        Inside, in this bin.
    loading : ndarray, draws
        When the reading was taken. [g/g]
    earlier : EarlierBias, optional
        Bias of the sensor that showed it, where that is not the one of now; changed in place.

    Returns
    -------
    ndarray, draws
        Log-likelihood of the reading, up to a constant. [nat]
    """
    humidity, slope = state.drawn.table.humidity(loading, air.temperature_degc)
    slope = np.minimum(slope, STEEPEST)
    shown = float(problem.bins.shown_humidity[i])
    through_loading, through_wander = slope * state.var_loading, slope * state.covariance
    through_slow = slope * state.slow_with_loading
    through_bias, bias = np.zeros_like(slope), theta[:, Unknown.sensor_bias]
    if earlier is not None:
        bias, through_bias = earlier.mean, earlier.var + slope * earlier.with_loading
        through_loading, through_wander = through_loading + earlier.with_loading, through_wander + earlier.with_wander
        through_slow = through_slow + earlier.with_slow
    variance = slope * through_loading + through_bias + reading_noise(shown, problem)
    gap = shown - humidity - bias
    if problem.bins.censored[i] and problem.assumptions.censored:
        score, innovation, share = _at_or_below(gap, variance)
    else:
        score, innovation, share = _student(gap, variance, problem.assumptions.student_degrees)
    by_loading, by_wander, by_slow = through_loading / variance, through_wander / variance, through_slow / variance
    if earlier is not None:
        earlier.update(innovation, share * variance, through_bias / variance, by_loading, by_wander, by_slow)
    _update(state, innovation, share * variance, by_loading, by_wander, by_slow)
    return score


def _student(gap: FloatArray, variance: FloatArray, degrees: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Score, shift of the mean and share of the full variance cut, for a reading with heavy-tailed error."""
    square = gap * gap / variance
    score = -0.5 * np.log(variance) - (0.5 * (degrees + 1.0)) * np.log1p(square * (1.0 / degrees))
    weight = np.minimum((degrees + 1.0) / (degrees + square), 1.0)
    return score, weight * gap, weight


def _at_or_below(gap: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The same for 'no more than this': moments of a normal cut off above."""
    from scipy.special import log_ndtr  # noqa: PLC0415 -- a quarter of a second, paid where nothing is compiled

    sd = np.sqrt(variance)
    z = gap / sd
    score = log_ndtr(z)
    inverse_mills = np.exp(-0.5 * z * z - _LOG_SQRT_2PI - score)
    return score, -sd * inverse_mills, inverse_mills * (inverse_mills + z)


def update_by_weighing(  # noqa: PLR0917
    state: State,
    problem: Problem,
    log_dry: FloatArray,
    mass_g: float,
    resolution_g: float,
    earlier: EarlierBias | None = None,
) -> FloatArray:
    """Update the state by a weighing of the charge, in place: grams, where humidity gives only a share of capacity.

    Parameters
    ----------
    state : State
        At the weighing.
    problem : Problem
        The episode.
    log_dry : ndarray, draws
        Dry mass over the declared one. [ln(ratio)]
    mass_g : float
        Of beads and water. [g]
    resolution_g : float
        Last digit of the scale. [g]
    earlier : EarlierBias, optional
        Bias of the sensor in the box then, where that is not the one of now; changed in place.

    Returns
    -------
    ndarray, draws
        Log-likelihood of the weighing, up to a constant; 0 where no grams were declared. [nat]
    """
    if not problem.prior.grams_declared:
        return np.zeros_like(log_dry)
    grams = state.drawn.dry_mass_g
    dry = problem.prior.dry_mass_g * np.exp(log_dry)
    variance = grams * grams * state.var_loading + (SCALE_SD_STEPS * resolution_g) ** 2 + _LEAST_WEIGHING_SD_G**2
    gap = mass_g - dry - grams * state.loading
    score, innovation, share = _student(gap, variance, problem.assumptions.student_degrees)
    by_loading, by_wander = grams * state.var_loading / variance, grams * state.covariance / variance
    by_slow = grams * state.slow_with_loading / variance
    if earlier is not None:
        gain = grams * earlier.with_loading / variance
        earlier.update(innovation, share * variance, gain, by_loading, by_wander, by_slow)
    _update(state, innovation, share * variance, by_loading, by_wander, by_slow)
    return score


def update_by_color(state: State, problem: Problem, color: str, air: Air) -> FloatArray:
    """Return what the color of the beads says; so vague that it weights draws and does not update the filter.

    Parameters
    ----------
    state : State
        At that time.
    problem : Problem
        Its prior has the dye.
    color : str
        As seen.
    air : Air
        Inside.

    Returns
    -------
    ndarray, draws
        Log-likelihood, 0 without a dye. [nat]
    """
    dye = problem.prior.dye
    if dye is None:
        return np.zeros_like(state.loading)
    humidity, _ = state.drawn.table.humidity(state.loading, air.temperature_degc)
    return np.asarray(dye.log_likelihood(color, np.clip(humidity, 0.0, 1.0)))


def _update(  # noqa: PLR0917
    state: State,
    innovation: FloatArray,
    removed_variance: FloatArray,
    by_loading: FloatArray,
    by_wander: FloatArray,
    by_slow: FloatArray,
) -> None:
    """Kalman update of water, conductance and slow contents by their gains."""
    state.loading = state.drawn.table.keep_within(state.loading + by_loading * innovation)
    state.wander = state.wander + by_wander * innovation
    by_variance = by_loading * removed_variance
    state.var_loading = state.var_loading - by_loading * by_variance
    state.covariance = state.covariance - by_wander * by_variance
    state.var_wander = state.var_wander - by_wander * by_wander * removed_variance
    if state.spools_were_swapped:
        before = state.slow_humidity
        state.slow_humidity = np.maximum(before + by_slow * innovation, 0.0)
        state.event_g = state.event_g + (state.slow_humidity - before) * state.drawn.slow_g_per_humidity
        state.slow_with_loading = state.slow_with_loading - by_slow * by_variance
        state.slow_with_wander = state.slow_with_wander - by_slow * by_wander * removed_variance
        state.var_slow = np.maximum(state.var_slow - by_slow * by_slow * removed_variance, 0.0)
