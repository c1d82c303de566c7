"""Beads that fall out of a run: what share of the others is left, and how well that is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.inference.drying import Loss

if TYPE_CHECKING:
    from monitor.desk.inventory import Run, Spill

TOLD_RELATIVE_SD = 0.05
"""How well a person knows what fell out, as a share of it: it is swept up, and some stays on the floor (a
judgement)."""
_LEAST_KEPT = 0.01
"""Share of the beads. A judgement: who spilled more weighs anew."""
_ROUNDING_SD_STEPS = 0.3
"""Steps of a display. A judgement: the spread of what is rounded, 1 / sqrt(12), and a little."""


def loss_of(run: Run, spill: Spill) -> Loss:
    """Return what a spill left in the run, for the drying curve.

    Grams tell a share only with the mass that they fell out of, and that is known to lie between the weighing before
    (it happened before the heat) and the one after plus what fell out (it happened after).
    """
    if spill.lost_g is None:
        return Loss()
    place, weighings = spill.after_weighings, run.weighings
    before_g = weighings[place - 1].mass_g if place else run.mass_before_g
    after_g = weighings[place].mass_g + spill.lost_g if place < len(weighings) else before_g
    middle_g = 0.5 * (before_g + after_g)
    kept = max(1.0 - spill.lost_g / middle_g, _LEAST_KEPT)
    step_g = weighings[place - 1].resolution_g if place else 1.0
    grams_sd = np.hypot(TOLD_RELATIVE_SD * spill.lost_g, _ROUNDING_SD_STEPS * step_g)
    # an even spread over the step between, by definition
    when_sd = spill.lost_g * abs(before_g - after_g) / middle_g / np.sqrt(12.0)
    return Loss(kept, float(np.hypot(grams_sd, when_sd)) / middle_g / kept)


def kept_before(run: Run, place: int) -> float | None:
    """Return the share of a charge that was left at a weighing; None where nobody knows."""
    shares = [loss_of(run, spill).kept_share for spill in run.spills if spill.after_weighings <= place]
    known = [share for share in shares if share is not None]
    return float(np.prod(known)) if len(known) == len(shares) else None


def kept_since_last(run: Run) -> float | None:
    """Return the share of what was weighed last that is left; None where nobody knows."""
    shares = [loss_of(run, spill).kept_share for spill in run.unweighed_spills]
    known = [share for share in shares if share is not None]
    return float(np.prod(known)) if len(known) == len(shares) else None
