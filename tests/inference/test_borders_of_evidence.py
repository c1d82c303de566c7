"""Where evidence begins to count: each border just below and just above, in the plain numbers that the docstrings give.

Judgements of our own, so *regression*; a border that moves is a change of the model.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.inference.evidence.bins import Bins, bin_episode, known_floor
from monitor.inference.evidence.episodes import Episode, current_episode, rates_from
from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.humidity_steps import Step, find_steps
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.model.box_prior import prior_of
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.physics.numerics import FloatArray
from monitor.records import Box, EntryKind, LedgerEntry, ReadingSeries, SensorSpec, Spool
from monitor.series.hourly_values import hourly_values, medians

FIRST_HOUR = 493_000
START_S = FIRST_HOUR * 3600.0
AT = datetime.fromtimestamp(START_S, UTC)
BOX = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.03, 0.01))
CHARGE = LedgerEntry(EntryKind.charge, "made", AT, desiccant="silica_regular", dry_mass_g=100.0, method="new")


def steady(days: float, humidity: float = 0.10) -> Hours:
    """A box that shows the same but for a flicker of a hundredth of a per cent."""
    count = round(24 * days)
    flicker = 1e-4 * np.sin(1.7 * np.arange(float(count)))
    return Hours(FIRST_HOUR, np.full(count, 21.0), humidity + flicker)


def with_humidity(hours: Hours, where: Any, humidity: float | FloatArray) -> Hours:
    values = hours.relative_humidity.copy()
    values[where] = humidity
    return replace(hours, relative_humidity=values)


def lifted(hours: Hours, from_hour: int, size: float) -> Hours:
    late = np.arange(len(hours)) >= from_hour
    return replace(hours, relative_humidity=hours.relative_humidity + size * late)


def at(day: float) -> float:
    return START_S + 86_400.0 * day


def entry(kind: EntryKind, hours: float, **what: Any) -> LedgerEntry:
    return LedgerEntry(kind, "made", AT + timedelta(hours=hours), **what)


def episode_of(hours: Hours, *entries: LedgerEntry, box: Box = BOX) -> Episode:
    return current_episode(box, hours, (CHARGE, *entries), hours.end_s)


def bins_of(hours: Hours, *entries: LedgerEntry, box: Box = BOX, beads: bool = True) -> Bins:
    episode = episode_of(hours, *entries)
    episode = episode if beads else replace(episode, desiccant=None, dry_mass_g=0.0)
    return bin_episode(box, episode, hours, None, hours.end_s)


def first_seen_days(bins: Bins, hours: Hours) -> float:
    """Days after closing at which the first bin that shows something ends."""
    return float(bins.edges_days[1:][np.isfinite(bins.shown_humidity)][0] - bins.edges_days[0])


@pytest.mark.parametrize(("days", "seen_from"), [(10.0, 2.0), (3.0, 2.0), (2.0, 1.5)])
def test_a_day_and_a_half_after_closing_is_left_out_and_at_most_half(days: float, seen_from: float) -> None:
    """Half of a day's hours are more than four, so that the day in which the rest ends is seen."""
    hours = steady(days)
    assert first_seen_days(bins_of(hours), hours) == pytest.approx(seen_from)


@pytest.mark.parametrize(
    ("box", "seen_from_hours"),
    [(BOX, 2.0), (replace(BOX, spools=(Spool("PLA", 1000.0),)), 38.0), (replace(BOX, spool_core="cardboard"), 38.0)],
)
def test_air_alone_is_at_rest_within_the_hour(box: Box, seen_from_hours: float) -> None:
    """Bins of two hours: the first loses one of its two, and one is enough; beside board, a day and a half is lost."""
    hours = steady(10.0)
    bins = bins_of(hours, box=box, beads=False)
    assert 24.0 * first_seen_days(bins, hours) == pytest.approx(seen_from_hours)


@pytest.mark.parametrize(("left", "seen"), [(3, False), (4, True)])
def test_a_day_needs_four_hours(left: int, seen: bool) -> None:
    hours = steady(10.0)
    bins = bins_of(with_humidity(hours, slice(24 * 5 + left, 24 * 6), np.nan))
    assert np.isfinite(bins.shown_humidity[5]) == seen


@pytest.mark.parametrize(("spike", "moves"), [(0.0295, True), (0.0305, False)])
def test_three_per_cent_off_the_median_is_a_spike(spike: float, moves: bool) -> None:
    hours = steady(10.0)
    bins = bins_of(with_humidity(hours, 24 * 5 + 7, 0.10 + spike))
    assert bins.shown_humidity[5] == pytest.approx(0.10 + (spike / 24.0 if moves else 0.0), abs=1e-4)


