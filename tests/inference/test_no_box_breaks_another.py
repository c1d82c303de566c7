"""What is not a number stays with the box it comes from, and a box at rest with its room gives none."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import datetime

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box
from simulated_shelf import outlooks, series_of, simulated_shelf

from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.hours import Hours, reduce_to_hours
from monitor.inference.fit.change_point import with_change_point
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.pooling import (
    KnownLeaks,
    LeakObservation,
    finite_only,
)
from monitor.inference.fit.posterior import Record
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, BoxHistory, Outlook

DAYS = 12


def with_bare_boxes(seed: int, days_on: int) -> tuple[list[BoxHistory], datetime]:
    """Three boxes with beads, then one that follows the same room by a lag of hours: there are none in it."""
    histories, as_of = simulated_shelf(3, DAYS)
    room = histories[0].room
    assert room is not None
    hours = reduce_to_hours(room)
    rng = np.random.default_rng(seed)
    vapor = hours.vapor_pressure_kpa
    inside = np.empty_like(vapor)
    inside[0] = vapor[0]
    for i in range(1, len(vapor)):
        inside[i] = inside[i - 1] + 0.2 * (vapor[i] - inside[i - 1])
    saturation = np.asarray(saturation_vapor_pressure_pa(hours.temperature_degc)) / 1e3
    shown = inside / saturation + 0.004 * rng.standard_normal(len(vapor))
    seen = series_of("bare", Hours(hours.first_hour, hours.temperature_degc, shown))
    last = seen.at_s >= as_of.timestamp() - days_on * DAY_S
    seen = replace(
        seen,
        at_s=seen.at_s[last],
        temperature_degc=seen.temperature_degc[last],
        relative_humidity=seen.relative_humidity[last],
        marks=seen.marks[last],
    )
    bare = BoxHistory(Box("bare", 10.0, 0.40, "gasket"), seen, room)
    return [*histories, bare], as_of


def numbers(answer: object) -> Iterator[float]:
    if isinstance(answer, float):
        yield answer
    elif isinstance(answer, tuple):
        for part in answer:
            yield from numbers(part)
    elif is_dataclass(answer):
        for one in fields(answer):
            yield from numbers(getattr(answer, one.name))


def is_sound(answer: Outlook) -> bool:
    there = list(numbers(answer))
    return bool(there) and all(map(math.isfinite, there)) and answer.forecast is not None


@pytest.mark.parametrize("days_on", [3, DAYS])
@pytest.mark.filterwarnings("error")
def test_a_box_at_rest_with_its_room_has_an_estimate_and_spoils_no_other(days_on: int) -> None:
    for seed in range(2):
        histories, as_of = with_bare_boxes(seed, days_on)
        answers = outlooks(histories, as_of)
        assert [is_sound(answer) for answer in answers] == [True] * 4, [answer.refusal for answer in answers]
        assert answers[3].leak is not None
        assert answers[3].leak.conductance_g_per_day_per_kpa.p05 > 0.0


def test_a_mean_conductance_lies_among_its_values() -> None:
    """A mean of the conductance that wandered: for each draw near its own middle, never of the other sign."""
    (*_, bare), as_of = with_bare_boxes(1, DAYS)
    record = Record(bare.box, reduce_to_hours(bare.readings), reduce_to_hours(bare.room)) if bare.room else None
    assert record is not None
    state = estimate(record, as_of.timestamp()).state
    wandered = np.log(state.mean_conductance) - state.log_conductance
    assert np.abs(wandered).max() < 1.0


def test_what_is_no_number_is_told_to_nobody(caplog: pytest.LogCaptureFixture) -> None:
    sound = LeakObservation("left", "gasket", 9e5, 0.0, 1.2, 0.3)
    spoilt = [replace(sound, box="bad", mean=float("nan")), replace(sound, box="worse", sd=float("inf"))]
    with caplog.at_level(logging.ERROR):
        finite = finite_only([spoilt[0], sound, spoilt[1]])
    assert finite == [sound]
    assert [box for box in ("bad", "worse", "left") if box in caplog.text] == ["bad", "worse"]
    assert all(map(math.isfinite, KnownLeaks(finite).prior(Box("right", 10.0, 0.2, "gasket"), 0.0)))


def test_a_box_whose_fit_is_no_number_fails_alone_with_its_trace() -> None:
    histories, as_of = simulated_shelf(3, DAYS)
    whole = outlooks(histories[:2], as_of)
    spoilt = replace(histories[2], box=replace(histories[2].box, volume_liter=math.nan))
    answers = outlooks([*histories[:2], spoilt], as_of)
    assert [answer.leak for answer in answers[:2]] == [answer.leak for answer in whole]
    assert answers[2].forecast is None
    assert "the estimate failed" in answers[2].refusal
    assert answers[2].trace.startswith("Traceback")


def test_a_little_clay_left_spent_for_weeks_still_tells_how_leaky_its_box_is() -> None:
    """Spent in days, then three months at rest with a room that swings both ways."""
    truth = Truth(conductance=0.6, dry_mass_g=3.0, kind="clay")
    record, now_s, _ = simulated_box(truth, 90, seed=4)
    averaged = with_change_point(estimate(record, now_s)).state.mean_conductance
    assert averaged.min() > 0.0
    low, high = np.quantile(averaged, [0.05, 0.95])
    assert low < truth.conductance < high
