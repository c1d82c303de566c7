"""A spool swapped in between two dryings: what it brings, when, and what the filter makes of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest
from exact_filter import PER_HUMIDITY, Filtered, Step, StraightTable, assert_same, exactly_filtered
from prior_draws import problem_of
from scipy.integrate import solve_ivp
from simulated_boxes import CLOSED_AT, room_hours
from with_compiled import take_filter

from monitor.inference.answers.drawn_future import poisson_counts
from monitor.inference.answers.simulation import Ahead, Simulated, simulate
from monitor.inference.evidence.bins import Bins
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, Record, carried_from, humidity_now, mean_conductance
from monitor.inference.model.box_prior import prior_of
from monitor.inference.model.carried import CARRIED
from monitor.inference.model.disturbances import disturb, swapped_in
from monitor.inference.model.kalman import run, run_on
from monitor.inference.model.observations import reading_noise
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.state import Problem, StandardErrors, State, air_states, sampled_state
from monitor.inference.model.swapped_spools import replaced_and_spread, slow_tangents
from monitor.physics.box_balance import Air, DrawnBox, advance
from monitor.physics.materials import desiccant, polymer
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec, Spool

BEADS_G, LITER, STORE_G = 100.0, 10.0, 9.0
SATURATION_KPA = float(saturation_vapor_pressure_pa(21.0)) / 1e3
AIR_G = LITER * SATURATION_KPA * float(grams_per_m3_per_pa(21.0))
QUIET = Assumptions(
    student_degrees=1e300, reading_share=0.0, settling_humidity=0.0, drift_sd=0.0, unknown_share=0.0,
    unknown_g_per_g=0.0, bias_walk=0.0, seating_sd=0.0,
)  # fmt: skip
"""Errors of a constant size without tails, and none of the leak."""
NEW, NEW_SD = Assumptions().swapped_humidity, Assumptions().swapped_humidity_sd


def state_with(lag_days: float, conductance: float = 0.15, humidity: float = 0.10, slow: float = 0.10) -> State:
    """A box of 100 g on a straight isotherm, with spools that take up 9 g for a humidity of 1."""
    one = np.ones(1)
    box = DrawnBox(StraightTable(), BEADS_G * one, STORE_G * one, lag_days * one, LITER)  # type: ignore[arg-type]
    return State.at_closing(box, np.log(conductance) * one, PER_HUMIDITY * humidity * one, slow * one)


def problem_with(share: float, days: int = 1, swaps: float = 1.0, assume: Assumptions = QUIET) -> Problem:
    """One swap in the first bin; nothing is shown."""
    problem = problem_of(days, None, assume)
    prior = replace(problem.prior, swapped_share=share, swapped_g_per_humidity=STORE_G)
    return replace(problem, prior=prior, bins=replace(problem.bins, swaps=np.r_[swaps, np.zeros(days - 1)]))


def water_g(state: State) -> float:
    """Of beads, air and spools."""
    humidity = state.loading[0] / PER_HUMIDITY
    return float(BEADS_G * state.loading[0] + AIR_G * humidity + STORE_G * state.slow_humidity[0])


def swapped(state: State, problem: Problem) -> State:
    [air] = air_states(problem.bins.outside_kpa[:1], problem.bins.temperature_degc[:1])
    disturb(state, air, problem, 0)
    return state


def test_water_that_comes_without_a_lag_is_that_of_a_spool_at_rest_at_once() -> None:
    """Two stores in series: (0.25 - h)/(1/S + h_g), and as much as one spool differs from another."""
    at_once, soon = (swapped(state_with(1e-5), problem_with(share)) for share in (0.0, 1.0))
    assert soon.loading == pytest.approx(at_once.loading, rel=1e-5)
    assert soon.var_loading == pytest.approx(at_once.var_loading, rel=1e-4)
    humidity_per_g = 1.0 / (BEADS_G * PER_HUMIDITY + AIR_G)
    brought_g = (NEW - 0.10) / (1.0 / STORE_G + humidity_per_g)
    capacity_g = BEADS_G + AIR_G / PER_HUMIDITY
    assert soon.loading[0] - PER_HUMIDITY * 0.10 == pytest.approx(brought_g / capacity_g, rel=1e-4)
    # and the spool is as humid as the beads then
    assert soon.slow_humidity[0] == pytest.approx(soon.loading[0] / PER_HUMIDITY, rel=1e-4)


def test_water_that_comes_with_a_long_lag_is_still_in_the_spool() -> None:
    late = swapped(state_with(1e6), problem_with(1.0))
    assert late.loading[0] == pytest.approx(PER_HUMIDITY * 0.10, rel=1e-5)
    assert late.slow_humidity[0] == pytest.approx(NEW, rel=1e-5)
    assert late.var_slow[0] == pytest.approx(NEW_SD**2, rel=1e-5)


@pytest.mark.parametrize("lag_days", [0.01, 1.0, 25.0])
@pytest.mark.parametrize(("share", "swaps"), [(1.0, 1.0), (0.5, 1.0), (0.25, 3.0)])
def test_a_closed_box_gains_what_the_new_spool_has_above_the_old_one(
    lag_days: float, share: float, swaps: float
) -> None:
    """The water of the old spool leaves with it; then none is lost while beads and spools come to rest."""
    state = state_with(lag_days, conductance=1e-12, slow=0.08)
    before, replaced = water_g(state), 1.0 - (1.0 - share) ** swaps
    run_on(problem_with(share, 1, swaps), np.zeros((1, len(Unknown))), state)
    gained = water_g(state) - before
    first = water_g(state)
    run_on(problem_with(share, 40, 0.0), np.zeros((1, len(Unknown))), state)
    assert water_g(state) == pytest.approx(first, abs=1e-9)
    # what the old spool had taken up or given off before it went, some part of a day, is not with it any more
    drift = 0.02 * STORE_G * replaced
    assert gained == pytest.approx(STORE_G * replaced * (NEW - 0.08), abs=drift)


def test_several_swaps_replace_one_another() -> None:
    """Three of two spools: an eighth of the old is left; the variance is that of a sum over what is left of each."""
    replaced, spread = replaced_and_spread(0.5, 3.0)
    assert replaced == pytest.approx(1.0 - 0.5**3)
    assert spread == pytest.approx(np.sqrt(0.5**2 * (1.0 + 0.5**2 + 0.5**4)))
    for of_one in replaced_and_spread(1.0, np.array([0.0, 1.0, 4.0])):
        assert np.asarray(of_one).tolist() == [0.0, 1.0, 1.0]


def test_what_was_noted_of_a_spool_counts() -> None:
    """A wet one is at 0.70, a dried one at 0.07, by the table of the page; of two in one bin it is the middle."""
    problem = problem_with(1.0)
    for note, humidity in (
        ("", 0.25),
        ("PA6", 0.25),
        ("wet PA6", 0.70),
        ("Dried at 80 °C", 0.07),
        ("not dried", 0.25),
        ("reopened", 0.25),
    ):
        noted = replace(problem, bins=replace(problem.bins, swap_notes=((0, note),)))
        assert swapped_in(noted, 0)[0] == pytest.approx(humidity)
        assert swapped(state_with(1e6), noted).slow_humidity[0] == pytest.approx(humidity, rel=1e-4)
    two = replace(problem.bins, swaps=np.array([2.0]), swap_notes=((0, "wet"),))
    assert swapped_in(replace(problem, bins=two), 0)[0] == pytest.approx(0.5 * (0.70 + 0.25))


@pytest.mark.parametrize(
    ("spools", "share"),
    [
        ((), 0.0),
        ((Spool("PLA", 1000.0),), 0.0),
        ((Spool("PETG", 2000.0, 2),), 0.0),
        ((Spool("PA6", 1000.0),), 1.0),
        ((Spool("PA12", 1000.0, 2, "dried"),), 0.5),
        ((Spool("PA6", 1000.0), Spool("PLA", 2000.0, 2)), 1.0 / 3.0),
    ],
)
def test_nylon_is_followed_and_what_comes_to_rest_within_days_is_not(spools: tuple[Spool, ...], share: float) -> None:
    """Lags of the table: PLA 2 days, PETG 6, PA12 10, PA6 25."""
    problem = problem_of(1, None, Assumptions())
    box = replace(problem.box, spools=spools)
    assert prior_of(box, problem.episode, Assumptions()).swapped_share == pytest.approx(share)
    assert prior_of(box, problem.episode, Assumptions(slow_contents=False)).swapped_share == 0.0


@pytest.mark.parametrize("path", ["compiled", "numpy"])
def test_a_filter_that_goes_on_after_a_swap_ends_where_one_in_a_go_does(
    path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As updates do, whose bins have no swap any more: the error of the slow humidity is in the state."""
    take_filter(path, monkeypatch)
    assume, count, cut = replace(QUIET, unknown_g_per_g=1e-4), 12, 4
    problem = problem_of(count, None, assume)
    box = replace(problem.box, spools=(Spool("PA6", 1000.0, 1, "dried"),))
    shown = 0.08 + 0.004 * np.arange(count)
    bins = replace(problem.bins, shown_humidity=shown, swaps=np.eye(count)[cut - 2])
    whole = replace(problem, box=box, bins=bins, prior=prior_of(box, problem.episode, assume))
    theta = whole.prior.drawn(5, np.random.default_rng(1))
    score, at_once = run(whole, theta)
    first, later = (replace(whole, bins=bins_of(bins, some)) for some in (slice(0, cut), slice(cut, count)))
    before, state = run(first, theta)
    assert state.spools_were_swapped
    after = run_on(later, theta, state, float(cut))
    np.testing.assert_allclose(before + after, score, rtol=1e-9)
    for name in ("loading", "slow_humidity", "var_slow", "slow_with_loading", "slow_with_wander", "event_g"):
        np.testing.assert_allclose(getattr(state, name), getattr(at_once, name), rtol=1e-7, err_msg=name)


