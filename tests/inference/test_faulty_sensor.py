"""Sensors that err more in dry air, and drift: the interval knows.

Sheets widen their tolerance below 20 % RH, common ones by a factor of two; they state a drift of 0.25 to 0.5 % RH a
year.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box

from monitor.inference.answers.leak import leak_of
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Record
from monitor.inference.model.prior import Assumptions
from monitor.records import Quantiles


def conductance(record: Record, now_s: float, seed: int = 1, **assumed: float) -> Quantiles:
    found = estimate(record, now_s, assumptions=Assumptions(**assumed), seed=seed)  # type: ignore[arg-type]
    return leak_of(found).conductance_g_per_day_per_kpa


def width(points: Quantiles) -> float:
    return float(np.log(points.p95 / points.p05))


@pytest.mark.parametrize("bias", [0.02, -0.015])
def test_an_error_that_doubles_towards_dry_air_leaves_the_leak_within_its_interval(bias: float) -> None:
    truth = Truth(conductance=0.25, start_humidity=0.08, accuracy=0.04)
    record, now_s, _ = simulated_box(truth, seen_days=40)
    true = record.hours.relative_humidity
    shown = true + bias * (1.0 + np.maximum(1.0 - true / 0.20, 0.0))
    record = replace(record, hours=replace(record.hours, relative_humidity=shown))
    found = conductance(record, now_s)
    assert found.p05 < truth.conductance < found.p95


def test_a_drifting_sensor_widens_the_leak_of_a_tight_box_and_holds_it() -> None:
    """Half a year in which the sensor gains half a per cent: what it gains looks like leak.

    Means of six seeds: a width by 1,000 draws is known to 3 %.
    """
    truth = Truth(conductance=0.02, start_humidity=0.06)
    record, now_s, _ = simulated_box(truth, seen_days=180)
    hours = len(record.hours)
    drifted = record.hours.relative_humidity + np.linspace(0.0, 0.005, hours)
    record = replace(record, hours=replace(record.hours, relative_humidity=drifted))
    found = [conductance(record, now_s, seed) for seed in range(6)]
    sure = [conductance(record, now_s, seed, bias_walk=1e-9) for seed in range(6)]
    assert all(one.p05 < truth.conductance < one.p95 for one in found)
    assert np.mean([width(one) for one in found]) > np.mean([width(one) for one in sure])
