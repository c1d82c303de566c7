"""Joint one: feed to decode to screen to store; a message is acknowledged only when the store has it."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from monitor.errors import SiccastError, StoreBusyError
from monitor.retrying import BackOff

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.feed.decode import Decoded, Decoder
    from monitor.records import RawMessage
    from monitor.store.contracts import Readings

_WAIT_S = 1.0

_log = logging.getLogger(__name__)


class Feed(Protocol):
    """Where raw messages come from."""

    def receive(self, wait_s: float) -> list[RawMessage]:
        """Return what has arrived, after waiting at most so long for the first."""
        ...

    def acknowledge(self, messages: Sequence[RawMessage]) -> None:
        """Let the feed forget these."""
        ...


class Housekeeper(Protocol):
    """Does a little of what should be done now and then, whenever the intake has a moment."""

    def tick(self, tally: Tally) -> None:
        """Do at most some milliseconds of work."""
        ...


@dataclass(slots=True)
class Tally:
    """What went through an intake so far."""

    messages: int = 0
    readings: int = 0
    new: int = 0
    rejected: int = 0


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
    ) -> None:
        self.tally = Tally()
        self._decoder = decoder
        self._readings = readings
        self._report = report
        self._pause = pause
        self._housekeepers = housekeepers
        self._troubles: dict[str, str] = {}
        decoder.restore(readings.halves())

    def run(self, feed: Feed, stopped: Callable[[], bool]) -> None:
        """Take what the feed brings until told to stop."""
        while not stopped():
            messages = feed.receive(_WAIT_S)
            if messages and self._keep_at_last(messages, stopped):
                feed.acknowledge(messages)
            for housekeeper in self._housekeepers:
                self._let_tick(housekeeper)

    def keep(self, messages: Sequence[RawMessage]) -> int:
        """Store what these messages say, all of it or nothing, and return how many readings were new."""
        return self._store(self._decoder.decode(messages), len(messages))

    def _store(self, decoded: Decoded, messages: int) -> int:
        new = self._readings.add(decoded.readings, decoded.rejections, decoded.halves)
        self.tally.messages += messages
        self.tally.readings += len(decoded.readings)
        self.tally.new += new
        self.tally.rejected += len(decoded.rejections)
        for rejection in decoded.rejections:
            self._report(f"rejected {rejection.topic}: {rejection.reason}")
        return new

    def _let_tick(self, housekeeper: Housekeeper) -> None:
        """Let a housekeeper do its bit; whatever it meets with costs that bit, never the feed."""
        try:
            housekeeper.tick(self.tally)
        except Exception as error:
            chore = type(housekeeper).__name__
            if self._troubles.get(chore) != str(error):
                self._troubles[chore] = str(error)
                self._report(f"a chore was put off ({chore}): {error or type(error).__name__}")
                if not isinstance(error, SiccastError):
                    _log.exception("%s failed", chore)

    def _keep_at_last(self, messages: Sequence[RawMessage], stopped: Callable[[], bool]) -> bool:
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
                self._pause(back_off.after_failure_s())
            else:
                if told:
                    self._report("the store can be written again; nothing was lost")
                return True
        return False
