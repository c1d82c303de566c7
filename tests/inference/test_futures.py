"""Futures of a box draw by draw: the forecast's own with its beads, what-if's with fresh ones, in one air for all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from simulated_boxes import Truth, simulated_box
from with_compiled import require_compiled_filter

from monitor.errors import OutOfRangeError
from monitor.inference.answers import futures as futures_module
from monitor.inference.answers.forecast import forecast, futures
from monitor.inference.answers.futures import FreshBeads, box_futures
from monitor.inference.answers.what_if import as_changed
from monitor.inference.evidence.room_climate import interned
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.state import Problem
from monitor.records import Quantiles, WhatIf
from monitor.records.futures import BoxFutures

HORIZON = 60
OVEN = FreshBeads((Quantiles(0.006, 0.010, 0.017),))
DRYER = FreshBeads((Quantiles(0.025, 0.040, 0.062),))
DAYS_OFF_AT_MOST = 3.0
"""Of the middle draw, against fresh beads begun on that very day: 1 day in nine of ten boxes, 4 in the worst of 27."""


@pytest.fixture(scope="module")
def posterior() -> Posterior:
    record, now_s, _ = simulated_box(Truth(conductance=0.3), 30, 4)
    return estimate(record, now_s, count=130)


@pytest.fixture(scope="module")
def told(posterior: Posterior) -> BoxFutures:
    return box_futures(posterior, {"oven": OVEN, "dryer": DRYER}, horizon_days=HORIZON)


def exactly(grams_per_g: float) -> FreshBeads:
    return FreshBeads((Quantiles(grams_per_g, grams_per_g, grams_per_g),))


def held(
    posterior: Posterior, way: FreshBeads, limit: float | None = None, horizon_days: int = HORIZON
) -> NDArray[np.int16]:
    return box_futures(posterior, {"way": way}, limit, horizon_days).holds_days["way"]


def filled(posterior: Posterior, grams_per_g: float) -> Posterior:
    """As what-if fills it, with beads of one dryness."""
    changed = as_changed(posterior, WhatIf(dry_mass_g=posterior.problem.prior.dry_mass_g))
    loading = np.full(len(posterior.theta), grams_per_g)
    return replace(changed, state=replace(changed.state, loading=loading))


def test_with_its_beads_a_box_is_over_as_its_forecast_says(posterior: Posterior, told: BoxFutures) -> None:
    chances = forecast(posterior).chance_by_day
    shares = [float(np.mean(told.over_after_days <= day)) for day in range(HORIZON + 1)]
    assert shares == pytest.approx(chances[: HORIZON + 1], abs=1e-12)
    assert box_futures(posterior, {}, 0.9, HORIZON).over_after_days.max() == HORIZON + 1


def test_from_today_on_fresh_beads_hold_as_what_if_forecasts(posterior: Posterior) -> None:
    crossing_days = futures(filled(posterior, 0.03), posterior.box.humidity_limit).crossing_days
    expected = np.minimum(np.ceil(crossing_days), HORIZON + 1)
    np.testing.assert_array_equal(held(posterior, exactly(0.03))[0], expected)


@pytest.mark.parametrize("day", [10, 22, 50])
def test_from_a_later_day_on_they_hold_as_what_if_of_that_day(posterior: Posterior, day: int) -> None:
    """What-if begins in other weather of that day, steps from there, and takes spools as they are today."""
    later = replace(filled(posterior, 0.03), now_s=posterior.now_s + 86_400.0 * day)
    crossing_days = futures(later, posterior.box.humidity_limit).crossing_days
    middle = float(np.median(held(posterior, exactly(0.03))[day]))
    assert middle == pytest.approx(float(np.median(np.minimum(crossing_days, HORIZON + 1))), abs=DAYS_OFF_AT_MOST)


def test_between_the_days_that_are_simulated_draws_lie_near_a_line(
    posterior: Posterior, monkeypatch: pytest.MonkeyPatch
) -> None:
    coarse = held(posterior, OVEN).astype(float)
    monkeypatch.setattr(
        futures_module, "_BEGUN_DAYS", np.r_[0.0, np.arange(2.0, 21.0, 3.0), np.arange(23.0, 90.0, 4.0)]
    )
    fine = held(posterior, OVEN).astype(float)
    assert np.abs(coarse - fine).mean() < DAYS_OFF_AT_MOST


@settings(max_examples=8, deadline=None)
@given(wetter=st.floats(0.005, 0.08), by=st.floats(0.0, 0.05))
def test_drier_beads_hold_longer(posterior: Posterior, wetter: float, by: float) -> None:
    some, drier = held(posterior, exactly(wetter + by)), held(posterior, exactly(wetter))
    assert np.all(drier.mean(axis=1) >= some.mean(axis=1))


@settings(max_examples=8, deadline=None)
@given(factor=st.floats(1.0, 4.0))
def test_a_leakier_box_holds_shorter(posterior: Posterior, factor: float) -> None:
    leakier = as_changed(posterior, WhatIf(conductance_factor=factor))
    assert np.all(held(leakier, OVEN).mean(axis=1) <= held(posterior, OVEN).mean(axis=1))


def test_with_double_the_leak_it_holds_about_half_as_long(posterior: Posterior) -> None:
    """Water is what the beads can take over what comes in; the room's vapor pressure hardly moves in two months."""
    tighter = as_changed(posterior, WhatIf(conductance_factor=0.5))
    days, twice = (np.median(held(box, DRYER, horizon_days=2 * HORIZON)[0]) for box in (posterior, tighter))
    assert twice < 2 * HORIZON, "the horizon cuts it off"
    assert 0.4 < days / twice < 0.65


