"""The fan of a forecast: its quartiles, and the same in vapor pressure, against the draws themselves."""

from __future__ import annotations

import numpy as np
import pytest
from fixed_posteriors import made

from monitor.inference.answers.forecast import FAN_DAYS, forecast_of, futures
from monitor.inference.answers.simulation import Ahead
from monitor.physics.saturation import saturation_vapor_pressure_pa


@pytest.mark.parametrize("name", ["plain", "no room"])
def test_each_day_has_the_quantiles_of_the_draws(name: str) -> None:
    posterior = made(name)
    ahead = futures(posterior, posterior.box.humidity_limit)
    answer = forecast_of(posterior, posterior.box.humidity_limit, (ahead, ahead))
    assert answer.vapor_fan is not None
    degc = Ahead.of(posterior, posterior.box.humidity_limit, ahead.ahead_days, seed=2).temperature_degc(slice(None))
    for day in (20, 180):  # ends of steps, at which nothing lies between
        step = int(np.searchsorted(ahead.ahead_days, day))
        shares = np.quantile(ahead.humidity[step], (0.05, 0.25, 0.5, 0.75, 0.95))
        there = answer.fan[day - 1]
        assert there.quartiles == pytest.approx((shares[1], shares[3]), rel=1e-5)
        assert there.relative_humidity.p05 <= shares[1] <= there.relative_humidity.p50
    step = int(np.searchsorted(ahead.ahead_days, FAN_DAYS))
    kpa = ahead.humidity[step] * np.asarray(saturation_vapor_pressure_pa(degc[step])) / 1e3
    exact = np.quantile(kpa, (0.05, 0.25, 0.5, 0.75, 0.95))
    fan = answer.vapor_fan
    found = [row[FAN_DAYS - 1] for row in (fan.p05_kpa, fan.p25_kpa, fan.p50_kpa, fan.p75_kpa, fan.p95_kpa)]
    assert found == pytest.approx(exact.tolist(), rel=0.008)  # ln of saturation taken for straight
    assert fan.temperature_degc[FAN_DAYS - 1] == pytest.approx(degc[step].mean())


def test_vapor_pressure_is_told_for_each_day_of_the_fan() -> None:
    posterior = made("plain")
    ahead = futures(posterior, 0.2, horizon_days=30)
    answer = forecast_of(posterior, 0.2, (ahead, ahead), 30)
    assert answer.vapor_fan is not None
    assert {len(answer.vapor_fan.p50_kpa), len(answer.vapor_fan.temperature_degc), len(answer.fan)} == {FAN_DAYS}


def test_without_a_fan_there_is_none_in_vapor_pressure_either() -> None:
    posterior = made("plain")
    ahead = futures(posterior, 0.2, with_fan=False)
    assert forecast_of(posterior, 0.2, (ahead, ahead)).vapor_fan is None
