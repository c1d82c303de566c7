"""Does a sensor seem to send another unit than it is read in: what no message shows by itself, a day of them does."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.feed.formats.plausible import DRIEST, WARM_ALL_ALONG_DEGC
from monitor.records import ROOM
from monitor.records.logged import FILLINGS
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from monitor.records import Box, LedgerEntry
    from monitor.store.contracts import Ledger, Readings

_SEEN = timedelta(days=1)  # judgement: the newest day; a unit that was mended is forgotten by tomorrow
_LEAST_READINGS = 10  # a count; judgement: an hour or two of most nodes
_USUAL_SHARE = 0.95  # judgement: one reading in twenty may be a slip of the sensor
_DRY_FROM_HERE = ("sieve", "calcium")
"""In the names of beads that hold air below 1 % RH, where a sensor may well show next to nothing."""


class DoubtfulUnit(NamedTuple):
    """A sensor that seems to send another unit, in two phrases."""

    name: str
    found: str
    remedy: str


def doubtful_units(
    readings: Readings, ledger: Ledger, declared: Iterable[Box], now: datetime
) -> Iterator[DoubtfulUnit]:
    """Yield the sensors, of boxes and rooms, whose newest day of readings hardly is in the unit it was read in."""
    boxes = {box.name: box for box in declared}
    rooms = {ROOM, *(box.room for box in boxes.values())}
    for name in sorted(boxes.keys() | rooms):
        series = readings.series(name, now - _SEEN, now)
        if len(series) < _LEAST_READINGS:
            continue
        coolest_degc = float(np.quantile(series.temperature_degc, 1.0 - _USUAL_SHARE))
        most_humid = float(np.quantile(series.relative_humidity, _USUAL_SHARE))
        on_printer = name in boxes and boxes[name].on_printer
        if coolest_degc > WARM_ALL_ALONG_DEGC and not on_printer:
            yield DoubtfulUnit(
                name,
                say("warmer than {degc} °C all day. That looks like °F", degc=f"{coolest_degc:.0f}"),
                say('let its node send °C, or write unit = "F" for the temperature in its [[feeds]]'),
            )
        if 0.0 < most_humid <= DRIEST and not (name in boxes and _is_that_dry(ledger.entries(name, now))):
            yield DoubtfulUnit(
                name,
                say(
                    "no more than {humidity} % RH all day. That looks like a fraction of 1",
                    humidity=f"{100.0 * most_humid:.2g}",
                ),
                say('let its node send per cent, or write unit = "fraction" for the humidity in its [[feeds]]'),
            )


def _is_that_dry(entries: Sequence[LedgerEntry]) -> bool:
    """Return whether the beads that went in last dry air that far."""
    kind = next((entry.desiccant for entry in reversed(entries) if entry.kind in FILLINGS and entry.desiccant), "")
    return any(word in kind for word in _DRY_FROM_HERE)
