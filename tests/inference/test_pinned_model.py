"""Prior, contents, filter, disturbances and comparisons with the room: all numbers; *regression* (see tests/pinned.py).

The filter is asked at fixed constants of three draws, so no sampler is in these numbers. Renewed by
`python -m tests.renew model`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from pinned import assert_pinned

from monitor.inference.evidence.bins import Bins
from monitor.inference.evidence.episodes import ChargeWeighing, Episode
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, prior_of, style_prior
from monitor.inference.model.contents import (
    prompt_contents,
    shapes_of,
    slow_store,
    swapped_g_per_humidity,
    walls_of,
)
from monitor.inference.model.disturbances import opening_dose_g, opening_var_g, swap_dose_g
from monitor.inference.model.kalman import run, run_on
from monitor.inference.model.observations import reading_noise
from monitor.inference.model.prior import Assumptions, Normal, Prior
from monitor.inference.model.sensor_bias import BiasLikelihood, Comparison, bias_likelihood, comparisons
from monitor.inference.model.state import Problem, StandardErrors, State, air_states, drawn_box, sampled_state
from monitor.physics.materials import desiccant_kinds, mixed_kind
from monitor.physics.numerics import FloatArray
from monitor.records import Box, EntryKind, LedgerEntry, ReadingSeries, SensorSpec, Spool
from monitor.records.words import METHODS, SPOOL_STATES, STYLES, WALL_MATERIALS
from monitor.series.spans import unmarked

NOW_S = 1_780_000_000.0
BOX = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.03, 0.01))
DAYS = np.array([1.5, 0.5, 1.0, 2.0, 5.0, 1.0, 1.0, 2.0, 1.0, 1.0, 0.5, 1.0])
NOTHING = np.zeros(len(DAYS))
TIGHT = 1e-8
"""Of the filter: another order of its sums moves the last digits."""


def episode(**what: Any) -> Episode:
    return replace(
        Episode(
            start_s=NOW_S - 86_400.0 * DAYS.sum(), desiccant="silica_regular", dry_mass_g=100.0, method="hot_air_65C",
            known_loading=None, spools_went_in=True, unlogged=False, loaded_mass=None, weighings=(), openings_s=(),
            swaps_s=(), steps=(), all_openings=0, all_swaps=0, first_start_s=NOW_S - 86_400.0 * DAYS.sum(),
            unlogged_steps=0, all_unlogged_steps=0,
        ),
        **what,
    )  # fmt: skip


def said_of(prior: Prior) -> dict[str, Any]:
    shapes = [isotherm.loading_g_per_g(np.array([0.02, 0.1, 0.2, 0.4, 0.6, 0.9]), 25.0) for isotherm in prior.shapes]
    return {
        "mean": prior.mean, "sd": prior.sd, "shapes": shapes, "dry_mass_g": prior.dry_mass_g,
        "grams_declared": prior.grams_declared, "swapped_g_per_humidity": prior.swapped_g_per_humidity,
        "humidity_shows": prior.humidity_shows, "dye": prior.dye and prior.dye.title,
        "change_point": prior.has_change_point,
    }  # fmt: skip


def prior(box: Box = BOX, assumptions: Assumptions | None = None, pooled: Any = None, **what: Any) -> Prior:
    return prior_of(box, episode(**what), assumptions or Assumptions(), pooled)


def first_two(which: Prior) -> list[float]:
    return [*which.mean[:2], *which.sd[:2]]


FULL = replace(
    BOX, spools=(Spool("PETG", 1000.0, 2, "fresh"), Spool("PA6", 750.0, 1, "was open"), Spool("??", 500.0, 1, "")),
    spool_core="cardboard", wall_material="PP",
)  # fmt: skip
CHANGE = {"log_factor": Normal(0.0, 0.7), "day": Normal(8.0, 3.0), "log_duration": Normal(0.5, 0.4)}


def by_styles() -> dict[str, Any]:
    names = [*STYLES, "clip_lid", "GASKET_large", "something else"]
    tubed = replace(BOX, fed_through_tube=True, volume_liter=3.0)
    return {
        **{name: [style_prior(replace(box, style=name)) for box in (BOX, tubed)] for name in names},
        "per air change": CONDUCTANCE_PER_AIR_CHANGE,
        "pooled": first_two(prior(pooled=(0.3, 0.2))),
        "by volume": first_two(prior(tubed)),
    }


def by_methods() -> dict[str, Any]:
    kinds = ("silica_regular", "molecular_sieve_4A", "calcium_chloride", None)
    return {
        f"{method} of {kind}": first_two(prior(method=method, desiccant=kind))
        for method in (*METHODS, "oven_120C_3h", "print_bed", "unknown")
        for kind in kinds
    }


def by_loadings() -> dict[str, Any]:
    known = ((0.05, 0.06, 0.08), (0.06, 0.0601, 0.0602), (0.0, 0.0, 0.02), (0.10, 0.20, 0.30))
    return {str(points): first_two(prior(known_loading=points)) for points in known}


def by_walls() -> dict[str, Any]:
    names = (None, "", *WALL_MATERIALS, "Polycarbonate", "acrylic", "aluminium", "steel", "wood", "pp-copolymer",
             "nylon", "ABS", "polyethylene", "cardboard", "polystyrene", "pe")  # fmt: skip
    sizes = (1.0, 10.0, 60.0)
    return {
        str(name): [walls_of(name)]
        + [
            prompt_contents(
                replace(BOX, wall_material=name, volume_liter=size), episode(desiccant=None, dry_mass_g=0.0)
            )[1]
            for size in sizes
        ]
        for name in names
    }


def by_kinds() -> dict[str, Any]:
    humidities = np.array([0.005, 0.03, 0.11, 0.25, 0.33, 0.5, 0.6, 0.8, 0.97])
    mixed = mixed_kind([("silica_regular", 0.7), ("calcium_chloride", 0.3)])
    return {
        kind: [
            [one.loading_g_per_g(humidities, 23.0) for one in shapes_of(kind)],
            prompt_contents(BOX, episode(desiccant=kind, dry_mass_g=0.4))[1:],
            [prior(desiccant=kind).mean[3:5], prior(desiccant=kind).sd[3:5], prior(desiccant=kind).grams_declared],
        ]
        for kind in (*desiccant_kinds(), mixed, "no such beads")
    }


def by_spools() -> dict[str, Any]:
    boxes = {
        "none": BOX,
        "cores": replace(BOX, spool_core="cardboard"),
        "full": FULL,
        "little": replace(BOX, spools=(Spool("PLA", 1.0, 5),)),
        **{state: replace(BOX, spools=(Spool("PLA", 1000.0, 1, state),)) for state in (*SPOOL_STATES, "Has been out")},
    }
    return {
        name: [slow_store(box, True), slow_store(box, False), swapped_g_per_humidity(box),
               prior(box).mean[5:8], prior(box).sd[5:8]]
        for name, box in boxes.items()
    }  # fmt: skip


def bins(**what: Any) -> Bins:
    k = np.arange(len(DAYS), dtype=float)
    shown = 0.045 + 0.0035 * np.cumsum(DAYS) + 0.002 * np.sin(3.0 * k)
    shown[[0, 6]] = np.nan
    made = Bins(
        edges_days=-np.r_[0.0, np.cumsum(DAYS[::-1])][::-1],
        temperature_degc=21.0 + 2.0 * np.sin(1.3 * k),
        outside_kpa=1.1 + 0.2 * np.sin(0.9 * k + 1.0),
        shown_humidity=shown,
        censored=np.zeros(len(DAYS), dtype=bool),
        openings=NOTHING, swaps=NOTHING, step_size=NOTHING, loosened=NOTHING, floor=None, weighings=(),
    )  # fmt: skip
    return replace(made, **what)


def at(*places: int, size: float = 1.0) -> FloatArray:
    out = np.zeros(len(DAYS))
    out[list(places)] = size
    return out


def problem(
    evidence: Bins | None = None, box: Box = FULL, assumptions: Assumptions | None = None,
    seen: BiasLikelihood | None = None, changes: bool = False, **what: Any,
) -> Problem:  # fmt: skip
    assume, of = assumptions or Assumptions(), episode(**what)
    of_box = prior_of(box, of, assume)
    of_box = of_box.with_change_point(**CHANGE) if changes else of_box
    return Problem(box, of, evidence or bins(), of_box, assume, seen)


def theta_of(of: Problem) -> FloatArray:
    """Three draws: near the prior's mean, and off it either way."""
    away = np.array([[0.1], [-0.7], [0.9]]) * np.cos(np.arange(len(of.prior.mean)))
    return np.asarray(of.prior.mean + of.prior.sd * away)


