"""The empty holder beside a scale that stood on something else: weighed on the same wrong scale, or in true grams?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from monitor.desk.traps import Trap, TrapError
from monitor.records.desk_events import RunWeighed
from monitor.texts import say

if TYPE_CHECKING:
    from monitor.desk.inventory import Run
    from monitor.records import Quantiles

_SLACK_SHARE = 0.002  # of a mass; judgement: what a kitchen scale is off by
_SAME_G = 1e-6  # judgement: what a subtraction rounds by
_SAME_TARE_SHARE = 0.01
"""A holder whose weight differs by less from the one in the inventory is the same figure, told again (a judgement)."""


@dataclass(frozen=True, slots=True)
class TareReading:
    """How the empty holder is to be taken beside a scale that stood on something else."""

    factor: float
    """Grams for one of what it was told in."""
    because: str
    sure: bool = True
    """Whether the inventory shows it; else it is a guess that has to be asked about."""


def read_tare(
    run: Run, shown_g: float, scale_factor: float, tare_g: float, expected_g: Quantiles | None
) -> TareReading:
    """Tell from the inventory whether the holder was weighed on the same scale as it stands now.

    The beads' own weight decides, where the inventory knows it and only one way of taking the holder gives it. Else
    where the figure comes from: one given for this run is of this scale, one out of the inventory is of another day.
    """
    same, grams = (shown_g - tare_g) * scale_factor, shown_g * scale_factor - tare_g
    slack_g = (scale_factor if scale_factor > 1.0 else 1.0) + _SLACK_SHARE * max(same, grams, 0.0)
    if expected_g is not None and abs(same - grams) > 2.0 * slack_g:
        fits_same, fits_grams = (
            expected_g.p05 - slack_g <= mass_g <= expected_g.p95 + slack_g for mass_g in (same, grams)
        )
        if fits_same != fits_grams:
            return TareReading(scale_factor if fits_same else 1.0, say("that gives the weight in the records"))
    known_g = run.charge_before.tare_g
    matters = abs(same - grams) > 2.0 * slack_g
    if known_g is not None and abs(tare_g - known_g) <= _SAME_TARE_SHARE * known_g:
        return TareReading(1.0, say("it is in the records from another day"), expected_g is not None or not matters)
    return TareReading(scale_factor, say("it was entered for this run"))


def tare_remarks(run: Run) -> list[str]:
    """Say how the empty holder was taken, where the scale stood on something else."""
    for place, logged in enumerate(run.shown):
        event = logged.event
        if not isinstance(event, RunWeighed):
            continue
        told_g = run.start.tare_g if event.tare_g is None else event.tare_g
        scale = event.factor * run.scale_factor
        if not told_g or scale == 1.0:
            continue
        tare = run.weighings[place].mass_g - event.shown_g * scale
        if abs(-tare - told_g) < _SAME_G:
            return [
                say(
                    "The empty holder's {told} g count as real grams, weighed on another day or scale.",
                    told=f"{told_g:.0f}",
                )
            ]
        return [
            say(
                "The empty holder's {told} counts as read on the same scale: {tare} g.",
                told=f"{told_g:.0f}",
                tare=f"{-tare:.0f}",
            )
        ]
    return []


def unknown_tare(shown_g: float, tare_g: float, factor: float) -> Trap:
    """Ask on which scale the empty holder was weighed."""
    same, grams = (shown_g - tare_g) * factor, shown_g * factor - tare_g
    text = say(
        "the beads weigh {same} g if the empty holder ({tare}) was weighed on the scale as it is set now,"
        " and {grams} g if it was weighed in grams",
        same=f"{same:.0f}",
        tare=f"{tare_g:.0f}",
        grams=f"{grams:.0f}",
    )
    return Trap("which tare", say("{text}. Add --tare-scale same or --tare-scale grams", text=text), plain=text)


def with_tare_read(run: Run, weighed: RunWeighed, should_g: Quantiles | None) -> RunWeighed:
    """Return a weighing on another scale with the word on how its empty holder is to be taken."""
    if weighed.factor == 1.0 or weighed.tare_factor is not None:
        return weighed
    for logged in run.shown:
        event = logged.event
        if isinstance(event, RunWeighed) and (event.factor, event.tare_g) == (weighed.factor, weighed.tare_g):
            return replace(weighed, tare_factor=event.tare_factor)
    return replace(weighed, tare_factor=tare_factor_of(run, weighed, weighed.factor, should_g))


def tare_factor_of(run: Run, weighed: RunWeighed, factor: float, should_g: Quantiles | None) -> float | None:
    """Return what the empty holder of a weighing is multiplied by; None where that makes no difference.

    Raises
    ------
    TrapError
        Where neither its weight nor where the figure comes from tells.
    """
    tare_g = run.start.tare_g if weighed.tare_g is None else weighed.tare_g
    if not tare_g or factor == 1.0:
        return None
    reading = read_tare(run, weighed.shown_g, factor, tare_g, should_g)
    if not reading.sure:
        raise TrapError([unknown_tare(weighed.shown_g, tare_g, factor)])
    return reading.factor
