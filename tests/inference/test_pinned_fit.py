"""Fits of fixed draws: bins filled, priors pooled, updates, change points, weights; *regression* (see tests/pinned.py).

No sampler is in these numbers. Renewed by `python -m tests.renew fit`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from functools import cache, partial
from typing import Any

import numpy as np
import pytest
from fixed_draws import DRAWS, fixed_draws, spread
from fixed_posteriors import (
    BOX,
    COMPARED,
    DOUBTED,
    JUMPED,
    MADE,
    MONTHS,
    START_S,
    STEPPED,
    SURE,
    after,
    charge,
    entry,
    fitted,
    hours,
    made,
    record,
    room_hours,
    told,
)
from pinned import assert_pinned

from monitor.inference.evidence.bins import Bins
from monitor.inference.evidence.episodes import ChargeWeighing
from monitor.inference.fit.below import given_below
from monitor.inference.fit.change_point import ChangePoint, change_point_of, with_change_point
from monitor.inference.fit.fit import estimate, refitted, room_before, under_pooled_prior
from monitor.inference.fit.importance import log_prior, reweighted
from monitor.inference.fit.levels import level_of
from monitor.inference.fit.pooling import KnownLeaks, LeakObservation, leak_observation_of, tested
from monitor.inference.fit.posterior import Posterior, mean_conductance
from monitor.inference.fit.quantiles import quantile_points, quantiles, weighted_points
from monitor.inference.fit.refreshed import refreshed
from monitor.inference.fit.weights import effective_sample_size, largest_exponent, normalized, resample
from monitor.inference.model.prior import Assumptions, Normal, Unknown
from monitor.inference.model.state import State
from monitor.physics.numerics import FloatArray
from monitor.records import EntryKind, RoomClimate

TIGHT = 1e-6
"""Another order of sums in the filter moves last digits, which weights and differences of draws make more of."""


def moments(values: FloatArray) -> list[float]:
    """Of any numbers: their mean, spread, ends and a sum that minds their order."""
    values = np.asarray(values, dtype=float)
    if not values.size:
        return []
    order = float(np.nansum(values.ravel() * np.cos(np.arange(values.size))))
    return [values.mean(), values.std(), values.min(), values.max(), order]


def numbers_of(state: State) -> dict[str, Any]:
    kept = {f.name: moments(getattr(state, f.name)) for f in fields(state) if f.name != "drawn"}
    return {**kept, "dry_mass_g": moments(state.drawn.dry_mass_g * np.ones(len(state.loading)))}


def evidence(bins: Bins) -> dict[str, Any]:
    kept = {f.name: getattr(bins, f.name) for f in fields(bins)}
    return {name: moments(one) if isinstance(one, np.ndarray) else one for name, one in kept.items()}


def numbers(of: Posterior) -> dict[str, Any]:
    return {
        "theta": [moments(column) for column in of.theta.T],
        "filtered": numbers_of(of.filtered),
        "state": numbers_of(of.state),
        "draws": [of.draws.rounds, of.draws.effective_sample_size, moments(of.draws.weights), of.effective_draws],
        "weighted": numbers_of(of.weighted_state),
        "rough": of.draws.proposal and moments(of.draws.proposal.log_density),
        "bins": evidence(of.bins),
        "prior": [of.problem.prior.mean, of.problem.prior.sd, of.problem.prior.has_change_point],
        "room": [of.room_measured, of.temperature_above_room_degc, of.room.seen_days,
                 of.room.expected_kpa(np.array([20_500.0]))],
        "compared": of.problem.bias_likelihood and of.problem.bias_likelihood.at(np.array([-0.02, 0.0, 0.03])),
        "conductance": moments(mean_conductance(of)),
    }  # fmt: skip


def known(name: str) -> dict[str, Any]:
    """What of a made posterior isn't told by its answers already."""
    of = made(name)
    found = numbers(of)
    return {part: found[part] for part in ("draws", "rough", "bins", "room", "compared")}


