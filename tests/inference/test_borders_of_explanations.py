"""What an estimate rests on and how leaky a box is called, at the borders of each word, in plain numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fixed_posteriors import START_S, but, made

from monitor.inference.answers.explanation import comparison_of, evidence_of, grams_words, tightness_of
from monitor.inference.answers.leak import grams_known, leak_of
from monitor.inference.evidence.episodes import ChargeWeighing
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, style_prior
from monitor.inference.model.prior import Unknown
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Tightness

WEIGHED = ChargeWeighing(START_S, 106.0, 0.1)


def said(of: Posterior, seen_before: bool = False) -> str:
    return " | ".join(evidence_of(of, leak_seen_before=seen_before))


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