@settings(max_examples=8, deadline=None)
@given(limit=st.floats(0.10, 0.30), by=st.floats(0.0, 0.10))
def test_a_higher_limit_is_held_longer(posterior: Posterior, limit: float, by: float) -> None:
    higher, lower = (held(posterior, DRYER, one)[0] for one in (limit + by, limit))
    assert np.all(higher >= lower)


def test_beads_that_are_too_wet_hold_no_day(posterior: Posterior) -> None:
    assert held(posterior, exactly(0.25)).max() == 0


def test_more_beads_hold_longer_and_another_kind_otherwise(posterior: Posterior) -> None:
    usual = held(posterior, DRYER).mean()
    assert held(posterior, replace(DRYER, dry_mass_g=250.0)).mean() > usual
    assert held(posterior, replace(DRYER, desiccant="clay")).mean() < usual


def test_beads_go_in_as_dry_as_their_month_leaves_them(posterior: Posterior) -> None:
    """A box that was closed in March is asked about at its end; from May on beads come out wet."""
    dry, wet = exactly(0.01).loading_g_per_g[0], exactly(0.25).loading_g_per_g[0]
    holds = held(posterior, FreshBeads((dry,) * 4 + (wet,) * 8))
    assert holds[:15].min() > 0
    assert holds[-1].max() == 0


def test_one_room_gives_all_its_boxes_one_air(posterior: Posterior) -> None:
    """The air is all that two boxes share: with it their draws rise and fall together, with another's they don't."""
    assert interned(replace(posterior.room)) is interned(posterior.room)
    order = np.random.default_rng(0).permutation(len(posterior.theta))  # another box: nothing of it is the first one's
    other = replace(posterior, theta=posterior.theta[order], state=posterior.state.take(order))
    calm = replace(posterior, problem=_uneventful(posterior)), replace(other, problem=_uneventful(other))
    some, others = (held(one, DRYER)[30].astype(float) for one in calm)
    assert np.corrcoef(some, others)[0, 1] > 0.3
    assert abs(np.corrcoef(some, others[np.roll(np.arange(len(others)), 1)])[0, 1]) < 0.3


def _uneventful(posterior: Posterior) -> Problem:
    quiet = replace(posterior.problem.assumptions, future_events=False, wandering_leak=False)
    return replace(posterior.problem, assumptions=quiet)


def test_fewer_draws_are_some_of_all(posterior: Posterior, told: BoxFutures) -> None:
    fewer = box_futures(posterior, {"oven": OVEN}, horizon_days=HORIZON, every_draw=4)
    np.testing.assert_array_equal(fewer.over_after_days, told.over_after_days[::4])
    np.testing.assert_array_equal(fewer.holds_days["oven"], told.holds_days["oven"][:, ::4])


def test_compiled_code_says_what_numpy_says(
    posterior: Posterior, told: BoxFutures, monkeypatch: pytest.MonkeyPatch
) -> None:
    require_compiled_filter()
    monkeypatch.setattr(futures_module, "compiled_steps", lambda _ahead: None)
    by_numpy = box_futures(posterior, {"oven": OVEN}, horizon_days=HORIZON, every_draw=13)
    np.testing.assert_array_equal(by_numpy.holds_days["oven"], told.holds_days["oven"][:, ::13])


def test_a_year_is_looked_ahead_and_no_longer(posterior: Posterior) -> None:
    year = box_futures(posterior, {"oven": OVEN}, horizon_days=365, every_draw=10).holds_days["oven"]
    assert year.shape == (366, 13)
    for horizon_days in (0, 366):
        with pytest.raises(OutOfRangeError, match="ask for 1 to 365"):
            box_futures(posterior, {}, horizon_days=horizon_days)
