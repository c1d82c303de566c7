"""A seal that fails or ages: the posterior follows, the day is given with an honest span, and sound boxes stay so.

Rates over made-up boxes with truths drawn; limits are binomial (99 % at the rate that is named), so that a sound change
does not fail by chance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from bench.false_alarms import SharedRoom, made
from scipy.stats import binom
from simulated_boxes import CLOSED_AT, Truth, simulated_box
from simulated_lives import Kind, Life, simulated_lives, with_logged
from simulated_shelf import outlooks

from monitor.inference.fit import change_scan
from monitor.inference.fit.change_point import (
    ChangePoint,
    change_point_of,
    with_change_point,
    words_for,
)
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.quantiles import quantiles
from monitor.physics.numerics import FloatArray
from monitor.records import BoxHistory, EntryKind, LeakEstimate, LedgerEntry, ReadingSeries, Spool
from monitor.series.spans import unmarked

TIGHT = Kind(conductance=(0.06, 0.3))
AGEING = Kind(days=150, dry_mass_g=300.0, conductance=(0.06, 0.4))
WET_NYLON = Kind(spools=(Spool("PA6", 1000.0, 1, "wet"),), spool_humidity=0.5, spool_core="cardboard")


@dataclass(frozen=True, eq=False)
class EstimatedBox:
    life: Life
    posterior: Posterior
    change: ChangePoint | None

    @property
    def holds_present(self) -> bool:
        now = quantiles(self.posterior.state.conductance)
        return now.p05 < self.life.conductance_now < now.p95

    def dates(self, day: float) -> bool:
        if self.change is None:
            return False
        first, last = self.change.between
        return first.timestamp() - 43_200.0 < self.life.day_s(day) < last.timestamp() + 43_200.0


def fails_on(day: int, times: float, days: int = 60) -> FloatArray:
    factor = np.ones((24 * days, 1))
    factor[24 * day :] = times
    return factor


def ages(times: float, over_days: int, days: int) -> FloatArray:
    share = np.clip((np.arange(24.0 * days) - 24.0 * 20) / (24.0 * over_days), 0.0, 1.0)
    return np.exp(np.log(times) * share)[:, None]


def looked_at(count: int, kind: Kind, seal: FloatArray | None = None, seed: int = 11) -> list[EstimatedBox]:
    found = []
    for life in simulated_lives(count, kind, seed, seal):
        posterior = with_change_point(estimate(life.record, life.now_s, count=600))
        found.append(EstimatedBox(life, posterior, change_point_of(posterior)))
    return found


def at_least(share: float, there: list[bool]) -> bool:
    """True where so many would be no surprise if each came with that chance."""
    return sum(there) >= float(binom.ppf(0.01, len(there), share))


@pytest.mark.parametrize(("day", "times"), [(45, 3.0), (45, 8.0), (53, 8.0)])
def test_a_seal_that_fails_is_followed_said_and_dated(day: int, times: float) -> None:
    found = looked_at(8, TIGHT, fails_on(day, times))
    said = [one for one in found if one.change is not None]
    assert at_least(0.90, [one.holds_present for one in found])
    assert at_least(0.85 if day < 50 else 0.7, [one.change is not None for one in found])
    assert at_least(0.90, [one.dates(day) for one in said])
    assert at_least(0.90, [one.change.factor.p05 < times < one.change.factor.p95 for one in said if one.change])


def test_a_mended_seal_is_said_too() -> None:
    found = looked_at(8, Kind(conductance=(0.5, 0.3)), fails_on(35, 0.2))
    assert at_least(0.90, [one.holds_present for one in found])
    assert at_least(0.90, [one.change is not None and one.change.factor.p95 < 1.0 for one in found])


@pytest.mark.parametrize(
    "kind",
    [
        Kind(days=90),
        Kind(accuracy=0.05, noise=0.01, step=0.01, floor=0.10),
        Kind(days=90, room_seen=False),
        Kind(openings_a_day=0.3, share_logged=0.5),
        Kind(warm_spells_degc=8.0),
        Kind(desiccant="mol_sieve", conductance=(0.3, 0.4)),
        Kind(desiccant="cacl2", conductance=(0.3, 0.4)),
        WET_NYLON,
    ],
    ids=["gel", "coarse sensor", "no room sensor", "openings", "printer", "sieve", "salt", "wet nylon on cardboard"],
)
def test_boxes_that_did_not_change_are_not_said_to_have(kind: Kind) -> None:
    assert sum(one.change is not None for one in looked_at(10, kind)) <= 1


def test_a_change_below_the_floor_stays_open_and_the_interval_says_so() -> None:
    hidden = replace(TIGHT, floor=0.15, step=0.01, accuracy=0.03)
    found = looked_at(10, hidden, fails_on(48, 3.0))
    assert at_least(0.90, [one.holds_present for one in found])
    assert sum(one.change is not None for one in found) <= 1


def test_a_display_that_creeps_off_its_floor_is_no_tighter_seal() -> None:
    """A sound box by the exact balance, of 28 such years the one that once was said to seal 4 times better: it showed
    10 and 11 % for six weeks, then 11 and 12 %. (regression)"""
    [history] = made("coarse", 1, 1.0, SharedRoom.drawn(2700), 2701)
    [outlook] = outlooks([history], CLOSED_AT + timedelta(days=315))
    assert outlook.leak is not None
    assert outlook.leak.changed_at is None


def test_a_mended_seal_is_said_of_a_display_with_a_floor_too() -> None:
    coarse = Kind(days=75, conductance=(0.5, 0.3), accuracy=0.05, noise=0.01, step=0.01, floor=0.10)
    found = looked_at(8, coarse, fails_on(45, 0.2, 75))
    assert at_least(0.90, [one.change is not None and one.change.factor.p95 < 1.0 for one in found])


def test_an_ageing_seal_is_followed_by_the_interval() -> None:
    found = looked_at(6, AGEING, ages(6.0, over_days=130, days=AGEING.days))
    said = [one.change for one in found if one.change is not None]
    assert at_least(0.80, [one.holds_present for one in found])
    assert at_least(0.50, [one.change is not None for one in found])
    assert all("little by little" in words_for(change) for change in said)
    assert at_least(0.90, [change.factor.p05 < 6.0 < change.factor.p95 for change in said])


def test_a_change_after_an_opening_points_to_the_lid() -> None:
    life = simulated_lives(1, TIGHT, 3, fails_on(45, 4.0))[0]
    opened = with_logged(life, LedgerEntry(EntryKind.opening, "made", CLOSED_AT + timedelta(days=45)))
    change = change_point_of(with_change_point(estimate(opened.record, life.now_s)))
    assert change is not None
    assert change.opened == "opening"


def series(life: Life) -> ReadingSeries:
    hours = life.record.hours
    at_s = 3600.0 * (hours.first_hour + np.arange(len(hours)) + 0.5)
    return unmarked("made", at_s, hours.temperature_degc, hours.relative_humidity)


def asked(episodes: list[Life]) -> LeakEstimate:
    """Ask about a box that was recharged between these lives, each a month and more."""
    parts, rooms, entries, start_s = [], [], [], CLOSED_AT.timestamp()
    for i, life in enumerate(episodes):
        shift = start_s - CLOSED_AT.timestamp()
        room = replace(life, record=replace(life.record, hours=life.record.room))  # type: ignore[arg-type]
        for there, one in ((parts, life), (rooms, room)):
            there.append(replace(series(one), at_s=series(one).at_s + shift))
        charge = replace(life.record.entries[0], at=datetime.fromtimestamp(start_s, UTC))
        entries.append(charge if i == 0 else replace(charge, kind=EntryKind.recharge))
        start_s += life.now_s - CLOSED_AT.timestamp()
    history = BoxHistory(episodes[0].record.box, joined(parts), joined(rooms), entries=tuple(entries))
    [answer] = outlooks([history], datetime.fromtimestamp(start_s, UTC))
    assert answer.leak is not None
    return answer.leak


def joined(parts: list[ReadingSeries]) -> ReadingSeries:
    names = ("at_s", "temperature_degc", "relative_humidity", "marks")
    return ReadingSeries("made", *(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def test_what_changed_in_an_earlier_episode_is_still_said() -> None:
    first = simulated_lives(1, TIGHT, 3, fails_on(40, 8.0))[0]
    second = simulated_lives(1, Kind(days=30, conductance=(first.conductance_now, 0.0)), 4)[0]
    leak = asked([first, second])
    assert leak.changed_between is not None
    low, high = (at.timestamp() for at in leak.changed_between)
    assert low - 86_400.0 < first.day_s(40) < high + 86_400.0
    assert "No opening was logged" in leak.change_words


def test_a_lid_badly_seated_at_a_recharge_is_dated_to_it() -> None:
    first = simulated_lives(1, TIGHT, 5)[0]
    second = simulated_lives(1, Kind(days=35, conductance=(8.0 * first.conductance_now, 0.0)), 6)[0]
    leak = asked([first, second])
    assert leak.changed_at is not None
    assert leak.change_factor is not None
    assert leak.changed_at.timestamp() == pytest.approx(first.now_s)
    assert leak.change_factor.p05 < 8.0 < leak.change_factor.p95
    assert "lid" in leak.change_words
    there = leak.conductance_g_per_day_per_kpa
    assert there.p05 < second.conductance_now < there.p95


def test_a_lid_seated_a_little_differently_is_no_news() -> None:
    first = simulated_lives(1, TIGHT, 7)[0]
    second = simulated_lives(1, Kind(days=35, conductance=(1.3 * first.conductance_now, 0.0)), 8)[0]
    assert asked([first, second]).changed_at is None


def test_candidate_days_are_no_more_than_promised_and_spread_over_the_episode() -> None:
    record, now_s, _ = simulated_box(Truth(), 20)
    bins = estimate(record, now_s, count=50).bins
    for count in range(1, 120):
        places = change_scan._days_tried(replace(bins, edges_days=np.linspace(-float(count), 0.0, count + 1)))
        assert len(places) <= change_scan._MOST_CANDIDATES
        clear = count - change_scan._CLEAR_OF_START_DAYS - change_scan._CLEAR_OF_END_DAYS
        assert bool(places) == (clear > 1.0)
        if places:
            assert places[-1] - places[0] >= 0.85 * (clear - 2.0)