def within(find: Callable[[], Any], share: float = 0.4, shifts: Mapping[Unknown, float] | None = None) -> Any:
    with fixed_draws(share, shifts):
        return find()


# other priors, other days


def pooled(mean_sd: tuple[float, float], count: int = DRAWS) -> dict[str, Any]:
    return within(lambda: numbers(under_pooled_prior(fitted(count=count), mean_sd, seed=2)))


def more_unknowns() -> dict[str, Any]:
    of = made("plain")
    prior = of.problem.prior.with_change_point(
        log_factor=Normal(0.2, 0.7), day=Normal(12.0, 3.0), log_duration=Normal(0.5, 0.4)
    )
    return within(lambda: numbers(refitted(of, replace(of.problem, prior=prior))), 0.7)


LATER = (
    entry(EntryKind.opening, 31.0), entry(EntryKind.weighing, 32.0, mass_g=110.0, scale_resolution_g=0.1),
    entry(EntryKind.color, 33.0, color="green"),
)  # fmt: skip


def updated(days: float = 35.0, start: str = "plain", seed: int = 1, **what: Any) -> dict[str, Any]:
    of = record(days, entries=(charge(), *LATER), **what)
    return numbers(refreshed(made(start), of, START_S + 86_400.0 * days, seed))


def updated_twice() -> dict[str, Any]:
    first = refreshed(made("used").for_update(), record(33.0, entries=(charge(), *LATER)), START_S + 33 * 86_400.0)
    return numbers(refreshed(first, record(36.0, room=None), START_S + 36 * 86_400.0))


def eventful() -> dict[str, Any]:
    """Later events of the same episode, and a sensor that was new before."""
    of = made("dyed")
    at_s = START_S + 86_400.0 * 30.0
    later = replace(
        of.episode, openings_s=(at_s + 90_000.0,), swaps_s=(at_s + 200_000.0,), colors=((at_s + 260_000.0, "green"),),
        weighings=(ChargeWeighing(at_s + 100_000.0, 109.0, 0.1), ChargeWeighing(at_s + 300_000.0, 110.0, 1.0)),
    )  # fmt: skip
    bins = replace(of.bins, new_sensors=(12,), weighings=((4, 108.0, 0.1),))
    before = replace(of, problem=replace(of.problem, episode=later, bins=bins))
    return numbers(refreshed(before, record(36.0), at_s + 6 * 86_400.0))


def below(name: str, limit: float) -> Any:
    of = given_below(made(name), limit)
    return "the same" if of is made(name) else numbers(of)


def cut_down() -> dict[str, Any]:
    for_update, for_reweighting = made("plain").for_update(), made("plain").for_reweighting()
    return {
        "update": [for_update.theta.shape, len(for_update.draws.theta), len(for_update.draws.weights),
                   for_update.draws.rounds, len(for_update.weighted_state.loading), len(for_update.state.loading),
                   len(for_update.filtered.loading)],
        "reweighting": [for_reweighting.theta.shape, len(for_reweighting.draws.weights),
                        len(for_reweighting.filtered.loading), len(for_reweighting.state.loading),
                        len(for_reweighting.weighted_state.loading)],
    }  # fmt: skip


def rooms() -> dict[str, Any]:
    days = np.array([20_500.0, 20_650.0])
    asked = {
        "measured": (room_hours(20.0), None, True), "flat": (room_hours(20.0), None, False), "none": (None, None, True),
        "declared": (None, RoomClimate(monthly_vapor_pressure_pa=MONTHS), True),
    }  # fmt: skip
    found = {}
    for name, (measured, declared, seasonal) in asked.items():
        before, learned = room_before(measured, declared, START_S + 86_400.0 * 15, seasonal)
        found[name] = [before and len(before), learned.seen_days, learned.expected_kpa(days)]
    return found


# change points


