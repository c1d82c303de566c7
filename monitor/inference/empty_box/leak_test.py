"""The empty-box test: how fast an empty box drifts to the room gives its conductance in grams, whatever the beads.

With nothing hygroscopic inside, dp/dt = n (p_room - p_box): the water analogue of tracer decay (ASTM E741). Vapor
pressure is used, not humidity, so that warm hours do no harm. Walls that take water up slow the course in both
directions, so the test reads low by what is guessed here from their material; an error of the sensors and walls that
lag pull a run up and a run down apart, and their mean is nearer the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.errors import TooLittleEvidence
from monitor.inference.empty_box.course import (
    CORRELATED_HOURS,
    FASTEST,
    SLOWEST,
    Course,
    objection_to,
)
from monitor.inference.evidence.hours import Hours
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE
from monitor.inference.model.contents import walls_of
from monitor.inference.model.normal import lognormal_quantiles
from monitor.physics.numerics import FloatArray
from monitor.records import NORMAL_P95, Quantiles
from monitor.texts import say

_LEAST_HOURS = 12
"""Fewer hours make no test. [h] Judgement: half a day."""
_LEAST_STEP_KPA = 0.15
"""A box has to start so far from its room. [kPa] Judgement: two sensors of 3 % RH at 20 °C differ by half of it."""
_START_HOURS = 3
"""Hours whose mean is where it started. [h] Judgement."""
_GRID = np.geomspace(SLOWEST, FASTEST, 400)
"""Air changes a day that the posterior is tabulated at. [1/day] Judgement: steps of two per cent, finer than any test
resolves."""
_LEARNED_SD = 0.8
"""A posterior wider than this has hardly learned from the test. [ln conductance] Judgement: a bit over half of the
prior's spread."""
_PRIOR_LOG, _PRIOR_SD = np.log(1.6), 1.4
"""Of the air changes: the median of a box of which nothing is known (``box_prior.style_prior``) [ln 1/day], and a
spread wider than there. Judgement: a test should rest on its own readings."""
_FITTED = 3.0
"""Exact count of the numbers fitted to a course: offset, start and rate."""
_LEAST_SCATTER_VAR = 1e-8
"""Least variance about the course. [kPa²] Judgement: 0.1 Pa, far below what any sensor resolves; it keeps a division
sound."""


@dataclass(frozen=True)
class EmptyBoxLeak:
    """What an empty-box test found."""

    air_changes_per_day: Quantiles
    """Of the empty box. [1/day]"""
    conductance_g_per_day_per_kpa: Quantiles
    """What that is in water. [g/day/kPa]"""
    half_time_days: Quantiles
    """Until half of the way to the room is gone. [days]"""
    hours: int
    """With readings inside and outside."""
    upward: bool = True
    """True where the box started drier than the room."""
    walls_matter: bool = False
    """True where the walls are of a material that takes up much water."""
    objection: str = ""
    """What speaks against the box having been empty; empty where nothing does."""


