"""What of a box's readings an estimate rests on: bounded, whatever its age, and cut the same however often."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.inference.shelf.needed import Needed, needed_of
from monitor.records import EntryKind, LedgerEntry
from monitor.series.hourly_values import HOUR_S
from monitor.series.spans import between, unmarked

NOW = datetime(2026, 6, 1, tzinfo=UTC)
NOW_S, DAY_S = NOW.timestamp(), 86_400.0


def entry(kind: EntryKind, days_ago: float) -> LedgerEntry:
    return LedgerEntry(kind, "made", NOW - timedelta(days=days_ago))


def needed(*entries: LedgerEntry) -> Needed:
    return needed_of(entries, NOW_S, NOW_S)


def looked_at_days(found: Needed) -> float:
    return (NOW_S - found.since_s + sum(end_s - start_s for start_s, end_s in found.earlier)) / DAY_S


def every(days: int, count: int) -> list[LedgerEntry]:
    """Beads changed so often, and the box opened once between."""
    changed = [entry(EntryKind.recharge, days * (k + 0.5)) for k in range(count)]
    return [*changed, *(entry(EntryKind.opening, days * k) for k in range(1, count))]


def test_ten_years_need_no_more_than_two() -> None:
    two, ten = needed(*every(75, 10)), needed(*every(75, 48))
    assert ten == two
    assert looked_at_days(ten) < 4.5 * 75


def test_the_current_episode_and_three_earlier_ones_are_whole() -> None:
    found = needed(*every(100, 8))
    assert 350 < (NOW_S - found.since_s) / DAY_S < 360
    assert found.room_since_s < NOW_S - (250 + 730) * DAY_S, "two years before the first that is fitted"


def test_without_beads_the_last_year_counts_and_moves_on_by_months() -> None:
    starts = {needed_of((), NOW_S + k * DAY_S, NOW_S + k * DAY_S).since_s for k in range(56)}
    assert len(starts) <= 3
    assert all(365 <= (NOW_S - start_s) / DAY_S <= 365 + 28 for start_s in (min(starts),))


def test_an_old_swap_of_the_sensor_is_looked_at() -> None:
    found = needed(*every(75, 10), entry(EntryKind.sensor_swap, 600))
    assert any(start_s < NOW_S - 600 * DAY_S < end_s for start_s, end_s in found.earlier)
    assert found.swaps


kinds = st.sampled_from([EntryKind.recharge, EntryKind.opening, EntryKind.sensor_swap, EntryKind.note])
ledgers = st.lists(st.builds(entry, kinds, st.floats(-10.0, 3000.0)), max_size=40)


@given(ledgers)
def test_spans_are_whole_hours_in_order_and_cutting_twice_cuts_once(entries: list[LedgerEntry]) -> None:
    found = needed(*entries)
    edges = [*(edge for span in found.earlier for edge in span), found.since_s]
    assert edges == sorted(edges)
    assert all(edge % HOUR_S == 0.0 for edge in (*edges, found.room_since_s))
    at_s = np.arange(NOW_S - 3100 * DAY_S, NOW_S, 6 * HOUR_S)
    series = unmarked("made", at_s, 0.0 * at_s, 0.0 * at_s)
    cut = found.of(series)
    assert found.of(cut) is cut
    assert np.array_equal(between(cut, found.since_s).at_s, between(series, found.since_s).at_s)


@pytest.mark.parametrize("count", [0, 1, 3])
def test_a_young_box_needs_all_since_its_first_beads(count: int) -> None:
    found = needed(*(entry(EntryKind.charge, 20.0 + 30.0 * k) for k in range(count)))
    assert found.earlier == ()
    first_days = 20.0 + 30.0 * (count - 1) + 8.0 if count else 365.0
    assert first_days <= (NOW_S - found.since_s) / DAY_S <= first_days + (1 if count else 28)
    assert math.isfinite(found.room_since_s)
