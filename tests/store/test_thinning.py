"""Thinning deletes readings and leaves what estimates rest on; a file brings the readings back."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from monitor.assess import assess
from monitor.inference.posterior.hours import reduce_to_hours
from monitor.records import Box, EntryKind, LedgerEntry, Mark, Reading, ReadingSeries
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite.migrations import MIGRATIONS, migrate

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
    found = reduce_to_hours(stores.readings.evidence("left", end))
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
    stores.ledger.log(LedgerEntry(EntryKind.opening, "left", opened_at))
    span = ("left", opened_at - timedelta(hours=1), opened_at + timedelta(minutes=90))
    before = stores.readings.series(*span)
    stores.upkeep.thin(NOW, timedelta(days=1))
    assert same(stores.readings.series(*span), before)
    kept = stores.readings.evidence("left")
    assert np.isin(before.at_s, kept.at_s).all(), "where they stay they are the evidence"


def test_a_forecast_after_thinning_is_the_one_before(stores: Stores) -> None:
    box = Box("left", 10.0)
    stores.ledger.log(LedgerEntry(EntryKind.charge, "left", FIRST, desiccant="silica_gel", dry_mass_g=80.0))
    stores.ledger.log(LedgerEntry(EntryKind.opening, "left", FIRST + timedelta(days=11)))
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


@pytest.mark.parametrize("step", STEPS)
def test_the_originals_are_known_for_what_they_are_and_can_be_brought_back(stores: Stores, step: timedelta) -> None:
    before = [(stores.readings.series(box), stores.readings.hourly(box)) for box in ("left", "room")]
    stores.upkeep.thin(NOW - timedelta(days=5), step)
    originals, kept = told(), stores.readings.count()
    assert stores.readings.add(originals) == 0
    lacking = len(before[0][0]) - len(stores.readings.series("left"))
    assert stores.upkeep.thinned_out(originals) == lacking > 0
    assert stores.upkeep.bring_back(originals) == lacking
    assert stores.readings.count() == kept + lacking
    assert stores.upkeep.bring_back(originals + told("room", seed=2)) > 0
    after = [(stores.readings.series(box), stores.readings.hourly(box)) for box in ("left", "room")]
    for one, other in zip(before, after, strict=True):
        assert all(same(*pair) for pair in zip(one, other, strict=True))
    assert same(stores.readings.evidence("left"), stores.readings.series("left"))


def test_an_hour_that_came_back_in_part_keeps_its_value(stores: Stores) -> None:
    before = hours(stores)
    stores.upkeep.thin(NOW, timedelta(days=1))
    assert stores.upkeep.bring_back(told()[1::2]) > 0
    np.testing.assert_allclose(hours(stores), before, atol=1e-9)


def test_a_file_thinned_by_an_older_version_has_its_hours_from_the_roll_up(tmp_path: Path) -> None:
    """What was deleted then can't come back; its hourly means are there, and estimates have them from now on."""
    path = tmp_path / "old.sqlite3"
    with open_stores(path) as stores:
        stores.readings.add(told(days=3.0))
        hourly = stores.readings.hourly("left")
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("DELETE FROM readings WHERE at_ms < ? AND at_ms % 3600000 <> 0", (_ms(FIRST, 2),))
    connection.execute("INSERT INTO thinned SELECT box_id, ?, 3600000 FROM boxes", (_ms(FIRST, 2),))
    connection.execute("DROP TABLE thinned_hours")
    connection.execute("DELETE FROM migrations WHERE name LIKE 'hours that readings%'")
    assert migrate(connection, MIGRATIONS) == ["hours that readings were thinned out of, each as one value"]
    connection.close()
    with open_stores(path) as stores:
        evidence = stores.readings.evidence("left")
    np.testing.assert_allclose(evidence.relative_humidity[:48], hourly.relative_humidity[:48])
    np.testing.assert_allclose(evidence.temperature_degc[:48], hourly.temperature_degc[:48], atol=0.005)
    assert len(evidence) == 48 + 144


def _ms(first: datetime, days: int) -> int:
    return round((first + timedelta(days=days)).timestamp() * 1000.0)