def bins_of(bins: Bins, some: slice) -> Bins:
    rows = "temperature_degc", "outside_kpa", "shown_humidity", "censored", "openings", "swaps", "step_size", "loosened"
    edges = bins.edges_days[some.start : some.stop + 1]
    return replace(bins, edges_days=edges, **{name: getattr(bins, name)[some] for name in rows})


@pytest.mark.parametrize("lag_days", [0.01, 5.0, 60.0])
def test_a_swap_ahead_brings_what_the_new_spool_has_above_the_old_one(lag_days: float) -> None:
    """Of a box that hardly leaks, with no noise: S (H - h_s) more water in beads, air and spools, then and later."""
    now, share = seen_on(SWAP_DAY - 1, LEAKS[0], 0), 0.5
    quiet = Assumptions(
        unknown_share=0.0, unknown_g_per_g=0.0, wandering_leak=False, swapped_humidity_sd=1e-9, swap_least_sd_g=0.0,
        opening_sd_g=0.0, badly_seated=0.0,
    )  # fmt: skip
    count, ends = len(now.theta), np.array([1.0, 2.0, 8.0])
    box = replace(now.state.drawn, slow_lag_days=np.full(count, lag_days))
    state = replace(now.state, drawn=box, log_conductance=np.full(count, -40.0), slow_humidity=humidity_now(now)[0])
    problem = replace(now.problem, assumptions=quiet)
    posterior = replace(now, state=state, problem=problem, temperature_above_room_degc=0.0)
    ahead = Ahead.of(posterior, 0.3, ends, 2)
    degc = float(now.bins.temperature_degc[-1])
    still = replace(ahead.weather, degc=np.full_like(ahead.weather.degc, degc))
    nothing, often = np.zeros(count), np.full(count, 0.7)
    usage = replace(ahead.usage, events_per_day=often, openings_per_day=nothing)
    ahead = replace(ahead, weather=still, usage=usage)
    start, course = Simulated.now(posterior, 0.3), np.empty((len(ends), count))
    swapped = poisson_counts(ahead.chances.rows[3, 0].astype(float), often)
    end = simulate(ahead, start, course, 0, 1)
    later = simulate(replace(ahead, usage=replace(usage, events_per_day=nothing)), end, course, 1, 3)
    air_g = LITER * float(saturation_vapor_pressure_pa(degc)) / 1e3 * float(grams_per_m3_per_pa(degc))

    def water(one: Simulated) -> FloatArray:
        slow = box.slow_g_per_humidity * one.slow_humidity
        return np.asarray(box.dry_mass_g * one.loading + air_g * one.humidity + slow)

    replaced = 1.0 - (1.0 - share) ** swapped
    brought = box.slow_g_per_humidity * replaced * (usage.swapped_humidity - start.slow_humidity)
    assert set(swapped) >= {0.0, 1.0, 2.0}
    assert brought.max() > 5.0
    # the isotherm bends, and the air goes along its tangent: a hundredth of a gram
    np.testing.assert_allclose(water(end) - water(start), brought, atol=0.02)
    np.testing.assert_allclose(water(later), water(end), atol=0.02)


