"""The empty-box test: how fast an empty box drifts to the room tells its conductance in grams, beads apart.

With nothing hygroscopic inside, dp/dt = n (p_room - p_box): the water analogue of tracer decay (ASTM E741). Vapor
pressure is used, not humidity, so that warm hours do no harm. Walls take some water up: the test reads a little slow,
and one upward with one downward run tells by how much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.errors import TooLittleEvidence
from monitor.inference.posterior.hours import Hours
from monitor.inference.posterior.priors import CONDUCTANCE_PER_AIR_CHANGE
from monitor.physics.numerics import FloatArray
from monitor.records import Quantiles

_LEAST_HOURS = 12
_LEAST_STEP_KPA = 0.15
_GRID = np.geomspace(0.01, 60.0, 400)
_CORRELATED_HOURS = 6.0
"""Errors of neighboring hours are alike; so many hours count as one observation."""
_WALLS_SD = 0.10
"""What wall uptake may hide, in ln conductance (a judgement)."""
_PRIOR_LOG, _PRIOR_SD = np.log(1.6), 1.4


@dataclass(frozen=True)
class EmptyBoxLeak:
    """What an empty-box test found."""

    air_changes_per_day: Quantiles
    conductance_g_per_day_per_kpa: Quantiles
    half_time_days: Quantiles
    residual_kpa: float
    """Scatter of the vapor pressure about the fitted course."""


def leak_of_empty_box(box: Hours, room: Hours, start_s: float, end_s: float, volume_liter: float) -> EmptyBoxLeak:
    """Return the leak of an empty box from readings inside and outside between two instants.

    Raises
    ------
    TooLittleEvidence
        If there are fewer than twelve hours, or the box started too near the room.
    """
    inside = box.between(start_s, end_s).vapor_pressure_kpa
    outside = room.between(start_s, end_s).vapor_pressure_kpa
    known = np.isfinite(inside) & np.isfinite(outside)
    if known.sum() < _LEAST_HOURS:
        raise TooLittleEvidence(f"{int(known.sum())} hours of readings inside and outside; a test needs {_LEAST_HOURS}")
    step = float(np.abs(inside[known][:3] - outside[known][:3]).mean())
    if step < _LEAST_STEP_KPA:
        raise TooLittleEvidence(
            f"the box started {step:.2f} kPa from the room; start at least {_LEAST_STEP_KPA} kPa apart, "
            "drier or moister by a jar of beads or a damp cloth taken out before closing"
        )
    weights, scatter = _posterior(inside, outside, known)
    logs = np.log(_GRID)
    middle = float(weights @ logs)
    sd = float(np.sqrt(weights @ (logs - middle) ** 2 + _WALLS_SD**2))
    changes = [float(np.exp(middle + z * sd)) for z in (-1.645, 0.0, 1.645)]
    per_change = CONDUCTANCE_PER_AIR_CHANGE * volume_liter
    halves = [float(np.log(2.0)) / n for n in reversed(changes)]
    return EmptyBoxLeak(Quantiles(*changes), Quantiles(*(n * per_change for n in changes)), Quantiles(*halves), scatter)


def _posterior(inside: FloatArray, outside: FloatArray, known: NDArray[np.bool_]) -> tuple[FloatArray, float]:
    """Weights of the grid of air changes, start and sensor offset fitted to each, and the scatter of the best."""
    hours = float(known.sum())
    sums = np.array([_misfit(inside, outside, known, n) for n in _GRID])
    scatter = float(np.sqrt(max(sums.min() / max(hours - 3.0, 1.0), 1e-8)))
    log_posterior = -0.5 * sums / scatter**2 / _CORRELATED_HOURS
    log_posterior -= 0.5 * ((np.log(_GRID) - _PRIOR_LOG) / _PRIOR_SD) ** 2
    weights = np.exp(log_posterior - log_posterior.max())
    return weights / weights.sum(), scatter


def _misfit(inside: FloatArray, outside: FloatArray, known: NDArray[np.bool_], changes_per_day: float) -> float:
    """Least squares of the course at so many air changes: room-driven, a start that decays, an offset."""
    kept = np.exp(-changes_per_day / 24.0)
    driven, room = np.empty(len(outside)), np.interp(np.arange(len(outside)), np.flatnonzero(known), outside[known])
    level = room[0]
    for i, p in enumerate(room):
        level = p + (level - p) * kept
        driven[i] = level
    decay = kept ** np.arange(len(outside))
    basis = np.stack([decay, np.ones_like(decay)], axis=1)[known]
    gap = (inside - driven)[known]
    # the offset of the inside sensor is small: it is held near none
    ridge = np.diag([0.0, 1.0 / 0.03**2 * 0.01**2])
    fitted = np.linalg.solve(basis.T @ basis + ridge, basis.T @ gap)
    rest = gap - basis @ fitted
    return float(rest @ rest)


STEPS = (
    "Take beads, spools and cardboard out; wipe the box dry and leave it open for an hour.",
    "Dry its air for an hour with beads in a cup, or moisten it with a damp cloth; take that out and close the lid.",
    "Leave sensors inside and outside for a day; three days for a box that seals well.",
    "Where it can be done, repeat it the other way round: the mean of both is free of what the walls take up.",
)
"""How the test is done, in order."""
