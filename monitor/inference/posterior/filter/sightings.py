"""What is seen of a box corrects the filter: a reading, a weighing of the charge, a look at the beads."""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr

from monitor.inference.posterior.filter.earlier_sensor import EarlierBias
from monitor.inference.posterior.filter.state import Problem, State
from monitor.inference.posterior.priors import Unknown
from monitor.physics.box_balance import Air
from monitor.physics.numerics import FloatArray

_LOG_SQRT_2PI = 0.9189385332046727
_STEEPEST = 60.0


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
    assume = problem.assumptions
    step = 0.29 * problem.box.sensor.resolution
    scatter = assume.reading_sd_over_salt if problem.prior.humidity_shows == "phase" else assume.reading_sd
    return scatter**2 + 0.5 * step**2 + (assume.reading_share * shown) ** 2


def correct(  # noqa: PLR0917
    state: State,
    problem: Problem,
    theta: FloatArray,
    i: int,
    air: Air,
    loading: FloatArray,
    earlier: EarlierBias | None = None,
) -> FloatArray:
    """Correct the state by the reading of a bin, in place.

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
    slope = np.minimum(slope, _STEEPEST)
    shown = float(problem.bins.shown_humidity[i])
    through_loading, through_wander = slope * state.var_loading, slope * state.covariance
    through_bias, bias = np.zeros_like(slope), theta[:, Unknown.sensor_bias]
    if earlier is not None:
        bias, through_bias = earlier.mean, earlier.var + slope * earlier.with_loading
        through_loading, through_wander = through_loading + earlier.with_loading, through_wander + earlier.with_wander
    variance = slope * through_loading + through_bias + reading_noise(shown, problem)
    gap = shown - humidity - bias
    if problem.bins.censored[i] and problem.assumptions.censored:
        score, move, share = _at_or_below(gap, variance)
    else:
        score, move, share = _student(gap, variance, problem.assumptions.student_degrees)
    by_loading, by_wander = through_loading / variance, through_wander / variance
    if earlier is not None:
        earlier.corrected(move, share * variance, through_bias / variance, by_loading, by_wander)
    _shift(state, move, share * variance, by_loading, by_wander)
    return score


def _student(gap: FloatArray, variance: FloatArray, degrees: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Score, shift of the mean and share of the full variance cut, for a reading with heavy-tailed error."""
    square = gap * gap / variance
    score = -0.5 * np.log(variance) - (0.5 * (degrees + 1.0)) * np.log1p(square * (1.0 / degrees))
    weight = np.minimum((degrees + 1.0) / (degrees + square), 1.0)
    return score, weight * gap, weight


def _at_or_below(gap: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The same for 'no more than this': moments of a normal cut off above."""
    sd = np.sqrt(variance)
    z = gap / sd
    score = log_ndtr(z)
    inverse_mills = np.exp(-0.5 * z * z - _LOG_SQRT_2PI - score)
    return score, -sd * inverse_mills, inverse_mills * (inverse_mills + z)


def weigh(  # noqa: PLR0917
    state: State,
    problem: Problem,
    log_dry: FloatArray,
    mass_g: float,
    resolution_g: float,
    earlier: EarlierBias | None = None,
) -> FloatArray:
    """Correct the state by a weighing of the charge, in place: grams, where humidity tells only shares.

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
    variance = grams * grams * state.var_loading + (0.3 * resolution_g) ** 2 + 0.03**2
    gap = mass_g - dry - grams * state.loading
    score, move, share = _student(gap, variance, problem.assumptions.student_degrees)
    by_loading, by_wander = grams * state.var_loading / variance, grams * state.covariance / variance
    if earlier is not None:
        gain = grams * earlier.with_loading / variance
        earlier.corrected(move, share * variance, gain, by_loading, by_wander)
    _shift(state, move, share * variance, by_loading, by_wander)
    return score


def look(state: State, problem: Problem, color: str, air: Air) -> FloatArray:
    """Return what the color of the beads says; so vague that it weighs draws and moves none.

    Parameters
    ----------
    state : State
        When they were looked at.
    problem : Problem
        Its prior tells the dye.
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


def _shift(state: State, move: FloatArray, shrink: FloatArray, by_loading: FloatArray, by_wander: FloatArray) -> None:
    """Move water and conductance by their gains, and take from their errors what was learned."""
    state.loading = state.drawn.table.keep_within(state.loading + by_loading * move)
    state.wander = state.wander + by_wander * move
    learned = by_loading * shrink
    state.var_loading = state.var_loading - by_loading * learned
    state.covariance = state.covariance - by_wander * learned
    state.var_wander = state.var_wander - by_wander * by_wander * shrink
