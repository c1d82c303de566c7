"""What `check` finds about boxes whose clock was wrong once: it goes on watching them, and complains of nothing old."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.records import Box, Reading
from monitor.services.site_check import (
    Finding,
    Severity,
    check_boxes,
)
from monitor.store.opening import Stores

if TYPE_CHECKING:
    pass

NOW = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
YEARS_AHEAD = datetime(2036, 5, 1, tzinfo=UTC)


def at(instant: datetime) -> Reading:
    return Reading("box1", instant, 21.4, 0.172)


def findings(stores: Stores, now: datetime = NOW) -> list[Finding]:
    return list(check_boxes(stores.readings, [Box("box1", 10.0)], now))


def test_a_reading_of_the_far_future_is_told_and_no_longer_complained_of(stores: Stores) -> None:
    stores.readings.add([at(NOW - timedelta(minutes=minutes)) for minutes in range(60)])
    stores.readings.add([at(YEARS_AHEAD), at(YEARS_AHEAD + timedelta(minutes=1))])
    (found,) = findings(stores)
    assert found.verdict is Severity.well
    assert "2 of its readings are dated in the future, up to 2036-05-01" in found.found


def test_a_reading_of_the_far_future_does_not_hide_that_a_box_is_silent(stores: Stores) -> None:
    stores.readings.add([at(NOW - timedelta(minutes=minutes)) for minutes in range(60)])
    stores.readings.add([at(YEARS_AHEAD)])
    silent, future = findings(stores, NOW + timedelta(hours=10))
    assert (silent.verdict, future.verdict) == (Severity.look, Severity.well)
    assert silent.found.startswith("silent for 10 hours")


def test_a_box_with_no_other_readings_needs_a_look(stores: Stores) -> None:
    stores.readings.add([at(YEARS_AHEAD)])
    (found,) = findings(stores)
    assert found.verdict is Severity.look
    assert found.found == (
        "One of its readings is dated in the future, 2036-05-01 00:00 UTC. A clock was wrong. siccast does not use it, "
        "and there are no others"
    )


def test_a_clock_some_hours_ahead_is_still_complained_of(stores: Stores) -> None:
    stores.readings.add([at(NOW + timedelta(hours=3) - timedelta(minutes=minutes)) for minutes in range(60)])
    (found,) = findings(stores)
    assert "ahead or behind" in found.found


def test_the_newest_reading_before_an_instant(stores: Stores) -> None:
    told = [at(NOW - timedelta(minutes=1)), at(NOW), at(YEARS_AHEAD), Reading("box2", YEARS_AHEAD, 21.4, 0.172)]
    stores.readings.add(told)
    assert stores.readings.latest() == {"box1": told[2], "box2": told[3]}
    assert stores.readings.latest(before=NOW + timedelta(days=1)) == {"box1": told[1]}
    assert stores.readings.latest(before=NOW) == {"box1": told[0]}
    assert stores.readings.latest(before=NOW - timedelta(days=1)) == {}