def stepped(state: State, air: Air, days: float) -> tuple[FloatArray, FloatArray]:
    end = advance(state.drawn, state.loading, state.slow_humidity, state.conductance, air, days=days)
    return end.loading_g_per_g, end.slow_humidity


@pytest.mark.parametrize("lag_days", [0.5, 6.0])
def test_tangents_are_those_of_the_step(lag_days: float) -> None:
    """By differences of the step itself; those by ln conductance over a short step, as they are of first order."""
    [air] = air_states(np.array([1.3]), np.array([21.0]))
    state = state_with(lag_days, slow=0.3)

    def by(name: str, days: float) -> list[float]:
        up, down = (stepped(replace(state, **{name: getattr(state, name) + h}), air, days) for h in (1e-5, -1e-5))
        return [float((one - other)[0] / 2e-5) for one, other in zip(up, down, strict=True)]

    for days in (0.5, 5.0):
        step = advance(state.drawn, state.loading, state.slow_humidity, state.conductance, air, days=days)
        found = slow_tangents(state.drawn, air, state.conductance, step, days)
        assert by("slow_humidity", days) == pytest.approx([found.loading_by_slow[0], found.slow_by_slow[0]], rel=1e-6)
        assert by("loading", days)[1] == pytest.approx(found.slow_by_loading[0], rel=1e-6)
    step = advance(state.drawn, state.loading, state.slow_humidity, state.conductance, air, days=0.1)
    found = slow_tangents(state.drawn, air, state.conductance, step, 0.1)
    assert by("wander", 0.1)[1] == pytest.approx(found.slow_by_wander[0], rel=0.02)


