"""The numbers of a box's charts, as the script of its page takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
from markupsafe import Markup

from monitor.presentation.log_wording import called
from monitor.presentation.mark_wording import why_marked
from monitor.web.box.course import SIGNS, few_marked, hours_of_a_mean, thinned, top_with
from monitor.web.box.views import View, fan_of, limit_along

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, LedgerEntry, ReadingSeries
    from monitor.web.box.course import Course, Thinned

_FINER = 1  # digits beyond those that are said; judgement: a fan is a smooth line, what was seen is not


def numbers(
    view: View, answer: Assessment, course: Course, words: Wording, top: int, *, with_room: bool = False
) -> dict[str, Any]:
    """Return what the charts draw in a view; ``top`` is where the axis of humidity ends. [%]"""
    seen = thinned(course.history, hours_of_a_mean(len(course.history)))
    return {
        "view": view.value,
        "unit": view.unit,
        "decimals": view.decimals,
        "zone": str(words.zone),
        "asOf": answer.as_of.timestamp(),
        "top": top_with(course, top, with_room=with_room) if view is View.humidity else None,
        "limit": round(100.0 * answer.box.humidity_limit, 2) if view is View.humidity else None,
        "temperatureUnit": words.temperature_unit,
        **_seen(view, seen),
        "limits": [] if view is View.humidity else _limits(view, answer, course.history, seen),
        "temperature": _differences(np.array([words.degrees(value) for value in seen.temperature_degc]), 1),
        "fan": _fan(view, answer, words),
        "room": _seen(view, thinned(course.room, seen.hours)) if with_room else None,
        "marks": _marks(view, few_marked(course.marked, seen.hours)),
        "entries": entries_of(course.entries, words),
    }


def entries_of(entries: Sequence[LedgerEntry], words: Wording) -> list[dict[str, Any]]:
    """Return what was logged, with its sign and words."""
    return [
        {
            "at": int(entry.at.timestamp()),
            "sign": SIGNS[entry.kind],
            "words": ": ".join(filter(None, (called(entry.kind), words.entry(entry)))),
        }
        for entry in entries
    ]


def embed(chart: dict[str, Any]) -> Markup:
    """Return JSON that can stand in a page: no character in it can end the element around it."""
    text = as_json(chart).decode()
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def as_json(chart: dict[str, Any]) -> bytes:
    """Return JSON; what is not a number is null."""
    return orjson.dumps(chart, option=orjson.OPT_SERIALIZE_NUMPY)


def _seen(view: View, seen: Thinned) -> dict[str, Any]:
    """Values, and the seconds from one to the next: most are alike, so they travel in a few bytes."""
    at_s = seen.at_s.astype(int)
    return {"steps": np.diff(at_s, prepend=0).tolist(), "values": _differences(view.of(seen), view.decimals)}


def _differences(values: NDArray[np.float64], digits: int) -> list[int | None]:
    """Return each value less the last known one, in units of its last digit; null where it isn't known."""
    last = 0
    told: list[int | None] = []
    for value in np.round(values * 10.0**digits).tolist():  # by definition of digits
        if value != value:  # noqa: PLR0124 -- not a number
            told.append(None)
            continue
        told.append(int(value) - last)
        last = int(value)
    return told


def _limits(view: View, answer: Assessment, history: ReadingSeries, seen: Thinned) -> list[float]:
    return _plain(limit_along(view, answer.box.humidity_limit, history, seen.at_s), view.decimals + _FINER)


def _fan(view: View, answer: Assessment, words: Wording) -> dict[str, Any]:
    names = ("low", "lower", "middle", "upper", "high")
    fan = fan_of(view, answer, words)
    if fan is None:
        return {"at": [], "limits": [], **{name: [] for name in names}}
    digits = view.decimals + _FINER
    return {
        "at": [int(noon.timestamp()) for noon in fan.at],
        **{name: _plain(row, digits) for name, row in zip(names, fan.points, strict=True)},
        "limits": [] if view is View.humidity else _plain(fan.limit, digits),
    }


def _marks(view: View, marked: ReadingSeries) -> dict[str, Any]:
    why = [why_marked(int(marks)) for marks in marked.marks]
    reasons = list(dict.fromkeys(why))
    return {
        "at": marked.at_s.astype(int).tolist(),
        "values": _plain(view.of_readings(marked), view.decimals + _FINER),
        "why": [reasons.index(one) for one in why],
        "reasons": reasons,
    }


def _plain(values: NDArray[np.float64], digits: int) -> list[Any]:
    return [value if value == value else None for value in np.round(values, digits).tolist()]  # noqa: PLR0124 -- NaN
