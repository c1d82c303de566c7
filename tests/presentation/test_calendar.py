"""The calendar as others read it: moved days are updates, gone ones are cancelled, hours outlive summer time."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from monitor.planning.announced import REMEMBERED_DAYS, announce
from monitor.planning.recharge import RechargePlan
from monitor.presentation.calendar import calendar_file, sessions_of
from monitor.records import PlannedDay, PlannedSwap
from monitor.records.announced import AnnouncedEvent, DryingSession
from monitor.settings import CalendarRules

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import vobject

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 3, 4, 12, tzinfo=UTC)
TODAY = date(2026, 3, 4)
SATURDAY = date(2026, 3, 7)
Shown = tuple[date, str, frozenset[str]]


def planned(*days: tuple[date, str, str], reason: str = "It is due.") -> RechargePlan:
    """Return a plan; each day is a date, an appliance and its boxes by a letter each."""
    told = (PlannedDay(on, oven, tuple(boxes), dict.fromkeys(boxes, reason)) for on, oven, boxes in days)
    return RechargePlan("oven", tuple(told))


def sessions(plan: RechargePlan, rules: CalendarRules | None = None) -> list[DryingSession]:
    return sessions_of(plan, rules or CalendarRules(), VIENNA, lambda _: "A batch takes about 40 minutes")


def told(
    before: Sequence[AnnouncedEvent], plan: RechargePlan, now: datetime = NOW, **also: Any
) -> tuple[AnnouncedEvent, ...]:
    day = now.astimezone(VIENNA).date()
    return announce(before, sessions(plan), site="attic", today=day, now=now, **also)


def text_of(events: Sequence[AnnouncedEvent]) -> bytes:
    return calendar_file(events, "attic", VIENNA)


def read(events: Sequence[AnnouncedEvent]) -> dict[str, Any]:
    """Return the events as an independent reader has them, by their names."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        calendar = vobject.readOne(text_of(events).decode())
    return {event.uid.value: event for event in getattr(calendar, "vevent_list", [])}


def test_a_moved_day_is_an_update_and_a_day_that_is_gone_a_cancellation() -> None:
    first = told((), planned((SATURDAY, "oven", "ab"), (SATURDAY + timedelta(days=7), "oven", "c")))
    second = told(first, planned((SATURDAY + timedelta(days=1), "oven", "ab")), NOW + timedelta(days=1))
    before, after = read(first), read(second)
    assert before.keys() == after.keys()
    [moved] = [uid for uid, event in before.items() if event.dtstart.value == SATURDAY]
    [gone] = before.keys() - {moved}
    assert after[moved].dtstart.value == SATURDAY + timedelta(days=1)
    assert after[moved].dtend.value == SATURDAY + timedelta(days=2)
    assert (after[moved].status.value, after[gone].status.value) == ("CONFIRMED", "CANCELLED")
    assert [int(event[moved].sequence.value) for event in (before, after)] == [0, 1]
    assert int(after[gone].sequence.value) == 1
    assert after[moved].last_modified.value == NOW + timedelta(days=1)
    assert not hasattr(after[gone], "valarm"), "what is cancelled reminds of nothing"


def test_the_same_plan_is_the_same_file_however_often_it_is_asked_for() -> None:
    plan = planned((SATURDAY, "oven", "ab"), (SATURDAY, "dryer", "c"))
    first = told((), plan)
    again = told(first, plan, NOW + timedelta(hours=20))
    assert again == first
    assert text_of(again) == text_of(first)
    assert told((), plan) == first, "where nothing could be kept, the names are the same all the same"


def test_another_reason_is_newer_but_no_other_event() -> None:
    first = told((), planned((SATURDAY, "oven", "a")))
    [event] = told(first, planned((SATURDAY, "oven", "a"), reason="It is over its limit."), NOW + timedelta(days=1))
    assert (event.sequence, event.changed_at) == (0, NOW + timedelta(days=1))
    assert "over its limit" in event.session.details


def test_two_ovens_on_a_day_and_a_second_visit_are_events_of_their_own() -> None:
    june = date(2026, 6, 6)
    first = told((), planned((SATURDAY, "oven", "ab"), (SATURDAY, "dryer", "c"), (june, "oven", "a")))
    later = SATURDAY + timedelta(days=1)
    second = told(first, planned((later, "oven", "ab"), (SATURDAY, "dryer", "c"), (june, "oven", "a")))
    assert len(second) == len({one.uid for one in second}) == 3
    by_uid = {one.uid: one for one in second}
    changed = [(one.session.on, by_uid[one.uid].session.on) for one in first if by_uid[one.uid] != one]
    assert changed == [(SATURDAY, later)]


