"""Answers at their borders: just below, at and just above each, in plain numbers."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from made_posteriors import START_S, after, made

from monitor.inference.answers.drawn_future import Usage
from monitor.inference.answers.explanation import comparison_of, evidence_of, grams_words, tightness_of
from monitor.inference.answers.forecast import Futures, crossing_ahead, forecast_of, futures
from monitor.inference.answers.leak import grams_known, leak_of
from monitor.inference.answers.value_of_measurement import Measurement, best_measurement, measurements, most_useful
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import ChargeWeighing
from monitor.inference.fit.change_point import ChangePoint, change_point_of, words_for
from monitor.inference.fit.levels import Level, SameBeads, latest_change_point
from monitor.inference.fit.posterior import Posterior
from monitor.inference.fit.reseating import SPREADS, spread_weights
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, style_prior
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Quantiles, Tightness, WhatIf

WEIGHED = ChargeWeighing(START_S, 106.0, 0.1)
LIDS = spread_weights(np.zeros(len(SPREADS)))


def but(of: Posterior, **what: Any) -> Posterior:
    """The same with other bins, episode, prior or fields of its own."""
    problem = of.problem
    for part in ("bins", "episode", "prior"):
        if part in what:
            problem = replace(problem, **{part: replace(getattr(problem, part), **what.pop(part))})
    return replace(of, problem=problem, **what)


def said(of: Posterior, seen_before: bool = False) -> str:
    return " | ".join(evidence_of(of, leak_seen_before=seen_before))


def test_futures_and_measurements_are_held_as_they_are() -> None:
    one = futures(made("plain"), 0.2, 1)
    with pytest.raises(FrozenInstanceError):
        one.humidity = one.humidity_now  # type: ignore[misc]
    assert one != replace(one)
    [first, *_] = measurements(made("plain"))
    with pytest.raises(FrozenInstanceError):
        first.sd = 0.0  # type: ignore[misc]
    assert first == replace(first)


def test_changes_and_levels_are_values() -> None:
    assert words_for(change()) == words_for(replace(change()))
    assert change() == change() != change(2.0)
    assert level(1.0, 2.0) == level(1.0, 2.0)
    for one in (change(), level(1.0, 2.0)):
        with pytest.raises(FrozenInstanceError):
            one.sd = 0.0  # type: ignore[union-attr, misc]
    assert ChangePoint(after(1.0), (after(1.0), after(1.0)), Quantiles(1.0, 2.0, 3.0), 0.9).took_days == 0.0


# what an estimate rests on


def with_days(days: int, seen: int, width: float = 1.0) -> Posterior:
    bins = made("plain").bins
    shown = np.where(np.arange(days) < days - seen, np.nan, 0.1)
    return but(
        made("plain"),
        bins={
            "edges_days": width * np.arange(-days, 1.0), "shown_humidity": shown,
            "censored": np.zeros(days, dtype=bool),
            "temperature_degc": np.full(days, 21.0), "outside_kpa": bins.outside_kpa[:1].repeat(days),
        },
    )  # fmt: skip


def test_days_seen_are_counted_and_named() -> None:
    assert said(with_days(10, 10)).startswith("Based on 10 days of readings since the beads went in.")
    assert "Based on 7 days of readings, out of 10 days since the beads went in." in said(with_days(10, 7))
    assert "Based on 2 days of readings, out of 3 days" in said(with_days(6, 4, 0.5))
    assert "Based on 1 days of readings, out of 2 days" not in said(with_days(4, 1, 0.5))
    assert "There are hardly any readings since the beads went in." in said(with_days(4, 1, 0.49))
    assert "hardly any" not in said(with_days(4, 1, 0.5))
    assert "hardly any" not in said(with_days(4, 1, 0.51))


def test_what_the_episode_began_with_is_named() -> None:
    assert "since a recharge that nobody logged." in said(but(made("plain"), episode={"unlogged": True}))
    assert "since the box was closed." in said(but(made("plain"), episode={"desiccant": None}))
    assert "No beads of known kind and mass are logged." in said(but(made("plain"), episode={"desiccant": None}))
    assert "No beads" not in said(made("plain"))


def spread_as(share: float, seen: int = 10) -> Posterior:
    """Draws of the leak as wide as a share of what was known before the readings."""
    of = with_days(10, seen)
    logs = of.state.log_conductance
    wanted = share * float(of.problem.prior.sd[Unknown.log_conductance])
    scaled = (logs - logs.mean()) * (wanted / logs.std())
    return replace(of, state=replace(of.state, log_conductance=scaled))


@pytest.mark.parametrize(("share", "uninformed"), [(0.80, False), (0.849, False), (0.851, True), (1.2, True)])
def test_readings_that_leave_most_of_the_spread_say_almost_nothing(share: float, uninformed: bool) -> None:
    assert (
        "The readings say almost nothing about this box's leak. The leak shown is typical of such boxes."
        in said(spread_as(share))
    ) is uninformed
    assert ("The readings since then say almost nothing about this box's leak. The leak shown is what was known of it "
            "before." in said(spread_as(share), seen_before=True)) is uninformed  # fmt: skip
    assert evidence_of(spread_as(share)) == evidence_of(spread_as(share), leak_seen_before=False)
    assert "almost nothing" not in said(but(spread_as(share), bins={"shown_humidity": np.full(10, np.nan)}))


def at_floor(bins_at: int, of: int, floor: float = 0.10) -> Posterior:
    found = with_days(of, of)
    return but(found, bins={"floor": floor, "censored": np.arange(of) < bins_at})


def test_a_floor_is_said_from_a_twentieth_of_the_time_on() -> None:
    assert "cannot show less" not in said(at_floor(4, 100))
    assert "cannot show less than 10 %. It was at that floor 5 % of the time." in said(at_floor(5, 100))
    assert "at that floor 90 % of the time." in said(at_floor(90, 100))
    assert "Log every recharge" not in said(at_floor(90, 100))
    assert "New beads do not show down there. Log every recharge." in said(at_floor(91, 100))
    assert "cannot show less" not in said(but(at_floor(50, 100), bins={"floor": None}))
    assert "cannot show less than 60 %. It can hardly warn" in said(at_floor(50, 100, 0.60))


@pytest.mark.parametrize(("floor", "warns"), [(0.17, True), (0.1799, True), (0.1801, False), (0.25, False)])
def test_a_floor_two_per_cent_below_the_limit_can_hardly_warn(floor: float, warns: bool) -> None:
    assert ("It can hardly warn before the limit." in said(at_floor(50, 100, floor))) is not warns
    assert ("It was at that floor 50 % of the time." in said(at_floor(50, 100, floor))) is warns


def test_bins_without_readings_are_no_time_at_a_floor() -> None:
    half_seen = but(with_days(100, 50), bins={"floor": 0.10, "censored": np.arange(100) < 60})
    assert "at that floor 20 % of the time." in said(half_seen)


def test_steps_that_nobody_logged_are_counted() -> None:
    assert "jumped" not in said(but(made("plain"), episode={"unlogged_steps": 0}))
    assert "Humidity jumped once and stayed there, and nothing" in said(
        but(made("plain"), episode={"unlogged_steps": 1})
    )
    assert "Humidity jumped 2 times and" in said(but(made("plain"), episode={"unlogged_steps": 2}))


def test_sensors_that_disagree_say_by_how_much() -> None:
    swapped = {"sensor_swaps_s": (START_S,)}
    assert "swapped or calibrated." not in said(made("plain"))
    assert "off by another amount." in said(but(made("plain"), episode=swapped))
    assert "disagree" not in said(but(made("plain"), episode=swapped))
    assert "The two disagree by 4 % RH. Either may be wrong." in said(
        but(made("plain"), episode={**swapped, "sensors_apart": 0.04})
    )


@pytest.mark.parametrize(("days", "young"), [(89, True), (90, False), (91, False)])
def test_a_room_seen_for_a_season_needs_no_word(days: int, young: bool) -> None:
    of = made("plain")
    told = said(replace(of, room=replace(of.room, seen_days=days)))
    assert (f"The room was measured for {days} days. Its seasons are assumed for the first year." in told) is young
    assert "no sensor in the room" not in told
    assert "There is no sensor in the room." in said(replace(of, room_measured=False))


def test_what_humidity_shows_is_said_by_the_beads() -> None:
    for shows, words in (
        ("little", "stays low until they are nearly full"),
        ("phase", "With this salt humidity says little"),
    ):
        assert words in said(but(made("plain"), prior={"humidity_shows": shows}))
        assert words not in said(but(made("plain"), prior={"humidity_shows": "fill"}))


def test_the_last_color_is_said_where_beads_have_a_dye() -> None:
    seen = {"colors": ((3, "orange"), (9, "green"))}
    assert "The beads looked green. Color is a weak sign" in said(but(made("dyed"), bins=seen))
    assert "looked" not in said(but(made("plain"), bins=seen))
    assert "looked" not in said(but(made("dyed"), bins={"colors": ()}))
    assert "compared with the room's" in said(made("compared"))
    assert "compared with the room's" not in said(made("plain"))


def test_grams_rest_on_scale_test_or_word() -> None:
    of = made("plain")
    assert grams_words(of) == "Amounts of water assume the 100 g of beads you entered. Weigh them once to be sure."
    assert grams_words(but(of, episode={"loaded_mass": WEIGHED})).endswith("Weigh them again to be sure.")
    assert "the 123.5 g of beads" in grams_words(but(of, episode={"dry_mass_g": 123.456}))
    assert grams_words(but(of, prior={"grams_declared": False})).startswith("Nobody entered how heavy the beads are.")
    assert "you weighed the beads" in grams_words(but(of, episode={"weighings": (WEIGHED,)}))
    assert "you tested the box empty" in grams_words(but(of, episode={"leak_tested": True}))
    assert grams_words(but(of, episode={"desiccant": None})) == ""


def test_grams_are_known_by_a_weighing_a_test_or_without_beads() -> None:
    of = made("plain")
    assert not grams_known(of)
    assert not grams_known(but(of, episode={"loaded_mass": WEIGHED}))
    for known in ({"weighings": (WEIGHED,)}, {"leak_tested": True}, {"desiccant": None}):
        assert grams_known(but(of, episode=known))


# how leaky


def as_leaky_as(air_changes: float | FloatArray) -> Posterior:
    of = made("plain")
    per_day = np.broadcast_to(air_changes, of.state.loading.shape)
    leaked = per_day * CONDUCTANCE_PER_AIR_CHANGE * of.box.volume_liter
    return replace(of, state=replace(of.state, leaked_g=leaked, dose_kpa_days=np.ones_like(leaked)))


@pytest.mark.parametrize(("border", "below", "above"), [
    (0.1, "very well sealed", "as a well sealed"),
    (0.33, "as a well sealed", "moderately sealed"),
    (1.0, "moderately sealed", "Like a plastic box with a clip-on lid"),
    (4.0, "Like a plastic box with a clip-on lid", "Leakier than a plastic box with a clip-on lid, but tighter"),
    (24.0, "Leakier than a plastic box with a clip-on lid, but tighter", "Like an unsealed display case"),
])  # fmt: skip
def test_classes_of_cases_end_where_they_are_published(border: float, below: str, above: str) -> None:
    assert below in comparison_of(as_leaky_as(0.999 * border))
    assert above in comparison_of(as_leaky_as(1.001 * border))


@pytest.mark.parametrize(("away", "word"), [
    (-1.01, Tightness.tight), (-0.99, Tightness.usual), (0.0, Tightness.usual), (0.99, Tightness.usual),
    (1.01, Tightness.leaky),
])  # fmt: skip
def test_unusual_is_a_standard_deviation_off(away: float, word: Tightness) -> None:
    of = made("plain")
    mean, sd = style_prior(of.box)
    assert tightness_of(as_leaky_as(np.exp(mean + away * sd))) is word
    assert tightness_of(as_leaky_as(np.exp(0.3 + away * 0.5)), (0.3, 0.5)) is word
    beside = {"tight": "tighter than most", "usual": "about as leaky as most", "leaky": "leakier than most"}[word]
    assert f"It is {beside} boxes of its style." in comparison_of(as_leaky_as(np.exp(0.3 + away * 0.5)), (0.3, 0.5))


def test_the_median_of_the_draws_is_compared() -> None:
    few = np.where(np.arange(60) < 29, 100.0, 0.05)
    assert "very well sealed" in comparison_of(as_leaky_as(few))
    assert "unsealed" in comparison_of(as_leaky_as(np.where(np.arange(60) < 31, 100.0, 0.05)))


def apart_by(kpa: float) -> Posterior:
    """Every draw as humid as the room, less so many kPa."""
    of = made("plain")
    degc = float(of.bins.temperature_degc[-1])
    outside = float(of.room.expected_kpa(np.array([of.now_s / 86_400.0]))[0])
    saturation = saturation_kpa(degc)
    humidity = np.full(len(of.theta), (outside - kpa) / saturation)
    return replace(of, state=replace(of.state, loading=of.state.drawn.table.loading(humidity, degc)))


def saturation_kpa(degc: float) -> float:
    return float(saturation_vapor_pressure_pa(degc)) / 1e3


def test_an_opening_is_worth_a_word_where_box_and_room_lie_apart() -> None:
    """Ten liters at 21 °C hold 0.0736 g a kPa (ideal gas law), so 0.5 kPa are 0.037 g."""
    assert leak_of(apart_by(0.045)).opening_g is None
    assert leak_of(apart_by(0.045)).opening_hours is None
    found = leak_of(apart_by(0.055)).opening_g
    assert found is not None
    assert found.p50 == pytest.approx(0.055 * 0.0736, rel=0.03)
    wide = leak_of(apart_by(0.5))
    assert wide.opening_g is not None
    assert wide.opening_hours is not None
    assert wide.opening_g.p50 == pytest.approx(0.5 * 0.0736, rel=0.02)
    by_hand = 24.0 * 0.0736 / np.quantile(apart_by(0.5).state.conductance, [0.95, 0.5, 0.05])
    found_hours = (wide.opening_hours.p05, wide.opening_hours.p50, wide.opening_hours.p95)
    assert found_hours == pytest.approx(tuple(by_hand), rel=0.02)


def test_water_comes_in_by_the_difference_of_pressures() -> None:
    of = apart_by(0.4)
    now = leak_of(of).ingress_g_per_day
    assert now.p50 == pytest.approx(0.4 * np.median(of.state.conductance), rel=1e-3)
    assert leak_of(of).ingress_summer_g_per_day.p50 > leak_of(of).ingress_winter_g_per_day.p50


def test_the_share_of_capacity_needs_beads() -> None:
    assert leak_of(made("no beads")).capacity_share_per_day_per_kpa is None
    assert leak_of(made("plain")).capacity_share_per_day_per_kpa is not None


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


# change points


def change(factor: float = 3.0, opened: str = "", took_days: float = 1.0) -> ChangePoint:
    at = after(20.0)
    return ChangePoint(at, (at, at), Quantiles(0.5 * factor, factor, 2.0 * factor), 0.9, took_days, opened)


def test_what_a_change_may_come_from() -> None:
    assert words_for(change(0.99)) == "It seals better now."
    assert words_for(change(0.99, "recharge")) == "It seals better now."
    assert words_for(change(1.0)) != "It seals better now."
    assert words_for(change(1.01, "recharge")).startswith("Fresh beads went in on those days.")
    assert words_for(change(1.01, "opening")).startswith("It was opened on those days.")
    assert words_for(change(3.0, "opening", 40.0)).startswith("It was opened on those days.")
    assert words_for(change(3.0, "", 13.9)).startswith("No opening was logged on those days.")
    assert words_for(change(3.0, "", 14.0)).startswith("No opening was logged on those days.")
    assert words_for(change(3.0, "", 14.1)) == "It came on little by little, as an aging seal does."


def with_change_in(count: int) -> Posterior:
    """So many of its 60 draws have a change."""
    of, plain = made("changed"), np.arange(60) >= count
    theta = np.where(plain[:, None], of.theta, of.theta[np.argmax(of.theta[:, Unknown.change_day])])
    theta[plain, Unknown.change_day] = -1e6
    return replace(of, theta=theta)


@pytest.mark.parametrize(("count", "reported"), [(20, False), (47, False), (48, True), (60, True)])
def test_a_change_is_reported_from_four_times_out_of_five(count: int, reported: bool) -> None:
    found = change_point_of(with_change_in(count))
    assert (found is not None) is reported
    assert found is None or found.chance == pytest.approx(count / 60)
    assert change_point_of(made("plain")) is None


@pytest.mark.parametrize(("day", "is_said"), [(1.4, False), (1.6, True)])
def test_what_began_with_the_episode_is_no_change_of_it(day: float, is_said: bool) -> None:
    """The first 1.5 days show no leak, so what it was before that is not known."""
    of = made("changed")
    theta = of.theta.copy()
    theta[theta[:, Unknown.change_day] > -1e5, Unknown.change_day] = day
    assert change_point_of(of) is not None
    assert (change_point_of(replace(of, theta=theta)) is not None) is is_said


@pytest.mark.parametrize("kind", ["openings_s", "swaps_s"])
def test_an_opening_within_two_days_is_named_with_a_change(kind: str) -> None:
    of = but(made("changed"), episode={"openings_s": (), "swaps_s": ()})
    found = change_point_of(of)
    assert found is not None
    assert found.opened == ""
    first_s, last_s = (at.timestamp() for at in found.between)
    for at_s, near in (
        (first_s - 2 * 86_400.0 - 9.0, False), (first_s - 2 * 86_400.0 + 9.0, True), (0.5 * (first_s + last_s), True),
        (last_s + 2 * 86_400.0 - 9.0, True), (last_s + 2 * 86_400.0 + 9.0, False),
    ):  # fmt: skip
        there = change_point_of(but(of, episode={kind: (at_s,)}))
        assert there is not None
        assert there.opened == ("opening" if near else "")


def test_a_spool_that_came_with_dried_beads_tells_nothing_of_those_to_come() -> None:
    """Its box's readings never stood alone before it, as they do before one that is swapped later."""
    dried = but(made("plain"), episode={"spools_went_in": False})
    start_s = dried.episode.start_s
    usual, with_beads, later = (
        Usage.drawn(but(dried, episode={"swaps_s": at_s}), 2).swapped_humidity
        for at_s in ((), (start_s + 600.0,), (start_s + 9e5,))
    )
    assert np.array_equal(with_beads, usual)
    assert later.std() < usual.std()


