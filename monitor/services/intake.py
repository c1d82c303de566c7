"""Feed to decode to store; a message is acknowledged only when the store has it."""

from __future__ import annotations

import contextlib
import logging
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from monitor.errors import SiccastError, StoreBusyError
from monitor.feed.formats.values import SHOWN_OF_TOPIC, escaped
from monitor.retrying import BackOff

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.feed.clocks import MachineClock
    from monitor.feed.decode import Decoded, Decoder
    from monitor.records import RawMessage, Rejection
    from monitor.store.contracts import Readings

_WAIT_S = 1.0  # judgement: so late a request to stop may be noticed
_LONGEST_SILENCE_S = 10.0
"""A judgement. With the seconds that a try to write may take, well within what brokers bear without a sign of us."""
_LINES_AT_ONCE = 50  # lines of the log; judgement: a screenful tells what goes wrong
_LINES_A_MINUTE = 1.0
"""Of rejected messages; a judgement. A year of nonsense then makes some 200 MB of log at the very most."""

_log = logging.getLogger(__name__)


class Feed(Protocol):
    """Where raw messages come from."""

    def receive(self, wait_s: float) -> list[RawMessage]:
        """Return what has arrived, after waiting at most so long for the first."""
        ...

    def acknowledge(self, messages: Sequence[RawMessage]) -> None:
        """Let the feed forget these."""
        ...

    def stay_connected(self) -> None:
        """Do what keeps the connection while nothing is taken from it."""
        ...


class Housekeeper(Protocol):
    """Does a little of what should be done now and then, whenever the intake has a moment."""

    @property
    def does(self) -> str:
        """What it does, in words for the log."""
        ...

    def tick(self, tally: Tally) -> None:
        """Do at most some milliseconds of work."""
        ...


@dataclass(slots=True)
class Tally:
    """What went through an intake so far."""

    messages: int = 0
    readings: int = 0
    new: int = 0
    repeated: int = 0
    rejected: int = 0
    """Messages and parts of messages that could not be read, and readings at odds with one held before."""
    waiting: int = 0
    """Halves whose other quantity has not come yet."""

    def __str__(self) -> str:
        counted = f"{self.new} new readings, {self.repeated} repeated, {self.rejected} rejected"
        if not self.waiting:
            return counted
        return f"{counted}, {self.waiting} waiting for the other value (humidity or temperature) of their sensor"


