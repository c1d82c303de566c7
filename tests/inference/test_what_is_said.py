"""What a box's owner reads: headroom, seasons, spent day, comparison, and silence where humidity tells nothing.

Truths of made-up boxes, or numbers worked out by hand beside the test.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest
from interval_coverage import EstimatedBox, at_least, looked_at
from simulated_boxes import CLOSED_AT
from simulated_lives import Kind, Life, simulated_lives, with_logged

from monitor.inference.answers.explanation import (
    comparison_of,
    evidence_of,
    tightness_of,
)
from monitor.inference.answers.leak import leak_of
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import mean_conductance
from monitor.inference.model.prior import Unknown
from monitor.physics.materials import desiccant
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import EntryKind, LedgerEntry, Quantiles, RoomClimate

GEL = Kind(days=40, ahead_days=80, conductance=(0.25, 0.35))
ISOTHERM = desiccant("silica_regular").isotherm


@cache
def plain_boxes() -> list[EstimatedBox]:
    return looked_at(8, replace(GEL, days=30), 51)


def holds(found: Quantiles, truth: float) -> bool:
    return found.p05 <= truth <= found.p95


def true_held_g(life: Life, humidity: float, warm: float) -> float:
    return 150.0 * life.capacity_scale * float(ISOTHERM.loading_g_per_g(humidity, warm))


def test_headroom_and_capacity_used_hold_the_truth() -> None:
    in_grams, in_shares = [], []
    for one in plain_boxes():
        now = one.life.hours_seen
        warm = float(one.life.record.hours.temperature_degc[-24:].mean())
        held = true_held_g(one.life, float(one.life.humidity[now - 24 : now].mean()), warm)
        full = true_held_g(one.life, 0.20, 23.0)
        in_grams.append(holds(one.ahead.headroom_g, max(full - held, 0.0)))
        in_shares.append(holds(one.ahead.capacity_used, held / full))
    assert at_least(0.90, in_grams)
    assert at_least(0.90, in_shares)


def test_the_day_the_beads_are_spent_lies_within_its_interval() -> None:
    """Spent is by water held; in a room of steady warmth that is within days of the crossing."""
    within = []
    for one in plain_boxes():
        low, high = one.ahead.spent_at.p05, one.ahead.spent_at.p95
        true_s = one.life.now_s + 86_400.0 * one.life.days_left
        reaches = high is None or true_s <= high.timestamp() + 3 * 86_400.0
        within.append(low is not None and low.timestamp() - 3 * 86_400.0 <= true_s and reaches)
    assert at_least(0.90, within)


def test_chances_and_dates_tell_one_story() -> None:
    dated = [one for one in plain_boxes() if one.ahead.cross_at.p50 and one.ahead.chance_over_already < 0.02]
    assert dated
    for one in dated:
        days = (one.ahead.cross_at.p50.timestamp() - one.life.now_s) / 86_400.0
        assert one.ahead.chance_within(int(np.ceil(days))) >= 0.45
        assert one.ahead.chance_within(max(int(days) - 1, 0)) <= 0.60


def test_summer_brings_as_much_more_as_its_vapor_pressure_says() -> None:
    """By hand: (2.0 - p_in) / (0.6 - p_in), with what the box's own air holds taken off both."""
    months = tuple(
        1000.0 * np.exp(0.5 * np.log(2.0 * 0.6) - 0.5 * np.log(2.0 / 0.6) * np.cos(np.pi * np.arange(12) / 6))
    )
    life = simulated_lives(1, replace(GEL, room_seen=False, conductance=(0.1, 0.0)), 3)[0]
    climate = RoomClimate(21.0, 0.5, monthly_vapor_pressure_pa=months, monthly_log_sd=0.02)
    posterior = estimate(replace(life.record, declared_room=climate), life.now_s)
    leak = leak_of(posterior)
    inside = float(life.humidity[life.hours_seen - 1]) * float(saturation_vapor_pressure_pa(21.0)) / 1e3
    by_hand = (2.0 - inside) / (0.6 - inside)
    assert leak.ingress_summer_g_per_day.p50 / leak.ingress_winter_g_per_day.p50 == pytest.approx(by_hand, rel=0.12)


@pytest.mark.parametrize(("air_changes", "words"), [
    (0.05, "very well sealed display case"),
    (0.20, "as a well sealed display case"),
    (0.60, "moderately sealed display case"),
    (2.3, "plastic box with a clip-on lid (Kelly and Daniel 2000"),
    (9.0, "tighter than an unsealed display case"),
])  # fmt: skip
def test_a_box_is_compared_with_published_classes(air_changes: float, words: str) -> None:
    """Display cases: US National Park Service 1999, AIC wiki 2020; an empty clip-lid box: Kelly, Daniel 2000."""
    conductance = air_changes * 0.00732 * 12.0  # 0.00732 g/day/kPa a liter and air change at 23 °C, by the gas law
    life = simulated_lives(
        1, replace(GEL, days=60, conductance=(conductance, 0.0), dry_mass_g=400.0 * conductance + 30.0), 4
    )[0]
    said = comparison_of(estimate(life.record, life.now_s))
    assert words in said
    assert said.startswith(("As tight as", "Like", "Leakier"))