def filtered(*what: Any, **more: Any) -> dict[str, Any]:
    of = problem(*what, **more)
    log_likelihood, state = run(of, theta_of(of))
    return {"log_likelihood": log_likelihood, **numbers_of(state)}


def numbers_of(state: State) -> dict[str, Any]:
    kept = {f.name: getattr(state, f.name) for f in fields(state) if f.name != "drawn"}
    return {**kept, "conductance": state.conductance, "mean_conductance": state.mean_conductance}


def with_floor(places: tuple[int, ...] = (1, 2, 3)) -> Bins:
    made = bins(floor=0.06)
    censored = at(*places) > 0.0
    return replace(made, shown_humidity=np.where(censored, 0.0625, made.shown_humidity), censored=censored)


FLOOR = with_floor()
WEIGHED = bins(weighings=((2, 107.0, 0.1), (7, 111.0, 1.0)))
STEPS = bins(openings=at(2, 7, size=2.0), swaps=at(4), step_size=at(6, 8, size=0.03))
SENSORS = bins(new_sensors=(3, 8), weighings=((1, 107.0, 1.0), (4, 109.0, 1.0)))
COLORED = bins(colors=((2, "orange"), (7, "green"), (9, "turning"), (9, "pink")))
OUTLIER = replace(bins(), shown_humidity=bins().shown_humidity + at(5, size=0.2))
PUT_IN = {"loaded_mass": ChargeWeighing(NOW_S, 106.5, 1.0)}
NO_BEADS: dict[str, Any] = {"desiccant": None, "dry_mass_g": 0.0}


