"""The filter against an exact one of another library, and what a reading, a leak and an opening do to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from exact_filter import PER_HUMIDITY, Filtered, Step, StraightTable, assert_same, exactly_filtered
from prior_draws import problem_of
from with_compiled import take_filter

from monitor.inference.model.disturbances import opening_dose_g
from monitor.inference.model.kalman import run_on
from monitor.inference.model.observations import reading_noise
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.state import (
    Problem,
    State,
    air_states,
)
from monitor.physics.box_balance import Air, DrawnBox, advance
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption.tabulated import SorptionTable

LINEAR = Assumptions(student_degrees=1e300, reading_share=0.0, settling_humidity=0.0)
"""Errors of a constant size without tails: what a linear filter knows."""
CONSTANT_LEAK = replace(LINEAR, drift_sd=0.0, unknown_share=0.0)
QUIET = replace(CONSTANT_LEAK, unknown_g_per_g=0.0, bias_walk=0.0)
MASS_G, VOLUME_LITER, BIAS_OF_SENSOR, SCALE_G, DRY_G = 100.0, 10.0, 0.004, 0.1, 101.0
DAYS = np.array([0.5, 0.5, 1.0, 1.0, 1.0, 2.0, 5.0, 2.0, 1.0, 0.5, 1.0, 1.0])


@dataclass(frozen=True, eq=False)
class Watched:
    """A box whose sensor and scale showed something, one draw of its constants, and what acted on it."""

    problem: Problem
    theta: FloatArray
    state: State
    seen: FloatArray
    """A row a bin: humidity and grams, NaN where nothing was seen."""

    @property
    def air(self) -> list[Air]:
        return air_states(self.problem.bins.outside_kpa, self.problem.bins.temperature_degc)

    @property
    def noise_of_seen(self) -> FloatArray:
        # the scale's error is the one that `update_by_weighing` gives it; *regression*
        return np.diag([reading_noise(0.1, self.problem), (0.3 * SCALE_G) ** 2 + 0.03**2])

    def filtered(self) -> Filtered:
        """What our filter makes of it; the constants that it leaves out of each score put back."""
        score = run_on(self.problem, self.theta, self.state)
        state = self.state
        covariance = np.array([[state.var_loading[0], state.covariance[0]], [state.covariance[0], state.var_wander[0]]])
        left_out = 0.5 * np.log(2.0 * np.pi) * np.isfinite(self.seen).sum()
        return Filtered(np.array([state.loading[0], state.wander[0]]), covariance, float(score[0] - left_out))


def watched(table: StraightTable | SorptionTable, assume: Assumptions) -> Watched:
    """A box in a room that changes from bin to bin, read in most bins and weighed in two."""
    rng = np.random.default_rng(4)
    count = len(DAYS)
    shown = 0.10 + 0.004 * np.cumsum(DAYS) + 0.004 * rng.standard_normal(count)
    shown[[0, 5]] = np.nan
    grams = {4: DRY_G + 6.5, count - 1: DRY_G + 8.5}
    problem = problem_of(count, None, assume)
    bins = replace(
        problem.bins,
        edges_days=-np.r_[0.0, np.cumsum(DAYS[::-1])][::-1],
        outside_kpa=1.2 + 0.2 * rng.standard_normal(count),
        temperature_degc=21.0 + 2.0 * rng.standard_normal(count),
        shown_humidity=shown,
        weighings=tuple((k, mass_g, SCALE_G) for k, mass_g in grams.items()),
    )
    theta = np.zeros((1, len(Unknown)))
    theta[0, Unknown.sensor_bias] = BIAS_OF_SENSOR
    theta[0, Unknown.log_dry_mass] = np.log(DRY_G / problem.prior.dry_mass_g)
    seen = np.column_stack([shown, [grams.get(k, np.nan) for k in range(count)]])
    return Watched(replace(problem, bins=bins), theta, state_of(table, assume), seen)


def state_of(table: StraightTable | SorptionTable, assume: Assumptions, humidity: float = 0.10) -> State:
    one, zero = np.ones(1), np.zeros(1)
    box = DrawnBox(table, MASS_G * one, zero, one, VOLUME_LITER)  # type: ignore[arg-type]
    loading = PER_HUMIDITY * humidity * one if isinstance(table, StraightTable) else table.loading(humidity * one, 21.0)
    drift = assume.drift_sd**2 * one
    return State(
        drawn=box,
        log_conductance=np.log(0.15) * one,
        loading=loading,
        wander=zero,
        slow_humidity=zero,
        var_loading=zero,
        covariance=zero,
        var_wander=drift,
        leaked_g=zero,
        dose_kpa_days=zero,
        event_g=zero,
        var_slow=zero,
        slow_with_loading=zero,
        slow_with_wander=zero,
    )


def start_of(state: State) -> Filtered:
    return Filtered(np.array([state.loading[0], 0.0]), np.diag([0.0, state.var_wander[0]]), 0.0)


def test_on_a_straight_isotherm_it_is_the_exact_linear_filter() -> None:
    """Every coefficient worked out here: C dh/dt = G (p_out - h e_s), so h' = h_out + (h - h_out) exp(-G e_s t / C)."""
    box = watched(StraightTable(), CONSTANT_LEAK)
    bins = box.problem.bins
    saturation_kpa = np.asarray(saturation_vapor_pressure_pa(bins.temperature_degc)) / 1e3
    air_g = VOLUME_LITER * saturation_kpa * np.asarray(grams_per_m3_per_pa(bins.temperature_degc))

    def step_at(k: int, mean: FloatArray) -> Step:
        water_per_humidity_g = MASS_G * PER_HUMIDITY + air_g[k]
        kept = float(np.exp(-0.15 * saturation_kpa[k] * DAYS[k] / water_per_humidity_g))
        moved = (1.0 - kept) * PER_HUMIDITY * bins.outside_kpa[k] / saturation_kpa[k]
        # a bin's mean is what was held halfway between where it began and where it was to end
        behind = 0.5 * (mean[0] - (kept * mean[0] + moved)) / PER_HUMIDITY
        per_day = CONSTANT_LEAK.unknown_g_per_g**2 + CONSTANT_LEAK.bias_walk**2 / 365.25 * PER_HUMIDITY**2
        return Step(
            np.diag([kept, 1.0]),
            np.array([moved, 0.0]),
            np.diag([per_day * DAYS[k], 0.0]),
            np.array([[1.0 / PER_HUMIDITY, 0.0], [MASS_G, 0.0]]),
            np.array([behind + BIAS_OF_SENSOR, DRY_G]),
        )

    exact = exactly_filtered(step_at, box.seen, box.noise_of_seen, start_of(box.state))
    assert_same(box.filtered(), exact)


