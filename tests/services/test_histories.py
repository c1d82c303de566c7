"""Of a shelf that is years old only what estimates rest on is read, and every answer is that of all its readings."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_boxes import Truth, room_hours, true_humidity
from simulated_shelf import outlooks

from monitor.inference.shelf import first_fit, needed
from monitor.inference.shelf.needed import Needed, needed_of
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, Outlook, Reading
from monitor.services import histories as read_histories
from monitor.services.histories import Histories, digested_since
from monitor.store.opening import Stores, open_stores

if TYPE_CHECKING:
    from collections.abc import Iterator

FIRST = datetime(2023, 5, 2, tzinfo=UTC)
DAYS, EPISODE_DAYS, OPENED_DAY, CALM_DAY = 1096, 110, 40, 20
NOW = FIRST + timedelta(days=DAYS)
BOXES = [
    Box("usual", 10.0, 0.2, "gasket"),
    Box("swapped", 10.0, 0.2, "clip"),
    Box("undated", 10.0, 0.2, "unknown"),
    Box("roomless", 10.0, 0.2, "gasket", room="cellar"),
]
SWAPPED_DAYS = (200.5, 1050.5)
"""One swap of the sensor long ago, with a lasting step, and one in the episode of now, without."""


MOST_AWAY = {"swapped": 0.03, "undated": 0.3}
"""How far answers of these two may lie from those of all readings. [ln leak]"""


@cache
def courses() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Humidity of the room, its temperature, and humidity of a box since its beads were changed, hour by hour."""
    vapor_kpa, warm_degc = room_hours(EPISODE_DAYS + 2)
    outside = 1e3 * vapor_kpa / np.asarray(saturation_vapor_pressure_pa(warm_degc))
    return outside, warm_degc, true_humidity(Truth(0.08, 100.0), vapor_kpa, warm_degc)


def series_of(name: str) -> Iterator[Reading]:
    """Every two hours, and every ten minutes on two calm days and about an opening, in each episode."""
    outside, warm_degc, inside = courses()
    rng = np.random.default_rng(len(name))
    fine = np.concatenate([CALM_DAY + np.arange(288) / 144.0, OPENED_DAY + np.arange(-36, 18) / 144.0])
    later = [fine + day for day in range(0, DAYS - OPENED_DAY, EPISODE_DAYS)]
    days = np.unique(np.concatenate([np.arange(12 * (DAYS + 1)) / 12.0, *later]))
    hour = 24.0 * (days % EPISODE_DAYS)
    hours = np.arange(len(inside))
    stands_open = (hour >= 24.0 * OPENED_DAY) & (hour < 24.0 * OPENED_DAY + 1.0)
    shown = np.where(stands_open | (name == "room"), np.interp(hour, hours, outside), np.interp(hour, hours, inside))
    shown += 0.002 * rng.standard_normal(len(days))
    if name == "swapped":
        shown += np.where(days > SWAPPED_DAYS[0], 0.04, 0.0)
    degc = np.interp(hour, hours, warm_degc) + 0.05 * rng.standard_normal(len(days))
    for day, warm, humidity in zip(days.tolist(), degc.tolist(), shown.tolist(), strict=True):
        yield Reading(name, FIRST + timedelta(days=day), warm, humidity)


def entries_of(box: Box) -> Iterator[LedgerEntry]:
    if box.name == "undated":
        return
    for day in range(0, DAYS, EPISODE_DAYS):
        beads = {"desiccant": "silica_regular", "dry_mass_g": 100.0, "method": "oven_120C_3h"}
        yield LedgerEntry(EntryKind.recharge, box.name, FIRST + timedelta(days=day, minutes=1), **beads)  # type: ignore[arg-type]
        if day + OPENED_DAY < DAYS:
            yield LedgerEntry(EntryKind.opening, box.name, FIRST + timedelta(days=day + OPENED_DAY))
    if box.name == "swapped":
        for swapped in SWAPPED_DAYS:
            yield LedgerEntry(EntryKind.sensor_swap, box.name, FIRST + timedelta(days=swapped))


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stores]:
    """Three years of four boxes and a room, of which all but the last year and a half is thinned to a reading a day."""
    with open_stores(tmp_path_factory.mktemp("years") / "s.sqlite3", synchronous="OFF") as opened:
        for name in ("room", *(box.name for box in BOXES)):
            opened.readings.add(series_of(name))
        for entry in sorted((e for box in BOXES for e in entries_of(box)), key=lambda e: e.at):
            opened.ledger.log(entry, NOW)
        assert opened.upkeep.thin(NOW - timedelta(days=500), timedelta(days=1)) > 25_000
        yield opened