def carried_on() -> dict[str, Any]:
    of = problem(STEPS)
    theta = theta_of(of)
    _, state = run(of, theta)
    later = replace(of, bins=bins(new_sensors=(0, 5), loosened=at(3, size=0.2), weighings=((0, 109.0, 0.1),)))
    return {"log_likelihood": run_on(later, theta, state, 40.0), **numbers_of(state)}


def loosened_by_draw() -> dict[str, Any]:
    return filtered(bins(loosened=np.outer(at(5), [0.0, 0.3, 0.9])))


def doses() -> dict[str, Any]:
    of = problem()
    [air] = air_states(np.array([1.2]), np.array([22.0]))
    humidity, per_g = np.array([0.05, 0.30, 0.60]), np.array([1e-12, 0.01, 3.0])
    return {
        "opening": opening_dose_g(drawn_box(of, theta_of(of)), air, humidity),
        "opening_var": opening_var_g(of, per_g),
        "swap": swap_dose_g(of, humidity, per_g, np.array([0.1, 0.25, 0.5])),
        "air": air,
    }


def errors_of(state: State, highest: Any) -> StandardErrors:
    return StandardErrors.drawn(len(state.loading), np.random.default_rng(3), highest)


def samples() -> dict[str, Any]:
    of = problem(STEPS)
    _, state = run(of, theta_of(of))
    sure = replace(state, var_loading=np.full(3, 1e-34), var_wander=np.full(3, -1.0))
    tied = replace(state, covariance=2.0 * np.sqrt(state.var_loading * state.var_wander) * np.array([1.0, -1.0, 0.3]))
    return {
        name: numbers_of(sampled_state(which, errors_of(which, highest)))
        for name, which, highest in (
            ("usual", state, np.inf), ("cut off", state, np.array([-1.0, 0.0, -50.0])), ("sure", sure, np.inf),
            ("tied", tied, np.inf), ("taken", state.take(np.array([2, 0])), np.inf),
        )
    }  # fmt: skip