def test_on_a_straight_isotherm_it_is_the_exact_linear_filter_with_a_third_state() -> None:
    """Every coefficient worked out here from the balance of the model page, gains and errors by another library.

    Spools are swapped in the first bin: till then slow humidity is known, and nothing of it is to be filtered.
    """
    lag_days, share, bias, dry_g, scale_g = 4.0, 0.5, 0.004, 101.0, 0.1
    assume, rng = replace(QUIET, unknown_g_per_g=1e-4, bias_walk=0.005), np.random.default_rng(4)
    lengths = np.array([1.0, 0.5, 0.5, 1.0, 2.0, 5.0, 2.0, 1.0, 1.0])
    count = len(lengths)
    problem, state = problem_with(share, count, 2.0, assume), state_with(lag_days)
    bins = replace(
        problem.bins,
        edges_days=-np.r_[0.0, np.cumsum(lengths[::-1])][::-1],
        outside_kpa=1.2 + 0.2 * rng.standard_normal(count),
        temperature_degc=21.0 + 2.0 * rng.standard_normal(count),
        shown_humidity=0.11 + 0.004 * np.cumsum(lengths) + 0.004 * rng.standard_normal(count),
        weighings=((5, dry_g + 7.5, scale_g),),
    )
    problem, theta = replace(problem, bins=bins), np.zeros((1, len(Unknown)))
    theta[0, Unknown.sensor_bias], theta[0, Unknown.log_dry_mass] = bias, np.log(dry_g / problem.prior.dry_mass_g)
    saturation_kpa = np.asarray(saturation_vapor_pressure_pa(bins.temperature_degc)) / 1e3
    air_g = LITER * saturation_kpa * np.asarray(grams_per_m3_per_pa(bins.temperature_degc))

    def step_at(k: int, mean: FloatArray) -> Step:
        """Of humidity in the air and in the spools; turned into loading at the end."""
        days, per_humidity_g = lengths[k], BEADS_G * PER_HUMIDITY + air_g[k]
        caught_up = 1.0 - np.exp(-days / lag_days)
        taken = STORE_G * caught_up / days
        pull = 0.15 * saturation_kpa[k] + taken
        kept = np.exp(-pull * days / per_humidity_g)
        kept_on_average = (1.0 - kept) / (pull * days / per_humidity_g)
        at_rest, by_room = np.array([0.0, taken / pull]), 0.15 * bins.outside_kpa[k] / pull
        air_row = np.array([kept, 0.0]) + (1.0 - kept) * at_rest
        mean_row = np.array([kept_on_average, 0.0]) + (1.0 - kept_on_average) * at_rest
        moves = np.array([air_row, np.array([0.0, 1.0 - caught_up]) + caught_up * mean_row])
        adds = by_room * np.array([1.0 - kept, caught_up * (1.0 - kept_on_average)])
        noise = np.diag([(assume.unknown_g_per_g / PER_HUMIDITY) ** 2 + assume.bias_walk**2 / 365.25, 0.0]) * days
        if k == 0:
            together = 1.0 + STORE_G / per_humidity_g
            x = together * days / lag_days
            out = (1.0 - (1.0 - np.exp(-x)) / x) / together  # of a new spool, by the end of the bin
            arrives = np.array([STORE_G * out / per_humidity_g, 1.0 - out])
            left = (1.0 - share) ** 2
            swap = np.eye(2) - (1.0 - left) * np.outer(arrives, [0.0, 1.0])
            moves, adds = swap @ moves, swap @ adds + (1.0 - left) * NEW * arrives
            two = (share * NEW_SD) ** 2 * (1.0 + (1.0 - share) ** 2)
            lids = 2.0 * (assume.swap_least_sd_g / per_humidity_g) ** 2
            noise = noise + two * np.outer(arrives, arrives) + np.diag([lids, 0.0])
        to_loading, from_loading = np.diag([PER_HUMIDITY, 1.0]), np.diag([1.0 / PER_HUMIDITY, 1.0])
        transition, moved = to_loading @ moves @ from_loading, to_loading @ adds
        behind = 0.5 * (mean[0] - (transition @ mean + moved)[0]) / PER_HUMIDITY
        design, offset = np.array([[1.0 / PER_HUMIDITY, 0.0], [BEADS_G, 0.0]]), np.array([behind + bias, dry_g])
        return Step(transition, moved, to_loading @ noise @ to_loading, design, offset)

    # the scale's error is the one that `update_by_weighing` gives it; *regression*
    noise_of_seen = np.diag([reading_noise(0.1, problem), (0.3 * scale_g) ** 2 + 0.03**2])
    weighed = np.full(count, np.nan)
    weighed[5] = dry_g + 7.5
    seen = np.column_stack([bins.shown_humidity, weighed])
    start = Filtered(np.array([state.loading[0], state.slow_humidity[0]]), np.zeros((2, 2)), 0.0)
    exact = exactly_filtered(step_at, seen, noise_of_seen, start)
    score = run_on(problem, theta, state)
    with_slow = state.slow_with_loading[0]
    covariance = np.array([[state.var_loading[0], with_slow], [with_slow, state.var_slow[0]]])
    left_out = 0.5 * np.log(2.0 * np.pi) * np.isfinite(seen).sum()
    found = np.array([state.loading[0], state.slow_humidity[0]])
    assert abs(exact.covariance[0, 1]) > 0.1 * np.sqrt(exact.covariance[0, 0] * exact.covariance[1, 1])
    assert_same(Filtered(found, covariance, float(score[0] - left_out)), exact)


