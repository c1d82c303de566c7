"""Estimator and forecaster against closed forms: each holds where its assumptions are made true."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from prior_draws import NOW_S, problem_of
from scipy.stats import invgauss, kstest
from simulated_boxes import CLOSED_AT, with_entries

from monitor.inference.answers.forecast import futures
from monitor.inference.answers.leak import leak_of
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.importance import Draws
from monitor.inference.fit.posterior import Posterior, Record, mean_conductance
from monitor.inference.model.prior import Assumptions
from monitor.inference.model.state import State
from monitor.physics.box_balance import DrawnBox
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import grams_per_m3_per_pa
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import PiecewiseLinear
from monitor.physics.sorption.tabulated import SorptionTable
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec

WARM = 21.0
SATURATION_KPA = float(saturation_vapor_pressure_pa(WARM)) / 1e3
STILL = Assumptions(
    drift_sd=0.0, unknown_share=0.0, unknown_g_per_g=0.0, future_events=False, wandering_leak=False, slow_contents=False
)
GRAMS_PER_HUMIDITY = 55.0
"""A straight isotherm: 100 g that take up 0.55 g for each per cent of humidity."""


class SteadyRoom:
    """A room that never changes."""

    def __init__(self, relative_humidity: float) -> None:
        self.vapor_kpa = relative_humidity * SATURATION_KPA
        self.log_vapor = self

    def course(self, days: FloatArray) -> FloatArray:
        return np.full(len(days), np.log(self.vapor_kpa))

    def expected_kpa(self, days: FloatArray) -> FloatArray:
        return np.full(len(days), self.vapor_kpa)

    def sample(
        self, now_day: float, ahead_days: FloatArray, count: int, rng: Any
    ) -> tuple[FloatArray, FloatArray, None]:
        shape = (len(ahead_days), count)
        return np.full(shape, self.vapor_kpa), np.full(shape, WARM), None


def straight_box(conductance: float, start_humidity: float, room: SteadyRoom, assume: Assumptions, count: int) -> Any:
    """Draws of one and the same box on a straight isotherm, in that room."""
    isotherm = PiecewiseLinear((0.0, 1.0), (0.0, GRAMS_PER_HUMIDITY / 100.0))
    one, zero = np.ones(count), np.zeros(count)
    drawn = DrawnBox(SorptionTable(isotherm, isotherm, zero), 100.0 * one, 1e-6 * one, one, 10.0)
    loading = start_humidity * GRAMS_PER_HUMIDITY / 100.0 * one
    state = State.at_closing(drawn, np.log(conductance) * one, loading, zero)
    problem = problem_of(20, None, assume)
    theta = np.zeros((count, len(problem.prior.unknowns)))
    return Posterior(problem, room, Draws(theta, one / count, 0), state, theta, state, state, NOW_S, True, 0.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("conductance", [0.05, 0.2, 1.0])
@pytest.mark.parametrize("room_humidity", [0.35, 0.50, 0.80])
def test_straight_isotherm_in_a_steady_room(conductance: float, room_humidity: float) -> None:
    """t = kappa / (G e_s) ln[(RHo - RH0) / (RHo - RHL)].

    The hygrometric half-time of Thomson (1977, Studies in Conservation 22:85) with other ends; kappa holds what the
    beads and the air of the box take up for a humidity of 1.
    """
    start, limit = 0.05, 0.20
    air_g = 10.0 * SATURATION_KPA * float(grams_per_m3_per_pa(WARM))
    kappa = GRAMS_PER_HUMIDITY + air_g
    expected = kappa / (conductance * SATURATION_KPA) * np.log((room_humidity - start) / (room_humidity - limit))
    posterior = straight_box(conductance, start, SteadyRoom(room_humidity), STILL, 2)
    found = futures(posterior, limit, horizon_days=800).crossing_days
    assert found == pytest.approx(np.full(2, expected), rel=0.01)


@pytest.mark.parametrize("above_room_degc", [-6.0, 6.0])
def test_a_box_warmer_than_its_room_takes_in_less_and_later(above_room_degc: float) -> None:
    """The same closed form with the saturation of the box's own temperature: a warm box's air pushes back harder."""
    start, limit, room_humidity = 0.05, 0.20, 0.50
    inside_kpa = float(saturation_vapor_pressure_pa(WARM + above_room_degc)) / 1e3
    air_g = 10.0 * inside_kpa * float(grams_per_m3_per_pa(WARM + above_room_degc))
    rest = room_humidity * SATURATION_KPA / inside_kpa
    expected = (GRAMS_PER_HUMIDITY + air_g) / (0.2 * inside_kpa) * np.log((rest - start) / (rest - limit))
    posterior = replace(
        straight_box(0.2, start, SteadyRoom(room_humidity), STILL, 2), temperature_above_room_degc=above_room_degc
    )
    found = futures(posterior, limit, horizon_days=800).crossing_days
    assert found == pytest.approx(np.full(2, expected), rel=0.01)


def test_what_nobody_sees_of_a_leak_adds_up_day_by_day() -> None:
    """A share s of each day's ingress q, each day afresh: a standard deviation of s q sqrt(T), whatever the steps."""
    room, share = SteadyRoom(0.90), 0.15
    ahead = futures(straight_box(0.030, 0.0, room, replace(STILL, unknown_share=share), 4000), 0.20, horizon_days=90)
    for day in (1.5, 20.0, 85.0):
        at = int(np.flatnonzero(ahead.ahead_days == day)[0])
        ingress_g = 0.030 * (room.vapor_kpa - 0.5 * float(ahead.humidity[at].mean()) * SATURATION_KPA)
        expected = share * ingress_g * np.sqrt(day) / GRAMS_PER_HUMIDITY
        assert float(ahead.humidity[at].std()) == pytest.approx(expected, rel=0.08)


