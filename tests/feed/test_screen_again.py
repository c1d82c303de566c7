"""Screening the last days again takes no mark back and sets none that screening everything would not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from monitor.records import Box, Mark, Reading, ReadingSeries
from monitor.services.housekeeping import Screener
from monitor.store.opening import Stores, open_stores

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
DAYS, AN_HOUR = 40, 6
BOX = Box("left", 10.0)


def shown(name: str, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and humidity of a sound sensor every ten minutes."""
    rng = np.random.default_rng(seed)
    days = np.arange(DAYS * 24 * AN_HOUR) / (24.0 * AN_HOUR)
    swing = 1.5 * np.sin(2.0 * np.pi * days)
    humidity = 0.5 if name == "room" else 0.15 * np.exp(0.03 * swing) + 0.001 * days
    return 21.0 + swing + rng.normal(0.0, 0.05, len(days)), humidity + rng.normal(0.0, 0.0005, len(days))


def readings(name: str, temperature: np.ndarray, humidity: np.ndarray) -> list[Reading]:
    return [
        Reading(name, FIRST + timedelta(minutes=60 / AN_HOUR * k), float(t), float(h))
        for k, (t, h) in enumerate(zip(temperature, humidity, strict=True))
    ]


def at(days: float) -> int:
    return round(days * 24 * AN_HOUR)


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    with open_stores(tmp_path / "s.sqlite3") as opened:
        opened.readings.add(readings("room", *shown("room", 1)))
        temperature, humidity = shown("left", 2)
        for first, length in ((8.0, 12.0), (19.9, 1.5), (30.0, 3.0)):  # the middle one is half in the window below
            temperature[at(first) : at(first + length)] = temperature[at(first)]
            humidity[at(first) : at(first + length)] = humidity[at(first)]
        humidity[at(20.9)] = 0.90
        humidity[at(36.0) :] += 0.15
        opened.readings.add(readings("left", temperature, humidity))
        yield opened


def held(stores: Stores) -> ReadingSeries:
    return stores.readings.series("left")


@pytest.mark.parametrize("start_day", [0, 10, 15, 20, 21, 25, 31, 36, 39])
def test_a_window_screened_after_all_changes_nothing(stores: Stores, start_day: int) -> None:
    screener = Screener(stores.readings, [BOX])
    screener.screen_box("left")
    before = held(stores).marks.copy()
    assert {mark for mark in Mark if (before & mark.bit).any()} >= {Mark.stuck, Mark.step}
    screener.screen_box("left", FIRST + timedelta(days=start_day))
    assert held(stores).marks.tolist() == before.tolist()
    screener.screen_box("left")
    assert held(stores).marks.tolist() == before.tolist()


def test_a_window_over_readings_never_screened_marks_them_as_screening_all_does(stores: Stores) -> None:
    screener, start = Screener(stores.readings, [BOX]), FIRST + timedelta(days=29)
    screener.screen_box("left", start)
    window = held(stores).marks.copy()
    screener.screen_box("left")
    everything = held(stores).marks
    since = at(29.0)
    assert window[since:].tolist() == everything[since:].tolist()
    assert (window[since:] & Mark.stuck.bit).any()
    assert not window[:since].any(), "what lies before the window is looked at and left"


def test_a_hang_longer_than_the_window_looks_back_is_carried_on(tmp_path: Path) -> None:
    """Screened as it went on day by day; from its second week on no window sees it begin."""
    with open_stores(tmp_path / "s.sqlite3") as stores:
        stores.readings.add(readings("room", *shown("room", 1)))
        temperature, humidity = shown("left", 2)
        temperature[at(5.0) :], humidity[at(5.0) :] = 21.0, 0.15
        told, screener = readings("left", temperature, humidity), Screener(stores.readings, [BOX])
        for day in range(DAYS):
            stores.readings.add(told[at(day) : at(day + 1.0)])
            screener.screen_box("left", FIRST + timedelta(days=max(day - 3, 0)))
        stuck = np.flatnonzero(held(stores).marks & Mark.stuck.bit)
        assert stuck.tolist() == list(range(at(5.0), at(DAYS)))


def test_marks_set_by_others_meanwhile_stay(stores: Stores) -> None:
    """A reading that came with a mark of its clock while all was screened."""
    screener = Screener(stores.readings, [BOX])
    late = Reading("left", FIRST + timedelta(days=3, seconds=7), 21.0, 0.15, marks=Mark.clock_behind.bit)
    series = held(stores)
    stores.readings.add([late])
    stores.readings.mark(replace(series, marks=np.full(len(series), Mark.step.bit, dtype=np.uint16)))
    screener.screen_box("left")
    after = held(stores)
    assert after.marks[np.searchsorted(after.at_s, late.at.timestamp())] & Mark.clock_behind.bit
