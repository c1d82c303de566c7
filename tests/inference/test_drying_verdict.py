"""Verdicts on made-up runs whose true end is known: done, too cold for the room, not dried through, slow."""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
import pytest

from monitor.inference.drying import (
    RunPriors,
    Verdict,
    WeighedPoint,
    fit_curve,
    judge,
)
from monitor.inference.drying import (
    priors as drying_priors,
)
from monitor.inference.drying.verdict import Judgement, step_s
from monitor.physics.materials import desiccant

BEADS = desiccant("orange_gel")
DRY_G, WET = 258.0, 0.26
LIMIT = float(BEADS.isotherm.loading_g_per_g(0.20, 22.0))


@dataclass(frozen=True)
class MadeUp:
    """A run that dries exponentially to a true end, weighed on a 1 g scale."""

    kind: str
    degc: float
    room: tuple[float, float]
    true_end: float
    constant_h: float
    hours: tuple[float, ...]


def verdict_of(run: MadeUp) -> Judgement:
    kind, degc, room, true_end, constant_h, hours = astuple(run)
    end = drying_priors.end_of_hot_air(BEADS, degc, *room)
    priors = RunPriors(drying_priors.known_dry_mass(DRY_G, 0.01), end, drying_priors.pace(kind, degc))
    points = []
    for hour in hours:
        loading = true_end + (WET - true_end) * np.exp(-hour / constant_h)
        points.append(WeighedPoint(3600.0 * hour, float(np.round(DRY_G * (1.0 + loading)))))
    return judge(
        fit_curve(points, priors),
        appliance_kind=kind,
        floor_g_per_g=end.mean_g_per_g,
        limit_loading_g_per_g=LIMIT,
        weighings=len(points),
        next_s=step_s(kind),
    )


AVERAGE, HUMID, WINTER = (20.0, 0.5), (25.0, 0.6), (20.0, 0.3)
AN_OVENFUL = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)
TWO_DAYS = (0.0, 6.0, 12.0, 18.0, 24.0, 36.0, 48.0)


@pytest.mark.parametrize(
    ("run", "verdict"),
    [
        (MadeUp("oven", 110.0, AVERAGE, 0.009, 0.5, AN_OVENFUL), Verdict.done),
        (MadeUp("oven", 110.0, AVERAGE, 0.009, 0.5, AN_OVENFUL[:2]), Verdict.go_on),
        (MadeUp("oven", 110.0, AVERAGE, 0.065, 0.5, AN_OVENFUL), Verdict.not_through),
        (MadeUp("filament_dryer", 45.0, HUMID, 0.116, 6.0, TWO_DAYS), Verdict.method_floor),
        (MadeUp("filament_dryer", 65.0, AVERAGE, 0.035, 6.0, TWO_DAYS), Verdict.done),
        (MadeUp("filament_dryer", 65.0, AVERAGE, 0.035, 15.0, (0.0, 8.0, 16.0, 24.0)), Verdict.stir),
    ],
)
def test_verdict(run: MadeUp, verdict: Verdict) -> None:
    assert verdict_of(run).verdict is verdict


def test_a_step_that_brings_twice_what_pharmacy_calls_constant_is_worth_taking() -> None:
    """Loss on drying is constant at 0.2 % within 30 minutes; the next half hour here truly brings 0.48 %."""
    judgement = verdict_of(MadeUp("oven", 110.0, AVERAGE, 0.009, 0.5, (0.0, 0.5, 1.0, 1.5, 1.75)))
    assert judgement.verdict is Verdict.go_on
    assert judgement.next_gain_g.p05 < 0.0048 * DRY_G < judgement.next_gain_g.p95


def test_a_bed_that_settles_at_three_times_what_it_could_reach_is_not_dried_through() -> None:
    """This oven can reach 0.9 %, known to 1 %; the bed settles between two and three of these above it."""
    judgement = verdict_of(MadeUp("oven", 110.0, AVERAGE, 0.037, 0.5, AN_OVENFUL))
    assert judgement.verdict is Verdict.not_through
    assert "Spread the beads thin, stir, and heat again" in judgement.because


def test_one_weighing_judges_nothing() -> None:
    judgement = verdict_of(MadeUp("oven", 110.0, AVERAGE, 0.009, 0.5, (0.0,)))
    assert judgement.verdict is Verdict.go_on
    assert not judgement.verdict.stops
    assert "Heat the beads for 30 min, then weigh again" in judgement.because


def test_the_same_dryer_is_done_in_winter_and_not_in_august() -> None:
    """55 °C in a room of 25 °C / 60 %: lots A to C end at 6.3-7.7 %; in a winter room the floor is half of that."""
    winter = verdict_of(MadeUp("filament_dryer", 55.0, WINTER, 0.035, 6.0, TWO_DAYS))
    august = verdict_of(MadeUp("filament_dryer", 55.0, HUMID, 0.069, 6.0, TWO_DAYS))
    assert winter.verdict is Verdict.done
    assert august.verdict is Verdict.method_floor
    assert "hotter" in august.because
