"""Dates and changes in words: no day without the year it needs, no change without its span."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from answers_by_hand import AS_OF, LEAK, assessment_of, forecast_of

from monitor.presentation.wording import Wording
from monitor.records import Assessment, BoxState, DateQuantiles, Quantiles, Tightness, WhatIf

WORDS = Wording(ZoneInfo("UTC"))


def test_a_crossing_beyond_the_horizon_is_told_in_one_form() -> None:
    first = datetime(AS_OF.year, AS_OF.month, 1, tzinfo=UTC) + timedelta(days=200)
    far = replace(forecast_of(100.0), cross_at=DateQuantiles(first, None, None))
    for said in (WORDS.crossing(far, AS_OF), WORDS.crossing_in_brief(far, AS_OF)):
        assert said == f"in more than 17 months (at the earliest {first.day} {first:%b})"
    beyond = replace(far, cross_at=DateQuantiles(None, None, None))
    assert WORDS.crossing(beyond, AS_OF) == "in more than 17 months (after 26 Aug 2027)"


def test_a_moment_of_the_hour_that_comes_twice_says_which() -> None:
    """Vienna's clocks went from 03:00 back to 02:00 on 25 October 2026, at 01:00 UTC."""
    words, first = Wording(ZoneInfo("Europe/Vienna")), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    moments = [words.moment(first + timedelta(hours=hours)) for hours in (-1, 0, 1, 2)]
    assert moments == [f"25 Oct 2026, {time}" for time in ("01:30", "02:30 CEST", "02:30 CET", "03:30")]


def test_a_near_crossing_needs_no_year() -> None:
    assert str(AS_OF.year) not in WORDS.crossing(forecast_of(20.0), AS_OF)


def test_a_change_is_told_with_its_span_its_factor_and_where_to_look() -> None:
    days = [AS_OF - timedelta(days=back) for back in (12, 10, 9)]
    changed = replace(
        LEAK, changed_at=days[1], changed_between=(days[0], days[2]), change_factor=Quantiles(3.1, 5.0, 8.2),
        change_words="See whether its lid sits as it should.",
    )  # fmt: skip
    first, at, last = (f"{day.day} {day:%b}" for day in days)
    assert WORDS.change(changed, AS_OF) == (
        f"Since {at} ({first.split()[0]} – {last}) it has been 5.0 (3.1 – 8.2) times as leaky as before. "
        "See whether its lid sits as it should."
    )
    assert not WORDS.change(LEAK, AS_OF)


def test_a_change_within_one_month_of_another_year_names_month_and_year_once() -> None:
    first, at, last = (datetime(2025, 7, day, 12, tzinfo=UTC) for day in (4, 5, 7))
    changed = replace(LEAK, changed_at=at, changed_between=(first, last), change_factor=Quantiles(5.0, 7.6, 11.0))
    assert WORDS.change(changed, AS_OF).startswith("Since 5 Jul 2025 (4 – 7 Jul 2025) it has been 7.6")
    longer = replace(changed, changed_between=(first, last + timedelta(days=40)))
    assert WORDS.change(longer, AS_OF).startswith("Since 5 Jul 2025 (4 Jul – 16 Aug 2025) it has been")


def test_a_crossing_open_to_one_side_bears_its_years() -> None:
    first, middle = (AS_OF + timedelta(days=ahead) for ahead in (120, 320))
    said = WORDS.crossing(replace(forecast_of(20.0), cross_at=DateQuantiles(first, middle, None)), AS_OF)
    assert said == "18 Jan 2027 (2 Jul or later)"


def test_an_interval_of_another_year_bears_that_year_once() -> None:
    def said(*ahead: int) -> list[str]:
        dates = DateQuantiles(*(AS_OF + timedelta(days=days) for days in ahead))
        there = replace(forecast_of(20.0), cross_at=dates)
        return [WORDS.crossing(there, AS_OF), WORDS.crossing_in_brief(there, AS_OF)]

    assert said(290, 305, 320) == ["3 Jan 2027 (19 Dec – 18 Jan 2027)", "Jan 2027 (Dec – Jan 2027)"]
    assert said(305, 330, 365) == ["28 Jan 2027 (3 Jan – 4 Mar 2027)", "Jan 2027 (Jan – Mar 2027)"]
    assert said(320, 325, 330) == ["23 Jan 2027 (18 – 28 Jan 2027)", "Jan 2027"]
    assert WORDS.day(AS_OF - timedelta(days=63), AS_OF) == "31 Dec 2025"


def test_an_opening_is_told_in_grams_and_in_hours_of_leak() -> None:
    opened = replace(LEAK, opening_g=Quantiles(0.05, 0.07, 0.09), opening_hours=Quantiles(20.0, 30.0, 44.0))
    said = WORDS.opening(opened).replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert said == "Each opening lets in about 0.070 g of water. The leak takes 30 hours to let in as much."
    assert not WORDS.opening(replace(LEAK, opening_g=None, opening_hours=None))


def plain(text: str) -> str:
    return text.replace("\N{NARROW NO-BREAK SPACE}", " ")