def all_there_is(stores: Stores) -> list[BoxHistory]:
    room = stores.readings.evidence("room", NOW)
    return [
        BoxHistory(
            box,
            stores.readings.evidence(box.name, NOW),
            None if box.room == "cellar" else room,
            entries=tuple(stores.ledger.entries(box.name, before=NOW)),
        )
        for box in BOXES
    ]


def read(stores: Stores) -> list[BoxHistory]:
    histories = Histories.of(stores.readings, stores.ledger, BOXES, NOW)
    return [histories.history(box) for box in BOXES]


@pytest.fixture(scope="module")
def from_what_is_needed(stores: Stores) -> list[Outlook]:
    return outlooks(read(stores), NOW, workers=1)


def test_what_is_read_gives_the_answers_of_all_there_is(stores: Stores, from_what_is_needed: list[Outlook]) -> None:
    histories = all_there_is(stores)
    assert all(outlook.forecast for outlook in from_what_is_needed)
    assert from_what_is_needed == outlooks(histories, NOW, workers=1)
    shares = [len(one.readings) / len(whole.readings) for one, whole in zip(read(stores), histories, strict=True)]
    assert max(shares) < 0.5


def test_readings_come_one_by_one_where_that_counts_and_else_one_an_hour(stores: Stores) -> None:
    series = read(stores)[0].readings
    day = (series.at_s - FIRST.timestamp()) / 86_400.0
    last = DAYS // EPISODE_DAYS * EPISODE_DAYS - EPISODE_DAYS
    calm = (day >= last + CALM_DAY) & (day < last + CALM_DAY + 2)
    opened = (day >= last + OPENED_DAY - 0.25) & (day < last + OPENED_DAY + 1.0 / 24.0)
    assert (calm.sum(), opened.sum()) == (48, 36 + 6)
    assert (np.diff(series.at_s) > 0.0).all()


def test_answers_are_those_of_estimates_that_leave_nothing_out(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    """Equal to the last digit, with two exceptions.

    What a sensor disagreed with one of old is read off two weeks about the swap, and less what the box rises in these,
    not in all years. A box of which no beads were logged is looked at over a year of the three. Both are asked for as a
    shelf of their own, so that no other box learns from them.
    """

    def answers(histories: list[BoxHistory]) -> dict[str, Outlook]:
        shelves = [[one for one in histories if (one.box.name in MOST_AWAY) == away] for away in (False, True)]
        return {
            history.box.name: answer
            for shelf in shelves
            for history, answer in zip(shelf, outlooks(shelf, NOW, workers=1), strict=True)
        }

    from_needed = answers(read(stores))
    monkeypatch.setattr(first_fit, "needed_of", lambda *_: Needed(-np.inf, (), (), (), -np.inf))
    everything = answers(all_there_is(stores))
    assert from_needed["usual"] == everything["usual"]
    assert from_needed["roomless"] == everything["roomless"]
    for name, most in MOST_AWAY.items():
        leaks = [found[name].leak for found in (from_needed, everything)]
        low, high = sorted(leak.conductance_g_per_day_per_kpa.p50 for leak in leaks if leak is not None)
        assert np.log(high / low) < most


@given(
    st.lists(
        st.tuples(
            st.sampled_from([EntryKind.recharge, EntryKind.recharge, EntryKind.opening, EntryKind.sensor_swap]),
            st.floats(1.0, 200.0),
        ),
        max_size=60,
    )
)
def test_all_that_an_estimate_rests_on_is_digested(gaps: list[tuple[EntryKind, float]]) -> None:
    """Else a reading that came late to it would leave a kept answer as it was."""
    entries, at = [LedgerEntry(EntryKind.charge, "usual", FIRST)], FIRST
    for kind, days in gaps:
        at += timedelta(days=days)
        entries.append(LedgerEntry(kind, "usual", at))
    now_s = (at + timedelta(days=1)).timestamp()
    since, needed = digested_since(entries), needed_of(entries, now_s, now_s)
    if since is not None:
        first_s = min(needed.since_s, *(start_s for start_s, _ in (*needed.earlier, (needed.since_s, 0.0))))
        assert since.timestamp() < first_s
        assert datetime(since.year - 3, 1, 1, tzinfo=UTC).timestamp() < needed.room_since_s


def test_the_present_moves_on_in_the_steps_of_what_a_fit_needs() -> None:
    """Written twice, as what was kept is read without any model: with other steps readings would be missing or idle."""
    assert read_histories._GRID_S == needed.GRID_S
