"""The curve of a drying run as SVG path data: weighings, the fitted curve with its band, the floor, the next step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.presentation.amounts import joined
from monitor.presentation.desk_amounts import CURVE_IN_HOURS_FROM_S, minutes, wording_scale
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from monitor.desk import RunCurve
    from monitor.presentation.wording import Wording

_LEFT, _RIGHT, _TOP, _BOTTOM = (
    42.0,
    412.0,
    10.0,
    216.0,
)  # units of the drawing, 420 × 250; judgement: room for figures
_MARGIN_SHARE = 0.06  # of the height; judgement: no line lies on the edge
_STEPS_WANTED = 4  # a count; judgement: lines that can be told apart on a phone
_STEPS = (1.0, 2.0, 5.0, 10.0)  # times a power of ten; judgement: figures that people count in
_NEARLY = 0.75  # of the step that would give as many lines as wanted; judgement: some more lines do no harm
_LEAST_SPAN = 1e-6  # grams or minutes; judgement: no division by zero


@dataclass(frozen=True, slots=True)
class Mark:
    """A weighing or a tick: where it stands, and what it says."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class CurveView:
    """The picture of a run."""

    band: str
    middle: str
    floor_y: float
    floor: str
    points: tuple[tuple[float, float], ...]
    stirred: tuple[float, ...]
    """Where across the beads were stirred."""
    next_x: float | None
    next_y: float
    across: tuple[Mark, ...]
    up: tuple[Mark, ...]
    unit: str
    hours: bool
    words: str
    """The picture in a sentence, for whoever doesn't see it."""


def curve_view(curve: RunCurve, words: Wording) -> CurveView:
    """Return the picture of a run."""
    scale = wording_scale(words)
    first_s, last_s = float(curve.heated_s[0]), float(curve.heated_s[-1])
    first_s = min([first_s, *(heated_s for heated_s, _ in curve.weighed)])
    low, middle, high = (scale * row for row in curve.band_g)
    shown = [scale * mass_g for _, mass_g in curve.weighed]
    lowest = min([float(low.min()), scale * curve.floor_g, *shown])
    highest = max([float(middle.max()), *shown])
    margin = _MARGIN_SHARE * max(highest - lowest, 1.0 * scale)
    x, y = _axis(first_s, last_s, _LEFT, _RIGHT), _axis(lowest - margin, highest + margin, _BOTTOM, _TOP)
    hours = last_s > CURVE_IN_HOURS_FROM_S
    report = curve.report
    next_s = report.heated_s + report.judgement.next_step_s
    ahead = report.run.open and next_s <= last_s
    after_g = scale * (report.mass_g - report.judgement.next_gain_g.p50)
    floor = f"{scale * curve.floor_g:.{1 if words.ounces else 0}f} {words.mass_unit}"
    return CurveView(
        band=_path(_pairs(curve.heated_s, high, x, y)) + _back(_pairs(curve.heated_s, low, x, y)),
        middle=_path(_pairs(curve.heated_s, middle, x, y)),
        floor_y=y(scale * curve.floor_g),
        floor=floor,
        points=tuple((x(heated_s), y(mass)) for (heated_s, _), mass in zip(curve.weighed, shown, strict=True)),
        stirred=tuple(x(heated_s) for heated_s in report.run.stirred_after_s),
        next_x=x(next_s) if ahead else None,
        next_y=y(after_g),
        across=_marks(first_s / (3600.0 if hours else 60.0), last_s / (3600.0 if hours else 60.0), hours, x),
        up=tuple(Mark(y(tick), f"{tick:g}") for tick in _ticks(lowest - margin, highest + margin)),
        unit=words.mass_unit,
        hours=hours,
        words=_words(curve, shown, floor, words),
    )


def _words(curve: RunCurve, shown: Sequence[float], floor: str, words: Wording) -> str:
    weight = say(
        "Weight of the beads over heating: from {first} to {last} {unit}; as dry as this appliance gets them they "
        "weigh {floor}",
        first=f"{shown[0]:.1f}",
        last=f"{shown[-1]:.1f}",
        unit=words.mass_unit,
        floor=floor,
    )
    stirred = [minutes(heated_s) for heated_s in curve.report.run.stirred_after_s]
    return say("{weight}; stirred after {times}", weight=weight, times=joined(stirred)) if stirred else weight


def _axis(first: float, last: float, begin: float, end: float) -> _Axis:
    return _Axis(first, max(last - first, _LEAST_SPAN), begin, end)


@dataclass(frozen=True, slots=True)
class _Axis:
    first: float
    span: float
    begin: float
    end: float

    def __call__(self, value: float) -> float:
        share = min(max((float(value) - self.first) / self.span, 0.0), 1.0)
        return round(self.begin + share * (self.end - self.begin), 1)


def _pairs(across: Iterable[float], up: Iterable[float], x: _Axis, y: _Axis) -> list[tuple[float, float]]:
    return [(x(a), y(b)) for a, b in zip(across, up, strict=True)]


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "".join(f"{'L' if place else 'M'}{a} {b}" for place, (a, b) in enumerate(points))


def _back(points: Sequence[tuple[float, float]]) -> str:
    return "".join(f"L{a} {b}" for a, b in reversed(points)) + "Z"


def _marks(first: float, last: float, hours: bool, x: _Axis) -> tuple[Mark, ...]:
    return tuple(Mark(x(tick * (3600.0 if hours else 60.0)), f"{tick:g}") for tick in _ticks(first, last))


def _ticks(first: float, last: float) -> list[float]:
    """Return round numbers between two.

    >>> _ticks(214.0, 263.0)
    [220.0, 230.0, 240.0, 250.0, 260.0]
    """
    rough = max(last - first, _LEAST_SPAN) / _STEPS_WANTED
    power = _STEPS[-1] ** math.floor(math.log10(rough))
    step = next(factor * power for factor in _STEPS if factor * power >= _NEARLY * rough)
    return [round(step * place, 6) for place in range(math.ceil(first / step), math.floor(last / step) + 1)]