def test_samples_spread_as_the_filter_says() -> None:
    """Covariance of many draws of one state against its own."""
    count, one = 200_000, np.ones(200_000)
    root = np.array([[2e-3, 0.0, 0.0], [-0.05, 0.15, 0.0], [0.02, 0.03, 0.05]])
    covariance = root @ root.T
    state = state_with(5.0, slow=0.5)
    many = State(**{name: values * one for name, values in vars(state).items() if name != "drawn"}, drawn=state.drawn)
    many = replace(
        many,
        var_loading=covariance[0, 0] * one,
        covariance=covariance[0, 1] * one,
        var_wander=covariance[1, 1] * one,
        var_slow=covariance[2, 2] * one,
        slow_with_loading=covariance[0, 2] * one,
        slow_with_wander=covariance[1, 2] * one,
    )
    drawn = sampled_state(many, StandardErrors.drawn(count, np.random.default_rng(5)))
    sd = np.sqrt(np.diag(covariance))
    found = np.cov(np.array([drawn.loading, drawn.wander, drawn.slow_humidity]) / sd[:, None])
    np.testing.assert_allclose(found, covariance / np.outer(sd, sd), atol=0.01)
    assert not drawn.spools_were_swapped


# A wet spool of nylon, by a stiff solver: strands by Fick's law in a cylinder, each turn of the winding slower as
# `physics.materials` has it, beads on their own curve, the leak and the room hour by hour.

