"""Rejected messages read again, by the shelf file, the rules and the clock of today."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.feed.decode import Decoded, Decoder
from monitor.records import RawMessage
from monitor.records.readings import EARLIEST_AT, FROM_BROKER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from contextlib import AbstractContextManager
    from datetime import datetime

    from monitor.records import FeedSpec, RejectedMessage, SensorMove
    from monitor.store.contracts import Ledger, Readings

_AT_ONCE = 100  # messages of one transaction; judgement: the listener waits for less than a tenth of a second


@dataclass(slots=True)
class RereadCounts:
    """What trying rejected messages again came to."""

    tried: int = 0
    taken_in: int = 0
    new: int = 0
    held: int = 0
    """Readings that had been stored in some other way."""
    differing: int = 0
    """Readings at odds with one held before; these are rejected messages still, with that reason."""


def try_again(
    readings: Readings,
    ledger: Ledger,
    feeds: Iterable[FeedSpec],
    *,
    site: str,
    moves: Iterable[SensorMove],
    now: datetime,
    alone: Callable[[], AbstractContextManager[None]],
) -> RereadCounts:
    """Read every rejected message again and store what it says; what still can't be read stays as it was.

    In the body of ``alone`` nobody else writes: what two took in at once would be stored twice, where it has no time.
    A half of a reading can't be tried again: which other half it belongs to was decided when it arrived.
    """
    whole = [feed for feed in feeds if feed.humidity_topic is None]
    decoder, found = Decoder(whole, site, moves), RereadCounts()
    last: int | None = 0
    while last is not None:
        with alone():
            # only what came from the broker is whole; a rejected row of a file is imported again with its file
            messages = ledger.rejected_from(FROM_BROKER, last, _AT_ONCE)
            last = _try_portion(decoder, readings, messages, now, found)
    return found


def _try_portion(
    decoder: Decoder, readings: Readings, messages: Sequence[RejectedMessage], now: datetime, found: RereadCounts
) -> int | None:
    """Store what these messages say, and return the number of the last one; None where there is none."""
    if not messages:
        return None
    again, numbers = Decoded(), []
    for message in messages:
        decoded = _read(decoder, message, now)
        if decoded.readings:
            again.readings += decoded.readings
            again.rejections += decoded.rejections
            numbers.append(message.rejection_id)
    new = readings.add(again.readings, again.rejections, taken_in=dict.fromkeys(numbers, now))
    found.tried += len(messages)
    found.taken_in += len(numbers)
    found.new += new
    found.differing += len(readings.contested)
    found.held += len(again.readings) - new - len(readings.contested)
    return messages[-1].rejection_id


def _read(decoder: Decoder, message: RejectedMessage, now: datetime) -> Decoded:
    """Return what a message says, its own times held against the clock of now and the others taken from its arrival."""
    at_arrival, today = (
        decoder.decode([RawMessage(message.feed, message.topic, message.payload, at, retained=message.retained)])
        for at in (message.arrived_at, now)
    )
    timed = [reading for reading in today.readings if reading.sent_at_known]
    others = [reading for reading in at_arrival.readings if not reading.sent_at_known and reading.at >= EARLIEST_AT]
    return Decoded(timed + others, today.rejections)
