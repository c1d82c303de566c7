"""What the leak was read from, drawn: water taken up against the push behind it, the line, and where it bends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING

from monitor.presentation.amounts import NARROW, TO, figures
from monitor.texts import say
from monitor.units import grams_to_ounces
from monitor.web.box.axes import Axes, Tick, round_end

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, LeakEstimate, LeakLine

_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 470.0, 18.0, 250.0  # units of the drawing; judgement: as the template's view box
_MOST_ROWS = 12  # a count; judgement: a table that is read, not searched
_WORDS_WIDE = 130.0  # units of the drawing; judgement: the words of a change, with the year


@dataclass(frozen=True, slots=True)
class LeakPicture:
    """The leak line, ready for the template."""

    axes: Axes
    pushes: Sequence[Tick]
    masses: Sequence[Tick]
    mass_unit: str
    points: str
    lines: Sequence[str]
    bands: Sequence[str]
    change: Tick | None
    change_anchor: str
    """Which end of the words of the change stands at their place: start or end."""
    first_day: str
    last_day: str
    slope: str
    rows: Sequence[tuple[str, str, str, str]]
    """Day, push, taken up, by the line."""


def leak_picture(answer: Assessment, line: LeakLine | None, words: Wording) -> LeakPicture | None:
    """Return the leak line of a box; None where there is none."""
    leak = answer.leak
    if line is None or leak is None:
        return None
    scale = grams_to_ounces(1.0) if words.ounces else 1.0
    axes = _axes(line, scale)
    pieces = list(pairwise((0, *line.pieces, len(line.at_s))))
    change = _change(answer, line, axes, words)
    return LeakPicture(
        axes=axes,
        pushes=axes.along(),
        masses=axes.levels(),
        mass_unit=words.mass_unit,
        points=axes.dots(line.push_kpa_days, _scaled(line.taken_up_g, scale)),
        lines=[axes.line(*_piece(line, scale, piece, line.line_g), math.inf) for piece in pieces],
        bands=[
            axes.band(*_piece(line, scale, piece, line.line_low_g), _piece(line, scale, piece, line.line_high_g)[1])
            for piece in pieces
        ],
        change=change,
        change_anchor=_anchor(change, axes),
        first_day=words.day(_instant(line.at_s[0]), answer.as_of),
        last_day=words.day(_instant(line.at_s[-1]), answer.as_of),
        slope=say("{flow} a day per kPa", flow=_flow(leak, words)),
        rows=_rows(line, answer, words, scale),
    )


def _axes(line: LeakLine, scale: float) -> Axes:
    heights = (*line.taken_up_g, *line.line_low_g, *line.line_high_g)
    low, high = min(0.0, *heights) * scale, max(0.0, *heights) * scale
    first, last = min(0.0, *line.push_kpa_days), max(line.push_kpa_days)
    low, high = round_end(low), round_end(high)
    return Axes(
        _LEFT, _RIGHT, _TOP, _BOTTOM, first, last if last > first else first + 1.0, low, high if high > low else low + 1
    )


def _piece(
    line: LeakLine, scale: float, piece: tuple[int, int], heights: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Return a piece of a line in the order of its push, and its heights."""
    some = slice(*piece)
    order = sorted(zip(line.push_kpa_days[some], _scaled(heights[some], scale), strict=True))
    return [push for push, _ in order], [height for _, height in order]


def _scaled(grams: Sequence[float], scale: float) -> list[float]:
    return [scale * one for one in grams]


def _change(answer: Assessment, line: LeakLine, axes: Axes, words: Wording) -> Tick | None:
    if line.changed_push_kpa_days is None or answer.leak is None or answer.leak.changed_at is None:
        return None
    return Tick(axes.x(line.changed_push_kpa_days), words.day(answer.leak.changed_at, answer.as_of))


def _anchor(change: Tick | None, axes: Axes) -> str:
    return "end" if change is not None and change.place > axes.right - _WORDS_WIDE else "start"


def _rows(line: LeakLine, answer: Assessment, words: Wording, scale: float) -> list[tuple[str, str, str, str]]:
    count = len(line.at_s)
    places = sorted({round(row * (count - 1) / (_MOST_ROWS - 1)) for row in range(_MOST_ROWS)})
    return [
        (
            words.day(_instant(line.at_s[place]), answer.as_of),
            figures(line.push_kpa_days[place]),
            figures(scale * line.taken_up_g[place]),
            f"{figures(scale * line.line_g[place])} ({figures(scale * line.line_low_g[place])} {TO} "
            f"{figures(scale * line.line_high_g[place])})",
        )
        for place in places
    ]


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


def _flow(leak: LeakEstimate, words: Wording) -> str:
    return f"{words.masses(leak.conductance_g_per_day_per_kpa)}{NARROW}{words.mass_unit}"