@pytest.mark.parametrize(
    ("at_floor_hours", "shown", "hidden"),
    [(3, 0.0975, False), (4, 0.10, False), (11, 0.10, False), (12, 0.09, False), (13, 0.0825, True)],
)
def test_of_a_day_cut_off_at_the_floor_the_median_counts(at_floor_hours: int, shown: float, hidden: bool) -> None:
    """3 of 24 hours are 12.5 %, 4 are 16.7 %; the border is 15 %. With more than half of them at the floor, the day is
    'at or below', and the truth lies a quarter of a step above."""
    box = replace(BOX, sensor=SensorSpec(0.05, 0.01, 0.08))
    low = with_humidity(steady(10.0), slice(24 * 5, 24 * 5 + at_floor_hours), 0.08)
    near = with_humidity(low, slice(24 * 5 + at_floor_hours, 24 * 6), 0.10)
    bins = bins_of(near, box=box)
    assert bool(bins.censored[5]) is hidden
    assert not bins.censored[[4, 6]].any()
    assert bins.shown_humidity[5] == pytest.approx(shown)


@pytest.mark.parametrize(("value", "floor"), [(0.60, 0.60), (0.61, None), (1.0, None)])
def test_what_no_sheet_states_is_no_floor_however_long_it_is_held(value: float, floor: float | None) -> None:
    """Of a sensor stuck at 100 % it was said that the air may be drier: a chance of 29 % that the box is over 20 %."""
    hours = Hours(0, np.full(24 * 90, 21.0), np.full(24 * 90, value))
    assert known_floor(hours, Box("left", 10.0)) == floor


@pytest.mark.parametrize(("held_hours", "floor"), [(35, None), (36, 0.05)])
def test_a_least_value_held_for_a_day_and_a_half_is_a_floor(held_hours: int, floor: float | None) -> None:
    bins = bins_of(with_humidity(steady(10.0), slice(100, 100 + held_hours), 0.05))
    assert bins.floor == floor


@pytest.mark.parametrize(("swap_hour", "first_new"), [(24 * 5 + 7.5, 5), (24 * 5 + 16.5, 6), (24 * 5 + 0.0, 5)])
def test_a_bin_is_of_the_sensor_with_more_of_its_hours(swap_hour: float, first_new: int) -> None:
    """The new one shows 4 % more: a bin that mixed them would lie between."""
    hours = steady(10.0)
    shifted = replace(hours, relative_humidity=hours.relative_humidity + 0.04 * (np.arange(240) >= swap_hour))
    bins = bins_of(shifted, entry(EntryKind.sensor_swap, swap_hour))
    assert bins.new_sensors == (first_new,)
    assert bins.shown_humidity[5] == pytest.approx(0.14 if first_new == 5 else 0.10, abs=1e-4)


@pytest.mark.parametrize(("hours_late", "counts"), [(2.0, False), (2.01, True)])
def test_what_was_opened_within_two_hours_of_closing_belongs_to_it(hours_late: float, counts: bool) -> None:
    bins = bins_of(steady(10.0), entry(EntryKind.opening, hours_late), entry(EntryKind.spool_swap, hours_late))
    assert (bins.openings.sum(), bins.swaps.sum()) == (float(counts), float(counts))


def test_a_spool_that_comes_with_dried_beads_brings_its_water() -> None:
    """The first spools are in the prior as they went in. One that comes later makes the others more humid, who lag; and
    where none is declared, it brings its water at once."""
    dried, with_spool = entry(EntryKind.recharge, 24.0 * 5), replace(BOX, spools=(Spool("PLA", 1000.0),))
    for hours_after, with_beads in ((0.1, True), (2.0, True), (3.0, False)):
        swapped = entry(EntryKind.spool_swap, 24.0 * 5 + hours_after)
        assert bins_of(steady(10.0), dried, swapped).swaps.tolist()[:2] == [1.0, 0.0]
        known = bins_of(steady(10.0), dried, swapped, box=with_spool)
        assert known.swaps.sum() == (0.0 if with_beads else 1.0)
        assert episode_of(steady(10.0), dried, swapped).swaps_with_beads == (1 if with_beads else 0)
    at_first = entry(EntryKind.spool_swap, 0.1)
    assert bins_of(steady(10.0), at_first).swaps.sum() == episode_of(steady(10.0), at_first).swaps_with_beads == 0
    before = bins_of(steady(10.0), dried, entry(EntryKind.spool_swap, 24.0 * 5 - 0.01))
    assert before.swaps.sum() == 0.0, "carried over by the spools of the episode before"


