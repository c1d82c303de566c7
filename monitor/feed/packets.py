"""MQTT's bytes cut into packets: messages are read here, all else is left whole (MQTT 3.1.1 and 5; OASIS standards).

One loop and no call a message beside what makes it: this is run for each, and a call takes as long as a field does.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

_PUBLISH = 0x30  # type of a packet, the upper 4 bits of its first byte (MQTT 5, section 2.1.2)
_TYPE_AND_QOS_2 = 0xF4  # the bits of a type and of QoS 2: the last is handed on to paho (MQTT 5, section 3.3.1.2)
_HAS_NUMBER, _RETAINED = 0b10, 0b1  # bits of its flags: QoS 1, and kept from before (MQTT 5, section 3.3.1)
_BITS_OF_LENGTH, _GOES_ON = 7, 0x80  # a byte of a length, and the bit that says another follows (MQTT 5, section 1.5.5)
_LENGTH_ENDS_BITS = 21  # where the fourth and last of them begins (same section of MQTT 5)
_A_BYTE = 8  # bits, by definition


class Published(NamedTuple):
    """A message as the broker sent it."""

    topic: str
    payload: bytes
    packet_id: int | None
    """What to acknowledge it by; None at QoS 0."""
    retained: bool
    left_out_bytes: int = 0
    """How much of a payload was passed over, because it is longer than any that is read."""


@dataclass(slots=True)
class Sorted:
    """What some bytes from a broker came to."""

    messages: list[Published] = field(default_factory=list)
    others: bytes = b""
    """Packets of every other kind, one behind the other."""
    read_to: int = 0
    """Where the first packet begins that is not all there yet, or is longer than any that is read."""
    is_broken: bool = False
    """Whether lengths don't fit from there on: nothing after them can be trusted."""


def sort_packets(packets: bytes, *, has_properties: bool, longest_bytes: int) -> Sorted:
    """Return the messages in these bytes (QoS 0 and 1), and what else there is, up to a packet that is longer."""
    found, start, size = Sorted(), 0, len(packets)
    keep = found.messages.append
    while start + 1 < size:
        body, length = start + 2, packets[start + 1]
        end = body + length
        if length >= _GOES_ON:
            body, end = extent_of(packets, start) or (body, size + 1)
            if end - start > longest_bytes:
                break
        if end > size:
            break
        if packets[start] & _TYPE_AND_QOS_2 != _PUBLISH:
            found.others += packets[start:end]
        elif message := published(packets, start, body, end, has_properties):
            keep(message)
        else:
            found.is_broken = True
            break
        start = end
    found.read_to = start
    return found


def extent_of(packets: bytes | bytearray, start: int) -> tuple[int, int] | None:
    """Return where the body of the packet at ``start`` begins and will end, or None where it does not say so yet.

    The length stands in seven bits a byte, lowest first (MQTT 3.1.1 section 2.2.3).
    """
    length, place, shift = 0, start + 1, 0
    while place < len(packets):
        byte = packets[place]
        length |= (byte & ~_GOES_ON) << shift
        place, shift = place + 1, shift + _BITS_OF_LENGTH
        if byte < _GOES_ON or shift > _LENGTH_ENDS_BITS:
            return place, place + length
    return None


def is_message(packets: bytes) -> bool:
    """Return whether what begins here is a message of QoS 0 or 1."""
    return packets[0] & _TYPE_AND_QOS_2 == _PUBLISH


def published(packets: bytes, start: int, body: int, end: int, has_properties: bool) -> Published | None:
    """Return the message in a packet, or None where its parts are longer than itself."""
    flags, topic_begins = packets[start], body + 2
    if topic_begins > end:
        return None
    topic_ends = place = topic_begins + (packets[body] << _A_BYTE | packets[body + 1])
    packet_id = None
    if flags & _HAS_NUMBER:
        place += 2
        if place > end:
            return None
        packet_id = packets[topic_ends] << _A_BYTE | packets[topic_ends + 1]
    if has_properties:
        place = _after_properties(packets, place, end)
    if place > end:
        return None
    try:
        topic = packets[topic_begins:topic_ends].decode()
    except UnicodeDecodeError:
        topic = "�"
    return Published(topic, packets[place:end], packet_id, flags & _RETAINED == _RETAINED)


def payload_size_bytes(packets: bytes, body: int, end: int, has_properties: bool) -> int:
    """Return how long the payload is of a message that begins here and may not all be here."""
    place = body + 2 + (packets[body] << _A_BYTE | packets[body + 1]) + (2 if packets[0] & _HAS_NUMBER else 0)
    return end - (_after_properties(packets, place, end) if has_properties else place)


def _after_properties(packets: bytes, place: int, end: int) -> int:
    """Return where properties end that begin here; their length is written as a packet's is."""
    if place < end and packets[place] < _GOES_ON:
        return place + 1 + packets[place]
    extent = extent_of(packets, place - 1)
    return extent[1] if extent else end + 1
