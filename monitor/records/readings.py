"""What arrives: readings, the messages they came in, and what screening marks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


ROOM = "room"
"""The box name under which the sensor outside the boxes reports."""
SENSOR_RANGE_DEGC = (-40.0, 85.0)
"""What common digital hygrometers measure at all (their sheets, from memory); beyond it sensor or unit is wrong."""
EARLIEST_AT = datetime(2000, 1, 1, tzinfo=UTC)
"""The first instant of a reading. A judgement: clocks that were never set begin in 1970 or 2000; no box is older."""
LATEST_AT = datetime(2100, 1, 1, tzinfo=UTC)
"""No instant or day that somebody writes lies beyond. A judgement: there a digit was mistyped."""
ROWS_AT_ONCE = 10_000
"""Of a table, held in memory or kept in one transaction. A judgement: some megabytes, and under a second."""


class ReadingSource(StrEnum):
    """Where a reading came from."""

    sensor = "sensor"
    hand = "hand"
    """Typed in by a person who read it off a display."""
    imported = "imported"


class Reading(NamedTuple):
    """One temperature and humidity of one box at one instant, as the sensor told it.

    A tuple, as ``RawMessage``: a backlog makes hundreds of thousands, and a frozen dataclass takes four times as long.
    """

    box: str
    at: datetime
    temperature_degc: float
    relative_humidity: float
    battery_v: float | None = None
    seq: int | None = None
    floor_relative_humidity: float | None = None
    """Smallest humidity this sensor can show, where it says so itself."""
    sent_at_known: bool = True
    """False where the message carried no time and the arrival stands in for it."""
    source: ReadingSource = ReadingSource.sensor
    marks: int = 0
    """Bit set of what screening found so far (see ``Mark``); kept apart from the values."""


FROM_BROKER = "mqtt"


class RawMessage(NamedTuple):
    """What came off the wire, before anyone tried to read it."""

    feed: str
    """``FROM_BROKER``, or the name of a recording."""
    topic: str
    payload: bytes
    arrived_at: datetime
    acknowledge_token: object = None
    """Handed back to the feed once the store has committed; its meaning is the feed's own."""
    retained: bool = False
    """True where the broker had kept it from before and not just received it."""
    left_out_bytes: int = 0
    """How much of an overlong payload the feed did not keep."""


class Quantity(StrEnum):
    """The two numbers that make a reading, where a feed sends them apart."""

    temperature = "temperature"
    humidity = "humidity"

    @property
    def other(self) -> Quantity:
        return Quantity.humidity if self is Quantity.temperature else Quantity.temperature


@dataclass(frozen=True, slots=True)
class HalfReading:
    """A temperature or a humidity that waits for the other one."""

    feed: str
    box: str
    quantity: Quantity
    at: datetime
    value: float
    """°C, or a fraction of saturation."""


@dataclass(frozen=True, slots=True)
class Rejection:
    """A message that could not be used, kept whole with its reason."""

    arrived_at: datetime
    feed: str
    topic: str
    payload: bytes
    reason: str
    retained: bool = False
    """Whether the broker had kept it from before: its arrival then says nothing of when it was measured."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadingSeries:
    """Readings of one box in time order, as columns of equal length."""

    box: str
    at_s: NDArray[np.float64]
    """Seconds since 1970-01-01 UTC."""
    temperature_degc: NDArray[np.float64]
    relative_humidity: NDArray[np.float64]
    marks: NDArray[np.uint16]
    """Bit set of screening marks (see ``Mark``); 0 where nothing was found."""

    def __len__(self) -> int:
        return len(self.at_s)


class Mark(StrEnum):
    """What screening found about a reading; a mark never drops it. The bit of a mark is its place in this list."""

    range = "range"
    spike = "spike"
    step = "step"
    stuck = "stuck"
    at_floor = "at floor"
    at_ceiling = "at ceiling"
    equals_room = "box equals room"
    no_sorbent = "no sorbent acting"
    clock_ahead = "clock ahead"
    clock_behind = "clock behind"
    two_sensors = "two sensors"

    @property
    def bit(self) -> int:
        return 1 << list(Mark).index(self)


NOT_GOOD = Mark.range.bit | Mark.spike.bit | Mark.stuck.bit
"""Marks of a reading that says nothing of the air in the box."""