def test_beads_for_the_reserve_and_a_swap_stay_the_events_they_are() -> None:
    """Today's drying of a spare alone is no box that was filled; a swap that moves is the same event on another day."""
    only_spares = PlannedDay(TODAY, "oven", (), spares_dried={"jar": 1})
    plan = RechargePlan("oven", (only_spares,), swaps=(PlannedSwap(SATURDAY, "a", "jar", "It is due."),))
    first = told((), plan)
    assert told(first, plan, NOW + timedelta(hours=1), filled_today={"b"}) == first
    later = replace(plan, swaps=(replace(plan.swaps[0], on=SATURDAY + timedelta(days=1)),))
    second = told(first, later, NOW + timedelta(hours=1))
    assert [one.uid for one in second] == [one.uid for one in first]
    assert {str(event.summary.value) for event in read(second).values()} == {
        "Dry beads (oven): spare jar",
        "Put spare beads into: a",
    }


def test_what_was_dried_today_stays_in_the_calendar_and_its_next_visit_is_another_event() -> None:
    first = told((), planned((TODAY, "oven", "ab")))
    assert told(first, planned(), filled_today={"a", "b"}) == first
    both = told(first, planned((date(2026, 6, 6), "oven", "a")), filled_today={"a", "b"})
    assert [(one.session.on.month, one.is_cancelled) for one in both] == [(3, False), (6, False)]
    [gone] = told(first, planned(), filled_today={"a"})
    assert gone.is_cancelled


def test_days_that_are_past_stay_for_a_while_and_are_then_forgotten() -> None:
    first = told((), planned((TODAY, "oven", "a")))
    assert told(first, planned(), NOW + timedelta(days=1)) == first
    assert told(first, planned(), NOW + timedelta(days=REMEMBERED_DAYS + 1)) == ()


@dataclass
class Client:
    """A calendar that was told of events, as RFC 5546 asks of it (section 2.1.5): the higher sequence counts, among
    equal ones the later stamp; it never drops what is merely missing, as one that imports files doesn't.
    """

    held: dict[str, Any] = field(default_factory=dict)

    def take(self, text: bytes) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for event in getattr(vobject.readOne(text.decode()), "vevent_list", []):
                there = self.held.get(event.uid.value)
                if there is None or _newness(event) > _newness(there):
                    self.held[event.uid.value] = event

    def shown(self, today: date) -> list[Shown]:
        events = (one for one in self.held.values() if one.status.value != "CANCELLED" and one.dtstart.value >= today)
        return sorted((_shown(one) for one in events), key=repr)


def _newness(event: Any) -> tuple[int, datetime]:
    return int(event.sequence.value), event.dtstamp.value


def _shown(event: Any) -> Shown:
    oven, _, boxes = event.summary.value.removeprefix("Dry beads (").partition("): ")
    return event.dtstart.value, oven, frozenset(boxes.split(", "))


@st.composite
def nights(draw: st.DrawFn) -> list[tuple[int, list[tuple[int, str, str]], bool]]:
    """Return plan after plan: days since the one before, its days ahead, and whether the client looks."""
    days = st.tuples(
        st.integers(0, 12), st.sampled_from(["oven", "dryer"]), st.sets(st.sampled_from("abcd"), min_size=1)
    )
    plan = st.lists(days, max_size=4, unique_by=lambda day: day[:2])
    tidy = plan.map(lambda found: [(ahead, oven, "".join(sorted(boxes))) for ahead, oven, boxes in found])
    return draw(st.lists(st.tuples(st.integers(0, 3), tidy, st.booleans()), min_size=1, max_size=5))