@pytest.mark.parametrize(
    ("times", "words", "word"),
    [
        (6.0, "leakier than most", "leaky"),
        (1.0, "about as leaky as most", "usual"),
        (1 / 6.0, "tighter than most", "tight"),
    ],
)
def test_a_box_is_compared_with_boxes_of_its_kind(times: float, words: str, word: str) -> None:
    life = simulated_lives(1, replace(GEL, conductance=(0.1 * times, 0.0)), 5)[0]
    others = (float(np.log(0.1 / (0.00732 * 12.0))), 0.6)
    posterior = estimate(life.record, life.now_s)
    assert f"{words} boxes of its style" in comparison_of(posterior, others)
    assert tightness_of(posterior, others) == word


def words_of(life: Life) -> str:
    posterior = estimate(life.record, life.now_s)
    return " ".join(evidence_of(posterior))


def test_a_salt_is_answered_with_silence() -> None:
    """On a plateau of hydrates humidity stands still: the leak stays as open as before, and that is said."""
    salts = looked_at(6, replace(GEL, desiccant="cacl2", conductance=(0.105, 0.9)), 52)
    for one in salts:
        left = float(np.std(np.log(mean_conductance(one.posterior))))
        assert left > 0.6 * float(one.posterior.problem.prior.sd[Unknown.log_conductance])
    assert at_least(0.90, [one.holds_leak for one in salts])
    said = words_of(salts[0].life)
    assert "With this salt humidity says little about how much is left. Weigh it to know." in said


def test_a_sieve_says_that_its_humidity_warns_late() -> None:
    sieve = Kind(
        days=40, ahead_days=60, desiccant="mol_sieve", dry_mass_g=80.0, volume_liter=4.0, style="canister",
        conductance=(0.047, 0.7), start_humidity=(0.0015, 1.5), limit=0.10,
    )  # fmt: skip
    found = looked_at(8, sieve, 53)
    assert at_least(0.90, [one.holds_leak for one in found])
    assert at_least(0.90, [one.holds_day for one in found])
    assert "humidity stays low until they are nearly full. Then it rises fast. Weigh them to know." in words_of(
        found[0].life
    )


def test_a_box_without_desiccant_is_said_to_follow_the_room() -> None:
    empty = simulated_lives(1, replace(GEL, desiccant=None, dry_mass_g=0.0, conductance=(0.1, 0.1)), 6)[0]
    assert "No beads of known kind and mass are logged. The box follows the room" in words_of(empty)


def test_readings_that_teach_nothing_are_said_to() -> None:
    blind = Kind(days=5, floor=0.20, step=0.01, conductance=(0.08, 0.1))
    assert "The readings say almost nothing about this box's leak" in words_of(simulated_lives(1, blind, 7)[0])
    assert "almost nothing" not in words_of(plain_boxes()[0].life)


def weighed(life: Life, day: float, scale_g: float) -> LedgerEntry:
    hour = int(24 * day)
    held = true_held_g(life, float(life.humidity[hour]), float(life.record.hours.temperature_degc[hour]))
    mass_g = scale_g * round((150.0 + held) / scale_g)
    at = CLOSED_AT + timedelta(days=day)
    return LedgerEntry(EntryKind.weighing, "made", at, mass_g=mass_g, scale_resolution_g=scale_g)


def test_a_finer_scale_narrows_the_grams_further() -> None:
    """Two weighings a month apart at 0.1 g, at 1 g, and none; the sensor sees little, so grams come from the scale.

    Three boxes together: how wide one interval is, a thousand draws tell to a per cent or two.
    """
    widths = np.zeros(3)
    for seed in (1, 2, 3):
        life = simulated_lives(1, Kind(days=40, floor=0.15, step=0.01, conductance=(0.15, 0.3)), seed)[0]
        for i, scale_g in enumerate((0.1, 1.0, None)):
            entries = () if scale_g is None else (weighed(life, 5.0, scale_g), weighed(life, 38.0, scale_g))
            found = leak_of(estimate(with_logged(life, *entries).record, life.now_s))
            assert found.grams_known is (scale_g is not None)
            assert holds(found.conductance_g_per_day_per_kpa, life.true_mean_conductance)
            there = found.conductance_g_per_day_per_kpa
            widths[i] += np.log(there.p95 / there.p05)
    fine, coarse, none = widths
    assert fine < coarse < none
