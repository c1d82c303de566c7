"""From topic and bytes to readings, or to rejections with their reasons; one bad element never costs its neighbors."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Protocol

import orjson

from monitor.errors import UnusableMessageError
from monitor.feed.clocks import ClockWatch
from monitor.feed.formats import own, senml
from monitor.feed.formats.duplicate_names import RefusedElement
from monitor.feed.formats.joined import Joiner
from monitor.feed.formats.mapped import MappedPayload, TopicPattern
from monitor.feed.formats.values import (
    KEPT_OF_LONGER_BYTES,
    LARGEST_PACKET_BYTES,
    MAX_PAYLOAD_BYTES,
    escaped,
    refuse_longer,
    shown,
)
from monitor.records import Quantity, Reading, Rejection
from monitor.records.names import (
    NAME_RULE,
    is_name,
    tidy,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from monitor.records import Box, FeedSpec, HalfReading, RawMessage, SensorMove

_KEPT_APART = 100
"""A judgement. Refused elements of one message that are kept each with its own reason; a stranger's array may hold
100,000."""
_KEPT_OF_TOPIC = 1024
"""Letters; a judgement: no feed has a topic so long, and a stranger's may have 65,535."""
_PLACES_REMEMBERED = 10_000  # topics; judgement: ten times a large site
_REMEMBERED_TOPIC = 256
"""Letters; a judgement. Longer topics are nobody's; remembering them would let a stranger fill our memory."""


@dataclass(slots=True)
class Decoded:
    """What some messages came to."""

    readings: list[Reading] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)
    halves: list[HalfReading] | None = None
    """What waits for its other quantity after these messages; None where no feed sends quantities apart."""


class PayloadFormat(Protocol):
    """How the payloads of one feed are read."""

    def elements(self, payload: bytes) -> Sequence[Any]:
        """Return the parts of a payload, each of which should be a reading."""
        ...

    def reading(self, box: str, element: Any, arrived_at: datetime) -> Reading:
        """Return the reading in one part."""
        ...


@dataclass(frozen=True, slots=True)
class _Route:
    """What to do with the messages of one topic pattern."""

    pattern: TopicPattern
    renamed: dict[str, str]
    payload_format: PayloadFormat | None
    joiner: Joiner | None = None
    quantity: Quantity = Quantity.temperature


class Decoder:
    """Reads the messages of every feed a site declares."""

    def __init__(
        self, feeds: Iterable[FeedSpec], site: str, moves: Iterable[SensorMove] = (), boxes: Iterable[Box] = ()
    ) -> None:
        self._routes = [route for feed in feeds for route in _routes(feed, site)]
        self._joiners = {id(route.joiner): route.joiner for route in self._routes if route.joiner}.values()
        self._moves: dict[str, list[SensorMove]] = {}
        for move in sorted(moves, key=lambda move: move.since, reverse=True):
            self._moves.setdefault(move.sensor, []).append(move)
        self._clocks = ClockWatch({name for box in boxes for name in (box.name, box.room)})
        self._place_remembered = lru_cache(maxsize=_PLACES_REMEMBERED)(self._find_place)

    @property
    def subscriptions(self) -> list[str]:
        """Topic filters that bring in everything the decoder can read."""
        return [route.pattern.subscription for route in self._routes]

    def restore(self, halves: Sequence[HalfReading]) -> None:
        """Take up the halves that waited when the last listener ended."""
        for joiner in self._joiners:
            joiner.restore(halves)

    def decode(self, messages: Iterable[RawMessage]) -> Decoded:
        """Return the readings of some messages, and a rejection for each part that can't be used."""
        decoded = Decoded()
        for message in messages:
            try:
                self._decode_one(message, decoded)
            except Exception as error:  # whatever a message does to us, the next one is still read
                decoded.rejections.append(_reject(message, _reason(error)))
        if self._joiners:
            decoded.halves = [half for joiner in self._joiners for half in joiner.waiting]
        return decoded

    def _decode_one(self, message: RawMessage, decoded: Decoded) -> None:
        _, topic, payload, arrived_at, _, retained, left_out_bytes = message
        place = self._place_remembered if len(topic) <= _REMEMBERED_TOPIC else self._find_place
        route, box = place(topic)
        if left_out_bytes:
            refuse_longer(len(payload) + left_out_bytes)
            raise UnusableMessageError(
                f"message of more than {LARGEST_PACKET_BYTES} bytes with its MQTT 5 properties; send fewer of them"
            )
        if route.joiner is not None:
            half = route.joiner.half(box, route.quantity, payload, arrived_at)
            self._decode_half(message, half, route.joiner, decoded)
            return
        payload_format = route.payload_format
        assert payload_format is not None
        elements = payload_format.elements(payload)
        if len(elements) == 1:
            reading = payload_format.reading(box, elements[0], arrived_at)
            if retained or self._moves:
                reading = self._settle(reading, message)
            marks = self._clocks.mark(reading, arrived_at)
            decoded.readings.append(reading._replace(marks=marks) if marks else reading)
            return
        self._decode_backlog(message, box, payload_format, elements, decoded)

    def _decode_half(self, message: RawMessage, half: HalfReading, joiner: Joiner, decoded: Decoded) -> None:
        reading, given_up = joiner.join(half)
        if given_up is not None:
            given = orjson.dumps({given_up.quantity.value: given_up.value})
            decoded.rejections.append(_reject(message, joiner.why_alone(given_up), given, given_up.at))
        if reading is not None:
            decoded.readings.append(self._settle(reading, message))

    def _decode_backlog(
        self, message: RawMessage, box: str, payload_format: PayloadFormat, elements: Sequence[Any], decoded: Decoded
    ) -> None:
        if not elements:
            raise UnusableMessageError("the array is empty; it must hold at least one reading")
        refused: list[tuple[str, Any]] = []
        for place, element in enumerate(elements):
            if type(element) is RefusedElement:
                refused.append((f"element {place}: {element.reason}", element))
                continue
            try:
                reading = payload_format.reading(box, element, message.arrived_at)
                decoded.readings.append(self._settle(reading, message))
            except Exception as error:
                refused.append((f"element {place}: {_reason(error)}", element))
        apart, combined = refused[:_KEPT_APART], refused[_KEPT_APART:]
        decoded.rejections += [_reject(message, reason, _as_json(element)) for reason, element in apart]
        if combined:
            reason = f"{len(combined)} more elements; the first of them: {combined[0][0]}"
            decoded.rejections.append(_reject(message, reason, _as_json_array([element for _, element in combined])))

    def _find_place(self, topic: str) -> tuple[_Route, str]:
        """Return how a topic's payload is read and what its sensor is called."""
        for route in self._routes:
            names = route.pattern.names(topic)
            if names is not None:
                sensor = tidy(names["box"])
                box = route.renamed.get(names["box"]) or route.renamed.get(sensor, sensor)
                if not is_name(box) and box not in self._moves:
                    raise _unfit(box)
                return route, box
        expected = ", ".join(route.pattern.pattern for route in self._routes)
        raise UnusableMessageError(f"topic {shown(topic)} does not fit any feed; expected {expected}")

    def _settle(self, reading: Reading, message: RawMessage) -> Reading:
        """Return the reading under the box its sensor was in at that instant."""
        if message.retained and not reading.sent_at_known:
            raise UnusableMessageError(
                "the broker kept this message from before, and it has no time; send readings unretained or with 't'"
            )
        moves = self._moves.get(reading.box)
        if moves is None:  # its name was looked at with its topic
            return reading
        for move in moves:
            if reading.at >= move.since:
                return reading._replace(box=move.box)
        if not is_name(reading.box):
            raise _unfit(reading.box)
        return reading