class RejectionLog:
    """Says what was rejected, up to a number of lines a minute; the rest is counted, and kept by the store anyway."""

    def __init__(self, report: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._report = report
        self._clock = clock
        self._lines_left = float(_LINES_AT_ONCE)
        self._refilled_at = clock()
        self._untold = 0

    def tell(self, rejections: Sequence[Rejection]) -> None:
        """Say these, as far as there is room."""
        for rejection in rejections:
            if self._has_room():
                self._lines_left -= 1.0
                self._report(f"rejected {escaped(rejection.topic, SHOWN_OF_TOPIC)}: {rejection.reason}")
            else:
                self._untold += 1

    def catch_up(self) -> None:
        """Say how many were passed over, once there is room again."""
        if self._untold and self._has_room():
            self._lines_left -= 1.0
            self._report(f"{self._untold} more messages were rejected; `siccast rejected` lists them")
            self._untold = 0

    def _has_room(self) -> bool:
        now = self._clock()
        earned = (now - self._refilled_at) * _LINES_A_MINUTE / 60.0
        self._lines_left = min(float(_LINES_AT_ONCE), self._lines_left + earned)
        self._refilled_at = now
        return self._lines_left >= 1.0


class Intake:
    """Takes messages from a feed into the store, and waits while the store can't be written."""

    def __init__(
        self,
        decoder: Decoder,
        readings: Readings,
        *,
        report: Callable[[str], None] = lambda _: None,
        pause: Callable[[float], object] = time.sleep,
        housekeepers: Sequence[Housekeeper] = (),
        clock: MachineClock | None = None,
    ) -> None:
        self.tally = Tally()
        self._decoder = decoder
        self._readings = readings
        self._report = report
        self._pause = pause
        self._housekeepers = housekeepers
        self._clock = clock
        self._rejections_told = RejectionLog(report)
        self._troubles: dict[str, str] = {}
        decoder.restore(readings.halves())

    def run(self, feed: Feed, stopped: Callable[[], bool]) -> None:
        """Take what the feed brings until told to stop."""
        while not stopped():
            messages = self._settled(self._received(feed))
            if messages and self._keep_at_last(feed, messages, stopped):
                feed.acknowledge(messages)
            self._rejections_told.catch_up()
            for housekeeper in self._housekeepers:
                self._let_tick(housekeeper)

    def _received(self, feed: Feed) -> list[RawMessage]:
        if self._clock and self._clock.is_full:
            self._pause_beside(feed, _WAIT_S, lambda: False)
            return []
        return feed.receive(_WAIT_S)

    def _settled(self, messages: list[RawMessage]) -> list[RawMessage]:
        """Return the messages whose arrival is known; without a clock to watch, what the feed says is taken."""
        return self._clock.settle(messages) if self._clock else messages

    def keep_the_rest(self, feed: Feed, messages: list[RawMessage]) -> None:
        """Store what is left at the end; what can't be stored now, the broker sends again to the next listener."""
        settled = self._settled(messages)
        if not settled:
            return
        with contextlib.suppress(StoreBusyError):
            self.keep(settled)
            feed.acknowledge(settled)

    def keep(self, messages: Sequence[RawMessage]) -> int:
        """Store what these messages say, all of it or nothing, and return how many readings were new."""
        return self._store(self._decoder.decode(messages), len(messages))

    def _store(self, decoded: Decoded, messages: int) -> int:
        new = self._readings.add(decoded.readings, decoded.rejections, decoded.halves)
        rejections = [*decoded.rejections, *self._readings.contested]
        self.tally.messages += messages
        self.tally.readings += len(decoded.readings)
        self.tally.new += new
        self.tally.repeated += len(decoded.readings) - new - len(self._readings.contested)
        self.tally.rejected += len(rejections)
        self.tally.waiting = len(decoded.halves or ())
        self._rejections_told.tell(rejections)
        return new

    def _let_tick(self, housekeeper: Housekeeper) -> None:
        """Let a housekeeper do its bit; whatever it meets with costs that bit, never the feed."""
        try:
            housekeeper.tick(self.tally)
        except Exception as error:
            chore = housekeeper.does
            if self._troubles.get(chore) != str(error):
                self._troubles[chore] = str(error)
                self._report(f"{chore} did not work and is tried again: {error or type(error).__name__}")
                if not isinstance(error, SiccastError):
                    _log.exception("%s failed", chore)

    def _keep_at_last(self, feed: Feed, messages: Sequence[RawMessage], stopped: Callable[[], bool]) -> bool:
        """Keep messages however often it takes; False when told to stop before it worked."""
        decoded = self._decoder.decode(messages)
        back_off = BackOff()
        told = ""
        while not stopped():
            try:
                self._store(decoded, len(messages))
            except StoreBusyError as error:
                if str(error) != told:
                    told = str(error)
                    self._report(told)
                self._pause_beside(feed, back_off.after_failure_s(), stopped)
            else:
                if told:
                    self._report("the database can be written again; nothing was lost")
                return True
        return False

    def _pause_beside(self, feed: Feed, pause_s: float, stopped: Callable[[], bool]) -> None:
        """Pause without losing the connection: a broker that drops us sends again what is about to be stored."""
        while pause_s > 0.0 and not stopped():
            self._pause(min(pause_s, _LONGEST_SILENCE_S))
            pause_s -= _LONGEST_SILENCE_S
            feed.stay_connected()