@pytest.mark.parametrize("path", ["compiled", "numpy"])
def test_with_a_leak_that_wanders_it_is_the_exact_filter_of_its_own_tangents(
    path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On gel, each bin made straight about the mean before it: gains and errors are those of the library."""
    take_filter(path, monkeypatch)
    gel = desiccant("silica_regular").isotherm
    table = SorptionTable(gel, gel, np.zeros(1))
    assume = replace(LINEAR, drift_sd=0.3, drift_days=20.0)
    box = watched(table, assume)

    def step_at(k: int, mean: FloatArray) -> Step:
        air, days = box.air[k], float(DAYS[k])
        loading, leak = mean[:1], np.exp(np.log(0.15) + mean[1:])
        stepped = advance(box.state.drawn, loading, np.zeros(1), leak, air, days=days)
        end, kept = stepped.loading_g_per_g, float(np.exp(-days / assume.drift_days))
        keep, by_wander = float(stepped.loading_kept[0]), float(stepped.loading_by_log_conductance[0])
        transition = np.array([[keep, by_wander], [0.0, kept]])
        unseen = (assume.unknown_share * by_wander / days) ** 2 * days + assume.unknown_g_per_g**2 * days
        unseen += assume.bias_walk**2 / 365.25 * days / float(stepped.start_slope[0]) ** 2
        humidity, slope = table.humidity(0.5 * (loading + end), air.temperature_degc)
        return Step(
            transition,
            np.array([end[0], kept * mean[1]]) - transition @ mean,
            np.diag([unseen, assume.drift_sd**2 * (1.0 - kept**2)]),
            np.array([[slope[0], 0.0], [MASS_G, 0.0]]),
            np.array([humidity[0] - slope[0] * end[0] + BIAS_OF_SENSOR, DRY_G]),
        )

    exact = exactly_filtered(step_at, box.seen, box.noise_of_seen, start_of(box.state))
    assert exact.covariance[0, 1] != 0.0
    assert_same(box.filtered(), exact)


def test_readings_without_error_leave_the_truth_where_it_is() -> None:
    """Means of bins off an exponential: a filter that reads them late or early is drawn away from it."""
    days, outside_kpa, saturation_kpa = np.full(30, 1.0), 1.2, float(saturation_vapor_pressure_pa(21.0)) / 1e3
    water_g = MASS_G * PER_HUMIDITY + VOLUME_LITER * saturation_kpa * float(grams_per_m3_per_pa(21.0))
    rate, room = 0.15 * saturation_kpa / water_g, outside_kpa / saturation_kpa
    end = np.cumsum(days)
    shown = room + (0.10 - room) * np.exp(-rate * end) * np.expm1(rate * days) / (rate * days)
    assume = replace(CONSTANT_LEAK, unknown_g_per_g=1e-3)
    problem = problem_of(30, None, assume)
    bins = replace(problem.bins, outside_kpa=np.full(30, outside_kpa), shown_humidity=shown)
    state = state_of(StraightTable(), assume)
    run_on(replace(problem, bins=bins), np.zeros((1, len(Unknown))), state)
    truth = room + (0.10 - room) * np.exp(-rate * 30.0)
    half_a_day = shown[-1] - shown[-2]
    assert state.loading[0] / PER_HUMIDITY == pytest.approx(truth, abs=0.02 * half_a_day)


def errors_after(days: FloatArray, assume: Assumptions) -> float:
    """Variance of the loading at the end of a month in which nothing was seen."""
    problem, state = problem_of(len(days), None, assume), state_of(StraightTable(), assume)
    edges = -np.r_[0.0, np.cumsum(days[::-1])][::-1]
    run_on(replace(problem, bins=replace(problem.bins, edges_days=edges)), np.zeros((1, len(Unknown))), state)
    return float(state.var_loading[0])


def test_what_nobody_sees_of_a_leak_grows_with_time_however_the_bins_are_cut() -> None:
    """A share s of a day's ingress q a day, afresh each day: s² q² T after T days, less what leaks out again."""
    assume = replace(QUIET, unknown_share=0.15)
    finely, coarsely = errors_after(np.full(60, 0.5), assume), errors_after(np.full(6, 5.0), assume)
    ingress = 0.15 * (1.1 - 0.10 * float(saturation_vapor_pressure_pa(21.0)) / 1e3) / MASS_G
    assert finely == pytest.approx(0.15**2 * ingress**2 * 30.0, rel=0.35)
    assert coarsely == pytest.approx(finely, rel=0.1)


@pytest.mark.parametrize("step", [0.01, 0.05])
def test_a_display_hides_as_much_as_its_step_spreads(step: float) -> None:
    """Rounding to a step spreads evenly over it, with a variance of step²/12 (JCGM 100:2008, 4.3.7).

    A mean of readings that dither between two steps knows better, though not as if each were apart: between a quarter
    of that and all of it.
    """
    problem = problem_of(10, None, Assumptions())
    fine, coarse = (
        replace(problem, box=replace(problem.box, sensor=replace(problem.box.sensor, resolution=size)))
        for size in (0.0, step)
    )
    hidden = reading_noise(0.1, coarse) - reading_noise(0.1, fine)
    assert 0.25 < hidden / (step**2 / 12.0) < 1.0


def test_an_opening_brings_the_rooms_air_and_is_not_counted_on_to_dry() -> None:
    """V (c_room - c_box) is 0.0733 g for 10 L between 10 and 50 % RH at 21 °C, by the gas law and our own arithmetic.

    Where the room is the drier one, nothing is taken off for it: a box opened for a moment must not look better.
    """
    state = state_of(StraightTable(), QUIET)
    [air] = air_states(np.array([0.5 * float(saturation_vapor_pressure_pa(21.0)) / 1e3]), np.array([21.0]))
    brought = [opening_dose_g(state.drawn, air, np.array([humidity]))[0] for humidity in (0.10, 0.50, 0.80)]
    assert brought == pytest.approx([0.0733, 0.0, 0.0], abs=1e-4)
