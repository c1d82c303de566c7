"""The last fit of a box: to it hours may be added for a week, as long as nothing else is found in them."""

from __future__ import annotations

import pickle
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box
from simulated_shelf import history_of, outlooks, series_of

from monitor.inference import Fitted, LastFit, RefitReason, fitted, updated
from monitor.inference.shelf import last_fit as carrying
from monitor.records import BoxHistory, Outlook, ReadingSeries, WhatIf

DAYS = 40
RECORD, END_S, _ = simulated_box(Truth(conductance=0.2), DAYS + 10)
WHOLE = history_of(RECORD, "made", series_of("room", RECORD.room))
NIGHT = datetime.fromtimestamp(END_S, WHOLE.entries[0].at.tzinfo) - timedelta(days=10)


def until(at: datetime, history: BoxHistory = WHOLE) -> BoxHistory:
    """The history as it was known then."""
    return replace(history, readings=cut(history.readings, at), room=history.room and cut(history.room, at))


def cut(series: ReadingSeries, at: datetime) -> ReadingSeries:
    before = series.at_s < at.timestamp()
    return ReadingSeries(
        series.box, series.at_s[before], series.temperature_degc[before], series.relative_humidity[before],
        series.marks[before],
    )  # fmt: skip


@pytest.fixture(scope="module")
def first() -> Fitted:
    """The fit of the first night."""
    (one,) = fitted([until(NIGHT)], NIGHT)
    assert one.last_fit is not None
    return one


def carried(before: Fitted, at: datetime, history: BoxHistory = WHOLE) -> Fitted | RefitReason:
    """The same box some hours later."""
    assert before.last_fit is not None
    (one,) = updated([(before.last_fit, before.teaching)], [until(at, history)], at)
    return one


def carried_on(before: Fitted, at: datetime, history: BoxHistory = WHOLE) -> Fitted:
    one = carried(before, at, history)
    assert isinstance(one, Fitted)
    return one


def carried_nightly(one: Fitted, nights: int) -> Fitted:
    for night in range(1, nights + 1):
        one = carried_on(one, NIGHT + timedelta(days=night))
    return one


def anew(at: datetime, history: BoxHistory = WHOLE) -> Outlook:
    return outlooks([until(at, history)], at)[0]


def days_left(answer: Outlook, at: datetime) -> np.ndarray:
    assert answer.forecast is not None
    dates = answer.forecast.cross_at
    return np.log([(q - at).total_seconds() / 86_400.0 for q in (dates.p05, dates.p50, dates.p95) if q])


def test_a_fit_that_is_kept_answers_as_one_that_is_not(first: Fitted) -> None:
    assert first.outlook == anew(NIGHT)


def test_five_updates_answer_as_a_whole_new_fit_does(first: Fitted) -> None:
    """Monte Carlo error of a thousand draws: 1.5 % of a median, 3 to 6 % of an end of the interval (*regression*)."""
    at = NIGHT + timedelta(days=5)
    now, refitted = carried_nightly(first, 5).outlook, anew(at)
    assert np.abs(days_left(now, at) - days_left(refitted, at)) == pytest.approx(np.zeros(3), abs=0.12)
    assert now.leak is not None
    assert refitted.leak is not None
    one, other = now.leak.conductance_g_per_day_per_kpa, refitted.leak.conductance_g_per_day_per_kpa
    assert np.log([one.p05 / other.p05, one.p50 / other.p50, one.p95 / other.p95]) == pytest.approx(0.0, abs=0.08)


def test_asking_every_hour_is_no_more_evidence_than_asking_once(first: Fitted) -> None:
    at, often = NIGHT + timedelta(hours=20), first
    for hours in range(2, 21, 2):
        often = carried_on(often, NIGHT + timedelta(hours=hours))
    assert often.outlook == carried_on(first, at).outlook
    assert often.last_fit is first.last_fit


def test_within_an_hour_nothing_new_is_known(first: Fitted) -> None:
    at = NIGHT + timedelta(minutes=59)
    now = carried_on(first, at).outlook
    assert now.leak == carried_on(first, NIGHT).outlook.leak
    assert now.leak is not None
    assert first.outlook.leak is not None
    one, other = now.leak.conductance_g_per_day_per_kpa, first.outlook.leak.conductance_g_per_day_per_kpa
    assert np.log(one.p50 / other.p50) == pytest.approx(0.0, abs=0.02)  # other draws of the same posterior


def test_recent_readings_are_all_an_update_needs(first: Fitted) -> None:
    at = NIGHT + timedelta(days=1)
    recent = replace(WHOLE, readings=since(WHOLE.readings, NIGHT - timedelta(days=carrying.RECENT_DAYS)))
    assert carried_on(first, at, recent).outlook == carried_on(first, at).outlook


def since(series: ReadingSeries, at: datetime) -> ReadingSeries:
    later = series.at_s >= at.timestamp()
    return ReadingSeries(
        series.box, series.at_s[later], series.temperature_degc[later], series.relative_humidity[later],
        series.marks[later],
    )  # fmt: skip


