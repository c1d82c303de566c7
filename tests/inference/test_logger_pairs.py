"""How far readings scatter and wander: what two like loggers in the same air say, and what a fit makes of it."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box

from monitor.inference.fit.fit import estimate
from monitor.inference.fit.refreshed import refreshed
from monitor.inference.model.observations import reading_noise
from monitor.inference.model.prior import Assumptions, Unknown
from monitor.inference.model.state import Problem
from monitor.physics.numerics import FloatArray

PAIRS = Path(__file__).parent / "rooms" / "pairs.csv"
ASSUMED = Assumptions()
DAY_S = 86400.0


def pair(home: str) -> FloatArray:
    """Return what two like loggers showed apart, day by day; NaN where a day is not known. [fraction of saturation]"""
    with PAIRS.open(encoding="utf-8") as file:
        rows = [(date.fromisoformat(row["day"]).toordinal(), row[f"{home}_rh_pct"]) for row in csv.DictReader(file)]
    apart = np.full(rows[-1][0] - rows[0][0] + 1, np.nan)
    for day, percent in rows:
        apart[day - rows[0][0]] = float(percent) / 100.0 if percent else np.nan
    return apart


def off_a_line(apart: FloatArray, days: int) -> float:
    """Return the spread of one logger's day about the line between the days so far before and after."""
    differences = apart[: -2 * days] - 2.0 * apart[days:-days] + apart[2 * days :]
    return float(np.nanmedian(np.abs(differences)) / 0.6745 / np.sqrt(6.0) / np.sqrt(2.0))


@pytest.mark.parametrize(
    ("home", "a_day", "sixteen_days", "in_all"), [("espoo_2", 0.107, 0.161, 0.28), ("tampere", 0.055, 0.125, 0.29)]
)
def test_measured_loggers_scatter_and_wander_as_is_assumed(
    home: str, a_day: float, sixteen_days: float, in_all: float
) -> None:
    """Two pairs of a database of measured homes (rooms/README.md), in % RH: the figures that assumptions cite.

    Of a first-order process the spread about a line over 16 days is sqrt((6 - 8 r + 2 r²) / 6) of its own, with r its
    correlation over them: that gives the memory.
    """
    apart = pair(home)
    assert 100.0 * off_a_line(apart, 1) == pytest.approx(a_day, abs=0.003)
    assert 100.0 * off_a_line(apart, 16) == pytest.approx(sixteen_days, abs=0.003)
    spread = float(np.nanstd(apart) / np.sqrt(2.0))
    assert 100.0 * spread == pytest.approx(in_all, abs=0.01)
    over_line = (off_a_line(apart, 16) / spread) ** 2
    correlation = (8.0 - np.sqrt(64.0 - 8.0 * (6.0 - 6.0 * over_line))) / 4.0
    memory_days = -16.0 / np.log(correlation)
    assert 0.9 * ASSUMED.reading_wander_days < memory_days < 2.2 * ASSUMED.reading_wander_days


@pytest.fixture(scope="module")
def problem() -> Problem:
    record, now_s, _ = simulated_box(Truth(), 30, 3)
    return estimate(record, now_s, count=100).problem


def noise_sd(problem: Problem, span_days: float) -> float:
    """Of a sensor without a step, over dry air: nothing else adds to it."""
    box = replace(problem.box, sensor=replace(problem.box.sensor, resolution=0.0))
    return float(np.sqrt(reading_noise(0.0, replace(problem, box=box, span_days=span_days))))


@pytest.mark.parametrize("span_days", [3.0, 14.0, 90.0, 400.0])
def test_over_a_span_readings_keep_what_a_process_keeps_about_its_mean(problem: Problem, span_days: float) -> None:
    """Held against the double sum of the process's own correlations, at 2,000 instants."""
    at = (np.arange(2000) + 0.5) * span_days / 2000
    correlations = np.exp(-np.abs(at[:, None] - at) / ASSUMED.reading_wander_days)
    about_mean = ASSUMED.reading_wander_sd**2 * (1.0 - correlations.mean())
    assert noise_sd(problem, span_days) ** 2 == pytest.approx(ASSUMED.reading_sd**2 + about_mean, rel=1e-4)


def test_at_once_there_is_only_scatter_and_in_the_end_all_of_the_wander(problem: Problem) -> None:
    assert noise_sd(problem, 0.0) == ASSUMED.reading_sd
    assert noise_sd(problem, 1e-4) == pytest.approx(ASSUMED.reading_sd, rel=1e-4)
    assert noise_sd(problem, np.inf) == pytest.approx(np.hypot(ASSUMED.reading_sd, ASSUMED.reading_wander_sd))


def test_an_update_keeps_what_readings_were_worth_at_the_fit() -> None:
    record, now_s, _ = simulated_box(Truth(), 20, 3)
    fitted = estimate(record, now_s - 5 * DAY_S, count=100)
    assert fitted.problem.span_days == pytest.approx(15.0)
    assert refreshed(fitted, record, now_s).problem.span_days == fitted.problem.span_days


def test_the_leak_of_a_young_box_is_told_better_than_by_readings_that_scatter_as_in_a_year() -> None:
    """*Regression*: 0.29 and 0.35 of ln G after ten days."""
    record, now_s, _ = simulated_box(Truth(), 10, 5)
    as_in_a_year = Assumptions(reading_sd=0.003, reading_wander_sd=0.0)
    spreads = [
        estimate(record, now_s, count=400, assumptions=one).theta[:, Unknown.log_conductance].std()
        for one in (ASSUMED, as_in_a_year)
    ]
    assert spreads[0] < 0.95 * spreads[1]
