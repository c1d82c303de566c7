"""A newer reading is put into what is believed where it is a mere figure; where it says more, all is asked anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from answers_by_hand import AS_OF, assessment_of, forecast_of

from monitor.records import Assessment, Box, BoxState, EntryKind, LedgerEntry, Mark, Reading
from monitor.services.assess import with_newest

LATER = AS_OF + timedelta(minutes=10)


def box(humidity: float = 0.15, minutes_ago: float = 10.0, marks: int = 0, median_days: float = 40.0) -> Assessment:
    latest = Reading("left", AS_OF - timedelta(minutes=minutes_ago), 21.0, humidity, marks=marks)
    return replace(assessment_of("left", forecast_of(median_days)), latest=latest, charge=None)


def shown(humidity: float, marks: int = 0) -> Reading:
    return Reading("left", AS_OF + timedelta(minutes=5), 21.0, humidity, marks=marks)


def test_a_figure_is_put_in_and_all_else_stays() -> None:
    before = box()
    (after,), whole = with_newest([before], {"left": shown(0.16)}, LATER)
    assert whole
    assert after == replace(before, as_of=LATER, latest=shown(0.16))


@pytest.mark.parametrize(
    ("before", "reading"),
    [
        (box(0.19), shown(0.21)),
        (replace(box(0.21, median_days=-2.0), state=BoxState.over_limit), shown(0.19)),
        (box(minutes_ago=60 * 30), shown(0.15)),
        (replace(box(), latest=None, state=BoxState.no_readings), shown(0.15)),
        (box(0.15, marks=Mark.spike.bit), shown(0.15)),
    ],
    ids=["rises over", "falls under", "speaks again", "speaks first", "good again"],
)
def test_what_says_more_waits_for_an_assessment(before: Assessment, reading: Reading) -> None:
    (after,), whole = with_newest([before], {"left": reading}, LATER)
    assert not whole
    assert after == replace(before, as_of=LATER)


def test_a_reading_that_is_marked_says_nothing_of_the_limit() -> None:
    (after,), whole = with_newest([box(0.15)], {"left": shown(0.99, Mark.spike.bit)}, LATER)
    assert whole
    assert after.latest == shown(0.99, Mark.spike.bit)


def test_a_reading_from_before_the_beads_says_nothing_of_the_limit() -> None:
    charge = LedgerEntry(EntryKind.charge, "left", AS_OF + timedelta(minutes=7), dry_mass_g=100.0)
    _, whole = with_newest([replace(box(0.15), charge=charge)], {"left": shown(0.5)}, LATER)
    assert whole


def test_late_readings_and_those_of_the_future_change_nothing() -> None:
    before = box()
    for odd in (replace_at(shown(0.3), AS_OF - timedelta(hours=2)), replace_at(shown(0.3), LATER + timedelta(days=9))):
        (after,), whole = with_newest([before], {"left": odd}, LATER)
        assert (after.latest, whole) == (before.latest, True)


def replace_at(reading: Reading, at: object) -> Reading:
    return reading._replace(at=at)


def test_a_box_that_is_new_asks_for_an_assessment_and_a_room_does_not() -> None:
    there = replace(box(), box=Box("left", 10.0, room="cellar"))
    for name, is_whole in (("stranger", False), ("cellar", True), ("room", True)):
        _, whole = with_newest([there], {name: shown(0.5)._replace(box=name)}, LATER)
        assert whole is is_whole


def test_of_several_only_the_one_that_says_more_waits() -> None:
    other = replace(box(), box=replace(box().box, name="right"))
    readings = {"left": shown(0.3), "right": shown(0.16)._replace(box="right")}
    (left, right), whole = with_newest([box(), other], readings, LATER)
    assert not whole
    assert left.latest == box().latest
    assert right.latest == readings["right"]
