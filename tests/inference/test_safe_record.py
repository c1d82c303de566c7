"""A real trajectory: a taped steel safe in a basement, its gel weighed, its logger blind below 15 % RH.

500 g of dry gel took 31 g in the first month of summer and 67 g after two, when the logger showed 24 % RH; earlier
738 g took 89 g in 150 days at the floor. Source: E. Nisley, shop notes, https://softsolder.com/2013/07/01/ ,
https://softsolder.com/2013/08/01/ , https://softsolder.com/2012/05/04/ . The room is given there as a basement near
50 % RH; its temperature, 20 °C, is assumed, and so
are the 2 % of water that freshly dried gel still holds.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from simulated_boxes import CLOSED_AT

from monitor.inference.answers.forecast import futures
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, Record, mean_conductance
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec

PRIOR = (np.log(0.8 / (0.00732 * 250.0)), 0.6)
"""Conductance of a taped safe of some 250 L about 0.8 g/day/kPa, as ln(air changes a day)."""


def safe_record(days: int) -> Record:
    """A month and more at the logger's floor, in a steady basement."""
    hours = 24 * days
    first = int(CLOSED_AT.timestamp() // 3600)
    box = Box("safe", 250.0, 0.24, "cabinet", SensorSpec(0.04, 0.01, 0.15))
    charge = LedgerEntry(
        EntryKind.charge, "safe", CLOSED_AT, desiccant="silica_gel_regular_density",
        mass_g=500.0, scale_resolution_g=1.0, dry_mass_g=0.98 * 500.0, method="oven",
    )  # fmt: skip
    wobble = 20.0 + 0.3 * np.sin(np.arange(hours) / 4.0)
    return Record(
        box,
        Hours(first, wobble, np.full(hours, 0.15)),
        Hours(first, wobble, np.full(hours, 0.50)),
        (charge,),
    )


@pytest.fixture(scope="module")
def weighed() -> Posterior:
    """Its first month, with the weighing at the end of it."""
    weighing = LedgerEntry(
        EntryKind.weighing, "safe", CLOSED_AT + timedelta(days=30), mass_g=531.0, scale_resolution_g=1.0
    )
    record = safe_record(31)
    record = replace(record, entries=(*record.entries, weighing))
    return estimate(record, CLOSED_AT.timestamp() + 31 * 86_400.0, pooled=PRIOR)


def test_two_months_ahead_hold_what_the_logger_showed(weighed: Posterior) -> None:
    """Fitted on the blind first month and its weighing: 24 % RH after the second lies in the 80 % interval."""
    ahead = futures(weighed, 0.99, horizon_days=40)
    month_on = int(np.argmin(np.abs(ahead.ahead_days - 30.0)))
    low, high = np.quantile(ahead.humidity[month_on], [0.10, 0.90])
    assert low < 0.24 < high


def test_the_weighed_month_gives_the_conductance_worked_out_by_hand(weighed: Posterior) -> None:
    """31 g in 31 days at 50 % against 10 % RH and 20 °C: 1.07 g/day/kPa, good to about 35 % (assumed climate)."""
    low, high = np.quantile(mean_conductance(weighed), [0.10, 0.90])
    assert low < 1.07 < high


@pytest.mark.parametrize(("gain_g", "days", "mass_g"), [(89.0, 150.0, 738.0)])
def test_five_blind_months_by_weight_alone(gain_g: float, days: float, mass_g: float) -> None:
    """Mean ingress 0.59 g/day: the estimate from floor readings and one weighing holds it in its 80 % interval."""
    record = safe_record(int(days))
    charge = replace(record.entries[0], mass_g=mass_g, dry_mass_g=0.98 * mass_g)
    weighing = LedgerEntry(
        EntryKind.weighing, "safe", CLOSED_AT + timedelta(days=days - 1), mass_g=mass_g + gain_g, scale_resolution_g=1.0
    )
    record = replace(record, entries=(charge, weighing))
    posterior = estimate(record, CLOSED_AT.timestamp() + days * 86_400.0, pooled=PRIOR)
    low, high = np.quantile(posterior.state.leaked_g / days, [0.10, 0.90])
    assert low < 0.593 < high