def pushed_little() -> FloatArray:
    of = problem()
    _, state = run(of, theta_of(of))
    return replace(state, dose_kpa_days=np.array([0.0, 9e-10, 2e-9]), leaked_g=np.full(3, 1e-9)).mean_conductance


# comparisons with the room

OPENED_S = NOW_S - 40 * 86_400.0


def series(name: str, at_s: FloatArray, humidity: FloatArray, degc: float = 21.0) -> ReadingSeries:
    return unmarked(name, at_s, np.full(len(at_s), degc), humidity)


def entry(kind: EntryKind, at_s: float) -> LedgerEntry:
    return LedgerEntry(kind, "made", datetime.fromtimestamp(at_s, UTC))


def opened(  # noqa: PLR0917
    open_s: tuple[float, float] = (0.0, 1800.0), exchanged: float = 0.9, every_s: float = 300.0, apart: float = 0.35,
    room_every_s: float = 600.0, room_gap: tuple[float, float] = (0.0, 0.0), unrest: float = 0.0,
    kinds: tuple[tuple[EntryKind, float], ...] = ((EntryKind.opening, 0.0),), degc: float = 21.0,
    wave: float = 0.0, nearing: float = 0.0,
    span_s: tuple[float, float] = (-40 * 3600.0, 10_800.0),
) -> tuple[Comparison, ...]:  # fmt: skip
    at_s = np.arange(*span_s, every_s)
    now_open = (at_s >= open_s[0]) & (at_s <= open_s[1])
    # `nearing` is humidity a second: a sensor that settles
    humidity = (
        0.50
        - apart
        + np.where(now_open, exchanged * apart, 0.0)
        + nearing * np.maximum(at_s, 0.0)
        + unrest * np.sin(at_s / 700.0)
    )
    room_s = np.arange(-50 * 3600.0, 18_000.0, room_every_s)
    room_s = room_s[(room_s <= room_gap[0]) | (room_s >= room_gap[1])]
    return comparisons(
        series("made", OPENED_S + at_s, humidity),
        series("room", OPENED_S + room_s, 0.5 + wave * np.sin(room_s / 9000.0), degc),
        [entry(kind, OPENED_S + late_s) for kind, late_s in kinds],
    )


