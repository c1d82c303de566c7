"""paho with its receiving side gathered: one read for many messages, one write for many acknowledgments.

paho reads a packet in three system calls, makes an object with a lock of each message and writes each acknowledgment in
a system call of its own: 12 to 20 µs a message. Here messages of QoS 0 and 1 are taken from a large buffer
(``packets``); every other packet goes to paho whole.

For that a private method of paho is replaced. Where a paho has none of that name and shape, ``PlainClient`` leaves all
of it to paho: slower, and otherwise the same.
"""

from __future__ import annotations

import inspect
import select
import ssl
from typing import TYPE_CHECKING, Any

from paho.mqtt import client as paho
from paho.mqtt.enums import MQTTErrorCode

from monitor.feed.formats.values import KEPT_OF_LONGER_BYTES, LARGEST_PACKET_BYTES
from monitor.feed.packets import Published, extent_of, is_message, payload_size_bytes, published, sort_packets

if TYPE_CHECKING:
    from collections.abc import Iterable

    from paho.mqtt.client import SocketLike

_READ_BYTES = 256 * 1024  # judgement: some 2,000 readings at one system call
_WRITE_WITHIN_S = 30.0  # judgement: a broker that takes nothing for so long is gone
_SELF_AND_SIZE = 2  # parameters, a count, of the method of paho-mqtt that is replaced, by definition of its version 2.1
_PUBACK = b"\x40\x02"
"""In MQTT 5 too: a PUBACK without a reason code says success."""


def client_class() -> type[PlainClient]:
    """Return the client for the paho that is installed: the gathering one where its reading can be replaced."""
    replaced = getattr(paho.Client, "_sock_recv", None)
    has_place_for_ours = replaced is not None and len(inspect.signature(replaced).parameters) == _SELF_AND_SIZE
    return BatchingClient if has_place_for_ours else PlainClient


class PlainClient(paho.Client):
    """Hands messages out as ``arrived`` and acknowledges them when told to; all else is left to paho."""

    cuts_longer = False
    """Whether a message too long to be read is cut as it comes; where not, it is held whole before."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.arrived: list[Published] = []
        self.arrived_bytes = 0
        """How much ``arrived`` holds."""
        self.on_message = self._keep_arrived

    def forget_arrived(self) -> None:
        """Drop what an ended connection left behind; its packet numbers mean nothing on the next one."""
        self.take_arrived()

    def take_arrived(self) -> list[Published]:
        """Return what has arrived; it is ours no longer."""
        taken, self.arrived, self.arrived_bytes = self.arrived, [], 0
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

    cuts_longer = True

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
        extent = extent_of(self._unread, 0)
        if extent is None or extent[1] > len(self._unread):
            return
        found = sort_packets(
            bytes(self._unread), has_properties=self._has_properties, longest_bytes=LARGEST_PACKET_BYTES
        )
        self.arrived += found.messages
        self.arrived_bytes += found.read_to - len(found.others)
        self._for_paho += found.others
        self._has_ended |= found.is_broken
        del self._unread[: found.read_to]

    def _begins_with_longer(self) -> bool:
        """Return whether what is read next is longer than anything we read, and enough of it is here to be cut."""
        extent = extent_of(self._unread, 0)
        return extent is not None and extent[1] > LARGEST_PACKET_BYTES <= len(self._unread)

    def _cut_longer(self) -> bool:
        """Take the start of a message too long to be read, and pass over the rest of it as it comes.

        Whole, it may have 256 MB. A broker of MQTT 5 that is told how much we take would drop it and tell nobody.
        """
        packet = bytes(self._unread[:LARGEST_PACKET_BYTES])
        body, end = extent_of(packet, 0) or (0, 0)
        start = published(packet, 0, body, end, self._has_properties)
        if start is None or not is_message(packet):
            self._has_ended = True  # nothing else is ever so long
            return False
        kept = start.payload[:KEPT_OF_LONGER_BYTES]
        left_out = payload_size_bytes(packet, body, end, self._has_properties) - len(kept)
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