def test_a_box_has_one_thing_to_do_and_one_day_to_do_it_by() -> None:
    """AS_OF is Wednesday, 4 March 2026; a day beyond eleven weeks needs no weekday."""
    over, soon, far = (assessment_of("box", forecast_of(days)) for days in (-10.0, 8.0, 200.0))
    assert over.charge is not None
    fresh = replace(over, charge=replace(over.charge, at=AS_OF - timedelta(hours=5)))
    ever = assessment_of("box", forecast_of(900.0))
    assert [WORDS.to_do(one) for one in (over, replace(over, charge=None), fresh)] == [
        "dry beads now", "log its beads or put some in now", "look again tomorrow",
    ]  # fmt: skip
    assert WORDS.to_do(soon) == "dry beads by Mon 9 Mar"
    young = replace(soon, forecast=None, due_at=None, state=BoxState.not_enough_evidence)
    assert (WORDS.to_do(young), WORDS.to_do(replace(young, charge=None))) == (
        "keep closed, wait",
        "log its beads, keep closed",
    )
    assert WORDS.beads_full(replace(young, charge=None)) == "none logged"
    assert WORDS.to_do(replace(soon, charge=None)) == "log its beads or put some in by Mon 9 Mar"
    weekends = replace(WORDS, oven_weekdays=(5, 6))
    assert weekends.to_do(over) == "dry beads now (next drying day: Sat 7 Mar)"
    assert weekends.to_do(fresh) == "look again tomorrow"
    assert WORDS.to_do(replace(soon, due_at=AS_OF)) == "dry beads today"
    assert WORDS.to_do(far) == "dry beads by 17 Sep"
    assert WORDS.to_do(ever) == "nothing before 2027"
    without = {
        BoxState.not_enough_evidence: "keep closed, wait",
        BoxState.no_readings: "log its beads, or switch its sensor on",
        BoxState.estimate_failed: "report the failure",
        BoxState.undeclared: "make it a box",
    }
    assert {state: WORDS.to_do(assessment_of("box", None, state)) for state in without} == without


def test_beads_are_full_or_full_by_a_share() -> None:
    half = assessment_of("box", replace(forecast_of(20.0), capacity_used=Quantiles(0.4, 0.5, 0.6)))
    spent = replace(half, forecast=replace(forecast_of(-9.0), capacity_used=Quantiles(1.31, 1.38, 1.46)))
    nearly = replace(half, forecast=replace(forecast_of(9.0), capacity_used=Quantiles(0.78, 0.89, 1.04)))
    said = [plain(WORDS.beads_full(one)) for one in (half, spent, nearly, replace(half, charge=None))]
    assert said == ["50 % full (40 – 60)", "full", "89 % full (78 – full)", "none logged"]
    assert plain(WORDS.beads_full(half, brief=True)) == "50 %"
    assert WORDS.beads_full(assessment_of("box", None)) == "unknown"


def test_the_course_of_a_box_tells_day_and_chances() -> None:
    soon = plain(WORDS.course(assessment_of("box", forecast_of(20.0))))
    assert soon == (
        "Humidity will probably rise above 20 % about 24 Mar (between 20 and 29 Mar). "
        "The chance of that is less than 1 % in the next 7 days and more than 99 % in the next 30."
    )
    later = plain(WORDS.course(assessment_of("box", forecast_of(60.0))))
    assert later.endswith("The chance of that is less than 1 % in the next 30 days.")
    ever = plain(WORDS.course(assessment_of("box", forecast_of(900.0))))
    assert ever == (
        "Humidity will probably stay below 20 % for more than 17 months. "
        "The chance that it rises above it is less than 1 % in the next 30 days."
    )
    over = assessment_of("box", replace(forecast_of(-10.0), chance_over_already=0.97))
    assert plain(WORDS.course(over)) == "The chance that it is above 20 % now is 97 %."
    sure = assessment_of("box", replace(forecast_of(-10.0), chance_over_already=0.999))
    assert plain(WORDS.course(sure)) == "It is almost surely above 20 % now."
    assert not WORDS.course(assessment_of("box", None))


def silent(days: float) -> Assessment:
    soon = assessment_of("box", forecast_of(8.0))
    assert soon.latest is not None
    return replace(soon, latest=soon.latest._replace(at=AS_OF - timedelta(days=days)))


def test_an_old_reading_never_stands_for_today() -> None:
    old, new = silent(40.0), silent(0.9)
    assert plain(WORDS.reading(old)) == "12.1 %, 40 days ago"
    assert plain(WORDS.reading(old, brief=True)) == "12.1 % (old)"
    assert plain(WORDS.reading_of_temperature(old)) == "21.5 °C, 40 days ago"
    assert plain(WORDS.estimate_now(old)) == "about 12.0 % now, by estimate"
    assert WORDS.to_do(old) == "check its sensor (battery, radio); dry beads by Mon 9 Mar"
    assert plain(WORDS.reason(old)) == (
        "Its last reading is from 40 days ago. Humidity is about 12.0 % now, by estimate."
    )
    assert [plain(said) for said in (WORDS.reading(new), WORDS.reading_of_temperature(new))] == ["12.1 %", "21.5 °C"]
    assert not WORDS.estimate_now(new)
    assert "sensor" not in WORDS.to_do(new)
    nothing = replace(old, forecast=None, state=BoxState.not_enough_evidence)
    assert WORDS.to_do(nothing) == "check its sensor (battery, radio)"


