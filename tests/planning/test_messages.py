"""When an alert may go out: quiet hours through a change of summer time, digests, once more, and by a second route."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.planning.messages import is_quiet, latest_slot, released, steps_due, subject_of, text_of, told
from monitor.records.alerts import (
    Alert,
    AlertKind,
    Digest,
    HeldMessage,
    MessageKind,
    QuietHours,
    Route,
    Sent,
    StandingAlert,
    Told,
)

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
ROUTE = Route("mail", "email")
NIGHT = QuietHours(time(22), time(7))
OVER = StandingAlert(Alert("left", AlertKind.over_limit, "left: dry beads now."), NOW, alert_id=1)


def local(text: str, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA, fold=fold).astimezone(UTC)


@pytest.mark.parametrize(
    ("at", "quiet"),
    [
        ("2026-03-04T21:59", False),
        ("2026-03-04T22:00", True),
        ("2026-03-05T06:59", True),
        ("2026-03-05T07:00", False),
        ("2026-03-29T06:59", True),  # clocks went forward in this night
        ("2026-03-29T07:00", False),
        ("2026-10-25T06:59", True),  # and back in this one
        ("2026-10-25T07:00", False),
    ],
)
def test_quiet_hours_go_by_the_clock_on_the_wall(at: str, quiet: bool) -> None:
    assert is_quiet(NIGHT, local(at), VIENNA) is quiet


def test_a_night_of_quiet_hours_is_an_hour_shorter_in_spring_and_longer_in_autumn() -> None:
    def minutes(first: datetime) -> int:
        return sum(is_quiet(NIGHT, first + timedelta(minutes=m), VIENNA) for m in range(24 * 60))

    assert [minutes(local(f"2026-{day}T12:00")) for day in ("03-04", "03-28", "10-24")] == [540, 480, 600]


def test_an_hour_that_comes_twice_is_quiet_both_times_until_its_second_end() -> None:
    hours = QuietHours(time(22), time(2, 30))
    for fold, minute, quiet in ((0, 20, True), (0, 40, True), (1, 20, True), (1, 29, True), (1, 30, False)):
        assert is_quiet(hours, local(f"2026-10-25T02:{minute}", fold), VIENNA) is quiet


def test_quiet_hours_that_end_in_the_hour_left_out_end_when_they_would_have() -> None:
    hours = QuietHours(time(22), time(2, 30))
    assert is_quiet(hours, local("2026-03-29T01:59"), VIENNA)
    assert is_quiet(hours, local("2026-03-29T03:29"), VIENNA)
    assert not is_quiet(hours, local("2026-03-29T03:30"), VIENNA)


def test_quiet_hours_within_a_day() -> None:
    nap = QuietHours(time(13), time(14, 30))
    assert [is_quiet(nap, local(f"2026-03-04T{at}"), VIENNA) for at in ("12:59", "13:00", "14:29", "14:30")] == [
        False, True, True, False,
    ]  # fmt: skip


@given(st.integers(0, 365 * 24 * 60))
def test_a_slot_is_the_newest_hour_of_a_digest_that_is_not_ahead(minutes: int) -> None:
    now = NOW + timedelta(minutes=minutes)
    daily, weekly = latest_slot(Digest(time(18)), now, VIENNA), latest_slot(Digest(time(18), 4), now, VIENNA)
    assert daily.astimezone(VIENNA).time() == weekly.astimezone(VIENNA).time() == time(18)
    assert weekly.astimezone(VIENNA).weekday() == 4
    assert weekly <= daily <= now < daily + timedelta(hours=25)
    assert now < weekly + timedelta(days=7, hours=1)


def held(made_at: datetime = NOW, *, urgent: bool = False) -> HeldMessage:
    return HeldMessage(1, MessageKind.first, made_at, replace(OVER, alert=replace(OVER.alert, urgent=urgent)))


def test_quiet_hours_hold_back_and_urgent_alerts_pass_where_that_is_wished() -> None:
    quiet, night, morning = replace(ROUTE, quiet=NIGHT), local("2026-03-05T02:00"), local("2026-03-05T07:00")
    one, urgent = held(night), held(night, urgent=True)
    assert released(quiet, [one, urgent], night, VIENNA) == []
    assert released(quiet, [one, urgent], morning, VIENNA) == [one, urgent]
    assert released(replace(quiet, urgent_passes=True), [one, urgent], night, VIENNA) == [urgent]


def test_a_digest_waits_for_its_hour_and_one_that_was_missed_is_made_up_for() -> None:
    daily, one = replace(ROUTE, digest=Digest(time(18))), held(local("2026-03-04T13:00"))
    assert released(daily, [one], local("2026-03-04T17:59"), VIENNA) == []
    assert released(daily, [one], local("2026-03-04T18:00"), VIENNA) == [one]
    assert released(daily, [one], local("2026-03-06T03:00"), VIENNA) == [one], "siccast was off at that hour"


def due(route: Route, standing: StandingAlert, said: Sent, now: datetime) -> list[tuple[MessageKind, int]]:
    return [(kind, step) for _, kind, step in steps_due(route, [standing], {1: said}, now)]


def test_an_alert_is_said_once_and_again_only_where_that_is_wished_and_nobody_heard_it() -> None:
    assert due(ROUTE, OVER, Sent(), NOW) == [(MessageKind.first, 0)]
    said = Sent(1, NOW)
    assert due(ROUTE, OVER, said, NOW + 1000 * HOUR) == []
    again = replace(ROUTE, again_after=24 * HOUR)
    assert due(again, OVER, said, NOW + 23 * HOUR) == []
    assert due(again, OVER, said, NOW + 24 * HOUR) == [(MessageKind.again, 1)]
    assert due(again, replace(OVER, heard_at=NOW), said, NOW + 24 * HOUR) == []
    assert due(again, OVER, Sent(1, None), NOW + 24 * HOUR) == [], "the first is still on its way"
    assert due(again, OVER, Sent(4, NOW), NOW + 24 * HOUR) == [], "three repeats are enough"


def test_a_second_route_hears_of_what_nobody_has_heard_for_long() -> None:
    second = replace(ROUTE, after=48 * HOUR)
    assert due(second, OVER, Sent(), NOW + 47 * HOUR) == []
    assert due(second, OVER, Sent(), NOW + 48 * HOUR) == [(MessageKind.first, 0)]
    assert due(second, replace(OVER, heard_at=NOW + HOUR), Sent(), NOW + 48 * HOUR) == []


def test_nothing_waits_for_an_instant_that_a_wrong_clock_noted() -> None:
    """A machine's clock that stood a year ahead and was set right; and one that was set back by an hour."""
    year, late = timedelta(days=365), replace(OVER, since=NOW + timedelta(days=365))
    assert due(replace(ROUTE, after=48 * HOUR), late, Sent(), NOW) == [(MessageKind.first, 0)]
    again = replace(ROUTE, again_after=24 * HOUR)
    assert due(again, OVER, Sent(1, NOW + year), NOW) == [(MessageKind.again, 1)]
    assert due(again, OVER, Sent(1, NOW + HOUR), NOW) == [], "it was sent just now"
    daily = replace(ROUTE, digest=Digest(time(18)))
    one, just_now = held(NOW + year), held(NOW + HOUR)
    assert released(daily, [one, just_now], NOW, VIENNA) == [one]
    assert released(ROUTE, [one, just_now], NOW, VIENNA) == [one, just_now]


