"""What is said at the head of every page: only what is wrong, since when, and what to do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.presentation.wording import Wording
from monitor.records import Box, Listener
from monitor.records.alerts import Route, RouteState
from monitor.settings import Shelf
from monitor.web.notices import Heard, Notice, of_first_messages, of_the_file, of_the_listener, of_the_routes

NOW = datetime(2026, 5, 2, 12, 30, tzinfo=UTC)
WORDS = Wording(ZoneInfo("Europe/Vienna"))
SHELF = Shelf(Path("/srv/my shelf"))
PATIENCE = timedelta(minutes=30)
"""Of a sensor that sends every ten minutes."""


def listener(*, at_work: bool, hours_ago: float = 48.0, ended: str = "") -> Listener:
    return Listener(at_work, 7, "attic", NOW - timedelta(hours=hours_ago), ended)


def said(heard: Heard, shelf: Shelf = SHELF) -> list[Notice]:
    return list(of_the_listener(heard, shelf, NOW, WORDS))


def heard(minutes_ago: float, *listeners: Listener) -> Heard:
    return Heard(listeners, NOW - timedelta(minutes=minutes_ago), PATIENCE)


def test_a_listener_that_hears_is_not_spoken_of() -> None:
    assert said(heard(5, listener(at_work=True))) == []


def test_one_that_is_off_is_said_at_once_with_the_command_that_starts_it() -> None:
    (notice,) = said(heard(5, listener(at_work=False, ended="stopped")))
    assert notice.heading == "The listener has been silent since 14:25."
    assert notice.text == "It is not running, so nothing new arrives. Start it:"
    assert notice.command == "siccast --shelf '/srv/my shelf' listen"


def test_why_it_ended_is_said_and_so_is_another_day() -> None:
    (notice,) = said(heard(60 * 24, listener(at_work=False, ended="the disk is full")))
    assert notice.heading == "The listener has been silent since 1 May 2026, 14:30."
    assert "(the disk is full)" in notice.text


def test_one_that_runs_and_hears_nothing_is_another_matter() -> None:
    (notice,) = said(heard(90, listener(at_work=True)))
    assert notice.heading == "The listener has been silent since 13:00."
    assert "It runs, but no reading arrives." in notice.text
    assert notice.command.endswith("check")


def test_one_that_was_just_started_is_given_the_time_a_sensor_takes() -> None:
    assert said(heard(90, listener(at_work=True, hours_ago=0.1))) == []
    assert said(heard(90, listener(at_work=True, hours_ago=1.0))) != []


def test_readings_without_a_trace_of_a_listener_come_from_another_machine() -> None:
    assert said(heard(5)) == []
    assert said(heard(90)) != []


@pytest.mark.parametrize("listeners", [(), (listener(at_work=False),)])
def test_a_shelf_that_never_heard_anything_says_how_to_begin(listeners: tuple[Listener, ...]) -> None:
    (notice,) = said(Heard(listeners))
    assert "no reading has ever arrived" in notice.heading
    assert notice.command.endswith("listen")


def test_boxes_of_which_none_has_a_sensor_expect_no_listener() -> None:
    by_hand = Shelf(Path("/srv/my shelf"), boxes=(Box("left", 10.0),))
    assert said(Heard(), by_hand) == []
    assert said(Heard((listener(at_work=False),)), by_hand) != [], "one was started once"
    assert said(heard(90), by_hand) != [], "a sensor was heard once"


def test_a_first_message_that_could_not_be_used_is_said_where_the_first_reading_is_awaited() -> None:
    assert list(of_first_messages(Heard())) == []
    (notice,) = of_first_messages(Heard(rejected=2))
    assert notice.heading == "2 messages came from sensors, and could not be used."
    assert notice.text == "House says why."


def test_a_recording_expects_nothing() -> None:
    recording = Shelf(Path("/srv/shelf"), recorded_until=NOW)
    assert said(heard(5000), recording) == []


def test_a_shelf_file_that_is_broken_is_named_with_what_counts_meanwhile() -> None:
    (notice,) = of_the_file("/srv/shelf.toml: [boxes.left] limit_rh_pct is 900, a limit is from 1 to 95")
    assert "900" in notice.text
    assert notice.text.endswith("Until it is mended, the last one counts.")
    assert list(of_the_file("")) == []


def test_a_route_that_has_not_worked_for_an_hour_is_said_with_the_test_of_it() -> None:
    shelf = Shelf(Path("/srv/my shelf"), routes=(Route("mail", "email"),))

    def heading(route: str, minutes_ago: float) -> list[str]:
        state = RouteState(route, 2, None, NOW - timedelta(minutes=minutes_ago), "it answered 500")
        return [notice.heading for notice in of_the_routes(Heard(routes=(state,)), shelf, NOW, WORDS)]

    assert heading("mail", 90) == ["Route 'mail' has not worked since 13:00."]
    assert heading("mail", 59) == [], "servers start again"
    assert heading("gone", 90) == [], "declared no more"
    state = RouteState("mail", 2, None, NOW - timedelta(hours=2), "it answered 500")
    (notice,) = of_the_routes(Heard(routes=(state,)), shelf, NOW, WORDS)
    assert notice.text.startswith("It answered 500. Nothing is lost")
    assert notice.command == "siccast --shelf '/srv/my shelf' watch --test"
