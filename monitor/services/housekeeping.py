"""What a listener does in its idle moments: say that it is well, note how much came in, screen what came in lately."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Protocol

import numpy as np
import orjson

from monitor.errors import StoreBusyError
from monitor.feed.screen import CONTEXT_S, screen
from monitor.records import ROOM, Mark, SensorSpec
from monitor.retrying import BackOff
from monitor.series.sensor_faults import TWO_SENSORS_REMEDY
from monitor.services.broker_check import HEALTH_EVERY_S

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from numpy.typing import NDArray

    from monitor.records import Box, ReadingSeries
    from monitor.services.intake import Tally
    from monitor.store.contracts import Readings

SCREEN_EVERY_S = 3600.0  # judgement: estimates rest on hours
_COUNTS_EVERY_S = 5.0  # judgement: a scrape comes every quarter of a minute
_SCREENED_DAYS = 3
"""A judgement. Late backlogs reach further back; `siccast readings screen` does all of it again."""
_LOOKED_BACK_S = 2.0 * CONTEXT_S
"""So long before them readings are looked at too: what stands still lately may have begun a week before (a
judgement)."""
_COLUMNS = ("at_s", "temperature_degc", "relative_humidity", "marks")


class Sender(Protocol):
    """The side of a feed that speaks."""

    @property
    def connections(self) -> int:
        """How often the broker has let us in so far."""
        ...

    @property
    def is_connected(self) -> bool:
        """Whether the broker has let us in."""
        ...

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> object:
        """Send a message."""
        ...


class HealthReporter:
    """Says once a minute, as a retained message, how the listener is; the broker says so when it dies."""

    does = "reporting that the listener is well"

    def __init__(
        self, sender: Sender, topic: str, *, clock: Callable[[], datetime], steady_s: Callable[[], float]
    ) -> None:
        self._sender = sender
        self._topic = topic
        self._clock = clock
        self._steady_s = steady_s
        """What a minute is told by: a clock that is set back must not silence us."""
        self._since = clock()
        self._told_at_s = steady_s()
        self._told_on = 0

    @staticmethod
    def last_will() -> bytes:
        """Return what the broker is to say when we are gone without a word."""
        return orjson.dumps({"state": "gone without a message"})

    def tick(self, tally: Tally) -> None:
        """Speak where it is time to."""
        due = self._steady_s() - self._told_at_s >= HEALTH_EVERY_S
        if self._sender.is_connected and (due or self._told_on != self._sender.connections):
            self.tell("listening", tally)

    def tell(self, state: str, tally: Tally) -> None:
        """Speak now."""
        self._told_at_s, self._told_on = self._steady_s(), self._sender.connections
        words = {
            "state": state,
            "at": self._clock(),
            "since": self._since,
            "messages": tally.messages,
            "new": tally.new,
            "rejected": tally.rejected,
        }
        if self._sender.is_connected:
            self._sender.send(self._topic, orjson.dumps(words, option=orjson.OPT_UTC_Z), retain=True)


class CountNotes:
    """Writes down every few seconds how much came in, for those who are not this process."""

    does = "noting how much came in"

    def __init__(self, write_down: Callable[[Tally], None], *, steady_s: Callable[[], float]) -> None:
        self._write_down = write_down
        self._steady_s = steady_s
        self._noted_at_s, self._noted_messages = steady_s(), 0

    def tick(self, tally: Tally) -> None:
        """Note what is new, where it is time to."""
        if self._steady_s() - self._noted_at_s >= _COUNTS_EVERY_S and tally.messages != self._noted_messages:
            self.note(tally)

    def note(self, tally: Tally) -> None:
        """Note it now."""
        self._write_down(tally)
        self._noted_at_s, self._noted_messages = self._steady_s(), tally.messages


@dataclass(frozen=True, slots=True)
class Screened:
    """What screening one box came to."""

    box: str
    readings: int
    marked: int
    remark: str = ""
    """What the person should see to; empty where nothing needs that."""


class Screener:
    """Marks the readings of a box by what its sensor, its room and its own past tell."""

    def __init__(self, readings: Readings, boxes: Iterable[Box]) -> None:
        self._readings = readings
        self._boxes = {box.name: box for box in boxes}

    def boxes(self) -> list[str]:
        """Return every box that reports."""
        return list(self._readings.latest())

    def screen_box(self, name: str, start: datetime | None = None) -> Screened:
        """Mark the readings of a box anew, from an instant on; what lies before is looked at, and left."""
        known_from = None if start is None else start - timedelta(seconds=_LOOKED_BACK_S)
        series = self._readings.series(name, known_from)
        box = self._boxes.get(name)
        room = box.room if box else ROOM
        there = self._room_series(room, name, known_from)
        known_from_s = -math.inf if known_from is None else known_from.timestamp()
        marks = screen(series, self._sensor(name, box), there, known_from_s)
        asked = slice(0 if start is None else int(np.searchsorted(series.at_s, start.timestamp())), None)
        self._keep(replace(series, marks=marks), marks != series.marks, asked)
        two = bool((marks[asked] & Mark.two_sensors.bit).any())
        remark = f"two sensors seem to send under this name: {TWO_SENSORS_REMEDY}" if two else ""
        return Screened(name, len(marks[asked]), int(np.count_nonzero(marks[asked])), remark)

    def _keep(self, series: ReadingSeries, differs: NDArray[np.bool_], asked: slice) -> None:
        """Write the marks that are others than before."""
        changed = asked.indices(len(series))[0] + np.flatnonzero(differs[asked])
        if len(changed):
            columns = {name: getattr(series, name)[changed] for name in _COLUMNS}
            self._readings.mark(replace(series, **columns))

    def _room_series(self, room: str, box: str, start: datetime | None) -> ReadingSeries | None:
        return None if room == box else self._readings.series(room, start)

    def _sensor(self, name: str, box: Box | None) -> SensorSpec:
        """Return what is known of a sensor: what its owner declared, else what it said of its floor itself."""
        sensor = box.sensor if box else SensorSpec()
        told = self._readings.latest().get(name) if sensor.floor is None else None
        return sensor if told is None else replace(sensor, floor=told.floor_relative_humidity)


class HourlyScreening:
    """Screens the boxes one after another, once an hour, over the last days."""

    does = "checking readings for spikes, steps and stuck sensors"

    def __init__(self, screener: Screener, *, clock: Callable[[], datetime], steady_s: Callable[[], float]) -> None:
        self._screener = screener
        self._clock = clock
        self._steady_s = steady_s
        self._waiting: list[str] = []
        self._next_round_s = steady_s() + SCREEN_EVERY_S
        self._not_before_s = steady_s()
        self._back_off = BackOff(longest_s=300.0)  # judgement: every few minutes
        """A busy store is waited for some seconds at each try, and the feed with it: few tries while it lasts."""

    def tick(self, tally: Tally) -> None:  # noqa: ARG002 -- screening does not depend on it
        """Screen one box, where one waits."""
        if self._steady_s() < self._not_before_s:
            return
        try:
            self._screen_next()
        except StoreBusyError:
            self._not_before_s = self._steady_s() + self._back_off.after_failure_s()
        else:
            self._back_off.succeeded()

    def _screen_next(self) -> None:
        if not self._waiting and self._steady_s() >= self._next_round_s:
            self._waiting = self._screener.boxes()
            self._next_round_s = self._steady_s() + SCREEN_EVERY_S
        if self._waiting:
            today = self._clock().replace(hour=0, minute=0, second=0, microsecond=0)
            self._screener.screen_box(self._waiting[-1], today - timedelta(days=_SCREENED_DAYS))
            self._waiting.pop()
