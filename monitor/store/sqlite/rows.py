"""Readings as rows of whole numbers, and back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import TYPE_CHECKING, Final

import numpy as np

from monitor.records import Reading, ReadingSource

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from numpy.typing import NDArray

MS_PER_HOUR = 3_600_000  # by definition
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)  # seconds count from here by definition (POSIX)
_MS = timedelta(milliseconds=1)  # by definition
_MS_PER_DAY = 86_400_000  # by definition
_SOURCES = tuple(ReadingSource)
_SOURCE_CODE = {source: code for code, source in enumerate(_SOURCES)}
_ARRIVAL_STANDS_IN = 4  # one of the bits of `origin`; judgement: the first that sources leave free
_SOURCE_BITS = 3  # a mask, the bits of `origin` that say the source; judgement: room for four
FIRST_MS, LAST_MS = -(2**62), 2**62
"""Before and after every instant: within the 64 bits of an integer of SQLite, and a sum of two still is."""
PER_DEGC, PER_HUMIDITY = 100.0, 10_000.0
"""Steps in which temperature (a degree) and humidity (the whole) are stored. A judgement: sensors give two decimals."""

AT: Final = 1  # place in a row of ``readings``, by definition of the table; the box is at 0
TEMPERATURE: Final = 2  # place, by definition of the table
HUMIDITY: Final = 3  # place, by definition of the table
SEQ: Final = 5  # place, by definition of the table

Row = tuple[int, int, int, int, int | None, int | None, int]


def to_ms(at: datetime) -> int:
    """Return milliseconds since 1970, rounded down: from the parts of the span, as dividing it takes twice as long."""
    since = at - _EPOCH
    return since.days * _MS_PER_DAY + since.seconds * 1000 + since.microseconds // 1000


def span_ms(start: datetime | None, end: datetime | None) -> tuple[int, int]:
    """Return both ends in milliseconds; an end that is not given lies beyond all readings."""
    return FIRST_MS if start is None else to_ms(start), LAST_MS if end is None else to_ms(end)


def from_ms(at_ms: int) -> datetime:
    """Return the aware UTC instant."""
    return _EPOCH + at_ms * _MS


def to_ms_or_none(at: datetime | None) -> int | None:
    """Return milliseconds since 1970; None stays None."""
    return None if at is None else to_ms(at)


def from_ms_or_none(at_ms: int | None) -> datetime | None:
    """Return the aware UTC instant; None stays None."""
    return None if at_ms is None else from_ms(at_ms)


def to_row(box_id: int, reading: Reading) -> Row:
    """Return a reading as a row of ``readings``."""
    _, at, temperature_degc, relative_humidity, battery_v, seq, _, sent_at_known, source, _ = reading
    return (
        box_id,
        to_ms(at),
        round(temperature_degc * PER_DEGC),
        round(relative_humidity * PER_HUMIDITY),
        None if battery_v is None else round(battery_v * 1000.0),
        seq,
        _SOURCE_CODE[source] + (0 if sent_at_known else _ARRIVAL_STANDS_IN),
    )


def to_reading(box: str, row: Sequence[int | None], floor: int | None = None, marks: int = 0) -> Reading:
    """Return the reading in a row of ``readings`` (without its box number) or ``latest``."""
    at_ms, temperature, humidity, battery, seq, origin = row
    assert at_ms is not None
    assert temperature is not None
    assert humidity is not None
    assert origin is not None
    return Reading(
        box=box,
        at=from_ms(at_ms),
        temperature_degc=temperature / PER_DEGC,
        relative_humidity=humidity / PER_HUMIDITY,
        battery_v=None if battery is None else battery / 1000.0,
        seq=seq,
        floor_relative_humidity=None if floor is None else floor / PER_HUMIDITY,
        sent_at_known=origin < _ARRIVAL_STANDS_IN,
        source=_SOURCES[origin & _SOURCE_BITS],
        marks=marks,
    )


def as_columns(rows: sqlite3.Cursor) -> NDArray[np.float64]:
    """Return rows as columns, one after another: a tuple of numbers takes ten times what they take in an array."""
    numbers = np.fromiter(chain.from_iterable(rows), dtype=np.float64)
    return np.ascontiguousarray(numbers.reshape(-1, len(rows.description)).T)