def newest(levels: list[Level]) -> ChangePoint | None:
    return latest_change_point(levels, LIDS)


def level(day: float, log_conductance: float, sd: float = 0.1, there: ChangePoint | None = None) -> Level:
    return Level(START_S + 86_400.0 * day, log_conductance, sd, there)


def chance_by_hand(gap: float, sd: float, days: float) -> float:
    """Odds of two normals, 0.35 and 1.2 wide beside the error, times days over one in 400 days."""
    usual, changed = np.hypot(sd, 0.35), np.sqrt(sd**2 + 0.35**2 + 1.2**2)
    odds = np.exp(-0.5 * (gap / changed) ** 2 + 0.5 * (gap / usual) ** 2) * usual / changed * days / 400.0
    return float(odds / (1.0 + odds))


@pytest.mark.parametrize("gap", [-1.5, -1.1, 0.5, 0.9, 1.0, 1.05, 1.1, 1.2, 2.0])
@pytest.mark.parametrize(("sd", "days"), [(0.05, 30.0), (0.2, 30.0), (0.2, 120.0)])
def test_a_step_between_episodes_is_told_from_four_to_one_on(gap: float, sd: float, days: float) -> None:
    chance = chance_by_hand(gap, float(np.hypot(sd, 0.1)), days)
    found = newest([level(0.0, -2.0), level(days, -2.0 + gap, sd)])
    assert (found is not None) is (chance >= 0.8)
    if found is not None:
        spread = 1.6448536 * np.hypot(sd, 0.1)
        by_hand = tuple(np.exp([gap - spread, gap, gap + spread]))
        assert found.chance == pytest.approx(chance)
        assert (found.factor.p05, found.factor.p50, found.factor.p95) == pytest.approx(by_hand, rel=1e-4)
        assert found.at == after(days)
        assert found.between == (after(days), after(days))
        assert (found.opened, found.took_days) == ("recharge", 0.0)


