"""A box without beads comes to its room in hours: its first hours tell its leak, and when it passes its limit.

The course is the exponential of an empty box, p = p_room + (p_0 - p_room) exp(-n t), as in a leak test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from interval_coverage import at_least
from simulated_boxes import CLOSED_AT

from monitor.inference.answers.forecast import forecast
from monitor.inference.evidence.episodes import DisturbanceRates
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior, Record, mean_conductance
from monitor.inference.fit.quantiles import quantiles
from monitor.physics.leakage import conductance_from_air_changes
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec

ROOM_KPA, WARM = 1.2, 22.0
SATURATION_KPA = float(saturation_vapor_pressure_pa(WARM)) / 1e3


def seen_for(hours: int, changes_per_day: float, start_kpa: float, seed: int = 0) -> Posterior:
    t = (np.arange(hours) + 0.5) / 24.0
    warm = WARM + 0.05 * np.sin(2.0 * np.pi * t)  # a room that never moved would be taken for a hung sensor
    inside = ROOM_KPA + (start_kpa - ROOM_KPA) * np.exp(-changes_per_day * t)
    saturation = np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3
    rng = np.random.default_rng(seed)
    shown = inside / saturation + 0.002 * rng.standard_normal(hours)
    first = int(CLOSED_AT.timestamp() // 3600)
    box = Box("made", 10.0, 0.30, "canister", SensorSpec(0.02, 0.001), wall_material="glass")
    record = Record(
        box, Hours(first, warm, shown), Hours(first, warm, ROOM_KPA / saturation),
        (LedgerEntry(EntryKind.charge, "made", CLOSED_AT),),
    )  # fmt: skip
    return estimate(record, CLOSED_AT.timestamp() + 3600.0 * hours, least_days=0.0)


@pytest.mark.parametrize("start_kpa", [0.2, 2.2])
@pytest.mark.parametrize("changes_per_day", [0.5, 2.0])
def test_two_days_tell_the_leak_and_the_interval_holds_it(start_kpa: float, changes_per_day: float) -> None:
    truth = conductance_from_air_changes(changes_per_day, 10.0, 23.0)
    found = [quantiles(mean_conductance(seen_for(48, changes_per_day, start_kpa, seed))) for seed in range(4)]
    assert at_least(0.90, [leak.p05 < truth < leak.p95 for leak in found])
    assert all(abs(np.log(leak.p50 / truth)) < 0.25 for leak in found)
    assert all(leak.p95 / leak.p05 < 3.0 for leak in found)


def test_after_thirty_hours_the_hour_of_the_crossing_is_known_to_a_few() -> None:
    """From 0.2 kPa at n = 0.5 a day, 30 % RH at 22 °C is passed after ln(1.0 / (1.2 - 0.3 p_sat)) / 0.5 days."""
    crossing_days = np.log((ROOM_KPA - 0.2) / (ROOM_KPA - 0.30 * SATURATION_KPA)) / 0.5
    left_s = (crossing_days - 30.0 / 24.0) * 86_400.0
    posterior = seen_for(30, 0.5, 0.2)
    dates = forecast(posterior).cross_at
    assert dates.p05 is not None
    assert dates.p50 is not None
    assert dates.p95 is not None
    early, middle, late = (date.timestamp() - posterior.now_s for date in (dates.p05, dates.p50, dates.p95))
    assert early < left_s < late
    assert abs(middle - left_s) < 6 * 3600.0


def test_lids_that_are_lifted_often_bring_the_box_to_its_room_and_no_further() -> None:
    """Of all that such a box holds nearly all is in its air: an opening can only make it like the room (46 % here)."""
    quiet, busy = (
        replace(
            seen_for(240, 4.0, 0.6), shelf_rates=DisturbanceRates(openings_per_day=rate, events_per_day=rate / 10.0)
        )
        for rate in (0.001, 1.0)
    )
    still, fans = forecast(quiet).fan, forecast(busy).fan
    for day, other in zip(fans[::10], still[::10], strict=True):
        assert other.relative_humidity.p05 - 0.08 < day.relative_humidity.p05
        assert day.relative_humidity.p95 < other.relative_humidity.p95 + 0.08