def _routes(feed: FeedSpec, site: str) -> list[_Route]:
    renamed = dict(feed.boxes)
    pattern = TopicPattern(feed.topic.replace("{site}", site))
    if feed.humidity_topic is not None:
        joiner = Joiner(feed)
        other = TopicPattern(feed.humidity_topic.replace("{site}", site))
        return [
            _Route(pattern, renamed, None, joiner, Quantity.temperature),
            _Route(other, renamed, None, joiner, Quantity.humidity),
        ]
    return [_Route(pattern, renamed, own if feed.is_own_contract else MappedPayload(feed))]


def _unfit(name: str) -> UnusableMessageError:
    return UnusableMessageError(
        f"box name {shown(name)} is not valid; it must be {NAME_RULE}. Let the node send another,"
        " or give it one under [[feeds]] in the shelf file: boxes = { 'its name' = 'yours' }"
    )


def _reason(error: Exception) -> str:
    """Return why a message was refused, also where nobody foresaw it."""
    if isinstance(error, UnusableMessageError):
        return str(error)
    try:
        given = escaped(str(error), 120)  # letters; judgement: fits a line
    except Exception:
        given = "no more is known"
    return f"siccast can't read it ({type(error).__name__}: {given}); please report this message as a defect of siccast"


def _as_json(element: Any) -> bytes:
    """Return an element as a message of its own, so that it can be tried again without its neighbors."""
    if type(element) is RefusedElement:
        return element.text.encode()
    try:
        return orjson.dumps(senml.as_pack(element) if isinstance(element, senml.SenmlInstant) else element)
    except orjson.JSONEncodeError:  # nested deeper than it writes, though not deeper than it reads
        return shown(element).encode()


def _as_json_array(elements: Sequence[Any]) -> bytes:
    """Return elements as a backlog, or a pack, of their own."""
    parts = [_as_json(element) for element in elements]
    if isinstance(elements[0], senml.SenmlInstant):
        parts = [part[1:-1] for part in parts]
    return b"[" + b",".join(parts) + b"]"


def _reject(
    message: RawMessage, reason: str, part: bytes | None = None, arrived_at: datetime | None = None
) -> Rejection:
    """Return the rejection of a message, of a part of it, or of what came before and is given up because of it."""
    payload = message.payload if part is None else part
    if len(payload) > MAX_PAYLOAD_BYTES:
        payload = payload[:KEPT_OF_LONGER_BYTES]
    topic = message.topic if len(message.topic) <= _KEPT_OF_TOPIC else message.topic[:_KEPT_OF_TOPIC] + "…"
    return Rejection(arrived_at or message.arrived_at, message.feed, topic, payload, reason, message.retained)
