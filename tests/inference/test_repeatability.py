"""How closely a sensor repeats, learned from its own days, and what a reading is worth by that."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from monitor.inference.evidence.hours import Hours
from monitor.inference.evidence.repeatability import Repeatability, repeatability
from monitor.inference.fit.fit import estimate
from monitor.inference.model.observations import reading_noise
from monitor.inference.model.prior import Unknown
from monitor.inference.model.state import Problem
from monitor.physics.numerics import FloatArray
from tests.made_boxes import Truth, made_box

PAIRS = Path(__file__).parent / "rooms" / "pairs.csv"
DAY_S, HOURS_A_DAY = 86400.0, 24


def shown(daily: FloatArray) -> Hours:
    """Return a sensor that shows a level all day, after a first day that doesn't count."""
    humidity = np.repeat(np.r_[daily[:1], daily], HOURS_A_DAY)
    return Hours(0, np.full(len(humidity), 21.0), humidity)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(27)


def seen(daily: FloatArray) -> Repeatability | None:
    return repeatability(shown(daily), 0.0, (len(daily) + 1) * DAY_S)


def test_errors_around_a_steady_rise_are_found(rng: np.random.Generator) -> None:
    """Drawn with 0.2 % RH; 300 overlapping differences know their spread to some 6 %, three times that is let by."""
    found = seen(0.05 + 0.0005 * np.arange(304) + 0.002 * rng.standard_normal(304))
    assert found is not None
    assert found.days == 300
    assert found.sd == pytest.approx(0.002, rel=0.2)


def test_openings_and_gaps_are_no_errors(rng: np.random.Generator) -> None:
    """A step of 5 points every sixty days, and each tenth day without readings."""
    daily = 0.05 + 0.0005 * np.arange(304) + 0.002 * rng.standard_normal(304)
    daily += 0.05 * (np.arange(304) // 60)
    daily[::10] = np.nan
    found = seen(daily)
    assert found is not None
    assert found.sd == pytest.approx(0.002, rel=0.25)


@pytest.mark.parametrize(("days", "compared"), [(4, None), (5, 1), (12, 8)])
def test_five_days_after_the_first_begin_to_tell(days: int, compared: int | None) -> None:
    found = seen(np.full(days, 0.1))
    assert (found and found.days) == compared


def test_days_with_few_hours_are_not_compared() -> None:
    hours = shown(np.full(5, 0.1))
    hours.relative_humidity[3 * HOURS_A_DAY : 3 * HOURS_A_DAY + 13] = np.nan  # eleven hours of the middle day are left
    assert repeatability(hours, 0.0, 6 * DAY_S) is None


def pairs(home: str) -> FloatArray:
    """Return what two like loggers showed apart, day by day; NaN where a day is not known. [fraction of saturation]"""
    with PAIRS.open(encoding="utf-8") as file:
        rows = [(date.fromisoformat(row["day"]).toordinal(), row[f"{home}_rh_pct"]) for row in csv.DictReader(file)]
    days = np.arange(rows[0][0], rows[-1][0] + 1)
    apart = np.full(len(days), np.nan)
    for day, percent in rows:
        apart[day - days[0]] = float(percent) / 100.0 if percent else np.nan
    return apart


def off_a_line(apart: FloatArray, days: int) -> float:
    """Return the spread of one logger's day about the line between the days so far before and after."""
    differences = apart[: -2 * days] - 2.0 * apart[days:-days] + apart[2 * days :]
    return float(np.nanmedian(np.abs(differences)) / 0.6745 / np.sqrt(6.0) / np.sqrt(2.0))


@pytest.mark.parametrize(("home", "a_day", "sixteen_days"), [("espoo_2", 0.11, 0.16), ("tampere", 0.055, 0.125)])
def test_measured_loggers_repeat_as_is_assumed(home: str, a_day: float, sixteen_days: float) -> None:
    """Two pairs of a database of measured homes (rooms/README.md), in % RH: the figures that assumptions cite."""
    apart = pairs(home)
    assert 100.0 * off_a_line(apart, 1) == pytest.approx(a_day, abs=0.005)
    assert 100.0 * off_a_line(apart, 16) == pytest.approx(sixteen_days, abs=0.005)


@pytest.fixture(scope="module")
def problem() -> Problem:
    record, now_s, _ = made_box(Truth(), 30, 3)
    return estimate(record, now_s, count=100).problem


def noise_sd(problem: Problem, repeats: Repeatability | None) -> float:
    """Of a sensor without a step, over dry air: nothing else adds to it."""
    box = replace(problem.box, sensor=replace(problem.box.sensor, resolution=0.0))
    return float(np.sqrt(reading_noise(0.0, replace(problem, box=box, repeatability=repeats))))


def test_own_days_count_more_the_more_there_are(problem: Problem) -> None:
    assumed = problem.assumptions.reading_sd
    few, many = (noise_sd(problem, Repeatability(0.0004, days)) for days in (3, 100))
    assert noise_sd(problem, None) == assumed
    assert 2.0 * 0.0004 < many < few < assumed


def test_no_day_is_taken_for_exact_or_for_worthless(problem: Problem) -> None:
    """0.06 % RH is what the best measured pair repeats to."""
    assert noise_sd(problem, Repeatability(0.0, 10_000)) == pytest.approx(0.0006, rel=0.01)
    assert noise_sd(problem, Repeatability(0.5, 10_000)) == pytest.approx(0.006, rel=0.01)


def test_a_leak_is_known_better_from_a_sensor_that_repeats() -> None:
    """The same ten days by hours that scatter by 0.1 and by 3 % RH; *regression*: 0.28 and 0.49 of ln G."""
    spreads = []
    for noise in (0.001, 0.03):
        record, now_s, _ = made_box(Truth(noise=noise), 10, 5)
        spreads.append(estimate(record, now_s, count=400).theta[:, Unknown.log_conductance].std())
    assert spreads[0] < 0.8 * spreads[1]