@pytest.mark.parametrize(("count", "humidity"), [(1, 0.25), (2, 0.175)])
def test_spools_are_as_humid_as_the_one_that_came_makes_them(count: int, humidity: float) -> None:
    """The one that came counts as 25 %, the others as 10 %, each with its own spread."""
    box = replace(BOX, spools=(Spool("PLA", 1000.0 * count, count),))
    dried, swapped = entry(EntryKind.recharge, 24.0 * 5), entry(EntryKind.spool_swap, 24.0 * 5 + 0.1)
    left, came = (
        prior_of(box, episode_of(steady(10.0), dried, *more), Assumptions()).unknowns[Unknown.log_slow_humidity]
        for more in ((), (swapped,))
    )
    assert np.exp([left.mean, came.mean]) == pytest.approx([0.10, humidity])
    of_others = left.sd * (1.0 - 1.0 / count) * 0.10 / humidity
    assert came.sd == pytest.approx(np.hypot(of_others, 0.2 / count / humidity))


@pytest.mark.parametrize("kind", [EntryKind.opening, EntryKind.spool_swap])
def test_what_happens_right_after_an_update_counts(kind: EntryKind) -> None:
    hours, soon = steady(10.0), entry(kind, 24.0 * 6 + 0.5)
    updated = bins_of(hours.before(at(6.0)))
    since = replace(episode_of(hours, soon), start_s=at(6.0))
    bins = bin_episode(BOX, since, hours, None, hours.end_s, after=updated)
    assert (bins.openings + bins.swaps).tolist() == [1.0, 0.0, 0.0, 0.0]


@pytest.mark.parametrize(("hours_late", "as_put_in"), [(2.0, True), (2.01, False)])
def test_a_weighing_within_two_hours_weighed_the_charge_as_it_was_put_in(hours_late: float, as_put_in: bool) -> None:
    episode = episode_of(steady(10.0), entry(EntryKind.weighing, hours_late, mass_g=103.0))
    assert (episode.loaded_mass is not None) is as_put_in
    assert len(episode.weighings) == (0 if as_put_in else 1)


@pytest.mark.parametrize(("seconds", "belongs"), [(60.0, True), (61.0, False)])
def test_an_entry_up_to_a_minute_before_the_charge_belongs_to_it(seconds: float, belongs: bool) -> None:
    episode = episode_of(steady(10.0), entry(EntryKind.opening, -seconds / 3600.0))
    assert (len(episode.openings_s) == 1) is belongs


@pytest.mark.parametrize(("hours_late", "with_spools"), [(23.99, True), (24.0, False)])
def test_beads_that_join_within_a_day_went_in_with_the_spools(hours_late: float, with_spools: bool) -> None:
    assert episode_of(steady(10.0), entry(EntryKind.recharge, hours_late)).spools_went_in is with_spools


def test_a_step_within_a_day_and_a_half_belongs_to_the_closing() -> None:
    """A step is placed to within half a day: what counts is where it was placed."""
    placed_h = {}
    for hour in range(34, 50):
        hours = lifted(steady(10.0), hour, 0.03)
        (step,) = find_steps(hours, 0.01)
        placed_h[hour] = (step.at_s - START_S) / 3600.0
        assert len(episode_of(hours).steps) == (1 if placed_h[hour] > 36.0 else 0)
        assert abs(placed_h[hour] - hour) < 12.0
    assert 36.0 in placed_h.values()
    assert 36.0 < min(hour for hour in placed_h.values() if hour > 36.0) < 40.0


