"""Dates and changes in words: no day without the year it needs, no change without its span."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from made_up import AS_OF, LEAK, assessment_of, forecast_of

from monitor.presentation.wording import Wording
from monitor.records import BoxState, DateQuantiles, Quantiles

WORDS = Wording(ZoneInfo("UTC"))


def test_the_first_day_of_a_far_crossing_bears_its_year() -> None:
    first = datetime(AS_OF.year, AS_OF.month, 1, tzinfo=UTC) + timedelta(days=200)
    far = replace(forecast_of(100.0), cross_at=DateQuantiles(first, None, None))
    for said in (WORDS.crossing(far, AS_OF), WORDS.crossing_in_brief(far, AS_OF)):
        assert f"({first.day} {first:%b %Y} – later)" in said


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
    first, middle = (AS_OF + timedelta(days=ahead) for ahead in (120, 280))
    said = WORDS.crossing(replace(forecast_of(20.0), cross_at=DateQuantiles(first, middle, None)), AS_OF)
    assert said.startswith(f"{middle.day} {middle:%b %Y} ({first.day} {first:%b %Y} – after ")


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
        "dry beads now", "put dry beads in now", "look again tomorrow",
    ]  # fmt: skip
    assert WORDS.to_do(soon) == "dry beads by Mon 9 Mar"
    assert WORDS.to_do(replace(soon, charge=None)) == "put dry beads in by Mon 9 Mar"
    assert WORDS.to_do(replace(soon, due_at=AS_OF)) == "dry beads today"
    assert WORDS.to_do(far) == "dry beads by 17 Sep"
    assert WORDS.to_do(ever) == "nothing before 2027"
    without = {
        BoxState.not_enough_evidence: "wait for readings",
        BoxState.no_readings: "check its sensor",
        BoxState.estimate_failed: "report the failure",
        BoxState.undeclared: "add it to shelf.toml",
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
    assert soon.startswith("It passes 20 % about 24 Mar (20")
    assert soon.endswith("The chance is under 1 % within 7 days and over 99 % within 30 days.")
    over = assessment_of("box", replace(forecast_of(-10.0), chance_over_already=0.97))
    assert plain(WORDS.course(over)) == "The chance that it is over 20 % now is 97 %."
    assert not WORDS.course(assessment_of("box", None))
