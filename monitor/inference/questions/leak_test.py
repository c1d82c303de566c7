"""The empty-box test: how fast an empty box drifts to the room tells its conductance in grams, beads apart.

With nothing hygroscopic inside, dp/dt = n (p_room - p_box): the water analogue of tracer decay (ASTM E741). Vapor
pressure is used, not humidity, so that warm hours do no harm. Walls that take water up slow the course in both
directions, so the test reads low by what is guessed here from their material; an error of the sensors and walls that
lag pull a run up and a run down apart, and their mean is nearer the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.errors import TooLittleEvidence
from monitor.inference.posterior.hours import Hours
from monitor.inference.posterior.priors import CONDUCTANCE_PER_AIR_CHANGE, walls_of
from monitor.inference.questions.empty_course import CORRELATED_HOURS, Course, doubt_of
from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles

_LEAST_HOURS = 12
_LEAST_STEP_KPA = 0.15
_GRID = np.geomspace(0.01, 60.0, 400)
_LEARNED_SD = 0.8
"""A posterior wider than this in ln conductance has hardly learned from the test."""
_PRIOR_LOG, _PRIOR_SD = np.log(1.6), 1.4


@dataclass(frozen=True)
class EmptyBoxLeak:
    """What an empty-box test found."""

    air_changes_per_day: Quantiles
    conductance_g_per_day_per_kpa: Quantiles
    half_time_days: Quantiles
    residual_kpa: float
    """Scatter of the vapor pressure about the fitted course."""
    hours: int
    upward: bool = True
    """True where the box started drier than the room."""
    walls_matter: bool = False
    """True where the walls are of a material that takes up much water."""
    doubt: str = ""
    """What speaks against the box having been empty; empty where nothing does."""


def leak_of_empty_box(
    box: Hours, room: Hours, start_s: float, end_s: float, *, volume_liter: float, wall_material: str | None = None
) -> EmptyBoxLeak:
    """Return the leak of an empty box from readings inside and outside between two instants.

    Raises
    ------
    TooLittleEvidence
        If there are fewer than twelve hours, the box started too near the room, or it hardly moved, empty or not.
    """
    there = box.between(start_s, end_s)
    inside, outside = there.vapor_pressure_kpa, room.between(start_s, end_s).vapor_pressure_kpa
    known = np.isfinite(inside) & np.isfinite(outside)
    if known.sum() < _LEAST_HOURS:
        raise TooLittleEvidence(
            f"only {int(known.sum())} hours have readings both inside and outside; a test needs {_LEAST_HOURS}"
        )
    step = float(np.mean(inside[known][:3] - outside[known][:3]))
    if abs(step) < _LEAST_STEP_KPA:
        raise TooLittleEvidence(
            f"the box started only {abs(step):.2f} kPa from the room; start at least {_LEAST_STEP_KPA} kPa apart: dry "
            "its air with beads or moisten it with a damp cloth, and take them out before closing"
        )
    course = Course(inside, outside, there.temperature_degc, known)
    doubt, (weights, scatter) = doubt_of(course), _posterior(course)
    (slower, slower_sd), thirsty = walls_of(wall_material)
    middle = float(weights @ np.log(_GRID))
    seen_sd = float(np.sqrt(weights @ (np.log(_GRID) - middle) ** 2))
    if seen_sd > _LEARNED_SD:
        raise TooLittleEvidence(
            doubt
            or f"in {len(inside)} hours humidity moved too little to show the leak; leave the box closed for longer, "
            "or start it drier or moister"
        )
    sd = float(np.hypot(seen_sd, slower_sd))
    changes = Quantiles(*(float(np.exp(middle + slower + z * sd)) for z in (-1.645, 0.0, 1.645)))
    found = _found(changes, volume_liter, scatter, int(known.sum()))
    return replace(found, upward=step < 0.0, walls_matter=thirsty, doubt=doubt)


def both_ways(one: Quantiles, other: Quantiles) -> Quantiles:
    """Return what a run up and a run down tell together: the mean of their logarithms.

    Their spreads are partly of the same cause, the walls, so the narrower one stands for both; where the two disagree,
    half of what lies between them is added.
    """
    logs = [np.log([run.p05, run.p50, run.p95]) for run in (one, other)]
    middle = 0.5 * (logs[0][1] + logs[1][1])
    sd = np.hypot(min(float(q[2] - q[0]) / 3.29 for q in logs), 0.5 * abs(logs[0][1] - logs[1][1]))
    return Quantiles(*(float(np.exp(middle + z * sd)) for z in (-1.645, 0.0, 1.645)))


def _found(changes: Quantiles, volume_liter: float, scatter: float, hours: int) -> EmptyBoxLeak:
    per_change = CONDUCTANCE_PER_AIR_CHANGE * volume_liter
    points = (changes.p05, changes.p50, changes.p95)
    conductance = Quantiles(*(n * per_change for n in points))
    half_time = Quantiles(*(float(np.log(2.0)) / n for n in reversed(points)))
    return EmptyBoxLeak(changes, conductance, half_time, scatter, hours)


def _posterior(course: Course) -> tuple[FloatArray, float]:
    """Weights of the grid of air changes, start and sensor offset fitted to each, and the scatter of the best."""
    hours = float(course.known.sum())
    sums = np.array([course.misfit(n) for n in _GRID])
    scatter = float(np.sqrt(max(sums.min() / max(hours - 3.0, 1.0), 1e-8)))
    log_posterior = -0.5 * sums / scatter**2 / CORRELATED_HOURS
    log_posterior -= 0.5 * ((np.log(_GRID) - _PRIOR_LOG) / _PRIOR_SD) ** 2
    weights = np.exp(log_posterior - log_posterior.max())
    return weights / weights.sum(), scatter


STEPS = (
    "Take beads, spools and cardboard out. Wipe the box dry. Leave it open for an hour.",
    "Dry its air for an hour with beads in a cup, or moisten it with a damp cloth. Take that out and close the lid.",
    "Leave one sensor inside and one outside, for a day. A box that seals well needs three days.",
    "If you can, repeat the test the other way round: moist instead of dry. They differ if walls or sensors mislead.",
    "Log the recharge when the beads go back in.",
)
"""How the test is done, in order."""
