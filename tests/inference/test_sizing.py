"""Grams and months: against the balance done by hand, against what-if, and what must come out larger or smaller."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box

from monitor.inference.answers.sized_box import SizedBox, film_conductance
from monitor.inference.answers.sizing import HORIZON_DAYS, KnownBox, Supposed, days_for, grams_for
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.room_climate import learn_room
from monitor.inference.fit.fit import estimate
from monitor.inference.model.prior import Unknown
from monitor.physics.materials import desiccant
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, RoomClimate, Spool, WhatIf

JANUARY, JULY = (datetime(2027, month, 1, tzinfo=UTC).timestamp() for month in (1, 7))
STEADY = RoomClimate(20.0, 0.5, monthly_vapor_pressure_pa=(1169.0,) * 12, monthly_log_sd=0.01)
SEASONS = RoomClimate(
    20.0, 0.5, monthly_vapor_pressure_pa=tuple(900.0 + 400.0 * np.sin(np.pi * (np.arange(12) - 3) / 6))
)
GEL = Supposed("orange_gel", 0.20)
PARCEL = Box("parcel", 5.0, style="bag", spool_core="none")


def parcel(climate: RoomClimate = STEADY, film: float = 0.1) -> SizedBox:
    return SizedBox.of_prior(PARCEL, climate, 0.0, film)


def all_alike(sized: SizedBox) -> SizedBox:
    """The same without spread: each draw the median, and the table's own isotherm."""
    same = {
        name: np.full_like(value, np.median(value))
        for name, value in vars(sized).items()
        if isinstance(value, np.ndarray)
    }
    same["isotherm_shape"], same["capacity_ratio"] = (
        np.zeros_like(same["capacity_ratio"]),
        np.ones_like(same["capacity_ratio"]),
    )
    return replace(sized, **same)


def test_grams_of_a_parcel_are_what_comes_in_over_what_a_gram_takes() -> None:
    """Water in = G (p_out - p_in) t by hand, p_in halfway between start and limit; loading by the isotherm at 20 °C."""
    told = grams_for(all_alike(parcel(film=0.05)), replace(GEL, method="new"), 300.0, JANUARY)
    saturation_kpa = float(saturation_vapor_pressure_pa(20.0)) / 1e3
    isotherm = desiccant("orange_gel").isotherm
    takes = float(isotherm.loading_g_per_g(0.20, 20.0)) - float(isotherm.loading_g_per_g(0.03, 20.0))
    by_hand_g = 0.05 * (1.169 - 0.115 * saturation_kpa) * 300.0 / takes
    assert told.p50 == pytest.approx(by_hand_g, rel=0.10)


def test_beads_dry_the_air_that_is_shut_in() -> None:
    """V (p_out - 20 % of saturation)/(Rv T) over what a gram takes up from 3 to 20 %, by hand; nothing leaks in.

    On the first day in a room of 1156 Pa and 18.2 °C: STEADY in a January, its temperature being the climate's. That
    wanders by 2.5 °C from draw to draw and new beads are more or less dry, so to a tenth.
    """
    big = all_alike(SizedBox.of_prior(replace(PARCEL, volume_liter=5000.0), STEADY, 0.0, 1e-6))
    new = replace(GEL, method="new")
    isotherm = desiccant("orange_gel").isotherm
    takes = float(isotherm.loading_g_per_g(0.20, 18.2)) - float(isotherm.loading_g_per_g(0.03, 18.2))
    water_g = 5.0 * (1156.0 - 0.2 * float(saturation_vapor_pressure_pa(18.2))) / (461.5 * 291.35) * 1e3
    assert grams_for(big, new, 1.0, JANUARY).p50 == pytest.approx(water_g / takes, rel=0.10)
    said_water_g, said_beads_g = (float(np.median(draws)) for draws in big.air_shut_in(new, JANUARY))
    assert said_water_g == pytest.approx(water_g, rel=0.05)
    assert said_beads_g == pytest.approx(water_g / takes, rel=0.10)


def test_a_known_box_has_the_air_of_its_closing_to_dry_with_few_beads_too() -> None:
    """1000 L that let hardly anything in: a tenth of the beads, for all the air, begin above the limit."""
    record, now_s, _ = simulated_box(Truth(conductance=0.3, volume_liter=1000.0, dry_mass_g=1000.0), seen_days=30)
    box = KnownBox(estimate(record, now_s))
    supposed = Supposed("silica_regular", 0.10)
    many, few = (days_for(box, supposed, mass_g, now_s).p50 for mass_g in (1000.0, 100.0))
    assert many > 30.0
    assert few == 0.0


def test_grams_and_days_are_each_other_read_backward() -> None:
    sized = parcel()
    grams = grams_for(sized, GEL, 180.0, JANUARY)
    assert days_for(sized, GEL, grams.p50, JANUARY).p50 == pytest.approx(180.0, rel=0.05)
    assert days_for(sized, GEL, grams.p95, JANUARY).p05 == pytest.approx(180.0, rel=0.15)


