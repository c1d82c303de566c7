"""A steady display is not a stuck sensor, and one rule says so to screening and estimates alike."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.feed.screen import screen
from monitor.inference.evidence.hours import reduce_to_hours
from monitor.records import Mark, ReadingSeries, SensorSpec
from monitor.series.sensor_faults import hung
from monitor.series.spans import unmarked

DAYS, AN_HOUR = 40, 6
AT_S = np.arange(DAYS * 24 * AN_HOUR) * 3600.0 / AN_HOUR
DAY = AT_S / 86_400.0


def series(name: str, temperature: np.ndarray, humidity: np.ndarray, steps: tuple[float, float]) -> ReadingSeries:
    shown = (np.round(values / step) * step for values, step in zip((temperature, humidity), steps, strict=True))
    return unmarked(name, AT_S, *shown)


def thermostat(step_degc: float, seed: int = 3) -> tuple[ReadingSeries, ReadingSeries]:
    """A box behind a thermostat, and its room: a degree wanders by a twentieth; humidity climbs five per cent."""
    rng = np.random.default_rng(seed)
    wander = 0.05 * np.sin(2.0 * np.pi * DAY / 3.0)
    box = series("left", 21.02 + wander, 0.12 + 0.05 * DAY / DAYS, (step_degc, 0.01))
    return box, series("room", 21.0 + wander + rng.normal(0.0, 0.02, len(DAY)), np.full(len(DAY), 0.5), (0.01, 0.001))


def free(hang: slice | None, step_degc: float, step: float) -> tuple[ReadingSeries, ReadingSeries]:
    """A box that follows a room of a swing of three degrees, and hangs for a while."""
    rng = np.random.default_rng(5)
    warm = 21.0 + 1.5 * np.sin(2.0 * np.pi * DAY)
    temperature = warm + rng.normal(0.0, 0.03, len(DAY))
    humidity = 0.12 + 0.05 * DAY / DAYS + 0.003 * np.sin(2.0 * np.pi * DAY) + rng.normal(0.0, 0.0005, len(DAY))
    if hang is not None:
        temperature[hang], humidity[hang] = temperature[hang][0], humidity[hang][0]
    room = series("room", warm, np.full(len(DAY), 0.5), (0.01, 0.001))
    return series("left", temperature, humidity, (step_degc, step)), room


def days_left(box: ReadingSeries, room: ReadingSeries | None) -> float:
    there = None if room is None else reduce_to_hours(room)
    hours = reduce_to_hours(box).before(AT_S[-1] + 3600.0, there)
    return float(np.isfinite(hours.relative_humidity).sum()) / 24.0


@pytest.mark.parametrize("step_degc", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("with_room", [True, False])
def test_a_box_behind_a_thermostat_keeps_its_days(step_degc: float, with_room: bool) -> None:
    box, room = thermostat(step_degc)
    there = room if with_room else None
    assert days_left(box, there) == pytest.approx(DAYS, abs=0.1)
    assert not (screen(box, SensorSpec(), there) & Mark.stuck.bit).any()


@pytest.mark.parametrize("with_room", [True, False])
@pytest.mark.parametrize(("step_degc", "step"), [(0.01, 0.0001), (0.1, 0.001), (0.1, 0.01)])
def test_a_stuck_sensor_is_found_by_both(with_room: bool, step_degc: float, step: float) -> None:
    hang = slice(20 * 24 * AN_HOUR, 22 * 24 * AN_HOUR)
    box, room = free(hang, step_degc, step)
    there = room if with_room else None
    marks = screen(box, SensorSpec(), there)
    assert set(range(hang.start, hang.stop)) <= set(np.flatnonzero(marks & Mark.stuck.bit).tolist())
    assert np.count_nonzero(marks & Mark.stuck.bit) < hang.stop - hang.start + 3 * AN_HOUR
    assert days_left(box, there) == pytest.approx(DAYS - 2.0, abs=0.2)


@pytest.mark.parametrize("with_room", [True, False])
@pytest.mark.parametrize(("hours", "is_stuck"), [(7, False), (12, True), (20, True)])
def test_half_a_day_in_which_the_room_moved_is_long_enough_to_be_stuck(
    hours: int, is_stuck: bool, with_room: bool
) -> None:
    """From eight hours on, as DEVELOPERS.md has it; a calm night is shorter than that."""
    hang = slice(20 * 24 * AN_HOUR, (20 * 24 + hours) * AN_HOUR)
    box, room = free(hang, 0.1, 0.001)
    marks = screen(box, SensorSpec(), room if with_room else None)
    assert bool((marks[hang] & Mark.stuck.bit).all()) is is_stuck
    assert bool((marks & Mark.stuck.bit).any()) is is_stuck


def test_a_coarse_display_stuck_for_two_days_is_told_by_the_room() -> None:
    hang = slice(20 * 24 * AN_HOUR, 22 * 24 * AN_HOUR)
    box, room = free(hang, 1.0, 0.01)
    assert hung(AT_S, box.temperature_degc, box.relative_humidity, (AT_S, room.temperature_degc))[hang].all()


def test_a_display_of_whole_degrees_may_stand_still_on_a_calm_day() -> None:
    """A day's swing of 0.9 degrees shows nothing between 20.5 and 21.5, however often other days show three values."""
    calm = (DAY >= 19.0) & (DAY < 21.0)
    warm = 21.0 + np.where(calm, 0.45, 0.7) * np.sin(2.0 * np.pi * DAY)
    box = series("left", warm, np.full(len(DAY), 0.12), (1.0, 0.01))
    room = series("room", warm, np.full(len(DAY), 0.5), (0.01, 0.001))
    assert not (screen(box, SensorSpec(), room) & Mark.stuck.bit).any()
    assert days_left(box, room) == pytest.approx(DAYS, abs=0.1)


def test_a_box_kept_warm_while_its_room_swings_is_not_stuck() -> None:
    """A heated cabinet: the room moves by three degrees a day, the box by a tenth; it never follows, so it may rest."""
    box, _ = thermostat(0.1)
    _, room = free(None, 0.1, 0.001)
    assert days_left(box, room) == pytest.approx(DAYS, abs=0.1)


def test_a_sensor_stuck_from_its_first_hour_is_told_by_the_room() -> None:
    box, room = free(slice(0, len(AT_S)), 0.1, 0.001)
    assert days_left(box, room) == 0.0
