"""Forecasts, what-ifs and measurements at their borders: just below, at and just above each, in plain numbers."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from datetime import timedelta

import numpy as np
import pytest
from fixed_posteriors import START_S, after, but, made

from monitor.inference.answers.forecast import Futures, crossing_ahead, forecast_of, futures
from monitor.inference.answers.value_of_measurement import Measurement, best_measurement, measurements, most_useful
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import ChargeWeighing
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import FloatArray
from monitor.records import WhatIf

WEIGHED = ChargeWeighing(START_S, 106.0, 0.1)


def test_futures_and_measurements_are_held_as_they_are() -> None:
    one = futures(made("plain"), 0.2, 1)
    with pytest.raises(FrozenInstanceError):
        one.humidity = one.humidity_now  # type: ignore[misc]
    assert one != replace(one)
    [first, *_] = measurements(made("plain"))
    with pytest.raises(FrozenInstanceError):
        first.sd = 0.0  # type: ignore[misc]
    assert first == replace(first)


# forecasts


def test_conditioned_on_being_below_from_half_of_the_draws_on() -> None:
    of = made("half over")
    now = futures(of, 1.0, 1).humidity_now
    for share, same in ((0.40, True), (0.48, True), (0.52, False), (0.9, False)):
        limit = float(np.quantile(now, 1.0 - share))
        every, below = crossing_ahead(of, limit, 5)
        assert (every is below) is same
        assert np.mean(every.over_already) == pytest.approx(share, abs=0.02)


def future(crossing: FloatArray, count: int = 4) -> Futures:
    steps = np.array([1.0, 2.0, 100.0])
    rows = np.linspace(0.1, 0.3, count)
    return Futures(steps, np.vstack([rows, rows + 0.01, rows + 0.5]), rows, crossing, crossing + 1.0)


def test_dates_and_chances_are_those_of_the_draws() -> None:
    of, inf = made("plain"), np.inf
    now = after(30.0)
    one = future(np.array([0.0, 3.0, 5.0, inf]))
    ahead = forecast_of(of, 0.2, (one, one), 10)
    assert ahead.chance_by_day == (0.25, 0.25, 0.25, 0.5, 0.5, 0.75, 0.75, 0.75, 0.75, 0.75, 0.75)
    assert ahead.chance_over_already == 0.25
    assert (ahead.cross_at.p05, ahead.cross_at.p50) == (now + timedelta(days=3), now + timedelta(days=5))
    assert ahead.cross_at.p95 is None
    assert ahead.first_pass_at.p05 == now
    assert ahead.first_pass_at.p50 == now + timedelta(days=3)
    assert ahead.spent_at.p05 == now + timedelta(days=1)
    assert ahead.humidity_limit == 0.2


@pytest.mark.parametrize(("last", "dated"), [(9.99, True), (10.0, True), (10.01, False)])
def test_a_date_at_the_horizon_is_given_and_none_beyond(last: float, dated: bool) -> None:
    one = future(np.array([1.0, 2.0, last, last]))
    ahead = forecast_of(made("plain"), 0.2, (one, one), 10)
    assert (ahead.cross_at.p95 == after(30.0) + timedelta(days=last)) is dated
    assert (ahead.cross_at.p95 is None) is not dated


def test_where_every_draw_is_over_the_first_step_is_the_date() -> None:
    one = future(np.zeros(4))
    assert forecast_of(made("plain"), 0.2, (one, one), 10).cross_at.p50 == after(30.0) + timedelta(days=0.25)
    assert one.over_already.all()
    assert len(one.still_ahead) == 0


def test_the_fan_lies_on_a_line_between_steps() -> None:
    one = future(np.full(4, np.inf))
    fan = forecast_of(made("plain"), 0.2, (one, one), 10).fan
    assert len(fan) == 180
    assert fan[0].on == (after(31.0)).date()
    assert fan[-1].on == (after(30.0 + 180.0)).date()
    middle = 0.2 + np.interp(np.arange(1.0, 181.0), [1.0, 2.0, 100.0], [0.0, 0.01, 0.5])
    assert [day.relative_humidity.p50 for day in fan] == pytest.approx(middle.tolist())
    assert fan[0].relative_humidity.p05 == pytest.approx(0.11)
    assert fan[0].relative_humidity.p95 == pytest.approx(0.29)


def test_steps_are_fine_at_first_and_coarse_later() -> None:
    ends = futures(made("tight"), 0.9, 200).ahead_days
    by_hand = [0.25 * k for k in range(1, 8)] + list(range(2, 21)) + list(range(21, 45, 2)) + list(range(45, 90, 5))
    assert ends.tolist() == [*by_hand, *range(90, 180, 10), 180, 195]
    assert futures(made("tight"), 0.9, 540).ahead_days[-1] == 540.0
    assert futures(made("tight"), 0.9, 1000).ahead_days[-1] == 885.0


def test_courses_end_once_every_draw_has_passed_and_the_picture_is_full() -> None:
    ahead = futures(made("leaky"), 0.18, 400)
    assert np.isfinite(ahead.crossing_days).all()
    last = ahead.ahead_days[np.isfinite(ahead.humidity[:, 0])][-1]
    assert last == 180.0  # *regression*: the step in which the last draw has passed
    stays = futures(made("tight"), 0.9, 400)
    assert np.isfinite(stays.humidity).all()
    assert np.isinf(stays.crossing_days).all()


def test_what_is_left_and_used_follows_from_the_limit() -> None:
    """Water held over water held at rest with the limit at 23 °C, of each draw."""
    of = made("plain")
    one = future(np.ones(4))
    for limit in (0.02, 0.10, 0.20):
        full = of.state.drawn.table.loading(np.full(60, limit), 23.0)
        ahead = forecast_of(of, limit, (one, one), 10)
        used = np.quantile(of.state.loading / full, [0.05, 0.5, 0.95])
        left = np.quantile(np.maximum(full - of.state.loading, 0.0) * of.state.drawn.dry_mass_g, [0.05, 0.5, 0.95])
        capacity, headroom = ahead.capacity_used, ahead.headroom_g
        assert (capacity.p05, capacity.p50, capacity.p95) == pytest.approx(tuple(used))
        assert (headroom.p05, headroom.p50, headroom.p95) == pytest.approx(tuple(left))


# what if


def test_what_if_nothing_is_the_forecast_of_the_present() -> None:
    of = made("plain")
    assert what_if(of, WhatIf(), 40) == forecast_of(of, 0.20, crossing_ahead(of, 0.20, 40), 40)


def test_fresh_beads_start_as_dry_as_they_were_dried() -> None:
    of = made("half over")
    dry = np.minimum(np.exp(of.theta[:, Unknown.log_start_humidity]), 0.9)
    now = what_if(of, WhatIf(dry_mass_g=200.0), 3).present_relative_humidity
    assert (now.p05, now.p50, now.p95) == pytest.approx(tuple(np.quantile(dry, [0.05, 0.5, 0.95])), rel=5e-3)
    twice = what_if(of, WhatIf(dry_mass_g=200.0), 3).headroom_g.p50
    assert twice == pytest.approx(2.0 * what_if(of, WhatIf(dry_mass_g=100.0), 3).headroom_g.p50)


# the most useful measurement


def advised(posterior: Posterior, ahead: Futures) -> str:
    return best_measurement(posterior, ahead, most_useful(posterior, ahead, 0.20))


def over_in(share: float) -> Futures:
    count = 60
    crossing = np.where(np.arange(count) < round(share * count), 0.0, 20.0 + np.arange(count))
    steps = np.array([1.0, 100.0])
    return Futures(steps, np.zeros((2, count)), np.zeros(count), crossing, crossing)


def test_once_surely_over_no_measurement_is_needed() -> None:
    of, without = made("plain"), but(made("plain"), episode={"desiccant": None})
    assert advised(of, over_in(58 / 60)) == "Dry the beads; no measurement is needed."
    assert advised(without, over_in(1.0)) == "Put dry beads in; no measurement is needed."
    assert "no measurement is needed" not in advised(of, over_in(57 / 60))


@pytest.mark.parametrize(("days", "in_time"), [(15.0, False), (20.8, False), (21.2, True), (40.0, True)])
def test_what_takes_three_weeks_is_advised_where_there_are_three(days: float, in_time: bool) -> None:
    """The leak alone decides the day here, and two weighings show it best."""
    of = made("floor")
    left = 1.0 / of.state.conductance
    crossing = days * left / np.median(left)
    ahead = Futures(np.array([1.0, 500.0]), np.zeros((2, 60)), np.zeros(60), crossing, crossing)
    assert advised(of, ahead).startswith("Weigh the beads now and again in three weeks.") is in_time


def test_beads_that_hold_just_what_they_may_are_not_spent() -> None:
    of = made("plain")
    full = of.state.drawn.table.loading(np.full(60, 0.2), 23.0)
    assert np.all(futures(replace(of, state=replace(of.state, loading=full)), 0.2, 1).spent_days > 0.0)
    assert np.all(futures(replace(of, state=replace(of.state, loading=1.001 * full)), 0.2, 1).spent_days == 0.0)


def advices(of: Posterior) -> list[str]:
    return [one.advice.split(" ")[0] + " " + str(one.takes_days) + " " + str(one.sd) for one in measurements(of)]


def test_what_can_be_measured_depends_on_what_was_weighed() -> None:
    of = made("plain")
    plain = ["Weigh 21.0 0.15", "Put 0.0 0.005", "Put 0.0 0.01", "Test 0.0 0.36", "Weigh 0.0 0.03"]
    assert advices(of) == plain
    assert advices(but(of, episode={"loaded_mass": WEIGHED})) == ["Weigh 0.0 0.05", *plain]
    assert advices(but(of, episode={"weighings": (WEIGHED,)})) == ["Weigh 0.0 0.05", *plain]
    assert advices(but(of, episode={"desiccant": None, "loaded_mass": WEIGHED})) == ["Put 0.0 0.005", "Test 0.0 0.36"]


def named(of: Posterior, words: str) -> Measurement:
    return next(one for one in measurements(of) if words in one.advice)


def test_each_measurement_reads_what_it_says() -> None:
    of = but(made("plain"), episode={"loaded_mass": WEIGHED})
    state, theta, degc = of.state, of.theta, float(of.bins.temperature_degc[-1])
    dry_g = 100.0 * np.exp(theta[:, Unknown.log_dry_mass])
    outside = float(of.room.expected_kpa(np.array([of.now_s / 86_400.0 + 10.5]))[0])
    by_hand = {
        "closed jar of freshly dried": theta[:, Unknown.sensor_bias],
        "while it is empty": np.log(state.conductance),
        "again in three weeks": state.conductance * outside * 0.8 * 21.0,
        "good hygrometer": state.drawn.table.humidity(state.loading, degc)[0],
        "again when full": theta[:, Unknown.log_capacity_scale],
        "Weigh the beads again": dry_g + state.drawn.dry_mass_g * state.loading,
    }
    for words, reads in by_hand.items():
        np.testing.assert_allclose(named(of, words).reads(of), reads, rtol=1e-12)