def leak_of_empty_box(
    box: Hours, room: Hours, start_s: float, end_s: float, *, volume_liter: float, wall_material: str | None = None
) -> EmptyBoxLeak:
    """Return the leak of an empty box from readings inside and outside between two instants.

    Parameters
    ----------
    box : Hours
        Inside.
    room : Hours
        Outside.
    start_s, end_s : float
        When the lid was closed, and when the test ended. [s since 1970 UTC]
    volume_liter : float
        Of the box. [L]
    wall_material : str, optional
        As declared.

    Returns
    -------
    EmptyBoxLeak
        With what speaks against the box having been empty.

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
            say(
                "only {count} hours have readings both inside and outside; a test needs {least}",
                count=int(known.sum()),
                least=_LEAST_HOURS,
            )
        )
    step_kpa = float(np.mean(inside[known][:_START_HOURS] - outside[known][:_START_HOURS]))
    if abs(step_kpa) < _LEAST_STEP_KPA:
        raise TooLittleEvidence(
            say(
                "the box started only {step} kPa from the room; start at least {least} kPa apart: dry "
                "its air with beads or moisten it with a damp cloth, and take them out before closing",
                step=f"{abs(step_kpa):.2f}",
                least=_LEAST_STEP_KPA,
            )
        )
    course = Course(inside, outside, there.temperature_degc, known)
    objection = objection_to(course)
    middle, seen_sd = _log_changes(course)
    if seen_sd > _LEARNED_SD:
        raise TooLittleEvidence(
            objection
            or say(
                "in {inside} hours humidity moved too little to show the leak; leave the box closed for longer, "
                "or start it drier or moister",
                inside=len(inside),
            )
        )
    (slower, slower_sd), walls_matter = walls_of(wall_material)
    changes = lognormal_quantiles(middle + slower, float(np.hypot(seen_sd, slower_sd)))
    found = _found(changes, volume_liter, int(known.sum()))
    return replace(found, upward=step_kpa < 0.0, walls_matter=walls_matter, objection=objection)


def _log_changes(course: Course) -> tuple[float, float]:
    """Return mean and spread of ln of the air changes a day, as the course shows them."""
    weights = _posterior(course)
    middle = float(weights @ np.log(_GRID))
    return middle, float(np.sqrt(weights @ (np.log(_GRID) - middle) ** 2))


def both_ways(one: Quantiles, other: Quantiles) -> Quantiles:
    """Return what a run up and a run down give together: the mean of their logarithms.

    Their spreads are partly of the same cause, the walls, so the narrower one stands for both; where the two disagree,
    half of what lies between them is added.

    Parameters
    ----------
    one, other : Quantiles
        Of the same quantity, in any one unit.

    Returns
    -------
    Quantiles
        In that unit.
    """
    logs = [np.log([run.p05, run.p50, run.p95]) for run in (one, other)]
    middle = 0.5 * (logs[0][1] + logs[1][1])
    sd = np.hypot(min(float(q[2] - q[0]) / (2.0 * NORMAL_P95) for q in logs), 0.5 * abs(logs[0][1] - logs[1][1]))
    return lognormal_quantiles(middle, float(sd))


def _found(changes: Quantiles, volume_liter: float, hours: int) -> EmptyBoxLeak:
    per_change = CONDUCTANCE_PER_AIR_CHANGE * volume_liter
    points = (changes.p05, changes.p50, changes.p95)
    conductance = Quantiles(*(n * per_change for n in points))
    half_time = Quantiles(*(float(np.log(2.0)) / n for n in reversed(points)))
    return EmptyBoxLeak(changes, conductance, half_time, hours)


def _posterior(course: Course) -> FloatArray:
    """Weights of the grid of air changes, start and sensor offset fitted to each."""
    hours = float(course.known.sum())
    sums = np.array([course.misfit(n) for n in _GRID])
    scatter = float(np.sqrt(max(sums.min() / max(hours - _FITTED, 1.0), _LEAST_SCATTER_VAR)))
    log_posterior = -0.5 * sums / scatter**2 / CORRELATED_HOURS
    log_posterior -= 0.5 * ((np.log(_GRID) - _PRIOR_LOG) / _PRIOR_SD) ** 2
    weights = np.exp(log_posterior - log_posterior.max())
    return np.asarray(weights / weights.sum())


STEPS = (
    "Take beads, spools and cardboard out. Wipe the box dry. Leave it open for an hour.",
    "Dry its air for an hour with beads in a cup, or moisten it with a damp cloth. Take that out and close the lid.",
    "Leave one sensor inside and one outside, for a day. A box that seals well needs three days.",
    "If you can, repeat the test the other way round: moist instead of dry. "
    "If the two results differ, do not trust either: walls or sensors mislead.",
    "Log the recharge when the beads go back in.",
)
"""How the test is done, in order."""
