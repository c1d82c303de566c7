"""Sensors that err, stick, lag, fall silent: the intervals still hold the truth of leak and day.

Boxes are made up, their truths drawn; faults are as data sheets and cheap displays have them (sizes are a judgement).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from interval_coverage import EstimatedBox, at_least, looked_at
from simulated_boxes import CLOSED_AT
from simulated_lives import Kind, Life, simulated_lives, with_shown
from simulated_shelf import outlooks

from monitor.inference.evidence.hours import Hours, reduce_to_hours
from monitor.inference.evidence.humidity_steps import find_steps
from monitor.records import BoxHistory, Mark, Outlook, ReadingSeries
from monitor.series.spans import unmarked

GEL = Kind(days=40, ahead_days=80, conductance=(0.25, 0.35))
Misread = Callable[[Life, np.random.Generator], Life]


def as_it_is(life: Life, _: np.random.Generator) -> Life:
    return life


def gain(life: Life, rng: np.random.Generator) -> Life:
    """Six per cent of the reading (standard deviation) too high or too low."""
    return with_shown(life, life.record.hours.relative_humidity * (1.0 + 0.06 * rng.standard_normal()))


def drift(life: Life, rng: np.random.Generator) -> Life:
    """A per cent of humidity (standard deviation) over the time seen, a year's worth and more."""
    hours = life.record.hours
    return with_shown(life, hours.relative_humidity + 0.01 * rng.standard_normal() * np.linspace(0, 1, len(hours)))


def lag(life: Life, _: np.random.Generator) -> Life:
    """A membrane behind by eight hours."""
    shown = life.record.hours.relative_humidity.copy()
    for i in range(1, len(shown)):
        shown[i] = shown[i - 1] + 0.12 * (shown[i] - shown[i - 1])
    return with_shown(life, shown)


def spikes(life: Life, rng: np.random.Generator) -> Life:
    """Three hours of a hundred are nonsense."""
    shown = life.record.hours.relative_humidity.copy()
    bad = rng.random(len(shown)) < 0.03
    shown[bad] = rng.random(int(bad.sum()))
    return with_shown(life, shown)


def stuck(life: Life, rng: np.random.Generator) -> Life:
    """Six times the node repeats itself for two days and a half."""
    hours = life.record.hours
    shown, warm = hours.relative_humidity.copy(), hours.temperature_degc.copy()
    for start in rng.integers(48, len(shown) - 80, 6):
        shown[start : start + 60], warm[start : start + 60] = shown[start], warm[start]
    return with_shown(life, shown, warm)


def gaps(life: Life, _: np.random.Generator) -> Life:
    """Eight days in the middle and five near the end are missing."""
    hours = life.record.hours
    shown, warm = hours.relative_humidity.copy(), hours.temperature_degc.copy()
    for gap in (slice(240, 432), slice(len(shown) - 170, len(shown) - 50)):
        shown[gap] = warm[gap] = np.nan
    return with_shown(life, shown, warm)


SENSORS: dict[str, tuple[Kind, Misread]] = {
    **{misread.__name__: (GEL, misread) for misread in (gain, drift, lag, spikes, stuck, gaps)},
    "whole per cents": (replace(GEL, step=0.01, noise=0.002), as_it_is),
    "floor 10": (replace(GEL, step=0.01, floor=0.10), as_it_is),
    "floor at the limit": (replace(GEL, step=0.01, floor=0.20), as_it_is),
    "poor": (replace(GEL, accuracy=0.05, noise=0.02), as_it_is),
    "none in the room": (replace(GEL, room_seen=False), as_it_is),
}


@cache
def found(name: str) -> list[EstimatedBox]:
    kind, misread = SENSORS[name]
    return looked_at(7, kind, 100 + list(SENSORS).index(name), misread)


@pytest.mark.parametrize("name", SENSORS)
def test_a_sensor_that_misleads_leaves_the_truth_within_the_intervals(name: str) -> None:
    assert at_least(0.90, [one.holds_leak for one in found(name)])
    assert at_least(0.90, [one.holds_day for one in found(name)])
    assert not any(one.posterior.episode.unlogged for one in found(name))


def test_all_sensors_together_leave_it_there_nine_times_in_ten() -> None:
    everyone = [one for name in SENSORS for one in found(name)]
    assert at_least(0.90, [one.holds_leak for one in everyone])
    assert at_least(0.90, [one.holds_day for one in everyone])


def series(life: Life, per_hour: int = 1) -> ReadingSeries:
    hours = life.record.hours
    at_s = 3600.0 * (hours.first_hour + (np.arange(len(hours) * per_hour) + 0.5) / per_hour)
    warm, shown = (np.repeat(values, per_hour) for values in (hours.temperature_degc, hours.relative_humidity))
    return unmarked("made", at_s, warm, shown)


def test_duplicates_late_rows_and_marked_ones_change_nothing() -> None:
    life = simulated_lives(1, GEL, 3)[0]
    plain, rng = series(life, per_hour=2), np.random.default_rng(0)
    again = rng.permutation(np.r_[np.arange(len(plain)), rng.integers(len(plain), size=300)])
    wild = rng.integers(len(plain), size=50)
    names = ("at_s", "temperature_degc", "relative_humidity", "marks")
    at_s, warm, shown, marks = (np.r_[getattr(plain, n)[again], getattr(plain, n)[wild]] for n in names)
    at_s[-50:], shown[-50:], marks[-50:] = at_s[-50:] + 7.0, 0.99, Mark.spike.bit
    one, other = reduce_to_hours(plain), reduce_to_hours(ReadingSeries("made", at_s, warm, shown, marks))
    np.testing.assert_allclose(one.relative_humidity, other.relative_humidity)
    np.testing.assert_allclose(one.temperature_degc, other.temperature_degc)


def said_of(life: Life) -> Outlook:
    history = BoxHistory(life.record.box, series(life), entries=life.record.entries)
    room = life.record.room
    if room is not None:
        outside = series(replace(life, record=replace(life.record, hours=room)))
        history = replace(history, room=outside)
    [answer] = outlooks([history], CLOSED_AT.fromtimestamp(life.now_s, CLOSED_AT.tzinfo))
    return answer


def test_beads_changed_below_a_floor_are_asked_for() -> None:
    """Nothing of them can be seen, so a person has to be told to write them down."""
    blind = simulated_lives(1, replace(GEL, step=0.01, floor=0.20, conductance=(0.10, 0.1)), 5)[0]
    words = " ".join(said_of(blind).evidence)
    assert "The sensor cannot show less than 20 %. It can hardly warn before the limit." in words
    assert "Log every recharge" in words


def test_a_room_without_a_sensor_is_said() -> None:
    assert "There is no sensor in the room" in " ".join(
        said_of(simulated_lives(1, replace(GEL, room_seen=False), 6)[0]).evidence
    )


@pytest.mark.parametrize(("steps", "is_step"), [(1, False), (2, True)])
def test_a_display_that_goes_up_by_one_of_its_steps_tells_no_step_of_the_box(steps: int, is_step: bool) -> None:
    """A slow rise shows as one; two at once do not come of it."""
    shown = np.where(np.arange(240) < 120, 0.12, 0.12 + 0.01 * steps)
    found = find_steps(Hours(0, np.full(240, 21.0), shown), 0.01)
    assert [one.size for one in found] == ([pytest.approx(0.02)] if is_step else [])
