"""A sensor that was swapped or calibrated: its step is its own and not the water's, and its bias starts again."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.special import logsumexp
from simulated_boxes import Truth, entry, simulated_box, with_entries

from monitor.inference.answers.explanation import evidence_of
from monitor.inference.answers.forecast import forecast
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, Record
from monitor.inference.model.kalman import run
from monitor.inference.model.prior import Normal, Unknown
from monitor.inference.model.state import Problem
from monitor.physics.numerics import FloatArray
from monitor.records import CrossingForecast, EntryKind

SEEN_DAYS, SWAP_DAY = 45, 30.4
TRUTH = Truth(conductance=0.15, start_humidity=0.05, accuracy=0.03)


@cache
def box(step: float) -> tuple[Record, float, float]:
    """A box whose sensor shows so much more from the swap on, the instant of asking, and the days truly left."""
    record, now_s, left = simulated_box(TRUTH, SEEN_DAYS, whole_days=400)
    shown = record.hours.relative_humidity.copy()
    shown[round(24 * SWAP_DAY) :] += step
    return replace(record, hours=replace(record.hours, relative_humidity=np.clip(shown, 0.0, 1.0))), now_s, left


def fit(step: float, logged: bool) -> Posterior:
    record, now_s, _ = box(step)
    return estimate(with_entries(record, entry(EntryKind.sensor_swap, SWAP_DAY)) if logged else record, now_s)


def days(ahead: CrossingForecast, now_s: float) -> list[float]:
    points = (ahead.cross_at.p05, ahead.cross_at.p50, ahead.cross_at.p95)
    return [np.inf if at is None else (at.timestamp() - now_s) / 86_400.0 for at in points]


@pytest.mark.parametrize("step", [0.05, -0.05])
def test_a_logged_swap_brings_the_forecast_back_and_holds_the_truth(step: float) -> None:
    now_s, left = box(0.0)[1:]
    without, logged, unlogged = (
        days(forecast(fit(*case)), now_s) for case in ((0.0, False), (step, True), (step, False))
    )
    away = [abs(np.log(one[1] / without[1])) for one in (logged, unlogged)]
    assert away[0] < 0.6 * away[1]
    assert away[0] < np.log(1.5)
    assert logged[0] < left < logged[2]
    assert logged[0] < without[1] < logged[2]


@pytest.mark.parametrize("step", [0.05, -0.05])
def test_a_logged_step_is_not_asked_about_and_said_for_what_it_is(step: float) -> None:
    found = fit(step, True)
    said = " ".join(evidence_of(found))
    assert "jumped" not in said
    assert not found.episode.unlogged
    assert "The two disagree by 5 % RH" in said


def test_a_swap_without_a_step_leaves_the_forecast() -> None:
    now_s = box(0.0)[1]
    without, swapped = (days(forecast(fit(0.0, logged)), now_s) for logged in (False, True))
    assert swapped[1] == pytest.approx(without[1], rel=0.2)
    assert "disagree" not in " ".join(evidence_of(fit(0.0, True)))


def _known_earlier(problem: Problem, swap: int, bias: float, theta: FloatArray) -> float:
    """Log-likelihood where the earlier sensor's bias is known: the filter takes off the bias of now, so put it on."""
    bins = problem.bins
    shown = bins.shown_humidity - np.where(np.arange(len(bins.days)) < swap, bias - theta[0, Unknown.sensor_bias], 0.0)
    return float(run(replace(problem, bins=replace(bins, new_sensors=(), shown_humidity=shown)), theta)[0][0])


def test_an_earlier_bias_in_the_filter_is_one_averaged_over() -> None:
    """The same likelihood as many runs, each with one bias of the earlier sensor known, of normal errors.

    The bias is taken for known to half a per cent, and readings for as rough as over a year, so that 41 nodes of a
    quadrature see it. What the filter takes for straight matters more for a draw that lies far from what was seen.
    """
    posterior = fit(0.01, True)
    normal = replace(posterior.problem.assumptions, student_degrees=1e9, reading_share=0.0)
    prior, sd = posterior.problem.prior, 0.005
    prior = replace(prior, unknowns={**prior.unknowns, Unknown.sensor_bias: Normal(0.0, sd)})
    problem = replace(posterior.problem, assumptions=normal, prior=prior, span_days=math.inf)
    (swap,), theta = problem.bins.new_sensors, posterior.theta[::50]
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    scores = [[_known_earlier(problem, swap, sd * at, one[None]) for one in theta] for at in nodes]
    averaged = logsumexp(np.array(scores), axis=0, b=(weights / weights.sum())[:, None])
    away = np.abs(run(problem, theta)[0] - averaged)
    below = averaged.max() - averaged
    assert np.mean(away < 0.05 + 0.01 * below) >= 0.9
    assert (away < 0.05 + 0.02 * below).all()
