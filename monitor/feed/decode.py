"""From topic and bytes to readings, or to rejections with their reasons; one bad element never costs its neighbors."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Protocol

import orjson

from monitor.errors import UnusableMessageError
from monitor.feed.formats import own
from monitor.feed.formats.mapped import MappedPayload
from monitor.feed.formats.values import shown
from monitor.feed.topics import MAX_BOX_NAME, TopicPattern, is_box_name
from monitor.records import Reading, Rejection

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from monitor.records import FeedSpec, RawMessage

_KEPT_OF_OVERSIZED = 4096


@dataclass(slots=True)
class Decoded:
    """What one or several messages came to."""

    readings: list[Reading] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)


class PayloadFormat(Protocol):
    """How the payloads of one feed are read."""

    def elements(self, payload: bytes) -> Sequence[Any]:
        """Return the parts of a payload, each of which should be a reading."""
        ...

    def reading(self, box: str, element: Any, arrived_at: datetime) -> Reading:
        """Return the reading in one part."""
        ...


class Decoder:
    """Reads the messages of every feed a site declares."""

    def __init__(self, feeds: Iterable[FeedSpec], site: str) -> None:
        self._feeds = [
            (
                TopicPattern(feed.topic.replace("{site}", site)),
                dict(feed.boxes),
                SimpleNamespace(elements=own.elements, reading=own.reading)
                if feed.is_own_contract
                else MappedPayload(feed),
            )
            for feed in feeds
        ]

    @property
    def subscriptions(self) -> list[str]:
        """Topic filters that bring in everything the decoder can read."""
        return [pattern.subscription for pattern, _, _ in self._feeds]

    def decode(self, messages: Iterable[RawMessage]) -> Decoded:
        """Return the readings of some messages, and a rejection for each part that can't be used."""
        decoded = Decoded()
        for message in messages:
            self._decode_one(message, decoded)
        return decoded

    def _decode_one(self, message: RawMessage, decoded: Decoded) -> None:
        try:
            box, payload_format = self._place(message.topic)
            elements = payload_format.elements(message.payload)
        except UnusableMessageError as error:
            decoded.rejections.append(_reject(message, str(error)))
            return
        many = len(elements) != 1
        if not elements:
            decoded.rejections.append(_reject(message, "the array is empty; it has to hold at least one reading"))
        for place, element in enumerate(elements):
            try:
                decoded.readings.append(payload_format.reading(box, element, message.arrived_at))
            except UnusableMessageError as error:
                decoded.rejections.append(
                    _reject(message, f"element {place}: {error}", _as_json(element)) if many
                    else _reject(message, str(error))
                )  # fmt: skip

    def _place(self, topic: str) -> tuple[str, PayloadFormat]:
        """Return the box a topic speaks of and how its payload is read."""
        for pattern, renamed, payload_format in self._feeds:
            names = pattern.names(topic)
            if names is not None:
                box = renamed.get(names["box"], names["box"])
                if not is_box_name(box):
                    raise UnusableMessageError(
                        f"box name {shown(box)} won't do; it has to be 1 to {MAX_BOX_NAME} printable characters"
                    )
                return box, payload_format
        expected = ", ".join(pattern.pattern for pattern, _, _ in self._feeds)
        raise UnusableMessageError(f"topic {shown(topic)} belongs to no feed; expected {expected}")


def _as_json(element: Any) -> bytes:
    try:
        return orjson.dumps(element)
    except orjson.JSONEncodeError:  # nested deeper than it writes, though not deeper than it reads
        return shown(element).encode()


def _reject(message: RawMessage, reason: str, part: bytes | None = None) -> Rejection:
    payload = message.payload if part is None else part
    if len(payload) > 64 * _KEPT_OF_OVERSIZED:
        payload = payload[:_KEPT_OF_OVERSIZED]
    return Rejection(message.arrived_at, message.feed, message.topic, payload, reason)
