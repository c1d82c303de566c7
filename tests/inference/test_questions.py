"""What if, and the empty box."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from covered import at_least
from made_boxes import CLOSED_AT, Truth, made_box

from monitor.errors import TooLittleEvidence
from monitor.inference.answers.forecast import forecast
from monitor.inference.answers.what_if import WhatIf, what_if
from monitor.inference.empty_box.leak_test import leak_of_empty_box
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.fit import estimate
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import CrossingForecast, RoomClimate


def median_days(ahead: CrossingForecast, now_s: float) -> float:
    assert ahead.cross_at.p50 is not None
    return (ahead.cross_at.p50.timestamp() - now_s) / 86_400.0


def test_half_the_leak_takes_about_twice_as_long_and_a_higher_limit_longer() -> None:
    record, now_s, _ = made_box(Truth(conductance=0.3), seen_days=30)
    posterior = estimate(record, now_s)
    plain = median_days(forecast(posterior), now_s)
    assert 1.5 < median_days(what_if(posterior, WhatIf(conductance_factor=0.5)), now_s) / plain < 2.6
    assert median_days(what_if(posterior, WhatIf(humidity_limit=0.25)), now_s) > plain
    assert median_days(what_if(posterior, WhatIf(dry_mass_g=300.0)), now_s) > 2.0 * plain


def test_a_drier_place_gives_more_time() -> None:
    record, now_s, _ = made_box(Truth(conductance=0.3), seen_days=30)
    posterior = estimate(record, now_s)
    desert = RoomClimate(21.0, 0.30, monthly_vapor_pressure_pa=(700.0,) * 12)
    tropics = RoomClimate(28.0, 0.75, monthly_vapor_pressure_pa=(2800.0,) * 12)
    dry, humid = (median_days(what_if(posterior, WhatIf(room_climate=c)), now_s) for c in (desert, tropics))
    assert dry > 2.0 * humid


def empty_box(changes_per_day: float, start_kpa: float, hours: int = 48, seed: int = 3) -> tuple[Hours, Hours]:
    """The exponential of an empty box: p = p_room + (p_0 - p_room) exp(-n t)."""
    outside, warm = 1.2, 22.0
    saturation = float(saturation_vapor_pressure_pa(warm)) / 1e3
    t = (np.arange(hours) + 1.0) / 24.0
    inside = outside + (start_kpa - outside) * np.exp(-changes_per_day * t)
    rng = np.random.default_rng(seed)
    shown = inside / saturation + 0.002 * rng.standard_normal(hours)
    first = int(CLOSED_AT.timestamp() // 3600)
    return Hours(first, np.full(hours, warm), shown), Hours(
        first, np.full(hours, warm), np.full(hours, outside / saturation)
    )


@pytest.mark.parametrize("changes_per_day", [0.3, 1.0, 2.77])
def test_an_empty_box_gives_its_air_changes_back(changes_per_day: float) -> None:
    box, room = empty_box(changes_per_day, start_kpa=0.5)
    start_s = CLOSED_AT.timestamp()
    found = leak_of_empty_box(box, room, start_s, start_s + 48 * 3600.0, volume_liter=10.0, wall_material="glass")
    assert found.air_changes_per_day.p05 < changes_per_day < found.air_changes_per_day.p95
    # half-time of an empty polypropylene box, 0.25 d at n = 2.77 a day (Kelly, Daniel 2000, Abbey Newsletter 24:1)
    assert found.half_time_days.p50 == pytest.approx(np.log(2.0) / found.air_changes_per_day.p50, rel=1e-6)


def test_over_many_empty_boxes_the_interval_holds_the_truth() -> None:
    """Air changes, start, sensor offset and scatter drawn; walls of glass, so that nothing but the leak drifts."""
    held = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        changes, start_kpa = float(np.exp(rng.normal(0.2, 0.8))), float(rng.choice([0.3, 0.5, 1.8, 2.1]))
        box, room = empty_box(changes, start_kpa, seed=seed)
        shown = box.relative_humidity + 0.01 * rng.standard_normal()
        start_s = CLOSED_AT.timestamp()
        found = leak_of_empty_box(
            replace(box, relative_humidity=shown), room, start_s, start_s + 48 * 3600.0,
            volume_liter=10.0, wall_material="glass",
        )  # fmt: skip
        held.append(found.air_changes_per_day.p05 < changes < found.air_changes_per_day.p95)
        conductance = found.conductance_g_per_day_per_kpa.p50
        assert conductance == pytest.approx(0.0732 * found.air_changes_per_day.p50, rel=2e-3)
    assert at_least(0.90, held)


def test_a_test_that_starts_at_the_room_is_refused() -> None:
    box, room = empty_box(1.0, start_kpa=1.15)
    start_s = CLOSED_AT.timestamp()
    with pytest.raises(TooLittleEvidence, match="kPa from the room"):
        leak_of_empty_box(box, room, start_s, start_s + 48 * 3600.0, volume_liter=10.0)