@pytest.mark.parametrize("days_above", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("rise_a_day", [0.01, 0.03, 0.06])
def test_a_box_that_comes_up_from_the_floor_makes_no_step(rise_a_day: float, days_above: float) -> None:
    """It rose as fast below, but the display didn't show it. Nor does it fall for standing still at the floor."""
    days = 9.0 + days_above
    course = 0.10 + rise_a_day * np.clip(np.arange(round(24 * days)) / 24.0 - 9.0, 0.0, None)
    shown = replace(steady(days), relative_humidity=np.round(course, 2))
    assert find_steps(shown, 0.01, 0.10) == ()


def test_a_jump_up_from_the_floor_and_a_fall_to_it_are_steps() -> None:
    up = find_steps(lifted(replace(steady(10.0), relative_humidity=np.full(240, 0.10)), 120, 0.05), 0.01, 0.10)
    assert [round(step.size, 3) for step in up] == [0.05]
    down = find_steps(lifted(replace(steady(10.0), relative_humidity=np.full(240, 0.15)), 120, -0.05), 0.01, 0.10)
    assert [round(step.size, 3) for step in down] == [-0.05]
    late = np.r_[np.full(200, 0.10), np.full(40, 0.15)]  # too little is seen above the floor to know what is usual
    assert find_steps(replace(steady(10.0), relative_humidity=late), 0.01, 0.10) == ()


@pytest.mark.parametrize(("hours_off", "explained"), [(11.0, True), (14.0, False)])
def test_an_entry_within_half_a_day_explains_a_step(hours_off: float, explained: bool) -> None:
    hours = lifted(steady(10.0), 120, 0.03)
    (step,) = episode_of(hours).steps
    late_h = (step.at_s - START_S) / 3600.0 + hours_off
    assert episode_of(hours, entry(EntryKind.opening, late_h)).unlogged_steps == (0 if explained else 1)


def test_only_a_lasting_rise_that_no_entry_explains_looks_like_an_opening() -> None:
    up, down = lifted(steady(10.0), 120, 0.03), lifted(steady(10.0), 120, -0.03)
    (step,) = episode_of(up).steps
    assert episode_of(up).unlogged_rise_s == step.at_s
    assert episode_of(down).unlogged_rise_s is None
    explained = entry(EntryKind.opening, (step.at_s - START_S) / 3600.0)
    assert episode_of(up, explained).unlogged_rise_s is None


@pytest.mark.parametrize(
    ("level", "fall", "recharged"),
    [(0.10, 0.039, False), (0.10, 0.041, True), (0.30, 0.074, False), (0.30, 0.077, True)],
)
def test_a_fall_of_four_points_and_a_quarter_is_a_recharge_that_nobody_logged(
    level: float, fall: float, recharged: bool
) -> None:
    """Of 10 %, four points; of 30 %, a quarter: 7.5."""
    assert episode_of(lifted(steady(10.0, level), 120, -fall)).unlogged is recharged


@pytest.mark.parametrize(("resolution", "size"), [(0.0, 0.005), (0.01, 0.013), (0.05, 0.045)])
def test_a_step_is_half_a_per_cent_and_most_of_a_displays_step(resolution: float, size: float) -> None:
    flat = replace(steady(10.0), relative_humidity=np.full(240, 0.10))
    assert find_steps(lifted(flat, 120, 0.98 * size), resolution) == ()
    (step,) = find_steps(lifted(flat, 120, 1.02 * size), resolution)
    assert step.size == pytest.approx(1.02 * size)
    assert isinstance(step, Step)


def test_two_days_of_hours_are_the_least_that_show_steps() -> None:
    """Fewer show no usual rise; a step of three points in their middle is then none."""
    assert find_steps(lifted(steady(47 / 24), 24, 0.03), 0.0) == ()


def test_rates_of_a_box_are_shrunk_toward_hardly_ever() -> None:
    """(0.2 + n) / (20 + days) openings and (0.1 + n) / (30 + days) events a day."""
    rates = rates_from(3, 1, 80.0)
    assert (rates.openings_per_day, rates.events_per_day) == pytest.approx((0.032, 0.01))


@pytest.mark.parametrize(("left", "seen_days"), [(5, 4), (6, 5)])
def test_a_day_of_a_room_needs_six_hours(left: int, seen_days: int) -> None:
    room = with_humidity(steady(5.0, 0.5), slice(48 + left, 72), np.nan)
    assert learn_room(room, None, at(5.0)).seen_days == seen_days


def test_a_room_is_known_by_its_last_two_years() -> None:
    assert learn_room(steady(729.0, 0.5), None, at(729.0)).seen_days == 729
    assert learn_room(steady(740.0, 0.5), None, at(740.0)).seen_days == 730


@given(st.lists(st.lists(st.integers(-4_000, 9_000), min_size=1, max_size=9), min_size=1, max_size=30))
def test_medians_of_groups_are_those_of_each(hundredths: list[list[int]]) -> None:
    groups = [np.array(one) / 100.0 for one in hundredths]
    counts = np.array([len(one) for one in groups])
    group = np.repeat(493_000 + 7 * np.arange(len(groups)), counts)
    starts = np.cumsum(counts) - counts
    found = medians(np.concatenate(groups), group, starts, counts)
    assert found.tolist() == pytest.approx([np.median(one) for one in groups], abs=1e-12)


def test_a_reading_an_hour_is_the_value_of_that_hour() -> None:
    at_s, degc, humidity = (
        START_S + 3600.0 * np.arange(4),
        np.array([20.0, 21.0, 19.5, 20.5]),
        np.array([0.1, 0.3, 0.2, 0.4]),
    )
    series = ReadingSeries("made", at_s, degc, humidity, np.zeros(4, np.uint16))
    hour, warm, moist = hourly_values(series)
    assert hour.tolist() == list(range(FIRST_HOUR, FIRST_HOUR + 4))
    assert (warm == degc).all()
    assert (moist == humidity).all()
