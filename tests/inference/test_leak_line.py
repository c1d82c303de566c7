"""What the leak was read from: against boxes whose leak, water and push are known exactly, hour by hour."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pytest
from fixed_posteriors import made
from simulated_boxes import Truth, entry, room_hours, simulated_box, true_humidity, with_entries

from monitor.inference.answers.leak import leak_of
from monitor.inference.answers.leak_line import MOST_POINTS, leak_line_of
from monitor.inference.fit.change_point import ChangePoint, change_point_of, with_change_point
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, Record
from monitor.physics.materials import desiccant
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import EntryKind, LeakLine, Quantiles

TRUTH = Truth(conductance=0.12, noise=0.002, accuracy=0.01)
DAYS = 60


def posterior_of(record: Record, now_s: float) -> Posterior:
    return estimate(record, now_s, count=300)


def line_of(posterior: Posterior, change: ChangePoint | None = None) -> LeakLine:
    line = leak_line_of(posterior, leak_of(posterior).conductance_g_per_day_per_kpa, change)
    assert line is not None
    return line


def slopes_beside(line: LeakLine) -> tuple[float, float]:
    """Of the line, before and after its change. [g/day/kPa]"""
    assert line.changed_push_kpa_days is not None
    push, height = np.array(line.push_kpa_days), np.array(line.line_g)
    is_after = push > line.changed_push_kpa_days
    before, after = (float(np.polyfit(push[here], height[here], 1)[0]) for here in (~is_after, is_after))
    return before, after


@cache
def closed_box() -> tuple[Posterior, LeakLine]:
    record, now_s, _ = simulated_box(TRUTH, DAYS)
    posterior = posterior_of(record, now_s)
    return posterior, line_of(posterior)


def test_a_constant_leak_lies_on_a_line_with_that_slope() -> None:
    """The truth is the exact balance of tests/exact_balance.py, run with 0.12 g a day per kPa throughout."""
    posterior, line = closed_box()
    leak = leak_of(posterior).conductance_g_per_day_per_kpa
    push, taken_up = np.array(line.push_kpa_days), np.array(line.taken_up_g)
    slope = float(np.polyfit(push, taken_up, 1)[0])
    assert leak.p05 < slope < leak.p95
    assert leak.p05 < TRUTH.conductance < leak.p95
    assert slope == pytest.approx(leak.p50, rel=0.06)
    off = np.abs(taken_up - np.array(line.line_g))
    grams_of_noise = TRUTH.dry_mass_g * 0.7 * TRUTH.noise  # 0.7 g/g by humidity is the steepest of this gel below 20 %
    assert off.max() < 3.0 * grams_of_noise
    assert np.polyfit(push, line.line_g, 1)[0] == pytest.approx(leak.p50)


def test_the_push_is_the_integral_of_the_difference_of_vapor_pressures() -> None:
    _, line = closed_box()
    vapor, warm = room_hours(DAYS + 1)
    inside = true_humidity(TRUTH, vapor, warm) * np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3
    exact = np.r_[0.0, np.cumsum((vapor - inside) / 24.0)]
    hours = (np.array(line.at_s) - line.at_s[0]) / 3600.0
    first = 24 * DAYS - round((simulated_box(TRUTH, DAYS)[1] - line.at_s[0]) / 3600.0)
    expected = np.interp(first + hours, np.arange(len(exact)), exact)
    assert np.array(line.push_kpa_days) == pytest.approx(expected - expected[0], abs=0.05 + 0.02 * exact[24 * DAYS])


def test_what_was_taken_up_is_what_the_beads_hold_more_than_at_first() -> None:
    _, line = closed_box()
    vapor, warm = room_hours(DAYS + 1)
    humidity = true_humidity(TRUTH, vapor, warm)
    held = TRUTH.dry_mass_g * np.asarray(desiccant(TRUTH.kind).isotherm.loading_g_per_g(humidity, warm))
    begun_s = simulated_box(TRUTH, DAYS)[1] - 86_400.0 * DAYS
    hours = ((np.array(line.at_s) - begun_s) / 3600.0).astype(int)
    exact = held[hours[-1]] - held[hours[0]]
    assert line.taken_up_g[-1] == pytest.approx(exact, rel=0.05)  # the dry mass alone is known to 5 % or so


def test_the_band_holds_the_line_and_widens_from_the_start() -> None:
    _, line = closed_box()
    low, middle, high = (np.array(v) for v in (line.line_low_g, line.line_g, line.line_high_g))
    assert (low <= middle).all()
    assert (middle <= high).all()
    assert (np.diff(high - low) > 0).all()
    assert line.pieces == ()


def test_a_spool_that_came_in_begins_a_new_piece_with_the_same_slope() -> None:
    record, now_s, _ = simulated_box(TRUTH, DAYS)
    posterior = posterior_of(with_entries(record, entry(EntryKind.spool_swap, 30.0)), now_s)
    line = line_of(posterior)
    assert 1 <= len(line.pieces) <= 2
    push, height = np.array(line.push_kpa_days), np.array(line.line_g)
    slopes = np.diff(height) / np.diff(push)
    within = [at for at in range(len(slopes)) if at + 1 not in line.pieces]
    assert slopes[within] == pytest.approx(leak_of(posterior).conductance_g_per_day_per_kpa.p50)


def test_a_change_bends_the_line_by_its_factor_on_its_day() -> None:
    posterior = made("changed")
    change = change_point_of(posterior)
    assert change is not None
    line = line_of(posterior, change)
    before, after = slopes_beside(line)
    assert after / before == pytest.approx(change.factor.p50)
    assert line.changed_push_kpa_days is not None
    place = np.interp(line.changed_push_kpa_days, line.push_kpa_days, line.at_s)
    assert place == pytest.approx(change.at.timestamp(), abs=60.0)
    assert after == pytest.approx(leak_of(posterior).conductance_g_per_day_per_kpa.p50)


def test_a_seal_that_failed_shows_where_and_by_how_much() -> None:
    """The exact balance with 0.06 g a day per kPa for 40 days, then with 0.36 for 30."""
    before, after = replace(TRUTH, conductance=0.06), replace(TRUTH, conductance=0.36)
    record, now_s, _ = simulated_box(before, 70)
    vapor, warm = room_hours(70)
    tight = true_humidity(before, vapor[: 24 * 40], warm[: 24 * 40])
    leaky = true_humidity(replace(after, start_humidity=float(tight[-1])), vapor[24 * 40 :], warm[24 * 40 :])
    shown = np.round(np.r_[tight, leaky][: 24 * 70], 3)
    record = replace(record, hours=replace(record.hours, relative_humidity=shown))
    posterior = with_change_point(posterior_of(record, now_s))
    change = change_point_of(posterior)
    assert change is not None
    line = line_of(posterior, change)
    assert line.changed_push_kpa_days is not None
    day = (np.interp(line.changed_push_kpa_days, line.push_kpa_days, line.at_s) - now_s) / 86_400.0 + 70.0
    assert day == pytest.approx(40.0, abs=4.0)
    push, taken_up = np.array(line.push_kpa_days), np.array(line.taken_up_g)
    is_after = push > line.changed_push_kpa_days
    slopes = [float(np.polyfit(push[here], taken_up[here], 1)[0]) for here in (~is_after, is_after)]
    assert slopes == pytest.approx([0.06, 0.36], rel=0.2)
    assert slopes_beside(line) == pytest.approx(slopes, rel=0.25)


def test_a_change_before_these_beads_does_not_bend_it() -> None:
    posterior = made("plain")
    before = datetime.fromtimestamp(posterior.episode.start_s, UTC) - timedelta(days=9)
    change = ChangePoint(before, (before, before), Quantiles(2.0, 3.0, 4.0), chance=0.9)
    assert line_of(posterior, change).changed_push_kpa_days is None


@pytest.mark.parametrize(
    "name", ["young", "used", "another sensor", "no room", "floor", "always at a floor", "no beads"]
)
def test_a_box_has_a_line_of_finite_numbers_or_none(name: str) -> None:
    posterior = made(name)
    line = leak_line_of(posterior, leak_of(posterior).conductance_g_per_day_per_kpa, change_point_of(posterior))
    if posterior.episode.desiccant is None or name == "always at a floor":
        assert line is None
        return
    if line is None:
        return
    columns = [np.array(getattr(line, one)) for one in ("at_s", "push_kpa_days", "taken_up_g", "line_g", "line_low_g")]
    assert all(np.isfinite(column).all() and len(column) == len(columns[0]) for column in columns)
    assert 2 <= len(columns[0]) <= MOST_POINTS
    assert (np.diff(columns[0]) > 0).all()
