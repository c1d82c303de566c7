"""Thinning deletes readings and leaves what estimates rest on; a file brings the readings back."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np
import pytest

from monitor.inference.evidence.hours import reduce_to_hours
from monitor.presentation.clock import utc_now
from monitor.records import Box, EntryKind, ImportCounts, LedgerEntry, Mark, Reading, ReadingSeries
from monitor.series.spans import between
from monitor.services.assess import assess
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite.migrations import migrate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
DAYS = 30
NOW = FIRST + timedelta(days=DAYS)
STEPS = [timedelta(hours=1), timedelta(minutes=90), timedelta(days=1)]


def told(box: str = "left", days: float = DAYS, seed: int = 1) -> list[Reading]:
    """Every ten minutes: a rising box (or a room) behind a display of whole per cents and tenths of a degree."""
    rng = np.random.default_rng(seed)
    day = np.arange(0.0, days, 1 / 144.0)
    warm = 21.0 + np.sin(2.0 * np.pi * day) + rng.normal(0.0, 0.05, len(day))
    level = 0.5 if box == "room" else 0.08 + 0.002 * day
    shown = level + 0.004 * np.sin(2.0 * np.pi * day) + rng.normal(0.0, 0.003, len(day))
    spike = rng.random(len(day)) < 0.005
    shown = np.where(spike, 0.9, np.round(shown, 2))
    return [
        Reading(box, FIRST + timedelta(minutes=10 * k), float(np.round(t, 1)), float(h))
        for k, (t, h) in enumerate(zip(warm, shown, strict=True))
    ]


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    with open_stores(tmp_path / "s.sqlite3", synchronous="OFF") as opened:
        opened.readings.add(told() + told("room", seed=2))
        yield opened


def same(one: ReadingSeries, other: ReadingSeries) -> bool:
    columns = ("at_s", "temperature_degc", "relative_humidity", "marks")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in columns)


def hours(stores: Stores, end: datetime | None = None) -> tuple[np.ndarray, np.ndarray]:
    return reduced(stores.readings.evidence("left", end))


def reduced(series: ReadingSeries) -> tuple[np.ndarray, np.ndarray]:
    found = reduce_to_hours(series)
    return found.temperature_degc, found.relative_humidity


@pytest.mark.parametrize("step", STEPS)
def test_every_hour_that_estimates_rest_on_stays_as_it_was(stores: Stores, step: timedelta) -> None:
    before, held = hours(stores), stores.readings.count()
    cut = FIRST + timedelta(days=25, minutes=20)
    deleted = stores.upkeep.thin(cut, step)
    assert held - stores.readings.count() == deleted > 5000
    np.testing.assert_allclose(hours(stores), before, atol=1e-9)
    assert stores.upkeep.thin(cut, timedelta(days=1)) >= 0
    np.testing.assert_allclose(hours(stores), before, atol=1e-9)
    until = FIRST + timedelta(days=12)
    np.testing.assert_allclose(hours(stores, until), np.array(before)[:, : 12 * 24], atol=1e-9)


@pytest.mark.parametrize("step", STEPS)
def test_of_each_step_the_first_reading_stays(stores: Stores, step: timedelta) -> None:
    stores.upkeep.thin(NOW, step)
    first = dict(reversed([(reading.at.timestamp() // step.total_seconds(), reading) for reading in told()]))
    left = stores.readings.series("left")
    assert left.at_s.tolist() == sorted(reading.at.timestamp() for reading in first.values())


def test_what_was_marked_does_not_come_into_an_hour_by_thinning(stores: Stores) -> None:
    series = stores.readings.series("left")
    wrong = np.where(series.relative_humidity > 0.5, Mark.spike.bit, 0).astype(np.uint16)
    wrong[1440:1446] = Mark.stuck.bit
    stores.readings.mark(replace(series, marks=wrong))
    before = hours(stores)
    assert np.isnan(before[1][240])
    stores.upkeep.thin(NOW, timedelta(hours=1))
    np.testing.assert_allclose(hours(stores), before, atol=1e-9)


def test_readings_about_an_opening_stay(stores: Stores) -> None:
    opened_at = FIRST + timedelta(days=9, hours=8, minutes=30)
    stores.ledger.log(LedgerEntry(EntryKind.opening, "left", opened_at), utc_now())
    span = ("left", opened_at - timedelta(hours=1), opened_at + timedelta(minutes=90))
    before = stores.readings.series(*span)
    stores.upkeep.thin(NOW, timedelta(days=1))
    assert same(stores.readings.series(*span), before)
    kept = stores.readings.evidence("left")
    assert np.isin(before.at_s, kept.at_s).all(), "where they stay they are the evidence"


@pytest.mark.parametrize("step", STEPS)
def test_a_part_of_the_evidence_is_that_part_of_all_of_it(stores: Stores, step: timedelta) -> None:
    stores.upkeep.thin(FIRST + timedelta(days=25, minutes=20), step)
    start, end = FIRST + timedelta(days=9, hours=7, minutes=31), FIRST + timedelta(days=12, hours=5)
    whole, part = stores.readings.evidence("left", end), stores.readings.evidence("left", end, start=start)
    assert same(part, between(whole, (start - timedelta(minutes=31)).timestamp()))
    late = stores.readings.evidence("left", start=FIRST + timedelta(days=25))
    assert same(late, between(stores.readings.evidence("left"), (FIRST + timedelta(days=25)).timestamp()))


def test_a_forecast_after_thinning_is_the_one_before(stores: Stores) -> None:
    box = Box("left", 10.0)
    stores.ledger.log(LedgerEntry(EntryKind.charge, "left", FIRST, desiccant="silica_gel", dry_mass_g=80.0), utc_now())
    stores.ledger.log(LedgerEntry(EntryKind.opening, "left", FIRST + timedelta(days=11)), utc_now())
    (before,) = assess(stores.readings, stores.ledger, [box], NOW)
    stores.upkeep.thin(NOW - timedelta(days=2), timedelta(days=1))
    (after,) = assess(stores.readings, stores.ledger, [box], NOW)
    assert before.forecast is not None
    assert after.forecast is not None
    dates = [(f.cross_at.p05, f.cross_at.p50, f.cross_at.p95) for f in (before.forecast, after.forecast)]
    for one, other in zip(*dates, strict=True):
        assert one is not None
        assert other is not None
        assert (other - NOW) / (one - NOW) == pytest.approx(1.0, rel=0.02)


def taken_in(stores: Stores, readings: list[Reading], *, bring_back: bool = False) -> tuple[int, ImportCounts]:
    number = stores.imports.begin("x.csv", NOW)
    return number, stores.imports.add(number, readings, bring_back=bring_back)


def kept_of(stores: Stores) -> list[ReadingSeries]:
    """All that is asked of a store about both boxes."""
    ask = stores.readings
    return [each for box in ("left", "room") for each in (ask.series(box), ask.hourly(box), ask.evidence(box))]


def all_same(one: list[ReadingSeries], other: list[ReadingSeries]) -> bool:
    return all(same(*pair) for pair in zip(one, other, strict=True))


@pytest.mark.parametrize("step", STEPS)
def test_the_originals_are_known_for_what_they_are_and_can_be_brought_back(stores: Stores, step: timedelta) -> None:
    before = kept_of(stores)
    stores.upkeep.thin(NOW - timedelta(days=5), step)
    thinned, originals, kept = kept_of(stores), told(), stores.readings.count()
    assert stores.readings.add(originals) == 0
    lacking = len(before[0]) - len(stores.readings.series("left"))
    counts = taken_in(stores, originals)[1]
    assert (counts.new, counts.thinned_out, counts.held) == (0, lacking, len(originals) - lacking)
    assert all_same(kept_of(stores), thinned)
    one, counts = taken_in(stores, originals + originals[:300], bring_back=True)
    assert (counts.new, counts.brought_back, counts.held) == (0, lacking, len(originals) - lacking + 300)
    assert stores.readings.count() == kept + lacking
    other, counts = taken_in(stores, originals + told("room", seed=2), bring_back=True)
    assert counts.brought_back > 0
    assert all_same(kept_of(stores), before)
    withdrawals = [stores.imports.withdraw_import(number, NOW).number for number in (one, other)]
    assert all_same(kept_of(stores), thinned), "as it was before the import"
    for number in withdrawals:
        stores.imports.restore(number)
    assert all_same(kept_of(stores), before)
    stores.upkeep.thin(NOW - timedelta(days=5), step)
    assert all_same(kept_of(stores), thinned)


def test_an_hour_that_came_back_in_part_keeps_its_value(stores: Stores) -> None:
    before = hours(stores)
    stores.upkeep.thin(NOW, timedelta(days=1))
    number, counts = taken_in(stores, told()[1::2], bring_back=True)
    assert counts.brought_back > 0
    np.testing.assert_allclose(hours(stores), before, atol=1e-9)
    stores.upkeep.thin(NOW, timedelta(minutes=30))
    stores.imports.withdraw_import(number, NOW)
    np.testing.assert_allclose(hours(stores), before, atol=1e-9)


def test_what_differs_from_a_row_that_thinning_kept_is_said(stores: Stores) -> None:
    stores.upkeep.thin(NOW, timedelta(days=1))
    other = told()[0]._replace(temperature_degc=11.0)
    counts = taken_in(stores, [other])[1]
    assert (counts.held, counts.differing) == (0, 1)


@pytest.mark.parametrize("step", STEPS)
def test_a_withdrawn_span_takes_its_thinned_hours_along_and_back(stores: Stores, step: timedelta) -> None:
    stores.upkeep.thin(NOW, step)
    thinned = kept_of(stores)
    start, end = FIRST + timedelta(days=3, hours=5), FIRST + timedelta(days=7, hours=9)
    withdrawal = stores.imports.withdraw_span("left", start, end, NOW)
    lies_within = [(each.at_s >= start.timestamp()) & (each.at_s < end.timestamp()) for each in kept_of(stores)]
    assert [int(each.sum()) for each in lies_within[:3]] == [0, 0, 0]
    assert withdrawal.new == withdrawal.set_aside == 100
    assert stores.imports.restore(withdrawal.number) == (withdrawal.new, 0)
    assert all_same(kept_of(stores), thinned)


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_what_is_withdrawn_one_after_another_comes_back_in_any_order(stores: Stores, order: tuple[int, ...]) -> None:
    stores.upkeep.thin(NOW, timedelta(days=1))
    number, _ = taken_in(stores, told()[::2], bring_back=True)
    before = kept_of(stores)
    start = FIRST + timedelta(days=3, hours=5, minutes=25)
    withdrawals = [
        stores.imports.withdraw_span("left", start + timedelta(hours=3), start + timedelta(hours=6), NOW).number,
        stores.imports.withdraw_import(number, NOW).number,
        stores.imports.withdraw_span("left", start - timedelta(days=1), start + timedelta(days=1), NOW).number,
    ]
    for place in order:
        stores.imports.restore(withdrawals[place])
    assert all_same(kept_of(stores), before)


def test_a_span_in_which_thinning_left_values_alone_can_be_withdrawn(stores: Stores) -> None:
    stores.upkeep.thin(NOW, timedelta(days=1))
    thinned = kept_of(stores)
    start = FIRST + timedelta(days=3, hours=5)
    withdrawal = stores.imports.withdraw_span("left", start, start + timedelta(hours=2), NOW)
    assert withdrawal.new == 2
    assert len(stores.readings.evidence("left")) == len(thinned[2]) - 2
    assert stores.imports.listed()[-1].set_aside == 2
    assert stores.imports.restore(withdrawal.number) == (2, 0)
    assert all_same(kept_of(stores), thinned)


def test_an_import_that_was_thinned_is_withdrawn_with_its_values(tmp_path: Path) -> None:
    with open_stores(tmp_path / "s.sqlite3", synchronous="OFF") as stores:
        readings = told(days=6.0)
        stores.readings.add(readings[: 3 * 144])
        number, _ = taken_in(stores, readings[3 * 144 :])
        heard = stores.readings.evidence("left", FIRST + timedelta(days=3))
        stores.upkeep.thin(NOW, timedelta(days=1))
        thinned, before = kept_of(stores), hours(stores)
        withdrawal = stores.imports.withdraw_import(number, NOW)
        assert len(stores.readings.evidence("left")) == len(stores.readings.hourly("left")) == 3 * 24
        np.testing.assert_allclose(hours(stores), reduced(heard), atol=1e-9)
        stores.imports.restore(withdrawal.number)
        assert all_same(kept_of(stores), thinned)
        np.testing.assert_allclose(hours(stores), before, atol=1e-9)


def test_a_renamed_or_removed_box_has_its_thinned_hours(stores: Stores) -> None:
    stores.upkeep.thin(NOW, timedelta(days=1))
    before = stores.readings.evidence("left")
    stores.boxes.remove("left", NOW)
    stores.boxes.bring_back("left")
    stores.boxes.rename("left", "right", NOW)
    assert same(stores.readings.evidence("right"), before)
    assert not len(stores.readings.evidence("left"))


def test_a_file_thinned_by_an_older_version_has_its_hours_from_the_roll_up(tmp_path: Path) -> None:
    """What was deleted then can't come back; its hourly means are there, and estimates have them from now on."""
    path = tmp_path / "old.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(told(days=3.0))
        hourly = stores.readings.hourly("left")
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("DELETE FROM readings WHERE at_ms < ? AND at_ms % 3600000 <> 0", (_ms(FIRST, 2),))
    connection.execute("INSERT INTO thinned SELECT box_id, ?, 3600000 FROM boxes", (_ms(FIRST, 2),))
    for table in ("thinned_hours", "thinned_imports", "set_aside_thinned_hours"):
        connection.execute(f"DROP TABLE {table}")
    connection.execute("ALTER TABLE set_aside DROP COLUMN rolled_up")
    connection.execute("DELETE FROM migrations WHERE name LIKE 'hours that readings%'")
    assert migrate(connection) == ["hours that readings were thinned out of, each as one value"]
    connection.close()
    with open_stores(path) as stores:
        evidence = stores.readings.evidence("left")
    np.testing.assert_allclose(evidence.relative_humidity[:48], hourly.relative_humidity[:48])
    np.testing.assert_allclose(evidence.temperature_degc[:48], hourly.temperature_degc[:48], atol=0.005)
    assert len(evidence) == 48 + 144


def _ms(first: datetime, days: int) -> int:
    return round((first + timedelta(days=days)).timestamp() * 1000.0)