def test_a_lid_that_leaks_is_the_first_thing_to_do_and_the_first_reason() -> None:
    leak = replace(LEAK, changed_at=AS_OF - timedelta(days=20), change_factor=Quantiles(5.1, 8.3, 13.0))
    box = replace(assessment_of("box", forecast_of(8.0)), leak=leak)
    assert WORDS.to_do(box) == "check the lid and seal; dry beads by Mon 9 Mar"
    assert plain(WORDS.reason(box)) == (
        "Check the lid and seal: this box has leaked about 8 times as much since 12 February. Its beads are 50 % full."
    )


def test_what_grams_rest_on_is_said_where_grams_are_and_never_where_beads_are_to_be_dried() -> None:
    assumed = replace(LEAK, grams_words="Amounts of water assume the 100 g of beads you entered. Weigh them once.")
    soon, over = (replace(assessment_of("box", forecast_of(days)), leak=assumed) for days in (8.0, -10.0))
    assert WORDS.evidence(soon, with_grams=True)[-1] == assumed.grams_words
    assert WORDS.evidence(soon, with_grams=False) == ["Forty days of readings since the beads went in."]
    assert WORDS.evidence(over, with_grams=True) == WORDS.evidence(over, with_grams=False)
    measured = replace(over, leak=replace(assumed, grams_known=True, grams_words="Amounts of water are measured."))
    assert WORDS.evidence(measured, with_grams=True)[-1] == "Amounts of water are measured."


def test_beads_that_just_went_in_are_not_to_be_dried_to_know_more() -> None:
    over = replace(assessment_of("box", forecast_of(-10.0)), sharpen="Dry the beads; no measurement is needed.")
    assert over.charge is not None
    fresh = replace(over, charge=replace(over.charge, at=AS_OF - timedelta(hours=5)))
    assert [WORDS.sharpen(over), WORDS.sharpen(fresh)] == ["Dry the beads; no measurement is needed.", ""]


def test_how_a_box_closes_is_one_word() -> None:
    said = [WORDS.for_its_kind(replace(LEAK, for_its_kind=kind)) for kind in (*Tightness, None)]
    assert said == ["tight", "usual", "leaky: check the lid", "–"]


def test_a_change_is_told_beside_what_it_takes_the_place_of() -> None:
    change = WhatIf(humidity_limit=0.25, conductance_factor=0.5)
    assert [plain(said) for said in WORDS.changes(change, 0.20)] == ["a limit of 25 % instead of 20 %", "half the leak"]
    assert WORDS.changes(WhatIf(conductance_factor=2.0)) == ["double the leak"]
    assert WORDS.changes(WhatIf(conductance_factor=0.8)) == ["0.8 times the leak"]


def test_beads_that_have_just_gone_in_are_heeded_at_once() -> None:
    wet = assessment_of("box", replace(forecast_of(-9.0), capacity_used=Quantiles(1.3, 1.4, 1.5)))
    assert (WORDS.state(wet), WORDS.beads_full(wet)) == ("over limit", "full")
    charge = replace(wet.charge, at=AS_OF - timedelta(hours=5)) if wet.charge else None
    dries = replace(wet, charge=charge)
    assert (WORDS.state(dries), WORDS.to_do(dries)) == ("fresh beads", "look again tomorrow")
    assert WORDS.state(dries, iso=True) == "over limit"
    at = (AS_OF - timedelta(hours=5)).astimezone(WORDS.zone)
    assert WORDS.beads_full(dries) == f"fresh since {at:%H:%M}"
    undried = replace(dries, charge=replace(charge, method="not_dried") if charge else None)
    assert WORDS.beads_full(undried) == "full"


def test_a_reading_from_before_the_beads_is_not_shown_as_of_now() -> None:
    answer = assessment_of("box", forecast_of(20.0))
    charge = replace(answer.charge, at=AS_OF - timedelta(minutes=2)) if answer.charge else None
    before = replace(answer, charge=charge)
    assert plain(WORDS.reading(before)) == "12.1 %, from before the fresh beads"
    assert plain(WORDS.estimate_now(before)) == "about 12.0 % now, by estimate"
    assert plain(WORDS.reading(answer)) == "12.1 %"


def test_until_when_a_box_holds_is_told_by_the_day_it_is_due_and_by_the_middle_of_its_crossing() -> None:
    ahead = forecast_of(26.0, 6.0)
    due = assessment_of("box", ahead).due_at
    assert due is not None
    assert ahead.cross_at.p50 is not None
    said = WORDS.holds(ahead, AS_OF)
    assert said.startswith(f"until {WORDS.day(due, AS_OF)} (after that, the chance that it is over is above 1 in 5)")
    assert f"most likely it passes its limit about {WORDS.day(ahead.cross_at.p50, AS_OF)} (" in said