def test_brownian_first_passage_is_inverse_gaussian() -> None:
    """Drift mu, variance s2 a day and a limit L away: inverse Gaussian with mean L/mu and shape L^2/s2.

    Schrödinger (1915), Physikalische Zeitschrift 16:289; scipy.stats.invgauss. Watched daily, a walk passes a limit as
    one watched all the time passes a limit further by 0.5826 s sqrt(day) (Broadie, Glasserman, Kou 1997, Mathematical
    Finance 7:325, from memory); a day's crossing is then laid on the line between its two ends.
    """
    limit, room = 0.02, SteadyRoom(0.90)
    sigma = 2.5e-4
    posterior = straight_box(0.030, 0.0, room, replace(STILL, unknown_g_per_g=sigma), 16_000)
    kappa = GRAMS_PER_HUMIDITY + 10.0 * SATURATION_KPA * float(grams_per_m3_per_pa(WARM))
    drift = 0.030 * SATURATION_KPA * (0.90 - limit / 2) / kappa * GRAMS_PER_HUMIDITY / 100.0
    away = limit * GRAMS_PER_HUMIDITY / 100.0 + 0.5826 * sigma
    mean, shape = away / drift, (away / sigma) ** 2
    found = futures(posterior, limit, horizon_days=540).crossing_days
    assert np.isfinite(found).all()
    assert found.mean() == pytest.approx(mean, rel=0.02)
    assert found.std() == pytest.approx(np.sqrt(mean**3 / shape), rel=0.06)
    # laid on the line, a crossing is half a day early on average beside the end of its day
    assert kstest(found, invgauss(mean / shape, scale=shape).cdf).statistic < 0.04


def blind_box(conductance: float, days: int) -> tuple[Record, float, float]:
    """A box whose sensor shows nothing, weighed as it was loaded and at the end; and what it took up."""
    room = 0.5 * SATURATION_KPA
    box = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.03, 0.01, 0.25))
    gain_g = conductance * (room - 0.04 * SATURATION_KPA) * days
    hours, first = 24 * days, int(CLOSED_AT.timestamp() // 3600)
    wobble = WARM + 0.2 * np.sin(np.arange(hours) / 4.0)
    charge = LedgerEntry(
        EntryKind.charge, "made", CLOSED_AT, desiccant="silica_regular", dry_mass_g=500.0, method="oven_120C_3h",
        mass_g=505.0, scale_resolution_g=0.1,
    )  # fmt: skip
    record = Record(
        box, Hours(first, wobble, np.full(hours, 0.25)), Hours(first, wobble, np.full(hours, 0.5)), (charge,)
    )
    weighed = LedgerEntry(
        EntryKind.weighing,
        "made",
        CLOSED_AT + timedelta(days=days - 0.1),
        mass_g=505.0 + gain_g,
        scale_resolution_g=0.1,
    )
    return with_entries(record, weighed), CLOSED_AT.timestamp() + days * 86_400.0, gain_g


@pytest.mark.parametrize("conductance", [0.1, 0.4])
def test_a_weighing_alone_tells_the_leak(conductance: float) -> None:
    """G = gain / (mean dp x days): the desiccant method of USP <671>, with the sensor blind all the time.

    Beads so many that they stay near 4 % RH all along; the interval holds the quotient. The weighing as loaded
    is trusted to 0.2 % of the beads, a gram, and the median is as near as that and the model's own error allow.
    """
    days = 60
    record, now_s, gain_g = blind_box(conductance, days)
    by_hand = gain_g / days / (0.46 * SATURATION_KPA)
    assert by_hand == pytest.approx(conductance)
    found = mean_conductance(estimate(record, now_s))
    low, middle, high = np.quantile(found, [0.05, 0.5, 0.95])
    assert low < by_hand < high
    assert middle == pytest.approx(by_hand, rel=0.1 + 1.0 / gain_g)
    assert leak_of(estimate(record, now_s)).grams_known


def test_an_opening_of_ten_liters_brings_a_fifteenth_of_a_gram() -> None:
    """V (c_out - c_in) is 0.0733 g for 10 L between 10 and 50 % RH at 21 °C, by the gas law and our own arithmetic.

    A leak that changes the air once a day, n V / (R_v T), brings as much in 24 hours.
    """
    once_a_day = 10.0 * 1e3 * float(grams_per_m3_per_pa(WARM)) / 1e3
    leak = leak_of(straight_box(once_a_day, 0.10, SteadyRoom(0.50), STILL, 4))
    assert leak.opening_g is not None
    assert leak.opening_hours is not None
    assert leak.opening_g.p50 == pytest.approx(0.07331, abs=2e-4)
    assert leak.opening_hours.p50 == pytest.approx(24.0)


def test_an_opening_into_a_room_as_dry_as_the_box_brings_nothing_worth_a_word() -> None:
    leak = leak_of(straight_box(0.1, 0.30, SteadyRoom(0.31), STILL, 4))
    assert (leak.opening_g, leak.opening_hours) == (None, None)
