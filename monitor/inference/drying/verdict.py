"""What the fitted curve means for the person at the scale: go on, stir, or stop, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from monitor.texts import say, to_say

if TYPE_CHECKING:
    from monitor.inference.drying.curve import CurveFit
    from monitor.records import Quantiles

SETTLED_SHARE = 0.003
"""A step that brings less than this share of the dry mass is not worth taking (half as much again as the 0.2 % within
30 minutes that a household may call constant mass; both are judgements). [g a step for each g of dry mass]"""

NOT_THROUGH_G_PER_G = 0.02
"""An end this far above the floor is a bed that is not dried through: four times what the floor is known to above 90 °C
(monitor/physics/drying.py), more than a quarter of any floor under 8 %. [g/g] Judgement."""

ENOUGH_SHARE = 0.6
"""Beads that keep this share of what bone-dry beads would take up to the limit are good enough (a judgement)."""

STEPS_S = {"microwave": 180.0, "oven": 1800.0, "filament_dryer": 14_400.0, "print_bed": 14_400.0}
"""The next step that is judged: one more burst, half an hour, four hours. [s] Judgement: 0.4 to 0.75 of the usual time
constant (``priors``)."""
_STEP_UNKNOWN_S, _LONGEST_BURST_S = 3600.0, 600.0
"""The step of any other appliance, and the longest burst of a microwave. [s] Judgement."""
_SURELY_SETTLED, _SLOW = 2.0, 4.0
"""Times ``SETTLED_SHARE``: what a step may bring at most (95 %) where drying has settled, and on average where it is
slow. Judgement."""
_LEAST_WEIGHINGS = 2
"""Fewer say nothing of the drying. [weighings] Judgement: a loss of water shows between two."""


class Verdict(StrEnum):
    """What to do next."""

    go_on = to_say("go on")
    stir = to_say("stir and go on")
    done = to_say("stop: done")
    method_floor = to_say("stop: this method cannot go lower in this room")
    not_through = to_say("stop: the bed is not dried through")
    no_curve = to_say("can't tell: no drying curve fits these weighings")

    @property
    def stops(self) -> bool:
        """Whether more of the same brings nothing."""
        return self in (Verdict.done, Verdict.method_floor, Verdict.not_through)


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with its numbers and its reason."""

    verdict: Verdict
    """What to do."""
    because: str
    """Why, in words."""
    next_step_s: float
    """Length of the step that was judged. [s]"""
    next_gain_g: Quantiles
    """Water that it would drive off. [g]"""


def step_s(appliance_kind: str, last_step_s: float | None = None) -> float:
    """Return the next step to judge: a microwave burst like the last one, else what the appliance is usually given.

    Parameters
    ----------
    appliance_kind : str
        As declared.
    last_step_s : float, optional
        The step before. [s]

    Returns
    -------
    float
        [s]
    """
    if appliance_kind == "microwave" and last_step_s:
        return min(last_step_s, _LONGEST_BURST_S)
    return STEPS_S.get(appliance_kind, _STEP_UNKNOWN_S)


def judge(
    fit: CurveFit,
    *,
    appliance_kind: str,
    floor_g_per_g: float,
    limit_loading_g_per_g: float,
    weighings: int,
    next_s: float,
) -> Judgement:
    """Judge a run.

    Parameters
    ----------
    fit : CurveFit
        The curve through the weighings so far.
    appliance_kind : str
        'microwave' and 'other' loads are stirred as a matter of course.
    floor_g_per_g : float
        Where this method ends in this room if the whole bed gets there. [g/g]
    limit_loading_g_per_g : float
        Loading of beads that are spent for the tightest box in question. [g/g]
    weighings : int
        How many there are; the first alone says nothing of the drying.
    next_s : float
        Length of the next step. [s]

    Returns
    -------
    Judgement
        With the gain of the next step.
    """
    gain, dry_g = fit.gain_g(next_s), fit.dry_mass_g().p50
    now, end = fit.loading_g_per_g().p50, fit.end_loading_g_per_g().p50
    settled = gain.p50 < SETTLED_SHARE * dry_g and gain.p95 < _SURELY_SETTLED * SETTLED_SHARE * dry_g
    above = now - floor_g_per_g
    if weighings < _LEAST_WEIGHINGS:
        why = say("this is only the first weight. Heat the beads for {time}, then weigh again", time=_spoken(next_s))
        return Judgement(Verdict.go_on, why, next_s, gain)
    if not fit.fits:
        why = say("beads fell out, the holder is another one, or a number is wrong. Correct that, or keep weighing")
        return Judgement(Verdict.no_curve, why, next_s, gain)
    if not settled:
        return _going(appliance_kind, above, gain, dry_g, next_s)
    if end - floor_g_per_g > NOT_THROUGH_G_PER_G:
        why = say(
            "the weight stops falling at {end} % water, but beads that are hot all through reach {floor} %. "
            "The water is probably inside the pile. Spread the beads thin, stir, and heat again",
            end=f"{100 * end:.1f}",
            floor=f"{100 * floor_g_per_g:.1f}",
        )
        return Judgement(Verdict.not_through, why, next_s, gain)
    if limit_loading_g_per_g - now < ENOUGH_SHARE * limit_loading_g_per_g:
        why = say("more time will not bring it below {now} %. Dry hotter, or on a drier day", now=f"{100 * now:.1f}")
        return Judgement(Verdict.method_floor, why, next_s, gain)
    return Judgement(
        Verdict.done,
        say("more heat would remove almost nothing. A jar check shows how dry the beads really are"),
        next_s,
        gain,
    )


def _going(appliance_kind: str, above: float, gain: Quantiles, dry_g: float, next_s: float) -> Judgement:
    slow = gain.p50 < _SLOW * SETTLED_SHARE * dry_g and above > NOT_THROUGH_G_PER_G
    if appliance_kind != "microwave" and slow:
        why = say(
            "the beads dry slowly, and this method can get them much drier. Stir them, spread them thin, or "
            "use a hotter method"
        )
        return Judgement(Verdict.stir, why, next_s, gain)
    if appliance_kind == "microwave":
        why = say(
            "water still comes off. Stir against hot spots, heat for {time}, then weigh again", time=_spoken(next_s)
        )
        return Judgement(Verdict.stir, why, next_s, gain)
    return Judgement(
        Verdict.go_on,
        say("water still comes off. Heat for another {time}, then weigh again", time=_spoken(next_s)),
        next_s,
        gain,
    )


def _spoken(duration_s: float) -> str:
    # hours from two on; judgement: as people say it
    return (
        say("{count} h", count=f"{duration_s / 3600.0:g}")
        if duration_s >= 2.0 * 3600.0
        else say("{count} min", count=f"{duration_s / 60.0:.0f}")
    )
