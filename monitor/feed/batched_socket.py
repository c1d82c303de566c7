"""paho with its receiving side gathered: one read for many messages, one write for many acknowledgments.

paho reads a packet in three system calls, makes an object with a lock of each message and writes each acknowledgment in
a system call of its own: 12 to 20 µs a message. Here the frames of PUBLISH at QoS 0 and 1 are read from a large buffer
in one loop (MQTT 3.1.1 section 3.3, MQTT 5 section 3.3; OASIS standards); every other packet goes to paho whole.

For that a private method of paho is replaced. Where a paho has none of that name and shape, ``PlainClient`` leaves all
of it to paho: slower, and otherwise the same.
"""

from __future__ import annotations

import inspect
import select
import ssl
from collections import deque
from typing import TYPE_CHECKING, Any, NamedTuple

from paho.mqtt import client as paho
from paho.mqtt.enums import MQTTErrorCode

from monitor.feed.formats.values import KEPT_OF_LONGER_BYTES, MAX_PAYLOAD_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from paho.mqtt.client import SocketLike

LARGEST_PACKET_BYTES = MAX_PAYLOAD_BYTES + 128 * 1024
"""Room for the longest payload that is read, the longest topic (65,535 bytes: MQTT 5, section 1.5.4), and
properties."""

_READ_BYTES = 256 * 1024  # judgement: some 2,000 readings at one system call
_WRITE_WITHIN_S = 30.0  # judgement: a broker that takes nothing for so long is gone
_SELF_AND_SIZE = 2  # parameters, a count, of the method of paho-mqtt that is replaced, by definition of its version 2.1
_PUBLISH = 3  # type of a packet, its upper 4 bits (MQTT 5, section 2.1.2)
_QOS_2 = 0b100  # one of the bits of its flags (MQTT 5, section 3.3.1.2)
_BITS_OF_LENGTH, _GOES_ON = (
    7,
    0x80,
)  # a byte of the length, and the bit that says another follows (MQTT 5, section 1.5.5)
_LENGTH_ENDS_BITS = 21  # where the fourth and last of them begins (same section of MQTT 5)
_PUBACK = b"\x40\x02"
"""In MQTT 5 too: a PUBACK without a reason code says success."""


class Published(NamedTuple):
    """A message as the broker sent it."""

    topic: str
    payload: bytes
    packet_id: int | None
    """What to acknowledge it by; None at QoS 0."""
    retained: bool
    left_out_bytes: int = 0
    """How much of a payload was passed over, because it is longer than any that is read."""


def client_class() -> type[PlainClient]:
    """Return the client for the paho that is installed: the gathering one where its reading can be replaced."""
    replaced = getattr(paho.Client, "_sock_recv", None)
    has_place_for_ours = replaced is not None and len(inspect.signature(replaced).parameters) == _SELF_AND_SIZE
    return BatchingClient if has_place_for_ours else PlainClient