def test_the_end_is_said_where_that_is_wished_and_the_beginning_was() -> None:
    over = replace(OVER, ended_at=NOW + HOUR)
    assert due(ROUTE, over, Sent(1, NOW), NOW + HOUR) == []
    says_end = replace(ROUTE, says_end=True)
    assert due(says_end, over, Sent(1, NOW), NOW + HOUR) == [(MessageKind.over, 1)]
    assert due(says_end, over, Sent(), NOW + HOUR) == []


def test_a_route_takes_what_it_names_and_nothing_about_itself() -> None:
    some = replace(ROUTE, boxes=("right",), kinds=(AlertKind.over_limit, AlertKind.plan, AlertKind.route))
    assert not some.takes(OVER.alert)
    assert some.takes(replace(OVER.alert, box="right"))
    assert not some.takes(Alert("right", AlertKind.due, ""))
    assert some.takes(Alert("", AlertKind.plan, "")), "what is about the whole shelf"
    assert some.takes(Alert("", AlertKind.route, "", about="hook"))
    assert not some.takes(Alert("", AlertKind.route, "", about="mail"))


def test_an_alert_that_waited_until_it_was_over_says_so() -> None:
    over = replace(held(), standing=replace(OVER, ended_at=NOW + HOUR))
    assert told(over, VIENNA).text == "left: dry beads now. Over since Wed 4 Mar, 14:00. Nothing is left to do."
    assert told(replace(over, kind=MessageKind.over), VIENNA).text == (
        "Over since Wed 4 Mar, 14:00. It was: left: dry beads now."
    )
    again = told(replace(held(), kind=MessageKind.again), VIENNA)
    assert again.text == "Still so, since Wed 4 Mar, 13:00: left: dry beads now."
    assert again.since == "2026-03-04T12:00:00Z"


def test_subject_and_text_of_a_message() -> None:
    alerts = [Told(box, "due", f"{box}: dry it.", "word", False, "") for box in ("a", "b", "c d", "e")]
    assert subject_of("attic", alerts[:1], MessageKind.first) == "siccast attic: a: due"
    assert subject_of("attic", alerts[:1], MessageKind.again) == "siccast attic: a: still due"
    assert subject_of("attic", alerts, MessageKind.digest) == "siccast attic: 4 alerts (a, b, c d and 1 more)"
    text = text_of(alerts[2:3], NOW, VIENNA, before="f (silent)", can_hear=True)
    assert text == (
        "c d: dry it.\n\nTold before, and still so: f (silent).\n\n"
        "To be told no more of it: `siccast watch heard 'c d'`.\n\nAs of Wed 4 Mar, 13:00."
    )
    assert "heard all" in text_of(alerts, NOW, VIENNA, before="", can_hear=True)
    assert "heard" not in text_of(alerts, NOW, VIENNA, before="", can_hear=False)
