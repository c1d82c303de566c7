"""What if: another leak, limit, charge or place, against the plain forecast of the same draws."""

from __future__ import annotations

from simulated_boxes import Truth, simulated_box

from monitor.inference.answers.forecast import forecast
from monitor.inference.answers.what_if import WhatIf, what_if
from monitor.inference.fit.fit import estimate
from monitor.records import CrossingForecast, RoomClimate


def median_days(ahead: CrossingForecast, now_s: float) -> float:
    assert ahead.cross_at.p50 is not None
    return (ahead.cross_at.p50.timestamp() - now_s) / 86_400.0


def test_half_the_leak_takes_about_twice_as_long_and_a_higher_limit_longer() -> None:
    record, now_s, _ = simulated_box(Truth(conductance=0.3), seen_days=30)
    posterior = estimate(record, now_s)
    plain = median_days(forecast(posterior), now_s)
    assert 1.5 < median_days(what_if(posterior, WhatIf(conductance_factor=0.5)), now_s) / plain < 2.6
    assert median_days(what_if(posterior, WhatIf(humidity_limit=0.25)), now_s) > plain
    assert median_days(what_if(posterior, WhatIf(dry_mass_g=300.0)), now_s) > 2.0 * plain


def test_a_drier_place_gives_more_time() -> None:
    record, now_s, _ = simulated_box(Truth(conductance=0.3), seen_days=30)
    posterior = estimate(record, now_s)
    desert = RoomClimate(21.0, 0.30, monthly_vapor_pressure_pa=(700.0,) * 12)
    tropics = RoomClimate(28.0, 0.75, monthly_vapor_pressure_pa=(2800.0,) * 12)
    dry, humid = (median_days(what_if(posterior, WhatIf(room_climate=c)), now_s) for c in (desert, tropics))
    assert dry > 2.0 * humid