SWAP_DAY, SHELLS, SPOOL_G, GEL_G = 20, 12, 850.0, 150.0
LEAKS = (0.06, 0.10, 0.15, 0.25)


@cache
def wet_nylon(conductance: float, seed: int) -> Record:
    """One of two dried spools is swapped for a wet one on day 20; seen for 40 days."""
    nylon = polymer("PA6")
    store_g = SPOOL_G * float(nylon.isotherm.loading_g_per_g(0.5, 23.0)) / 0.5
    slowest_days = float(nylon.spool_time_constant_days())
    diffusivity = 1.0 / (5.783 * slowest_days)  # of a strand of radius 1 [1/day]
    edges = np.sqrt(np.linspace(0.0, 1.0, SHELLS + 1))  # shells of one area
    middles = np.sqrt(0.5 * (edges[1:] ** 2 + edges[:-1] ** 2))
    gel, humidities = desiccant("silica_regular").isotherm, np.linspace(1e-4, 0.95, 2000)
    held_g = GEL_G * np.asarray(gel.loading_g_per_g(humidities, 23.0))
    vapor, warm = room_hours(40, seed)
    saturation_kpa = np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3

    def flows(strand: FloatArray, humidity: float) -> FloatArray:
        gaps = np.r_[np.diff(strand), humidity - strand[-1]] / np.r_[np.diff(middles), 1.0 - middles[-1]]
        through = np.r_[0.0, 2.0 * diffusivity * edges[1:] * gaps]
        return np.diff(through) * SHELLS

    def change(days: float, now: FloatArray) -> FloatArray:
        hour = min(int(24.0 * days), len(vapor) - 1)
        humidity = float(np.interp(now[0], held_g, humidities))
        into = [flows(strand, humidity) for strand in (now[1 : SHELLS + 1], now[SHELLS + 1 :])]
        leak = conductance * (vapor[hour] - humidity * saturation_kpa[hour])
        return np.r_[leak - store_g * sum(one.mean() for one in into), *into]

    now = np.r_[np.interp(0.04, humidities, held_g), np.full(2 * SHELLS, 0.07)]
    courses = []
    for begin, end in ((0, SWAP_DAY), (SWAP_DAY, 40)):
        hours = np.arange(24 * begin, 24 * end) / 24.0 + 0.5 / 24.0
        found = solve_ivp(change, (begin, end), now, "LSODA", hours, max_step=0.25, rtol=1e-6, atol=1e-8)
        courses.append(np.interp(found.y[0], held_g, humidities))
        now = found.y[:, -1].copy()
        now[1 : SHELLS + 1] = 0.60
    humidity = np.concatenate(courses)
    shown = np.round((humidity + 0.002 * np.random.default_rng(seed).standard_normal(len(humidity))) / 0.001) * 0.001
    first_hour = int(CLOSED_AT.timestamp() // 3600)
    box = Box("made", LITER, 0.30, "gasket", SensorSpec(0.02, 0.001), (Spool("PA6", 2 * SPOOL_G, 2, "dried"),))
    at = CLOSED_AT + timedelta(days=SWAP_DAY)
    entries = (
        LedgerEntry(
            EntryKind.charge, "made", CLOSED_AT, desiccant="silica_regular", dry_mass_g=GEL_G, method="oven_120C_3h"
        ),
        LedgerEntry(EntryKind.spool_swap, "made", at),
    )
    room = Hours(first_hour, warm, vapor / saturation_kpa)
    return Record(box, Hours(first_hour, warm, shown), room, entries)


def seen_on(day: int, conductance: float, seed: int) -> Posterior:
    return estimate(wet_nylon(conductance, seed), CLOSED_AT.timestamp() + 86_400.0 * day)


@pytest.mark.parametrize("days_after", [6, 20])
def test_water_of_a_wet_spool_is_not_read_as_leak(days_after: int) -> None:
    """When it came to rest at once it was: twice the leak on the twentieth day, and outside two of four intervals."""
    off = []
    for seed, conductance in enumerate(LEAKS):
        leak = mean_conductance(seen_on(SWAP_DAY + days_after, conductance, seed))
        low, middle, high = np.quantile(leak, [0.05, 0.5, 0.95])
        assert low < conductance < high
        off.append(np.log(middle / conductance))
    assert abs(np.mean(off)) < 0.35


def test_the_next_episode_starts_from_spools_as_little_known_as_they_are() -> None:
    """The lognormal that is handed on has the mean and the spread of draws that are sampled with their error."""
    posterior = seen_on(SWAP_DAY + 3, LEAKS[1], 1)
    carried, place = carried_from(posterior), CARRIED.index(Unknown.log_slow_humidity)
    middle, var = float(carried.mean[place]), float(carried.covariance[place, place])
    mean = np.exp(middle + 0.5 * var)
    sampled = posterior.state.slow_humidity
    assert mean == pytest.approx(float(sampled.mean()), rel=0.05)
    assert mean * np.sqrt(np.expm1(var)) == pytest.approx(float(sampled.std()), rel=0.2)
    assert float(sampled.std()) > 1.2 * float(posterior.filtered.slow_humidity.std())


@pytest.mark.parametrize("days_after", [3, 10])
def test_what_is_still_to_come_is_told(days_after: int) -> None:
    """The humidity that spools are at rest with: half of them at 0.60, less what they gave off."""
    for seed, conductance in enumerate(LEAKS):
        slow = seen_on(SWAP_DAY + days_after, conductance, seed).state.slow_humidity
        low, high = np.quantile(slow, [0.05, 0.95])
        assert low < 0.33
        assert high > 0.20