def changes(of: Posterior) -> dict[str, Any]:
    there = change_point_of(of)
    level = level_of(of)
    return {
        "change": there and change(there, of.now_s),
        "level": [level.since_s - START_S, level.log_conductance, level.sd, level.change is None],
        "theta": [moments(column) for column in of.theta.T],
        "state": numbers_of(of.state),
        "draws": [len(of.draws.theta), of.draws.rounds, moments(of.draws.weights), of.problem.prior.has_change_point],
    }


def change(found: ChangePoint, now_s: float) -> dict[str, Any]:
    return {f.name: told(getattr(found, f.name), now_s) for f in fields(found) if f.name != "between"} | {
        "between": [told(at, now_s) for at in found.between]
    }


@cache
def jumped(shifts: tuple[tuple[Unknown, float], ...], share: float = 0.4, count: int = DRAWS, **what: Any) -> Posterior:
    days = what.pop("days", 60.0)
    return within(
        lambda: with_change_point(fitted(days, count=count, **{"humidity": JUMPED, **what})), share, dict(shifts)
    )


def by_shifts() -> dict[str, Any]:
    found = {}
    for factor in (-1.6, 0.0, 0.6, 1.0, 1.3, 1.6):
        for share in (0.2, 0.5):
            of = jumped(((Unknown.log_change_factor, factor), (Unknown.log_conductance, -0.3)), share)
            found[f"{factor}, {share}"] = changes(of)
    return found


SURELY = tuple(SURE.items())
OPENED = {
    f"{kind}, day {day}": (charge(), entry(kind, day))
    for kind in (EntryKind.opening, EntryKind.spool_swap, EntryKind.color)
    for day in (8.0, 20.0, 30.0, 58.0)
}


def by_openings() -> dict[str, Any]:
    found = {}
    for name, entries in OPENED.items():
        there = change_point_of(jumped(SURELY, entries=entries))
        found[name] = there and [there.opened, there.chance, there.took_days]
    return found


def by_lengths() -> dict[str, Any]:
    """Episodes in which few days can be tried, and many; the candidate shows in the prior of the fit."""
    found = {}
    for days in (8.0, 12.0, 14.0, 20.0, 29.0, 45.0, 100.0):
        for place in (0.4, 0.7):
            rises = ((0.0, place * days, days), (0.05, 0.07, 0.18))
            of = jumped(SURELY, 0.4, 40, days=days, humidity=rises)
            prior = of.problem.prior
            found[f"{days} days, {place}"] = [prior.has_change_point, prior.mean[9:], prior.sd[9:], len(of.theta)]
    return found


def by_room() -> dict[str, Any]:
    return {
        name: changes(
            jumped(((Unknown.log_change_factor, 1.2), (Unknown.log_conductance, -0.3)), 0.3, DRAWS, room=room)
        )
        for name, room in (("measured", room_hours(60.0)), ("not measured", None))
    }


# pooling


def seen(
    box: str, day: float, mean: float, sd: float = 0.2, start: float | None = None, **what: Any
) -> LeakObservation:
    started = day - 5.0 if start is None else start
    return LeakObservation(
        box, what.pop("style", "gasket"), START_S + 86_400.0 * day, START_S + 86_400.0 * started, mean, sd, **what
    )


