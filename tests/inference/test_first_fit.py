"""First fits: bins taken two and two hold the same evidence, and what was once seen of a leak isn't forgotten."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_boxes import CLOSED_AT, Truth, entry, simulated_box

from monitor.inference.evidence.bins import coarser
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.pooling import KnownLeaks
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.reseating import EPISODES_COUNTED, earlier_episode_ends
from monitor.inference.shelf.first_fit import by_room, first_fit
from monitor.records import BoxHistory, EntryKind
from monitor.series.spans import unmarked


@pytest.fixture(scope="module")
def floored() -> Posterior:
    """A box whose sensor shows nothing below 10 % in the first weeks."""
    record, now_s, _ = simulated_box(Truth(conductance=0.25, floor=0.10), 61)
    return estimate(record, now_s, count=100)


def test_two_and_two_bins_hold_the_same(floored: Posterior) -> None:
    count = len(floored.bins.days)
    bins = replace(floored.bins, openings=np.arange(count, dtype=float), weighings=((count - 1, 104.0, 0.1),))
    rough = coarser(bins)
    assert len(rough.days) == -(-count // 2)
    assert (rough.days.sum(), rough.openings.sum()) == pytest.approx((bins.days.sum(), bins.openings.sum()))
    assert rough.weighings == ((len(rough.days) - 1, 104.0, 0.1),)
    assert rough.days @ rough.outside_kpa == pytest.approx(bins.days @ bins.outside_kpa)
    assert rough.days @ rough.temperature_degc == pytest.approx(bins.days @ bins.temperature_degc)
    assert rough.shown_humidity[-3] == pytest.approx(np.mean(bins.shown_humidity[2 * (len(rough.days) - 3) :][:2]))


def test_a_value_counts_before_a_floor_and_a_floor_before_nothing(floored: Posterior) -> None:
    shown, nothing = floored.bins.shown_humidity.copy(), np.nan
    shown[:6] = 0.10, 0.14, 0.10, nothing, nothing, nothing
    censored = np.zeros(len(shown), dtype=bool)
    censored[[0, 2]] = True
    rough = coarser(replace(floored.bins, shown_humidity=shown, censored=censored))
    assert rough.shown_humidity[:3] == pytest.approx([0.14, 0.10, nothing], nan_ok=True)
    assert rough.censored[:3].tolist() == [False, True, False]


def test_weeks_at_a_floor_dont_make_a_leak_forgotten() -> None:
    """Three weeks show a leaky box; then its beads are dried every week and the sensor shows its floor."""
    record, now_s, _ = simulated_box(Truth(conductance=0.6, floor=0.10, accuracy=0.05), 21, whole_days=49)
    shown = np.r_[record.hours.relative_humidity, np.full(24 * 28, 0.10)]
    at_s = CLOSED_AT.timestamp() + 3600.0 * (np.arange(len(shown)) + 0.5)
    readings = unmarked("made", at_s, np.full(len(shown), 21.0), shown)
    dried = [entry(EntryKind.recharge, day, method="oven_120C_3h") for day in (21.0, 28.0, 35.0, 42.0)]
    [one], rooms = by_room(
        [BoxHistory(record.box, readings, None, None, (*record.entries, *dried))], now_s + 28 * 86_400
    )
    found = first_fit(one, rooms, now_s + 28 * 86_400)
    assert [seen.episode_start_s for seen in found.observations] == [CLOSED_AT.timestamp()]
    known, start_s = KnownLeaks(found.observations), dried[-1].at.timestamp()
    (mean, sd), (of_style, style_sd) = known.prior(record.box, start_s), known.style(record.box)
    assert mean > of_style + 0.5
    assert sd < style_sd


@pytest.mark.parametrize(
    ("every_days", "count", "looked"),
    [(7.0, 3, 2), (7.0, 6, 5), (7.0, 30, 8), (30.0, 30, 4), (100.0, 30, EPISODES_COUNTED)],
)
def test_earlier_episodes_are_looked_at_for_a_season_and_eight_at_most(
    every_days: float, count: int, looked: int
) -> None:
    """Four of thirty days began within 120 days; the last three count whenever they were. *regression*"""
    fillings_s = [86_400.0 * every_days * k for k in range(count)]
    assert earlier_episode_ends(fillings_s) == fillings_s[1:][-looked:]
    assert earlier_episode_ends(fillings_s[:1]) == earlier_episode_ends([]) == []
