"""A recorded feed played through a real broker, as its sensors would have sent it, only faster."""

from __future__ import annotations

import gzip
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import orjson

from monitor.errors import ImportFileError
from monitor.feed.mqtt import SHORT_WAIT_S, MqttFeed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import datetime
    from pathlib import Path

    from monitor.feed.mqtt import SentMessage
    from monitor.records import BrokerAddress

_UNANSWERED = 100
"""So many messages may be on their way to the broker without its answer. A judgement: some brokers hold no more."""


@dataclass(frozen=True, slots=True)
class RecordedMessage:
    """A message as it was sent."""

    topic: str
    payload: bytes


def read_recording(path: Path) -> Iterator[RecordedMessage]:
    """Yield the messages of a recorded feed: gzipped, one JSON object with topic and payload a line."""
    place = 0
    try:
        with gzip.open(path, "rb") as lines:
            for place, line in enumerate(lines, start=1):  # noqa: B007 -- named in the error below
                content = orjson.loads(line)
                yield RecordedMessage(content["topic"], orjson.dumps(content["payload"]))
    except (OSError, EOFError, orjson.JSONDecodeError, KeyError, TypeError) as error:
        raise ImportFileError(f"{path}, line {place}: {error}; each line has to hold a topic and a payload") from error


class Player:
    """Sends recorded messages from a thread of its own while its ``with`` body runs."""

    def __init__(
        self,
        address: BrokerAddress,
        messages: Iterable[RecordedMessage],
        *,
        clock: Callable[[], datetime],
        messages_per_s: float | None = None,
    ) -> None:
        self._feed = MqttFeed(address, clock=clock)
        self._messages = messages
        self._per_s = messages_per_s
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._play, name="player", daemon=True)
        self.failure: Exception | None = None
        """What ended the playing before its time, if anything did."""

    def __enter__(self) -> Self:
        self._feed.connect()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._thread.join()
        self._feed.close()

    @property
    def is_playing(self) -> bool:
        """Whether there is more to come."""
        return self._thread.is_alive()

    def _play(self) -> None:
        started = time.monotonic()
        unanswered: deque[SentMessage] = deque()
        try:
            for number, message in enumerate(self._messages):
                if self._stopped.is_set():
                    return
                self._keep_pace(started, number)
                unanswered.append(self._feed.send(message.topic, message.payload))
                self._await_answers(unanswered, at_most=_UNANSWERED)
            self._await_answers(unanswered, at_most=0)
        except Exception as error:
            self.failure = error

    def _keep_pace(self, started: float, number: int) -> None:
        ahead_s = 0.0 if self._per_s is None else started + number / self._per_s - time.monotonic()
        if ahead_s > 0.0:
            self._stopped.wait(ahead_s)

    def _await_answers(self, unanswered: deque[SentMessage], at_most: int) -> None:
        while unanswered and not self._stopped.is_set():
            if unanswered[0].is_published():
                unanswered.popleft()
            elif len(unanswered) > at_most:
                self._feed.receive(SHORT_WAIT_S)
            else:
                break