def test_the_newest_change_counts() -> None:
    first, second = change(2.0), change(4.0)
    assert newest([level(0.0, -2.0, there=first), level(30.0, -2.0, there=second)]) is second
    assert newest([level(0.0, -2.0, there=first), level(30.0, -2.0)]) is first
    assert newest([level(0.0, -2.0, there=first)]) is first
    between = newest([level(0.0, -2.0, there=first), level(30.0, 0.5), level(60.0, 0.5)])
    assert between is not None
    assert between.at == after(30.0)
    within = newest([level(0.0, -2.0), level(30.0, 0.5, there=second)])
    assert within is second
    assert newest([level(0.0, -2.0), level(30.0, -2.0)]) is None
    assert newest([level(0.0, -2.0), level(30.0, np.nan)]) is None


def line_by_hand(logs: list[float], sd: float, days: float) -> float:
    """Chance of a line, summed over its slope, the level and how lids sit, against none."""
    at, away = np.linspace(-0.5, 0.5, len(logs)), np.linspace(-6.0, 6.0, 601)
    levels, slopes = np.linspace(-8.0, 4.0, 601)[:, None, None], away[:, None]
    there = (np.array(logs) - levels - slopes * at)[..., None] ** 2 / (sd**2 + SPREADS**2)
    likely = np.exp(-0.5 * there.sum(axis=2)) * (sd**2 + SPREADS**2) ** (-0.5 * len(logs))
    by_slope = (likely.sum(axis=0) * LIDS).sum(axis=1)
    density = np.exp(-0.5 * (away / 1.2) ** 2) / (1.2 * np.sqrt(2.0 * np.pi)) * (away[1] - away[0])
    odds = float(by_slope @ density / by_slope[300]) * days / 400.0
    return odds / (1.0 + odds)


