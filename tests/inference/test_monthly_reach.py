"""What an appliance leaves in beads by month: the physics of that month's room, moved by what earlier runs reached."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.inference.drying.monthly_reach import EarlierEnd, monthly_reach, months_of
from monitor.inference.drying.reach import reach
from monitor.inference.evidence.room_climate import learn_room
from monitor.physics.materials import desiccant
from monitor.records import Appliance, Quantiles, RoomClimate

GEL = desiccant("silica_regular")
DRYER, OVEN, MICROWAVE = Appliance("warm", "filament_dryer", 65.0), Appliance("oven"), Appliance("waves", "microwave")
NOW_S = datetime(2026, 11, 26, tzinfo=UTC).timestamp()
MONTHS = months_of(learn_room(None, None, NOW_S), NOW_S)
JANUARY, JULY, AUGUST = 0, 6, 7


def ended(factor: float, room: RoomClimate = MONTHS[JANUARY], degc: float | None = 65.0) -> EarlierEnd:
    """A run that ended so many times as wet as physics expects, as well weighed as runs are."""
    [expected] = monthly_reach(DRYER, GEL, [room])
    middle = factor * expected.p50
    return EarlierEnd(Quantiles(0.8 * middle, middle, 1.25 * middle), degc, room)


def test_a_humid_summer_leaves_more_water_in_beads_dried_by_warm_air() -> None:
    by_month = [month.p50 for month in monthly_reach(DRYER, GEL, MONTHS)]
    assert by_month[AUGUST] == max(by_month) > 1.15 * by_month[JANUARY]  # homes are moistest in August
    assert by_month[JANUARY] == pytest.approx(min(by_month), rel=0.02)


def test_without_runs_it_is_what_the_desk_tells_of_that_room() -> None:
    for tool in (DRYER, OVEN, MICROWAVE):
        told = monthly_reach(tool, GEL, MONTHS)
        assert [reach(tool, GEL, room, 100.0, 0.2).end_g_per_g for room in MONTHS] == list(told)


def test_a_microwave_minds_no_season() -> None:
    assert len(set(monthly_reach(MICROWAVE, GEL, MONTHS))) == 1


def test_runs_that_ended_wetter_move_every_month_and_many_of_them_all_the_way() -> None:
    expected, once, often = (monthly_reach(DRYER, GEL, MONTHS, [ended(2.0)] * count) for count in (0, 1, 30))
    for physics, one, many in zip(expected, once, often, strict=True):
        assert physics.p50 < one.p50 < many.p50
        assert many.p50 == pytest.approx(2.0 * physics.p50, rel=0.08)
        assert many.p95 / many.p50 < one.p95 / one.p50


@settings(max_examples=30, deadline=None)
@given(factors=st.lists(st.floats(0.2, 5.0), min_size=1, max_size=6))
def test_the_answer_lies_between_physics_and_the_runs(factors: list[float]) -> None:
    [physics], [told] = (monthly_reach(DRYER, GEL, MONTHS[:1], runs) for runs in ([], [ended(one) for one in factors]))
    low, high = min(1.0, *factors), max(1.0, *factors)
    assert low * physics.p50 * 0.999 <= told.p50 <= high * physics.p50 * 1.001
    assert told.p05 < told.p50 < told.p95


def test_a_run_is_held_against_the_room_it_was_in() -> None:
    """A summer's run that ended as physics expects of summer says nothing new of winter."""
    [physics], [told] = (monthly_reach(DRYER, GEL, MONTHS[:1], runs) for runs in ([], [ended(1.0, MONTHS[JULY])]))
    assert told.p50 == pytest.approx(physics.p50)


def test_a_run_that_ended_bone_dry_is_no_logarithm_of_nothing() -> None:
    dry = EarlierEnd(Quantiles(-0.002, 0.0, 0.003), 110.0, MONTHS[JANUARY])
    [told] = monthly_reach(OVEN, GEL, MONTHS[:1], [dry])
    assert 0.0 < told.p05 < told.p50 < told.p95 < 0.05


def test_months_begin_with_january_and_are_those_ahead() -> None:
    learned = learn_room(None, RoomClimate(20.0, 0.5, southern_hemisphere=True), NOW_S)
    southern = [month.relative_humidity for month in months_of(learned, NOW_S)]
    assert southern[JANUARY] > southern[JULY]
