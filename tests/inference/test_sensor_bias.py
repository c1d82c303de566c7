"""A box that stood open beside its room tells its sensor's bias, and no more than it can know.

Boxes and their truths are made up here; what an open box shows is its room's air by the balance of mixed air.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from simulated_boxes import CLOSED_AT, Truth, entry, simulated_box, with_entries

from monitor.inference.answers.explanation import evidence_of
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, Record
from monitor.inference.model.prior import Unknown
from monitor.inference.model.sensor_bias import Comparison, comparisons
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import EntryKind, LedgerEntry, ReadingSeries
from monitor.series.spans import unmarked

ROOM_HUMIDITY, CLOSED_HUMIDITY = 0.45, 0.10
OPENED_S = CLOSED_AT.timestamp() + 10.4 * 86_400.0
OPENING = entry(EntryKind.opening, 10.4)


def series(name: str, at_s: FloatArray, humidity: FloatArray | float, warm: FloatArray | float = 21.0) -> ReadingSeries:
    full = np.ones(len(at_s))
    return unmarked(name, at_s, full * warm, full * humidity)


def opened(
    exchanged: float, minutes: float, bias: float = 0.0, room_bias: float = 0.0, room_degc: float = 21.0
) -> tuple[Comparison, ...]:
    """What a five-minute sensor tells of one opening in which a share of the air is exchanged for so many minutes."""
    at_s = OPENED_S + np.arange(-8 * 3600.0, 3 * 3600.0, 300.0)
    open_now = (at_s >= OPENED_S) & (at_s <= OPENED_S + 60.0 * minutes)
    room_inside = ROOM_HUMIDITY * saturation_vapor_pressure_pa(room_degc) / saturation_vapor_pressure_pa(21.0)
    humidity = np.where(open_now, CLOSED_HUMIDITY + exchanged * (room_inside - CLOSED_HUMIDITY), CLOSED_HUMIDITY)
    room = series("room", at_s, ROOM_HUMIDITY + room_bias, room_degc)
    return comparisons(series("made", at_s, humidity + bias), room, (OPENING,))


def fitted(record: Record, now_s: float, seen: tuple[Comparison, ...] = ()) -> Posterior:
    return estimate(replace(record, comparisons=seen), now_s)


def bias_of(posterior: Posterior) -> tuple[float, float]:
    bias = posterior.theta[:, Unknown.sensor_bias]
    return float(bias.mean()), float(bias.std())


@pytest.fixture(scope="module")
def biased() -> tuple[Record, float, float]:
    return simulated_box(Truth(bias=0.03, accuracy=0.05), seen_days=30)


def test_an_hour_in_the_rooms_air_narrows_the_bias_and_moves_it_to_the_truth(
    biased: tuple[Record, float, float],
) -> None:
    record, now_s, _ = biased
    record = with_entries(record, OPENING)
    (mean, sd), (alone_mean, alone_sd) = (
        bias_of(fitted(record, now_s, opened(1.0, 60, bias=0.03))),
        bias_of(fitted(record, now_s)),
    )
    assert sd < 0.85 * alone_sd
    assert abs(mean - 0.03) < abs(alone_mean - 0.03)
    assert abs(mean - 0.03) < 1.645 * sd


def test_the_outlook_says_that_the_sensor_was_compared(biased: tuple[Record, float, float]) -> None:
    record, now_s, _ = biased
    posterior = fitted(with_entries(record, OPENING), now_s, opened(1.0, 60, bias=0.03))
    assert any("compared with the room" in said for said in evidence_of(posterior))


def test_a_warmer_room_is_compared_by_vapor_pressure() -> None:
    (one,) = opened(1.0, 60, room_degc=23.0)
    assert one.gap == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("exchanged", [0.55, 0.7, 0.8, 0.9, 0.95])
@pytest.mark.parametrize("minutes", [15, 60])
def test_air_exchanged_in_part_does_not_mislead(exchanged: float, minutes: float) -> None:
    """A sensor without bias that came near the room stays within one standard deviation of no bias."""
    record, now_s, _ = simulated_box(Truth(bias=0.0, accuracy=0.05), seen_days=30)
    record = with_entries(record, OPENING)
    mean, sd = bias_of(fitted(record, now_s, opened(exchanged, minutes)))
    assert abs(mean) < sd


@pytest.mark.parametrize("exchanged", [0.05, 0.2, 0.4])
def test_a_lid_lifted_for_a_moment_tells_nothing(exchanged: float) -> None:
    assert opened(exchanged, 5) == ()


def test_the_rooms_own_bias_is_allowed_for() -> None:
    """A room sensor 3 % off, as common ones may be, does not push the truth out of the interval."""
    record, now_s, _ = simulated_box(Truth(bias=0.0, accuracy=0.03), seen_days=30)
    mean, sd = bias_of(fitted(with_entries(record, OPENING), now_s, opened(1.0, 60, room_bias=0.03)))
    assert abs(mean) < 1.645 * sd


def test_a_box_that_stood_open_before_the_beads_went_in_is_compared() -> None:
    at_s = CLOSED_AT.timestamp() + np.arange(-5 * 3600.0, 3600.0, 300.0)
    room = series("room", at_s, ROOM_HUMIDITY)
    charge = LedgerEntry(EntryKind.charge, "made", CLOSED_AT, desiccant="silica_regular", dry_mass_g=100.0)
    (one,) = comparisons(series("made", at_s, ROOM_HUMIDITY + 0.02), room, (charge,))
    assert one.gap == pytest.approx(0.02)


def test_a_box_closed_on_spent_beads_is_not_taken_for_an_open_one() -> None:
    """It showed the same a day before as in the hour before fresh beads went in."""
    at_s = CLOSED_AT.timestamp() + np.arange(-40 * 3600.0, 3600.0, 900.0)
    charge = LedgerEntry(EntryKind.charge, "made", CLOSED_AT - timedelta(days=90), dry_mass_g=100.0)
    fresh = LedgerEntry(EntryKind.recharge, "made", CLOSED_AT)
    box, room = series("made", at_s, 0.30), series("room", at_s, ROOM_HUMIDITY)
    assert comparisons(box, room, (charge, fresh)) == ()


def test_a_comparison_counts_for_the_sensor_that_made_it(biased: tuple[Record, float, float]) -> None:
    record, now_s, _ = biased
    record = with_entries(record, OPENING)
    swapped = with_entries(record, entry(EntryKind.sensor_swap, 12.0))
    seen = opened(1.0, 60, bias=0.03)
    alone, after = fitted(swapped, now_s), fitted(swapped, now_s, seen)
    np.testing.assert_array_equal(alone.theta[:, Unknown.sensor_bias], after.theta[:, Unknown.sensor_bias])
    assert not np.array_equal(fitted(record, now_s).theta, fitted(record, now_s, seen).theta)


def test_a_comparison_still_to_come_is_not_seen(biased: tuple[Record, float, float]) -> None:
    record, now_s, _ = biased
    later = tuple(replace(one, at_s=now_s + 3600.0) for one in opened(1.0, 60, bias=0.03))
    alone, with_later = fitted(record, now_s), fitted(record, now_s, later)
    np.testing.assert_array_equal(alone.theta, with_later.theta)