@settings(max_examples=60, deadline=None)
@given(nights())
def test_whatever_is_planned_anew_a_calendar_ends_with_exactly_the_days_of_the_plan(
    replans: list[tuple[int, list[tuple[int, str, str]], bool]],
) -> None:
    client, events, now, texts = Client(), (), NOW, []
    for place, (slept_days, days, looks) in enumerate(replans):
        now += timedelta(days=slept_days)
        today = now.astimezone(VIENNA).date()
        plan = planned(*((today + timedelta(days=ahead), oven, boxes) for ahead, oven, boxes in days))
        before, events = events, told(events, plan, now)
        known = {one.uid: one for one in before}
        assert all(one.sequence >= known[one.uid].sequence for one in events if one.uid in known)
        assert all(
            one == known[one.uid] or one.changed_at > known[one.uid].changed_at for one in events if one.uid in known
        )
        texts.append(text_of(events))
        if looks or place == len(replans) - 1:
            client.take(texts[-1])
            expected = sorted(((day.on, day.appliance, frozenset(day.boxes)) for day in plan.days), key=repr)
            assert client.shown(today) == expected
    for old in texts:
        client.take(old)
    assert client.shown(today) == expected, "what comes late changes nothing"


# --- hours, reminders, text ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("on", "begins_utc", "evening_utc"),
    [
        (date(2026, 3, 28), (28, 9), (27, 18)),  # the day before clocks go forward in Vienna: 10:00 is UTC+1
        (date(2026, 3, 29), (29, 8), (28, 18)),  # they went forward at 2:00: UTC+2, and the evening before UTC+1
        (date(2026, 10, 25), (25, 9), (24, 17)),  # they went back at 3:00: UTC+1, the evening before UTC+2
    ],
)
def test_a_declared_hour_and_its_reminder_hold_over_a_change_of_summer_time(
    on: date, begins_utc: tuple[int, int], evening_utc: tuple[int, int]
) -> None:
    rules = CalendarRules(begins=time(10), lasts_minutes=90, evening_before=time(19), that_morning=time(8, 30))
    [session] = sessions(planned((on, "oven", "a")), rules)
    [event] = read(announce((), [session], site="attic", today=TODAY, now=NOW)).values()
    assert event.dtstart.value == datetime(2026, on.month, *begins_utc, tzinfo=UTC)
    assert event.dtend.value - event.dtstart.value == timedelta(minutes=90)
    evening, morning = (event.dtstart.value + alarm.trigger.value for alarm in event.valarm_list)
    assert evening == datetime(2026, on.month, *evening_utc, tzinfo=UTC)
    assert morning.astimezone(VIENNA).time() == time(8, 30)


def test_a_whole_day_reminds_the_evening_before_counted_from_its_midnight() -> None:
    """On 2026-03-29 the night is an hour shorter in Vienna: 8:00 is 7 hours after midnight."""
    rules = CalendarRules(that_morning=time(8))
    [session] = sessions(planned((date(2026, 3, 29), "oven", "a")), rules)
    [event] = read(announce((), [session], site="attic", today=TODAY, now=NOW)).values()
    assert [alarm.trigger.value for alarm in event.valarm_list] == [timedelta(hours=-5), timedelta(hours=7)]
    assert all(alarm.action.value == "DISPLAY" for alarm in event.valarm_list)


def test_another_hour_in_the_shelf_file_is_an_update() -> None:
    first = told((), planned((SATURDAY, "oven", "a")))
    at_ten = sessions(planned((SATURDAY, "oven", "a")), CalendarRules(begins=time(10)))
    [event] = announce(first, at_ten, site="attic", today=TODAY, now=NOW)
    assert (event.uid, event.sequence) == (first[0].uid, 1)


def test_text_is_escaped_and_folded_so_that_readers_have_it_whole() -> None:
    """RFC 5545: lines of at most 75 octets (3.1), commas, semicolons, backslashes and newlines escaped (3.3.11)."""
    hostile = "b\\ox; one, “zwölf”\N{BLACK SUN WITH RAYS}" * 3
    day = PlannedDay(SATURDAY, "oven", (hostile,), {hostile: "It is due;\nnow, or never." * 5})
    events = told((), RechargePlan("oven", (day,)))
    text = text_of(events)
    assert all(len(line) <= 75 for line in text.split(b"\r\n"))
    [event] = read(events).values()
    assert event.summary.value == f"Dry beads (oven): {hostile}"
    assert event.description.value == events[0].session.details
    assert "A batch takes about 40 minutes." in event.description.value
    assert "burn" in event.description.value
    calendar = Calendar.from_ical(text)
    assert calendar.to_ical() == text
    assert calendar.errors == []
