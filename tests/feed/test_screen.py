"""Screening marks what looks wrong in made-up series, and leaves sound ones alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from monitor.feed.screen import screen
from monitor.records import Mark, ReadingSeries, SensorSpec
from monitor.series.spans import unmarked

DAY_S = 86_400.0


def series(days: float = 3.0, interval_s: float = 600.0, seed: int = 1) -> ReadingSeries:
    """A sound box: slow rise, a daily swing of temperature that the beads turn round, noise of a common sensor."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0.0, days * DAY_S, interval_s)
    swing = 1.5 * np.sin(2.0 * np.pi * at_s / DAY_S)
    humidity = 0.15 * np.exp(0.03 * swing) + 0.001 * at_s / DAY_S + rng.normal(0.0, 0.0005, len(at_s))
    temperature = 21.0 + swing + rng.normal(0.0, 0.05, len(at_s))
    return unmarked("box1", at_s, temperature, humidity)


def room(days: float = 3.0) -> ReadingSeries:
    sound = series(days)
    return replace(sound, box="room", relative_humidity=np.full(len(sound), 0.5))


def marked(found: np.ndarray, mark: Mark) -> list[int]:
    return np.flatnonzero(found & mark.bit).tolist()


def test_a_sound_box_gets_no_mark() -> None:
    assert not screen(series(), SensorSpec(), room()).any()


def test_a_spike_is_one_reading_away_from_its_neighbors() -> None:
    sound = series()
    sound.relative_humidity[100] += 0.2
    found = screen(sound, SensorSpec())
    assert marked(found, Mark.spike) == [100]
    assert marked(found, Mark.step) == []


def test_a_step_stays() -> None:
    sound = series()
    sound.relative_humidity[200:] += 0.2
    found = screen(sound, SensorSpec())
    assert marked(found, Mark.step) == [200]
    assert marked(found, Mark.spike) == []


@pytest.mark.parametrize(("size", "is_marked"), [(0.04, False), (0.06, True), (-0.06, True)])
def test_within_an_interval_air_and_beads_hardly_move_by_five_per_cent(size: float, is_marked: bool) -> None:
    spike, step = series(), series()
    spike.relative_humidity[100] += size
    step.relative_humidity[200:] += size
    assert marked(screen(spike, SensorSpec()), Mark.spike) == ([100] if is_marked else [])
    assert marked(screen(step, SensorSpec()), Mark.step) == ([200] if is_marked else [])


def test_an_opening_that_dries_up_again_is_no_step() -> None:
    sound = series()
    since_s = sound.at_s[200:] - sound.at_s[200]
    sound.relative_humidity[200:] += 0.2 * np.exp(-since_s / 1800.0)
    assert marked(screen(sound, SensorSpec()), Mark.step) == []


def test_stuck_needs_a_day_and_a_room_that_moved() -> None:
    stuck = series()
    stuck.relative_humidity[100:300] = 0.15
    stuck.temperature_degc[100:300] = 21.0
    assert marked(screen(stuck, SensorSpec(), room()), Mark.stuck) == list(range(100, 300))
    still = replace(room(), temperature_degc=np.full(len(room()), 20.0))
    assert marked(screen(stuck, SensorSpec(), still), Mark.stuck) == []


@pytest.mark.parametrize("sensor", [SensorSpec(floor=0.15), SensorSpec()], ids=["known", "learned"])
def test_a_floor_is_marked_whether_declared_or_learned(sensor: SensorSpec) -> None:
    low = series()
    clipped = replace(low, relative_humidity=np.maximum(np.round(low.relative_humidity, 3), 0.15))
    found = screen(clipped, sensor)
    assert marked(found, Mark.at_floor) == np.flatnonzero(clipped.relative_humidity == 0.15).tolist()


def test_a_whole_per_cent_display_is_no_floor() -> None:
    steady = series()
    steady.temperature_degc[:] = 21.0
    shown = replace(steady, relative_humidity=np.round(steady.relative_humidity, 2))
    assert marked(screen(shown, SensorSpec()), Mark.at_floor) == []


def test_a_box_that_is_like_the_room_for_a_day() -> None:
    around = room()
    open_box = series()
    open_box.relative_humidity[50:250] = around.relative_humidity[50:250] + 0.005
    found = screen(open_box, SensorSpec(), around)
    assert marked(found, Mark.equals_room) == list(range(50, 250))


def test_a_box_without_beads_answers_temperature_as_empty_air_does() -> None:
    """At constant water, RH falls by 6.2 % of itself per kelvin (Clausius-Clapeyron at 20 °C)."""
    sound = series()
    humidity = 0.4 * np.exp(-0.062 * (sound.temperature_degc - 21.0))
    found = screen(replace(sound, relative_humidity=humidity), SensorSpec())
    assert marked(found, Mark.no_sorbent) == list(range(len(sound)))


def test_zero_and_zero_is_what_a_broken_sensor_says() -> None:
    sound = series()
    sound.relative_humidity[7] = sound.temperature_degc[7] = 0.0
    assert 7 in marked(screen(sound, SensorSpec()), Mark.range)


def test_marks_of_the_clock_are_left_in_place() -> None:
    sound = series()
    sound.marks[3] = Mark.clock_behind.bit | Mark.spike.bit
    assert screen(sound, SensorSpec())[3] == Mark.clock_behind.bit


@given(
    humidity=npst.arrays(np.float64, st.integers(0, 80), elements=st.floats(0.0, 1.0)),
    step_s=st.floats(1.0, 1e5),
    flat=st.booleans(),
)
def test_any_series_is_screened_and_the_second_time_says_the_same(
    humidity: np.ndarray, step_s: float, flat: bool
) -> None:
    at_s = np.arange(len(humidity)) * step_s
    temperature = np.full(len(humidity), 20.0) if flat else 20.0 + 10.0 * humidity
    told = unmarked("b", at_s, temperature, humidity)
    first = screen(told, SensorSpec(), told)
    assert len(first) == len(humidity)
    assert np.array_equal(screen(replace(told, marks=first), SensorSpec(), told), first)