def test_a_fit_that_was_put_away_differs_in_the_seventh_digit_only(first: Fitted) -> None:
    at = NIGHT + timedelta(days=1)
    back: LastFit = pickle.loads(pickle.dumps(first.last_fit))
    assert first.last_fit is not None
    assert back.posterior.theta == pytest.approx(first.last_fit.posterior.theta, rel=1e-6)
    now, other = carried_on(replace(first, last_fit=back), at).outlook, carried_on(first, at).outlook
    assert days_left(now, at) == pytest.approx(days_left(other, at), abs=0.02)


def test_an_update_answers_at_another_limit_and_with_something_changed(first: Fitted) -> None:
    assert first.last_fit is not None
    (one,) = updated(
        [(first.last_fit, first.teaching)],
        [until(NIGHT)],
        NIGHT,
        humidity_limits=[0.15],
        change=WhatIf(humidity_limit=0.15, conductance_factor=0.5),
    )
    assert isinstance(one, Fitted)
    sooner, later, usual = one.outlook.forecast, one.outlook.forecast_if, first.outlook.forecast
    assert sooner is not None
    assert later is not None
    assert usual is not None
    assert sooner.humidity_limit == later.humidity_limit == 0.15
    assert sum(sooner.chance_by_day) > max(sum(usual.chance_by_day), sum(later.chance_by_day))


def stepped(at: datetime) -> BoxHistory:
    """Humidity three points higher from then on: somebody put something wet in and said nothing."""
    readings = WHOLE.readings
    higher = readings.relative_humidity + 0.03 * (readings.at_s > at.timestamp())
    return replace(WHOLE, readings=replace(readings, relative_humidity=higher))


def test_a_lasting_step_is_fitted_again(first: Fitted) -> None:
    stepping, at = stepped(NIGHT + timedelta(hours=4)), NIGHT + timedelta(days=1)
    assert carried(first, at, stepping) is RefitReason.step
    (again,) = fitted([until(at, stepping)], at)
    assert isinstance(carried(again, at + timedelta(days=1), stepping), Fitted), "the same step only once"


def test_after_a_week_all_is_fitted_again(first: Fitted) -> None:
    week = carried_nightly(first, 7)
    assert carried(week, NIGHT + timedelta(days=8)) is RefitReason.week


def test_a_room_that_has_a_sensor_at_last_is_fitted_again(first: Fitted) -> None:
    at, without = NIGHT + timedelta(days=1), replace(WHOLE, room=None)
    (assumed,) = fitted([until(NIGHT, without)], NIGHT)
    assert carried(assumed, at) is RefitReason.room
    assert carried(first, at, without) is RefitReason.room
    assert isinstance(carried(assumed, at, without), Fitted)


def test_a_room_that_turns_out_otherwise_than_its_first_days_is_fitted_again() -> None:
    """Of forty days the room was measured on two; then it is damper, which makes the box tighter."""
    assert WHOLE.room is not None
    seen = since(WHOLE.room, NIGHT - timedelta(days=2))
    seen = replace(seen, relative_humidity=np.full(len(seen), 0.45))
    damper = replace(seen, relative_humidity=seen.relative_humidity * (1.0 + 0.2 * (seen.at_s > NIGHT.timestamp())))
    at = NIGHT + timedelta(days=3)
    for room, expected in ((seen, Fitted), (damper, RefitReason)):
        (short,) = fitted([until(NIGHT, replace(WHOLE, room=room))], NIGHT)
        assert isinstance(carried(short, at, replace(WHOLE, room=room)), expected)


@pytest.mark.parametrize(
    ("name", "value", "reason"),
    [("LEAST_EFFECTIVE_DRAWS", 990.0, RefitReason.draws), ("_MOST_WANDER", 0.0, RefitReason.wandered)],
)
def test_too_few_draws_and_another_leak_are_fitted_again(
    monkeypatch: pytest.MonkeyPatch, first: Fitted, name: str, value: float, reason: RefitReason
) -> None:
    monkeypatch.setattr(carrying, name, value)
    assert carried(first, NIGHT + timedelta(days=1)) is reason


def test_an_update_that_fails_is_logged_and_fitted_again(first: Fitted, caplog: pytest.LogCaptureFixture) -> None:
    assert first.last_fit is not None
    broken = replace(first.last_fit, posterior=replace(first.last_fit.posterior, theta=np.full((2, 2), np.nan)))
    assert carried(replace(first, last_fit=broken), NIGHT + timedelta(days=1)) is RefitReason.failed
    assert "box made can't be updated" in caplog.text


def test_a_box_with_too_little_evidence_has_no_fit_to_carry_on() -> None:
    at = WHOLE.entries[0].at + timedelta(hours=20)
    (young,) = fitted([until(at)], at)
    assert young.outlook.refusal
    assert young.last_fit is None
    assert young.teaching.pooled is None
    assert not young.teaching.pooled_moved(WHOLE.box, [])