POOLED = {
    "none": (),
    "one of the style": (seen("b", -5.0, 1.3),),
    "one of another style": (seen("b", -5.0, 1.3, style="bag"),),
    "its latest": (seen("b", -9.0, 1.3), seen("b", -5.0, 0.4), seen("b", -7.0, -1.0)),
    "three alike": tuple(seen(name, -5.0, 0.7 + 0.02 * k) for k, name in enumerate("bcd")),
    "four apart": tuple(seen(name, -5.0, -1.0 + 0.9 * k, 0.1 + 0.2 * k) for k, name in enumerate("bcde")),
    "many": tuple(seen(f"b{k}", -5.0, 0.3 * np.sin(k), 0.3) for k in range(30)),
    "own, earlier": (seen("made", -5.0, 1.1),),
    "own, this episode": (seen("made", 20.0, 1.1, start=0.0),),
    "own, most of a day before": (seen("made", -5.0, 1.1, start=-0.99),),
    "own, a day before": (seen("made", -5.0, 1.1, start=-1.0),),
    "own, more than a day before": (seen("made", -5.0, 1.1, start=-1.01),),
    "own, of one episode": (seen("made", -5.0, 1.1, start=-40.0), seen("made", -9.0, 0.1, start=-40.0)),
    "own, of four episodes": tuple(seen("made", -10.0 * k, 0.4 * k, 0.1 * k) for k in (4, 2, 1, 3)),
    "own, uncertain": (seen("made", -5.0, 1.1, 2.0),),
    "own, two uncertain": (seen("made", -5.0, 1.1, 0.6), seen("made", -15.0, 0.1, 0.9)),
    "tests": (seen("made", -5.0, 1.1, tested=True), seen("made", 9.0, 0.3, 0.1, tested=True)),
    "all": (
        seen("made", -5.0, 1.1, tested=True), *(seen("made", -10.0 * k, 0.4 * k) for k in (4, 2, 1, 3)),
        seen("b", -5.0, 1.3), seen("c", -5.0, 0.3, 0.5),
    ),
}  # fmt: skip


def pools() -> dict[str, Any]:
    boxes = {"made": BOX, "in a bag": replace(BOX, style="bag"), "new": replace(BOX, name="new")}
    return {
        f"{name}, {of}": KnownLeaks(observations).prior(box, START_S)
        for name, box in boxes.items()
        for of, observations in POOLED.items()
    }


def observations() -> dict[str, Any]:
    found = {name: leak_observation_of(made(name)) for name in MADE}
    wide = {
        f"{share}": within(lambda: leak_observation_of(fitted()), share) for share in (0.02, 0.7, 0.85, 0.9, 1.0, 1.2)
    }
    return {**found, **wide}


def of_tests() -> Any:
    points = (0.08, 0.10, 0.14)
    entries = [
        entry(EntryKind.leak_test, day, conductance_g_per_day_per_kpa=found)
        for day, found in ((-9.0, points), (-4.0, None), (3.0, (0.2, 0.3, 0.4)), (10.0, points), (10.1, points))
    ]
    other = replace(entries[0], box="other")
    return tested(BOX, [*entries, other, charge()], (START_S + 10.0 * 86_400.0))


# arrays


def of_arrays() -> dict[str, Any]:
    draws = 3.0 + np.sin(1.7 * np.arange(41.0)) * np.arange(41.0)
    weights = 1.0 + np.cos(np.arange(41.0))
    grid = draws[:40].reshape(8, 5)
    return {
        "quantiles": [quantiles(draws), quantiles(np.sort(draws), weights)],
        "points": [quantile_points(draws, (0.1, 0.33)), quantile_points(grid.T, of_rows=True),
                   quantile_points(grid, of_rows=True), quantile_points(grid), quantile_points(draws, reached=True)],
        "weighted": [weighted_points(np.sort(draws), weights), weighted_points(np.sort(draws), weights, (0.2, 0.21))],
        "normalized": normalized(np.array([-1000.0, -1001.0, -1003.5, -2000.0])),
        "effective": [effective_sample_size(weights / weights.sum()), effective_sample_size(np.array([1.0, 0.0]))],
        "resampled": [resample(weights / weights.sum(), n, np.random.default_rng(5)) for n in (1, 10, 41, 60)],
        "exponents": [largest_exponent(lambda x: x < 0.3, 0.1, 0.9), largest_exponent(lambda x: x * x < 2.0, 0.0, 8.0)],
    }  # fmt: skip