class PlainClient(paho.Client):
    """Hands messages out as ``arrived`` and acknowledges them when told to; all else is left to paho."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.arrived: deque[Published] = deque()
        self.arrived_bytes = 0
        """How much ``arrived`` holds."""
        self.on_message = self._keep_arrived

    def forget_arrived(self) -> None:
        """Drop what an ended connection left behind; its packet numbers mean nothing on the next one."""
        self.take_arrived()

    def take_arrived(self) -> list[Published]:
        """Return what has arrived; it is ours no longer."""
        taken = list(self.arrived)
        self.arrived.clear()
        self.arrived_bytes = 0
        return taken

    def acknowledge(self, packet_ids: Iterable[int]) -> None:
        """Tell the broker that these messages may be forgotten."""
        for packet_id in packet_ids:
            self.ack(packet_id, 1)
        self._write_what_waits()

    def _write_what_waits(self) -> None:
        """Write what paho has to say, as long as the broker takes it."""
        while self.want_write() and self._writable():
            self.loop_write()

    def _writable(self) -> SocketLike | None:
        """Return the socket once it takes more, or None where there is none or it takes nothing for long."""
        socket = self.socket()
        return socket if socket and select.select([], [socket], [], _WRITE_WITHIN_S)[1] else None

    def _keep_arrived(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "�"
        whole = message.payload
        kept = whole if len(whole) <= LARGEST_PACKET_BYTES else whole[:KEPT_OF_LONGER_BYTES]
        packet_id = message.mid if message.qos else None
        self.arrived.append(Published(topic, bytes(kept), packet_id, message.retain, len(whole) - len(kept)))
        self.arrived_bytes += len(kept) + len(topic)


class BatchingClient(PlainClient):
    """Reads ahead, and frames and acknowledges messages itself."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._has_properties = more.get("protocol") == paho.MQTTv5
        self._unread = bytearray()
        self._to_pass_over = 0
        self._for_paho = b""
        self._has_ended = False

    def forget_arrived(self) -> None:
        """Drop what an ended connection left behind; its packet numbers mean nothing on the next one."""
        super().forget_arrived()
        self._unread.clear()
        self._to_pass_over = 0
        self._for_paho, self._has_ended = b"", False

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what is there: messages to ``arrived``, all else to paho."""
        socket = self.socket()
        if socket is None:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        self._read_ahead(socket)
        self._sort_packets()
        while self._begins_with_longer() and self._cut_longer():
            self._sort_packets()
        while self._for_paho or self._has_ended:
            code = super().loop_read(max_packets)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or self.socket() is None:
                return code
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _sort_packets(self) -> None:
        """Take the packets that are all there: messages to ``arrived``, the others to paho."""
        read_to = 0
        while frame := _frame(self._unread, read_to):
            body, end = frame
            if self._unread[read_to] >> 4 != _PUBLISH or self._unread[read_to] & _QOS_2:  # bits: MQTT 5, section 2.1.2
                self._for_paho += self._unread[read_to:end]
            elif message := _published(self._unread, read_to, body, end, self._has_properties):
                self.arrived.append(message)
                self.arrived_bytes += end - read_to
            else:
                self._has_ended = True  # lengths that don't fit: nothing after them can be trusted
                break
            read_to = end
        del self._unread[:read_to]

    def _begins_with_longer(self) -> bool:
        """Return whether what is read next is longer than anything we read, and enough of it is here to be cut."""
        extent = _extent(self._unread, 0)
        return extent is not None and extent[1] > LARGEST_PACKET_BYTES <= len(self._unread)

    def _cut_longer(self) -> bool:
        """Take the start of a message too long to be read, and pass over the rest of it as it comes.

        MQTT 5 lets us tell the broker never to send one; 3.1.1 does not, and would have us hold 256 MB.
        """
        body, end = _extent(self._unread, 0) or (0, 0)
        flags = self._unread[0]
        start = _published(self._unread, 0, body, LARGEST_PACKET_BYTES, self._has_properties)
        if flags >> 4 != _PUBLISH or flags & _QOS_2 or start is None:  # bits: MQTT 5, section 2.1.2
            self._has_ended = True  # nothing else is ever so long
            return False
        kept = start.payload[:KEPT_OF_LONGER_BYTES]
        left_out = end - LARGEST_PACKET_BYTES + len(start.payload) - len(kept)
        self.arrived.append(start._replace(payload=kept, left_out_bytes=left_out))
        self.arrived_bytes += len(start.topic) + len(kept)
        del self._unread[:LARGEST_PACKET_BYTES]
        self._to_pass_over = end - LARGEST_PACKET_BYTES
        self._pass_over()
        return True

    def _pass_over(self) -> None:
        passed = min(self._to_pass_over, len(self._unread))
        del self._unread[:passed]
        self._to_pass_over -= passed

    def acknowledge(self, packet_ids: Iterable[int]) -> None:
        """Tell the broker that these messages may be forgotten, in one write."""
        left = b"".join([_PUBACK + packet_id.to_bytes(2, "big") for packet_id in packet_ids])
        self._write_what_waits()
        while left and (socket := self._writable()):
            try:
                left = left[socket.send(left) :]
            except (BlockingIOError, ssl.SSLWantWriteError):
                continue
            except OSError:
                return  # the connection is gone; the next read finds out

    def _read_ahead(self, socket: SocketLike) -> None:
        try:
            more = socket.recv(_READ_BYTES)
        except (BlockingIOError, ssl.SSLWantReadError):
            return
        except OSError:
            more = b""
        self._unread += more
        self._pass_over()
        self._has_ended = not more

    def _sock_recv(self, bufsize: int) -> bytes:
        """Give paho the packets that are not ours to read, and the end of the connection when it comes."""
        part, self._for_paho = self._for_paho[:bufsize], self._for_paho[bufsize:]
        if not part and not self._has_ended:
            raise BlockingIOError
        return part


def _frame(packets: bytearray, start: int) -> tuple[int, int] | None:
    """Return where the body of the packet at ``start`` begins and ends, or None where it is not all there yet."""
    extent = _extent(packets, start)
    return extent if extent and extent[1] <= len(packets) else None


def _extent(packets: bytearray, start: int) -> tuple[int, int] | None:
    """Return where the body of the packet at ``start`` begins and will end, or None where it does not say so yet.

    The length stands in seven bits a byte, lowest first (MQTT 3.1.1 section 2.2.3).
    """
    length, place, shift = 0, start + 1, 0
    while place < len(packets):
        length |= (packets[place] & ~_GOES_ON) << shift
        place, shift = place + 1, shift + _BITS_OF_LENGTH
        if packets[place - 1] < _GOES_ON or shift > _LENGTH_ENDS_BITS:
            return place, place + length
    return None


def _published(packets: bytearray, start: int, body: int, end: int, has_properties: bool) -> Published | None:
    """Return the message in a packet, or None where its parts are longer than itself."""
    flags = packets[start]
    place = body + 2 + int.from_bytes(packets[body : body + 2], "big")
    try:
        topic = packets[body + 2 : place].decode()
    except UnicodeDecodeError:
        topic = "�"
    packet_id = None
    if flags & 0b10:
        packet_id = int.from_bytes(packets[place : place + 2], "big")
        place += 2
    if has_properties:
        properties = _frame(packets, place - 1)  # their length is written as a packet's is
        place = properties[1] if properties else end + 1
    if place > end:
        return None
    return Published(topic, bytes(packets[place:end]), packet_id, bool(flags & 1))