FILLED = ((EntryKind.recharge, 0.0),)
FILLED_AGAIN = ((EntryKind.charge, -30 * 86_400.0), (EntryKind.recharge, 0.0))
STOOD_OPEN = (-3600.0, 0.0)
COMPARED: dict[str, Callable[[], tuple[Comparison, ...]]] = {
    "opened": opened,
    "opened, a warm room that moves": lambda: opened(degc=22.0, wave=0.02),
    "opened for an hour, read each minute": lambda: opened((0.0, 3600.0), every_s=60.0, unrest=0.003, wave=0.004),
    "held for ten minutes": lambda: opened(nearing=1e-6),
    "held for less": lambda: opened(nearing=1e-6, every_s=299.0),
    "held within 0.98 %": lambda: opened((0.0, 900.0), nearing=0.0098 / 600.0),
    "held within 1.02 %": lambda: opened((0.0, 900.0), nearing=0.0102 / 600.0),
    "opened for three readings": lambda: opened((0.0, 600.0)),
    "opened for two readings": lambda: opened((0.0, 300.0)),
    "opened for nine minutes": lambda: opened((0.0, 540.0), every_s=180.0),
    "opened, unrest of 0.9 %": lambda: opened(unrest=0.009),
    "opened, unrest of 2.5 %": lambda: opened(unrest=0.025),
    "opened, unrest of 0.5 %": lambda: opened(unrest=0.005),
    "half of the air": lambda: opened(exchanged=0.51),
    "less than half": lambda: opened(exchanged=0.49),
    "logged late": lambda: opened((-1800.0, -610.0)),
    "logged ten minutes late": lambda: opened((-1800.0, -400.0)),
    "logged early": lambda: opened((4500.0, 7000.0)),
    "logged two hours early": lambda: opened((5500.0, 7000.0)),
    "hardly apart": lambda: opened(apart=0.121),
    "not apart": lambda: opened(apart=0.119),
    "moister than the room": lambda: opened(apart=-0.3),
    "room silent for an hour": lambda: opened(room_gap=(-1000.0, 2600.0)),
    "room silent for long": lambda: opened(room_gap=(-2000.0, 3700.0)),
    "room silent for a day": lambda: opened(room_gap=(-80_000.0, 8000.0)),
    "seldom read": lambda: opened(every_s=1800.0, open_s=(0.0, 5300.0)),
    "too seldom": lambda: opened(every_s=3000.0),
    "no readings before": lambda: opened(span_s=(-1200.0, 7200.0)),
    "readings of an hour before": lambda: opened(span_s=(-4000.0, 7200.0)),
    "filled for the first time": lambda: opened(STOOD_OPEN, kinds=FILLED),
    "filled again": lambda: opened(STOOD_OPEN, kinds=FILLED_AGAIN),
    "filled again, just apart": lambda: opened(STOOD_OPEN, kinds=FILLED_AGAIN, apart=0.121),
    "filled again, not apart": lambda: opened(STOOD_OPEN, kinds=FILLED_AGAIN, apart=0.119),
    "filled first, not apart": lambda: opened(STOOD_OPEN, kinds=FILLED, apart=0.119),
    "filled first, nothing before": lambda: opened(STOOD_OPEN, kinds=FILLED, span_s=(-3700.0, 1000.0)),
    "filled again, nothing before": lambda: opened(STOOD_OPEN, kinds=FILLED_AGAIN, span_s=(-3700.0, 1000.0)),
    "filled, read for ten minutes": lambda: opened(STOOD_OPEN, kinds=FILLED, span_s=(-600.0, 1000.0)),
    "closed until then": lambda: opened((0.0, 10.0), kinds=FILLED_AGAIN),
    "often": lambda: opened((0.0, 9000.0), kinds=((EntryKind.charge, -3000.0), (EntryKind.opening, 0.0),
                                                  (EntryKind.opening, 6000.0), (EntryKind.note, 0.0))),
    "no room": lambda: comparisons(series("made", np.array([1.0]), np.array([0.1])), None, ()),
}  # fmt: skip


def said(episode_of: int, gap: float, apart: float | None, at_days: float, **more: Any) -> Comparison:
    return Comparison(NOW_S - 86_400.0 * at_days, episode_of, more.get("filling", False), gap, apart,
                      more.get("sd", 0.011), more.get("chance", 0.35))  # fmt: skip


LIKELY: dict[str, tuple[Comparison, ...]] = {
    "one": (said(0, 0.02, -0.3, 10.0),),
    "not known apart": (said(0, 0.05, None, 400.0, filling=True),),
    "brief": (said(1, -0.03, -0.4, 3.0, chance=0.1),),
    "the best of an episode": (said(0, -0.10, -0.3, 60.0), said(0, -0.02, -0.3, 50.0), said(0, 0.01, -0.3, 40.0)),
    "both kinds": (said(2, -0.02, -0.3, 60.0), said(2, 0.03, None, 90.0, filling=True), said(2, 0.0, 0.3, 70.0)),
    "of four episodes": tuple(said(n, 0.01 * n, -0.35, 200.0 - 50.0 * n) for n in range(4)),
    "to come": (said(0, 0.02, -0.3, 0.0), said(0, 0.04, -0.3, -1.0)),
}


def likelihoods() -> dict[str, Any]:
    biases = np.array([-0.5, -0.2, -0.06, -0.0305, -0.01, 0.0, 0.0102, 0.03, 0.07, 0.12, 0.31])
    found: dict[str, Any] = {}
    for name, compared in LIKELY.items():
        for accuracy in (0.02, 0.05):
            likelihood = bias_likelihood(compared, SensorSpec(accuracy), Assumptions(), NOW_S)
            found[f"{name}, {accuracy}"] = likelihood and likelihood.at(biases)
    return found