def prior_densities() -> dict[str, Any]:
    prior = made("plain").problem.prior
    theta = spread(prior, 7, 1.0, {})
    points = theta.copy()
    start = np.array([0.5e-5, 1.5e-5, 0.02, 0.3, 0.9, 0.949, 0.951])
    points[:, Unknown.log_start_humidity] = start + theta[:, Unknown.sensor_bias]
    other = made("tight").problem.prior
    return {
        "density": log_prior(prior, theta, points),
        "reweighted": moments(reweighted(made("plain").draws, other).weights),
    }


TIMES: dict[str, tuple[float, dict[str, Any]]] = {
    "nothing seen yet": (30.0, {"hours": hours(0.5, 0.05), "least_days": 0.0}),
    "seen late": (30.0, {"hours": hours(6.0, 0.05, first=24.0)}),
    "seen early": (30.0, {"hours": hours(6.0, 0.05)}),
    "weighed, not seen": (
        10.0, {"hours": hours(0.5, 0.05), "entries": (charge(), entry(EntryKind.weighing, 9.0, mass_g=108.0))}
    ),
    "more than there was": (20.0, {"hours": hours(40.0, STEPPED), "room": room_hours(40.0)}),
    "sensor swapped since": (
        30.0, {"comparisons": COMPARED, "entries": (charge(), entry(EntryKind.sensor_swap, 12.0))}
    ),
    "sensor to be swapped": (
        30.0, {"comparisons": COMPARED, "entries": (charge(), entry(EntryKind.sensor_swap, 31.0))}
    ),
    "sensor swapped then": (
        30.0, {"comparisons": COMPARED, "entries": (charge(), entry(EntryKind.sensor_swap, 0.0))}
    ),
    "sensor swapped now": (
        30.0, {"comparisons": COMPARED, "entries": (charge(), entry(EntryKind.sensor_swap, 30.0))}
    ),
    "pooled": (30.0, {"pooled": (0.7, 0.2)}),
    "other errors": (30.0, {"assumptions": Assumptions(drift_sd=0.4, reading_sd=0.01)}),
}  # fmt: skip


def at_times(name: str) -> dict[str, Any]:
    days, what = TIMES[name]
    return within(lambda: numbers(fitted(days, **what)))


def many_bins() -> Any:
    """A fit of so many bins that pilot draws get a rough likelihood."""
    of = record(100.0)
    return within(lambda: numbers(estimate(of, after(100.0).timestamp(), count=DRAWS, seed=9)))


CASES: dict[str, Callable[[], Any]] = {
    "plain": lambda: numbers(made("plain")),
    **{f"fit: {name}": partial(known, name) for name in MADE},
    **{f"fit: {name}": partial(at_times, name) for name in TIMES},
    "fit: many bins": many_bins,
    "prior: near": lambda: pooled((1.0, 0.5)),
    "prior: far": lambda: pooled((5.0, 0.05)),
    "prior: more unknowns": more_unknowns,
    "update": updated,
    "update: another seed": lambda: updated(seed=5),
    "update: used": lambda: updated(start="used"),
    "update: changed": lambda: updated(65.0, "changed", humidity=JUMPED),
    "update: floor": lambda: updated(start="floor"),
    "update: events": eventful,
    "update: twice": updated_twice,
    "below: half over": lambda: below("half over", 0.20),
    "below: over": lambda: below("over", 0.20),
    "below: all below": lambda: below("plain", 0.20),
    "below: none": lambda: below("far over", 1e-4),
    "cut down": cut_down,
    "rooms": rooms,
    "change: by shifts": by_shifts,
    "change: doubted": lambda: changes(jumped(tuple(DOUBTED.items()))),
    "change: openings": by_openings,
    "change: lengths": by_lengths,
    "change: room": by_room,
    "change: many draws": lambda: changes(jumped(SURELY, 0.4, 130)),
    "change: few draws": lambda: changes(jumped(SURELY, 0.4, 30)),
    "pool": pools,
    "observations": observations,
    "tests": of_tests,
    "arrays": of_arrays,
    "prior densities": prior_densities,
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_fits_stay(case: str) -> None:
    assert_pinned("fit", case, CASES[case](), TIGHT)
