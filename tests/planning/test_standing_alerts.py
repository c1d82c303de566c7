"""One alert an episode: a season of nights of a forecast that flickers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from answers_by_hand import AS_OF, assessment_of, due_in, forecast_of

from monitor.planning.alerts import alerts_for_today
from monitor.planning.standing_alerts import reviewed
from monitor.records import Assessment, BoxState, EntryKind, LedgerEntry
from monitor.records.alerts import Alert, AlertKind, StandingAlert

NIGHT = timedelta(days=1)


class Told:
    """Looks night after night, and remembers what began when."""

    def __init__(self) -> None:
        self.standing: tuple[StandingAlert, ...] = ()
        self.begun: list[tuple[AlertKind, datetime]] = []
        self.ended: list[tuple[AlertKind, datetime]] = []

    def look(self, *there: Assessment, at: datetime = AS_OF, alerts: tuple[Alert, ...] | None = None) -> None:
        found = alerts_for_today(there, at.date()) if alerts is None else alerts
        before = {one.key for one in self.standing}
        now = reviewed(self.standing, found, there, at, at.date())
        self.begun += [(one.alert.kind, at) for one in now if one.key not in before]
        self.ended += [(one.alert.kind, at) for one in now if one.ended_at]
        self.standing = tuple(one for one in now if one.ended_at is None)

    def count(self, kind: AlertKind) -> int:
        return sum(one is kind for one, _ in self.begun)


def seen(
    assessment: Assessment, at: datetime, relative_humidity: float = 0.12, volts: float | None = None
) -> Assessment:
    """The same at another instant, with a reading from a little before."""
    assert assessment.latest is not None
    latest = assessment.latest._replace(
        at=at - timedelta(minutes=10), relative_humidity=relative_humidity, battery_v=volts
    )
    due = None if assessment.due_at is None else assessment.due_at + (at - assessment.as_of)
    return replace(assessment, as_of=at, latest=latest, due_at=due)


def humidity_on(night: int) -> float:
    """Return a humidity that climbs to its limit, with a swing of three nights on it."""
    return 0.10 + 0.0014 * night + 0.012 * float(np.sin(2.1 * night))


def test_a_season_of_flickering_forecasts_says_due_and_over_once_an_episode() -> None:
    """Two fillings of 80 nights. The day moves by some five days a night, and humidity swings through its limit."""
    rng, told, episodes = np.random.default_rng(20260304), Told(), 2
    for night in range(80 * episodes):
        at, of_filling = AS_OF + night * NIGHT, night % 80
        filled_at = AS_OF + (night - of_filling) * NIGHT - timedelta(hours=40)
        humidity = humidity_on(of_filling)
        ahead = max(0, int(70 - of_filling + rng.normal(0.0, 5.0)))
        box = seen(assessment_of("left", due_in(ahead)), at, humidity)
        is_over = humidity > 0.20
        state = BoxState.over_limit if is_over else box.state
        charge = LedgerEntry(EntryKind.recharge, "left", filled_at, dry_mass_g=100.0)
        told.look(replace(box, state=state, due_at=at if is_over else box.due_at, charge=charge), at=at)
    assert told.count(AlertKind.due) == episodes
    assert told.count(AlertKind.over_limit) == episodes
    assert told.ended[0][1] == AS_OF + 80 * NIGHT, "fresh beads end both at once"


def test_without_hysteresis_that_season_would_flap() -> None:
    """The series of the test above is no easy one: its alerts alone come and go many times."""
    rng = np.random.default_rng(20260304)
    is_due = [max(0, int(70 - night + rng.normal(0.0, 5.0))) <= 7 for night in range(80)]
    is_over = [humidity_on(night) > 0.20 for night in range(80)]
    for there in (is_due, is_over):
        assert sum(now and not before for before, now in pairwise(there)) >= 3


@pytest.mark.parametrize("hours_a_day", [1, 12, 23])
def test_a_sensor_that_is_heard_now_and_then_is_called_silent_once(hours_a_day: int) -> None:
    told = Told()
    calm = assessment_of("left", forecast_of(200.0))
    for hour in range(24 * 10):
        at = AS_OF + timedelta(hours=hour)
        box = seen(calm, at)
        assert box.latest is not None
        if hour % 24 >= hours_a_day:
            box = replace(box, latest=box.latest._replace(at=at - timedelta(hours=25)))
        told.look(box, at=at)
    assert told.count(AlertKind.silent) == 1
    for hour in range(24 * 10, 24 * 12):
        told.look(seen(calm, AS_OF + timedelta(hours=hour)), at=AS_OF + timedelta(hours=hour))
    assert [kind for kind, _ in told.ended] == [AlertKind.silent]


def test_a_battery_that_recovers_in_the_warmth_is_called_low_once_and_a_new_one_ends_it() -> None:
    told, calm = Told(), assessment_of("left", forecast_of(200.0))
    for hour in range(24 * 20):
        at = AS_OF + timedelta(hours=hour)
        told.look(seen(calm, at, volts=2.40 + 0.08 * float(np.sin(hour / 24.0 * 2.0 * np.pi))), at=at)
    assert told.begun == [(AlertKind.battery, told.begun[0][1])]
    assert told.ended == []
    for hour in range(24 * 20, 24 * 22):
        at = AS_OF + timedelta(hours=hour)
        told.look(seen(calm, at, volts=3.0), at=at)
    assert [kind for kind, _ in told.ended] == [AlertKind.battery]


def test_a_changed_seal_that_two_weekly_fits_do_not_find_again_is_over() -> None:
    told, calm = Told(), assessment_of("left", forecast_of(200.0))
    alert = Alert("left", AlertKind.leak, "left: Check the lid and seal.")
    for night in range(40):
        told.look(seen(calm, at := AS_OF + night * NIGHT), at=at, alerts=(alert,) if night in (0, 1, 9, 14) else ())
    assert told.begun == [(AlertKind.leak, AS_OF)]
    assert told.ended == [(AlertKind.leak, AS_OF + 30 * NIGHT)], "15 nights after the first without it"


def test_an_end_is_not_waited_for_until_a_clock_that_was_wrong() -> None:
    """Seen first without the alert while the machine's clock stood a year ahead: counted from now on."""
    told, calm = Told(), assessment_of("left", forecast_of(200.0))
    alert = Alert("left", AlertKind.leak, "left: Check the lid and seal.")
    told.look(seen(calm, AS_OF), alerts=(alert,))
    told.look(seen(calm, ahead := AS_OF + 365 * NIGHT), at=ahead, alerts=())
    for night in range(1, 18):
        told.look(seen(calm, at := AS_OF + night * NIGHT), at=at, alerts=())
    assert told.ended == [(AlertKind.leak, AS_OF + 16 * NIGHT)], "15 nights after the first that counts"


