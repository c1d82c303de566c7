"""Shapes drawn on the server: beads add up, charts stay in their frame, gaps stay gaps."""

from __future__ import annotations

import math
import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from answers_by_hand import AS_OF
from hypothesis import given
from hypothesis import strategies as st
from shelf_on_page import assessments

from monitor.records import Quantiles, ReadingSeries
from monitor.web.box.axes import Axes
from monitor.web.drawing import (
    _over,
    bead_column,
    frame_of,
    strip,
    top_pct,
)

ZONE = ZoneInfo("Europe/Vienna")
ALL_BEADS = bead_column(None).unknown.count("M")


def series(hours: list[float], humidity: float = 0.1) -> ReadingSeries:
    at_s = np.array([AS_OF.timestamp() - 3600 * hour for hour in sorted(hours, reverse=True)])
    return ReadingSeries(
        "soon", at_s, np.full(len(hours), 21.0), np.full(len(hours), humidity), np.zeros(len(hours), int)
    )


@given(st.lists(st.floats(-0.5, 1.5), min_size=3, max_size=3).map(sorted))
def test_every_bead_is_used_unsure_or_fresh(shares: list[float]) -> None:
    column = bead_column(Quantiles(*shares))
    counts = [path.count("M") for path in (column.used, column.unsure, column.fresh)]
    assert sum(counts) == ALL_BEADS
    assert column.unknown == ""
    assert column.level_y is not None
    assert 10 < column.level_y < 206


def test_more_used_capacity_fills_more_beads_from_below() -> None:
    half = bead_column(Quantiles(0.5, 0.5, 0.5))
    heights = [[float(y) for _, y in re.findall(r"M([\d.]+) ([\d.]+)", path)] for path in (half.used, half.fresh)]
    assert min(heights[0]) > max(heights[1]) - 1.0, "used beads lie below fresh ones"
    assert abs(half.used.count("M") / ALL_BEADS - 0.5) < 0.02
    assert bead_column(Quantiles(1.0, 1.0, 1.0)).fresh == ""


@pytest.mark.parametrize("over_by", [0.005, 0.05, 0.12, 0.15, 0.19, 0.5])
def test_by_how_much_stands_free_of_the_line_that_it_names(over_by: float) -> None:
    """Figures of 15 units stand on their baseline, some 11 units high; the stopper ends 11 units below the top."""
    over = _over(over_by)
    assert not over.label_y - 11.0 <= over.top_y <= over.label_y
    assert over.label_y - 11.0 > 11.0


def test_silence_of_two_days_breaks_the_line() -> None:
    frame = frame_of(AS_OF, assessments(), [], 30)
    whole = strip(assessments()[1], series(list(range(1, 200))), frame, ZONE)
    broken = strip(assessments()[1], series([*range(1, 50), *range(150, 200)]), frame, ZONE)
    assert whole.seen.count("M") == 1
    assert broken.seen.count("M") == 2


def test_a_crossing_beyond_the_chart_is_not_drawn() -> None:
    frame = frame_of(AS_OF, assessments(), [], 30)
    _, soon, _, _, far, _ = assessments()
    assert strip(far, None, frame, ZONE).crossing_x is None
    drawn = strip(soon, None, frame, ZONE)
    assert drawn.crossing_x is not None
    low, middle, high = drawn.crossing_x
    assert drawn.now_x < low < middle < high < frame.x(frame.end)


def test_what_is_expected_begins_where_what_was_seen_ends() -> None:
    frame = frame_of(AS_OF, assessments(), [], 30)
    drawn = strip(assessments()[1], series(list(range(1, 300))), frame, ZONE)
    first = float(re.match(r"M([\d.]+)", drawn.middle)[1])  # type: ignore[index]
    assert drawn.now_x <= first <= frame.x(AS_OF + timedelta(days=1, hours=1))


@given(st.floats(0.0, 1.0))
def test_the_axis_ends_above_what_it_shows(highest: float) -> None:
    assert 100 * highest <= top_pct(highest) + 1e-9 <= 100 + 1e-9


def test_a_line_of_a_chart_always_begins_with_a_move() -> None:
    axes = Axes(52.0, 470.0, 18.0, 250.0, 0.0, 10.0, 0.0, 1.0)
    for values in ([0.1, 0.2, 0.3], [math.nan, 0.2, 0.3], [0.1, math.nan, 0.3]):
        assert re.fullmatch(r"(M[^ML]+(L[^ML]+)*)*", axes.line([0.0, 1.0, 2.0], values, math.inf))
        assert axes.line([0.0, 1.0, 2.0], values, math.inf)