@pytest.mark.parametrize("logs", [[-2.0, -1.6, -1.2, -0.8], [-1.0, -1.4, -1.9, -2.3], [-2.0, -1.5, -1.0]])
def test_a_leak_that_goes_one_way_over_episodes_is_told_from_four_to_one_on(logs: list[float]) -> None:
    span = 60.0 * (len(logs) - 1)
    chance = line_by_hand(logs, 0.1, span)
    found = newest([level(60.0 * i, log) for i, log in enumerate(logs)])
    assert (found is not None) is (chance >= 0.8)
    if found is not None:
        assert found.chance == pytest.approx(chance, abs=0.003)
        assert found.factor.p50 == pytest.approx(np.exp(logs[-1] - logs[0]), rel=0.05)
        assert (found.at, found.took_days) == (after(0.5 * span), span)


def test_what_is_the_same_in_all_beads_is_no_difference() -> None:
    """Beads a third weaker than one episode took them for: its level falls by that, and the line is seen."""
    beads = [SameBeads((0.0, 0.5), (0.15, 0.4), (1.0, 0.0), 0.05) for _ in range(4)]
    levels = [
        replace(level(60.0 * i, -2.0 + 0.3 * i, 0.3), beads="clay", same_beads=one) for i, one in enumerate(beads)
    ]
    assert newest([replace(one, same_beads=None) for one in levels]) is None
    found = newest(levels)
    assert found is not None
    assert found.factor.p50 == pytest.approx(np.exp(0.9), rel=0.05)
    off = replace(levels[3], log_conductance=levels[3].log_conductance - 0.4,
                  same_beads=replace(beads[3], means=(-0.4, 0.5), sds=(1e3, 0.4)))  # fmt: skip
    again = newest([*levels[:3], off])
    assert again is not None
    assert again.chance == pytest.approx(found.chance)
    assert newest([*levels[:3], replace(off, beads="gel")]) is None


def test_episodes_of_less_than_a_day_count_as_a_day() -> None:
    short = newest([level(0.0, -2.0, 0.05), level(0.1, 1.0, 0.05)])
    assert short is not None
    assert short.chance == pytest.approx(chance_by_hand(3.0, 0.05 * np.sqrt(2.0), 1.0))