def test_what_can_not_be_known_for_now_goes_on() -> None:
    told, over = Told(), replace(assessment_of("left", forecast_of(-10.0)), state=BoxState.over_limit)
    told.look(over)
    unknown = replace(assessment_of("left", None), latest=None, state=BoxState.no_readings)
    for night in range(1, 10):
        told.look(replace(unknown, as_of=AS_OF + night * NIGHT), at=AS_OF + night * NIGHT, alerts=())
    assert told.ended == []


def test_fresh_beads_get_their_time_before_over_the_limit_is_news() -> None:
    told, over = Told(), assessment_of("left", forecast_of(-10.0))
    fresh = replace(over, charge=LedgerEntry(EntryKind.recharge, "left", AS_OF - timedelta(hours=3), dry_mass_g=90.0))
    told.look(fresh)
    assert told.begun == []
    told.look(seen(fresh, later := AS_OF + timedelta(days=2)), at=later)
    assert told.begun == [(AlertKind.over_limit, later)]


def test_an_open_lid_neither_ends_nor_begins_over_the_limit() -> None:
    told, over = Told(), assessment_of("left", forecast_of(-10.0))
    told.look(over)
    for hour in range(1, 60):
        at = AS_OF + timedelta(hours=hour)
        told.look(replace(seen(over, at, 0.5), lid_open_since=AS_OF), at=at)
    assert told.begun == [(AlertKind.over_limit, AS_OF), (AlertKind.lid_open, AS_OF + timedelta(hours=1))]
    assert told.ended == []


def test_each_oven_day_is_an_alert_of_its_own_that_ends_with_it() -> None:
    told = Told()
    for night in range(4):
        day = AS_OF + night * NIGHT
        on = (day + NIGHT).date().isoformat()
        told.look(at=day, alerts=(Alert("", AlertKind.plan, f"Tomorrow: {on}", about=on),))
    assert told.count(AlertKind.plan) == 4
    assert [at for _, at in told.ended] == [AS_OF + 2 * NIGHT, AS_OF + 3 * NIGHT]


def test_a_box_that_is_taken_off_the_shelf_is_no_alert_any_more() -> None:
    told = Told()
    told.look(assessment_of("left", forecast_of(-10.0)))
    told.look(at=AS_OF + timedelta(hours=1), alerts=())
    assert [kind for kind, _ in told.ended] == [AlertKind.over_limit]


def test_a_text_that_changes_is_no_new_alert() -> None:
    told = Told()
    for text in ("left: dry beads by Monday.", "left: dry beads by Sunday."):
        told.look(assessment_of("left", forecast_of(200.0)), alerts=(Alert("left", AlertKind.due, text),))
    assert len(told.begun) == 1
    assert told.standing[0].alert.text == "left: dry beads by Sunday."
    assert reviewed(told.standing, (), (), AS_OF, date(2026, 3, 4))[0].ended_at == AS_OF