def test_the_leak_of_a_known_box_lasts_as_what_if_says() -> None:
    """At its own mass, whose start was seen after it had dried the air of its closing: nothing is added."""
    record, now_s, _ = simulated_box(Truth(conductance=0.3, dry_mass_g=250.0), seen_days=30)
    posterior = estimate(record, now_s)
    change = WhatIf(desiccant="silica_regular", dry_mass_g=250.0)
    ahead = what_if(posterior, change, HORIZON_DAYS).cross_at  # as far ahead, so by the same random numbers
    supposed, box = Supposed("silica_regular", posterior.box.humidity_limit), KnownBox(posterior)
    told = days_for(box, supposed, 250.0, now_s)
    for days, at in ((told.p05, ahead.p05), (told.p50, ahead.p50)):
        assert at is not None
        assert days == pytest.approx((at.timestamp() - now_s) / 86_400.0, rel=1e-6)
    assert grams_for(box, supposed, told.p50, now_s).p50 == pytest.approx(250.0, rel=0.05)


def test_without_an_estimate_the_same_box_lasts_nearly_as_long() -> None:
    """The balance of a prior's box, given a known box's leak, beads and spools, against that box's own futures."""
    record, now_s, _ = simulated_box(Truth(conductance=0.3), seen_days=30)
    posterior = estimate(record, now_s)
    prior_box = SizedBox.of_prior(posterior.box, None, 0.0)
    middle = {
        "conductance": np.median(KnownBox(posterior).conductance),
        "isotherm_shape": np.median(posterior.theta[:, Unknown.isotherm_shape]),
        "capacity_ratio": np.median(posterior.state.drawn.dry_mass_g) / posterior.problem.prior.dry_mass_g,
        "log_start_humidity": np.median(posterior.theta[:, Unknown.log_start_humidity]),
        "slow_g_per_humidity": np.median(posterior.state.drawn.slow_g_per_humidity),
        "slow_humidity": np.median(posterior.state.slow_humidity),
    }
    alike = {name: np.full_like(prior_box.conductance, value) for name, value in middle.items()}
    sized = replace(prior_box, room=posterior.room, **alike)
    supposed = Supposed("silica_regular", posterior.box.humidity_limit)
    own = days_for(KnownBox(posterior), supposed, 250.0, now_s).p50
    assert days_for(sized, supposed, 250.0, now_s).p50 == pytest.approx(own, rel=0.25)


def test_a_box_closed_later_meets_the_season_of_that_day() -> None:
    record, now_s, _ = simulated_box(Truth(conductance=0.3), seen_days=30)
    box = KnownBox(replace(estimate(record, now_s), room=learn_room(None, SEASONS, now_s)))
    supposed = Supposed("silica_regular", 0.20)
    winter, summer = (grams_for(box, supposed, 100.0, at).p50 for at in (JANUARY, JULY))
    assert winter < 0.85 * summer


def test_half_the_leak_drier_beads_a_laxer_limit_and_winter_need_less() -> None:
    sized = parcel(SEASONS)
    asked = grams_for(sized, GEL, 120.0, JULY).p50
    assert grams_for(sized, replace(GEL, leak_times=0.5), 120.0, JULY).p50 == pytest.approx(asked / 2.0, rel=0.15)
    assert grams_for(sized, replace(GEL, limit=0.30), 120.0, JULY).p50 < 0.8 * asked
    assert (
        grams_for(sized, replace(GEL, method="oven"), 120.0, JULY).p50
        < grams_for(sized, replace(GEL, method="bed"), 120.0, JULY).p50
    )
    assert grams_for(sized, GEL, 120.0, JANUARY).p50 < 0.85 * asked


def test_a_box_of_a_style_leaks_as_such_boxes_do_and_wet_contents_take_their_share() -> None:
    box = Box("new", 12.0, style="gasket", spool_core="none")
    valve, tote = (SizedBox.of_prior(replace(box, style=s), STEADY, 0.0) for s in ("valve", "tote"))
    assert grams_for(valve, GEL, 180.0, JANUARY).p50 < grams_for(tote, GEL, 180.0, JANUARY).p50
    open_nylon = replace(box, spools=(Spool("PA6", 1000.0, 1, "open"),))
    plain, nylon = (SizedBox.of_prior(b, STEADY, 0.0) for b in (box, open_nylon))
    assert grams_for(nylon, GEL, 180.0, JANUARY).p50 > grams_for(plain, GEL, 180.0, JANUARY).p50 + 30.0
    opened = SizedBox.of_prior(box, STEADY, 1.0)
    assert grams_for(opened, GEL, 180.0, JANUARY).p50 > grams_for(plain, GEL, 180.0, JANUARY).p50


def test_what_no_charge_holds_and_what_needs_none_are_said() -> None:
    wet = Supposed("orange_gel", 0.02, method="bed")
    assert grams_for(parcel(), wet, 100.0, JANUARY).p95 == np.inf
    assert grams_for(parcel(film=1e-4), replace(GEL, limit=0.9), 100.0, JANUARY).p95 == 0.0
    assert days_for(parcel(), wet, 100.0, JANUARY).p05 == 0.0


def test_a_film_is_tested_at_38_degrees_and_90_percent() -> None:
    """Saturation at 38 °C is 6.63 kPa (IAPWS): 1 g/m²/day is 1/(0.9 · 6.63) g/day/kPa."""
    assert film_conductance(1.0, 2.0) == pytest.approx(2.0 / (0.9 * 6.63), rel=2e-3)