SEEN = bias_likelihood(LIKELY["one"], SensorSpec(), Assumptions(), NOW_S)
BARE = Assumptions(slow_contents=False, wandering_leak=False, censored=False)

CASES: dict[str, Callable[[], Any]] = {
    "prior: plain": lambda: said_of(prior()),
    "prior: full": lambda: said_of(prior(FULL)),
    "prior: full, later": lambda: said_of(prior(FULL, spools_went_in=False)),
    "prior: no beads": lambda: said_of(prior(**NO_BEADS)),
    "prior: grams not declared": lambda: said_of(prior(dry_mass_g=0.0)),
    "prior: dye": lambda: said_of(prior(desiccant="orange_gel")),
    "prior: sensors apart": lambda: said_of(prior(sensors_apart=0.05)),
    "prior: bare": lambda: said_of(prior(FULL, BARE)),
    "prior: change point": lambda: said_of(prior().with_change_point(**CHANGE)),
    "prior: without it again": lambda: said_of(prior().with_change_point(**CHANGE).without_change_point()),
    "prior: styles": by_styles,
    "prior: methods": by_methods,
    "prior: loadings": by_loadings,
    "contents: walls": by_walls,
    "contents: kinds": by_kinds,
    "contents: spools": by_spools,
    "filter: plain": filtered,
    "filter: dry room": lambda: filtered(replace(bins(), outside_kpa=np.full(len(DAYS), 0.2))),
    "filter: floor": lambda: filtered(FLOOR),
    "filter: floor taken for a value": lambda: filtered(FLOOR, assumptions=BARE),
    "filter: floor left out": lambda: filtered(FLOOR, assumptions=Assumptions(drop_censored=True)),
    "filter: weighings": lambda: filtered(WEIGHED, **PUT_IN),
    "filter: weighings, grams not declared": lambda: filtered(WEIGHED, **PUT_IN, dry_mass_g=0.0),
    "filter: disturbed": lambda: filtered(STEPS),
    "filter: disturbed, leak held": lambda: filtered(STEPS, assumptions=Assumptions(wandering_leak=False)),
    "filter: disturbed without beads": lambda: filtered(STEPS, BOX, **NO_BEADS),
    "filter: disturbed sieve": lambda: filtered(STEPS, desiccant="molecular_sieve_4A"),
    "filter: salt": lambda: filtered(STEPS, desiccant="calcium_chloride"),
    "filter: sensors": lambda: filtered(SENSORS),
    "filter: sensors at a floor": lambda: filtered(replace(FLOOR, new_sensors=(2, 5))),
    "filter: colors": lambda: filtered(COLORED, desiccant="orange_gel"),
    "filter: colors without a dye": lambda: filtered(COLORED),
    "filter: outlier": lambda: filtered(OUTLIER),
    "filter: change point": lambda: filtered(STEPS, changes=True),
    "filter: loosened": loosened_by_draw,
    "filter: compared with the room": lambda: filtered(seen=SEEN),
    "filter: no beads": lambda: filtered(box=BOX, **NO_BEADS),
    "filter: no beads, walls and spools": lambda: filtered(**NO_BEADS),
    "filter: coarse display": lambda: filtered(box=replace(FULL, sensor=SensorSpec(0.05, 0.05))),
    "filter: carried on": carried_on,
    "noise of readings": lambda: [
        reading_noise(shown, problem(box=box, desiccant=kind))
        for shown in (0.02, 0.5) for box in (BOX, replace(BOX, sensor=SensorSpec(resolution=0.05)))
        for kind in ("silica_regular", "calcium_chloride")],
    "doses": doses,
    "samples of the state": samples,
    "pushed little": pushed_little,
    **{f"compared: {name}": find for name, find in COMPARED.items()},
    "bias": likelihoods,
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_numbers_of_the_model_stay(case: str) -> None:
    assert_pinned("model", case, CASES[case](), TIGHT)
