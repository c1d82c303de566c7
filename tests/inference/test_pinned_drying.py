"""A drying run's priors, curves, verdicts, reach and jar check: all numbers; *regression* (see tests/pinned.py).

The sampler of the curve is stood in for by fixed draws, so that what is held is the likelihood, the widening and what
is read off the curves; recovery by the sampler itself is held in test_drying.py. Dry masses rest on the scrambled Sobol
numbers of SciPy. Renewed by `python -m tests.renew drying`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, replace
from typing import Any

import numpy as np
import pytest
from pinned import assert_pinned

from monitor.errors import OutOfRangeError
from monitor.inference.drying import curve as drying_curve
from monitor.inference.drying.curve import CurveFit, fit_curve, strain_of
from monitor.inference.drying.jar import jar_verdict
from monitor.inference.drying.prior_curves import DryMass, EndLoading, Loss, Pace, PriorCurves, RunPriors, masses_from
from monitor.inference.drying.priors import (
    MICROWAVE_END,
    dry_mass_from_room,
    dry_mass_of_new,
    dry_mass_unknown,
    end_of_hot_air,
    floor_sd_g_per_g,
    known_dry_mass,
    least_dry_of_new,
    lot_factor,
    pace,
)
from monitor.inference.drying.reach import mean_draw_w, reach, temperature_of
from monitor.inference.drying.verdict import Verdict, judge, step_s
from monitor.inference.drying.weighings import WeighedPoint
from monitor.inference.fit.smc import Moves
from monitor.inference.fit.tempering import Target, WeightedDraws
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.records import Appliance, Quantiles, RoomClimate
from monitor.records.words import APPLIANCE_KINDS

BEADS, SIEVE, ORANGE = desiccant("silica_regular"), desiccant("molecular_sieve_4A"), desiccant("orange_gel")
PRIORS = RunPriors(DryMass(251.0, 0.05), EndLoading(0.03), Pace(3600.0, 0.7))
Z = np.array([-7.0, -2.5, -1.0, -0.2, 0.0, 0.6, 0.99, 1.01, 1.6, 3.0, 7.0])
HOURS = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)


def points(*masses_g: float, resolution_g: float = 1.0, losses: Sequence[int] = ()) -> list[WeighedPoint]:
    before = losses or (0,) * len(masses_g)
    return [
        WeighedPoint(3600.0 * hour, mass_g, resolution_g, lost)
        for hour, mass_g, lost in zip(HOURS, masses_g, before, strict=False)
    ]


SMOOTH = points(305.5, 290.0, 279.0, 272.0, 267.0, 262.0)
TORN = points(305.5, 290.0, 279.0, 242.0, 237.0, 232.0)
SPILT = points(305.5, 290.0, 279.0, 231.0, 227.0, 218.0, losses=(0, 0, 0, 1, 1, 2))


@dataclass
class FixedDraws:
    """Stands in for the sampler: the same places whatever the target, and what was asked of it."""

    asked: list[tuple[int, Moves]]
    log_prior: list[FloatArray]
    log_likelihood: list[FloatArray]

    def __call__(self, target: Target, count: int, rng: np.random.Generator, moves: Moves) -> WeightedDraws:
        first, log_density = target.first(5, np.random.default_rng(2))
        assert log_density == pytest.approx(target.log_prior(first))
        draw, unknown = np.meshgrid(np.arange(9.0), np.arange(float(first.shape[1])), indexing="ij")
        z = 1.3 * np.sin(2.0 * draw + 1.1 * unknown * (draw + 1.0))
        log_prior, log_likelihood = target.densities(z)
        self.asked.append((count, moves))
        self.log_prior.append(log_prior)
        self.log_likelihood.append(log_likelihood)
        return WeightedDraws(z, np.full(9, 1.0 / 9.0), log_prior, log_likelihood, 1)


def with_fixed_draws(fit: Callable[[], Any]) -> dict[str, Any]:
    draws, real = FixedDraws([], [], []), drying_curve.draw_by_moves
    drying_curve.draw_by_moves = draws
    try:
        return {
            "fit": fit(),
            "asked": draws.asked,
            "log_prior": draws.log_prior,
            "log_likelihood": draws.log_likelihood,
        }
    finally:
        drying_curve.draw_by_moves = real


def read_off(fit: CurveFit) -> dict[str, Any]:
    return {
        "curves": fit.curves, "heated_s": fit.heated_s, "kept_share": fit.kept_share, "strain": fit.strain,
        "fits": fit.fits, "dry": fit.dry_mass_g(), "end": fit.end_g(), "end_loading": fit.end_loading_g_per_g(),
        "start_loading": fit.start_loading_g_per_g(), "mass": fit.mass_g(1000.0), "now": fit.loading_draws(),
        "loading": [fit.loading_g_per_g(), fit.loading_g_per_g(0.0), fit.loading_g_per_g(9000.0)],
        "gain": fit.gain_g(1800.0), "time": [fit.time_to_end_s(0.5), fit.time_to_end_s(40.0)],
        "band": fit.band_g(np.array([0.0, 3600.0, 1e5])),
    }  # fmt: skip


def fitted(of: list[WeighedPoint], losses: Sequence[Loss] = (), priors: RunPriors = PRIORS) -> dict[str, Any]:
    return with_fixed_draws(lambda: read_off(fit_curve(of, priors, losses)))


def curves_of_prior() -> dict[str, Any]:
    prior = PriorCurves.of(PRIORS, 305.5, 3.0)
    z = np.stack([Z, np.roll(Z, 2), np.roll(Z, 5), np.roll(Z, 7)], axis=1)
    low = PriorCurves.of(PRIORS, 240.0, 3.0)
    return {
        "plain": prior.at(z), "beside": prior.at(z, np.linspace(-1.0, 1.0, len(Z))), "little water": low.at(z),
        "mass": prior.at(z).mass_g(np.array([0.0, 60.0, 3600.0, 1e5])), "once": prior.at(z).mass_g(1800.0),
        "share": prior.at(z).share(np.linspace(0.2, 1.0, len(Z))),
    }  # fmt: skip


def maps_of_prior() -> dict[str, Any]:
    return {
        "dry": DryMass(100.0, 0.07).at(Z), "end": EndLoading(0.03).at(Z, np.full(len(Z), 0.25)),
        "end of a dry load": EndLoading(0.03, 0.01).at(Z, np.full(len(Z), 0.02)),
        "rate": [Pace(3600.0).rate_per_s(Z), Pace(600.0, 0.5).rate_per_s(Z)],
        "kept": [Loss().kept_at(Z), Loss(0.9, 0.05).kept_at(Z), Loss(0.9).kept_at(Z)],
        "masses": [masses_from(Z, np.roll(Z, 3), PRIORS, start_g) for start_g in (305.0, 255.0)],
        "widened": [PRIORS.widened(ratio) for ratio in (1.0, 4.0, 100.0)],
        "wide already": RunPriors(DryMass(1.0, 0.5), EndLoading(0.02), Pace(1.0, 3.0)).widened(4.0),
    }  # fmt: skip


def priors_of_runs() -> dict[str, Any]:
    starts = [(0.2, 22.0, 0.5), (0.0, 22.0, 0.5), (0.15, 20.0, 0.4), (0.1, 20.0, 0.05), (0.02, 20.0, 0.051)]
    return {
        "known": [known_dry_mass(100.0, sd) for sd in (0.001, 0.0031, 0.1)],
        "new": [dry_mass_of_new(500.0), least_dry_of_new(500.0)],
        "unknown": dry_mass_unknown(500.0),
        "room": [
            dry_mass_from_room(500.0, beads, 21.0, humidity, factor)
            for beads in (BEADS, SIEVE) for humidity in (0.0, 0.019, 0.3, 0.6, 1.0) for factor in (None, (0.9, 0.05))
        ],
        "lot": [lot_factor(BEADS, starts[:count]) for count in (0, 1, 2, 3, 4, 5)] + [lot_factor(BEADS, starts[1:2])],
        "hot air": [
            end_of_hot_air(beads, degc, 20.0, humidity)
            for beads in (BEADS, SIEVE) for degc in (50.0, 90.0, 120.0) for humidity in (0.2, 0.6)
        ],
        "hot air dries all": end_of_hot_air(BEADS, 150.0, 10.0, 0.1),
        "floor sd": [floor_sd_g_per_g(floor, degc) for floor in (0.004, 0.05) for degc in (60.0, 90.0, 90.1, 120.0)],
        "microwave": MICROWAVE_END,
        "pace": {
            f"{kind} at {degc}": [pace(kind, degc), pace(kind, degc, (1000.0, 2000.0, 3000.0))]
            for kind in (*APPLIANCE_KINDS, "no such thing") for degc in (None, 66.0, 99.9, 100.0, 120.0)
        },
    }  # fmt: skip


KINDS = (*APPLIANCE_KINDS, "kiln")
ROOM = RoomClimate(21.0, 0.45)


def reaches() -> dict[str, Any]:
    appliances = [Appliance(kind, kind) for kind in KINDS]
    appliances += [Appliance("warm", "oven", 80.0), Appliance("hot", "filament_dryer", 121.0, power_w=400.0),
                   Appliance("strong", "microwave", 150.0, power_w=800.0)]  # fmt: skip
    found = {
        f"{one.name}, {start}": astuple(reach(one, beads, ROOM, 300.0, start))
        for one in appliances for beads, start in ((ORANGE, 0.22), (BEADS, 0.01), (BEADS, 0.001))
    }  # fmt: skip
    found["learned"] = astuple(reach(appliances[1], BEADS, ROOM, 300.0, 0.22, learned_s=(1500.0,)))
    found["sieve"] = astuple(reach(appliances[1], SIEVE, ROOM, 300.0, 0.15))
    return found | {f"draw of {one.name}": [mean_draw_w(one), temperature_of(one)] for one in appliances}


def jars() -> dict[str, Any]:
    weighed = {"none": None, "near": (0.02, 0.03, 0.04), "far": (0.2, 0.21, 0.22), "dry": (0.0, 0.0, 0.01),
               "sure": (0.03, 0.03, 0.03)}  # fmt: skip
    return {
        f"{name} at {humidity}, {accuracy}": jar_verdict(BEADS, humidity, 25.0, accuracy, of)
        for name, of in weighed.items() for humidity, accuracy in ((0.03, 0.03), (0.08, 0.02), (0.4, 0.05))
    } | {"beyond all": jar_verdict(BEADS, 1e6, 25.0, 0.02), "sieve": jar_verdict(SIEVE, 0.01, 25.0, 0.02)}  # fmt: skip


CASES: dict[str, Callable[[], Any]] = {
    "maps of the prior": maps_of_prior,
    "curves of the prior": curves_of_prior,
    "priors of runs": priors_of_runs,
    "fit: one weighing": lambda: fitted(SMOOTH[:1]),
    "fit: smooth": lambda: fitted(SMOOTH),
    "fit: torn": lambda: fitted(TORN),
    "fit: fine scale": lambda: fitted([replace(point, resolution_g=0.0) for point in SMOOTH]),
    "fit: a scale that tells nothing": lambda: fitted([replace(point, resolution_g=500.0) for point in SMOOTH]),
    "fit: scales that differ": lambda: fitted([*SMOOTH[:3], replace(SMOOTH[3], resolution_g=5.0)]),
    "fit: beads fell out": lambda: fitted(SPILT, (Loss(0.85, 0.01), Loss())),
    "fit: by few draws": lambda: with_fixed_draws(lambda: [strain_of(SMOOTH, PRIORS), strain_of(TORN, PRIORS)]),
    "fit: far from the prior": lambda: fitted(points(305.5, 305.0), (), replace(PRIORS, dry_mass=DryMass(100.0, 0.01))),
    "reach": reaches,
    "jar": jars,
    "steps": lambda: {kind: [step_s(kind), step_s(kind, 90.0), step_s(kind, 599.0), step_s(kind, 601.0)]
                      for kind in KINDS},
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_numbers_of_drying_stay(case: str) -> None:
    assert_pinned("drying", case, CASES[case]())


# borders of the verdict


BRINGS_LITTLE = Quantiles(0.1, 0.2, 0.4)


@dataclass(frozen=True)
class Told:
    """What a fit says, as a test wants it: 100 g of dry beads."""

    gain: Quantiles = BRINGS_LITTLE
    now: float = 0.02
    end: float = 0.02
    fits: bool = True

    def gain_g(self, more_s: float) -> Quantiles:
        return self.gain

    def dry_mass_g(self) -> Quantiles:
        return Quantiles(90.0, 100.0, 110.0)

    def loading_g_per_g(self) -> Quantiles:
        return Quantiles(0.0, self.now, 1.0)

    def end_loading_g_per_g(self) -> Quantiles:
        return Quantiles(0.0, self.end, 1.0)


def verdict(told: Told, *, kind: str = "oven", weighings: int = 3, limit: float = 0.10, next_s: float = 1800.0) -> Any:
    judgement = judge(
        told, appliance_kind=kind, floor_g_per_g=0.01, limit_loading_g_per_g=limit, weighings=weighings, next_s=next_s,
    )  # type: ignore[arg-type]  # fmt: skip
    assert (judgement.next_step_s, judgement.next_gain_g) == (next_s, told.gain)
    return judgement


def gains(middle: float, most: float = 0.4) -> Told:
    return Told(gain=Quantiles(0.0, middle, most))


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (Told(), Verdict.done),
        (Told(fits=False), Verdict.no_curve),
        # settled: below 0.3 % of 100 g on average, and surely below twice that
        (gains(0.299), Verdict.done),
        (gains(0.3), Verdict.go_on),
        (gains(0.2, 0.599), Verdict.done),
        (gains(0.2, 0.6), Verdict.go_on),
        # a floor of 1 %: an end up to 3 % is through
        (Told(end=0.0299), Verdict.done),
        (Told(end=0.0301), Verdict.not_through),
        # slow: below four times 0.3 % a step, and more than two points above the floor
        (replace(gains(1.19, 2.0), now=0.0301), Verdict.stir),
        (replace(gains(1.2, 2.0), now=0.0301), Verdict.go_on),
        (replace(gains(1.19, 2.0), now=0.0299), Verdict.go_on),
        # three fifths of a limit of 10 % have to be free
        (Told(now=0.0399), Verdict.done),
        (Told(now=0.0401), Verdict.method_floor),
    ],
)
def test_borders_of_the_verdict(told: Told, expected: Verdict) -> None:
    assert verdict(told).verdict is expected


def test_two_weighings_are_the_least_and_a_microwave_load_is_stirred() -> None:
    assert verdict(Told(fits=False), weighings=1).verdict is Verdict.go_on
    assert verdict(Told(fits=False), weighings=2).verdict is Verdict.no_curve
    for now in (0.011, 0.2):
        stirred = verdict(replace(gains(0.9, 2.0), now=now), kind="microwave", next_s=90.0)
        assert stirred.verdict is Verdict.stir
        assert "hot spots, heat for 2 min" in stirred.because
    assert verdict(Told(), kind="microwave").verdict is Verdict.done


@pytest.mark.parametrize(
    ("next_s", "said"), [(600.0, "10 min"), (7199.0, "120 min"), (7200.0, "2 h"), (9000.0, "2.5 h")]
)
def test_lengths_are_said_in_hours_from_two_on(next_s: float, said: str) -> None:
    assert f"Heat for another {said}, then" in verdict(gains(5.0, 9.0), next_s=next_s).because
    assert f"Heat the beads for {said}, then" in verdict(Told(), weighings=1, next_s=next_s).because


def test_reasons_name_the_shares() -> None:
    assert "falling at 5.5 % water, but beads that are hot all through reach 1.0 %" in verdict(Told(end=0.055)).because
    assert "below 8.0 %" in verdict(Told(now=0.08)).because
    stopping = {one for one in Verdict if one.stops}
    assert stopping == {Verdict.done, Verdict.method_floor, Verdict.not_through}


# borders of what is refused


@pytest.mark.parametrize(
    ("second", "refused"),
    [(WeighedPoint(600.0, 300.0), False), (WeighedPoint(500.0, 300.0), True),
     (WeighedPoint(500.0, 300.0, 1.0, 1), False),
     (WeighedPoint(400.0, 300.0, 1.0, 1), True), (WeighedPoint(600.0, 0.0), True), (WeighedPoint(600.0, 0.1), False),
     (WeighedPoint(600.0, -1.0), True)],
)  # fmt: skip
def test_borders_of_sound_weighings(second: WeighedPoint, refused: bool) -> None:
    """Times rise; the same time twice only where beads fell out in between; masses are positive."""

    def tried() -> Any:
        return fitted([WeighedPoint(500.0, 305.5), second], (Loss(),))

    if refused:
        with pytest.raises(OutOfRangeError, match=r"heating times have to rise|weigh more than nothing"):
            tried()
    else:
        assert tried()["fit"]["heated_s"] == second.heated_s  # fmt: skip


def test_a_strain_of_one_still_fits() -> None:
    fit = CurveFit(PriorCurves.of(PRIORS, 305.5, 3.0).at(np.zeros((1, 4))), 0.0, np.ones(1), 1.0)
    assert fit.fits
    assert not replace(fit, strain=1.0001).fits
    assert CurveFit(fit.curves, 0.0, np.ones(1)).strain == 0.0
