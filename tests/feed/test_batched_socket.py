"""Messages framed from the wire: the bytes are laid out here by the letter of MQTT 3.1.1 and 5 (OASIS), section 3.3."""

from __future__ import annotations

import select
import socket
import threading
from contextlib import closing

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from monitor.feed.batched_socket import (
    BatchingClient,
    PlainClient,
    client_class,
)
from monitor.feed.formats.values import LARGEST_PACKET_BYTES
from monitor.feed.packets import Published, sort_packets

CONNACK = {paho.MQTTv311: b"\x20\x02\x00\x00", paho.MQTTv5: b"\x20\x03\x00\x00\x00"}
PINGRESP = b"\xd0\x00"


def length(number: int) -> bytes:
    """Seven bits a byte, lowest first (section 2.2.3 / 1.5.5)."""
    low, high = number % 128, number // 128
    return bytes([low | 0x80]) + length(high) if high else bytes([low])


def publish(flags: int, topic: bytes, packet_id: bytes, payload: bytes, properties: bytes) -> bytes:
    body = len(topic).to_bytes(2, "big") + topic + packet_id + properties + payload
    return bytes([0x30 | flags]) + length(len(body)) + body


def stream(protocol: int) -> tuple[bytes, list[Published]]:
    """Return packets of all sorts in a row, and the messages among them."""
    five = protocol == paho.MQTTv5
    none, expiry = (b"\x00", b"\x05\x02\x00\x00\x00\x3c") if five else (b"", b"")  # 2: message expiry interval, 60 s
    long = b"x" * 70_000
    packets = [
        CONNACK[protocol],
        publish(0b0010, b"a/b", b"\x00\x01", b"one", none),
        publish(0b0000, b"a/b", b"", b"no answer wanted", none),
        PINGRESP,
        publish(0b1011, "söller".encode(), b"\xff\xff", b"", expiry),
        publish(0b0010, b"\xff\xfe", b"\x00\x02", b"odd topic", none),
        publish(0b0010, b"long", b"\x00\x03", long, expiry),
        PINGRESP,
    ]
    return b"".join(packets), [
        Published("a/b", b"one", 1, False),
        Published("a/b", b"no answer wanted", None, False),
        Published("söller", b"", 65535, True),
        Published("�", b"odd topic", 2, False),
        Published("long", long, 3, False),
    ]


def test_the_paho_that_is_installed_has_a_place_for_ours() -> None:
    assert client_class() is BatchingClient


@pytest.mark.parametrize("protocol", [paho.MQTTv311, paho.MQTTv5])
@pytest.mark.parametrize("piece", [1, 2, 5, 1_000, 100_000])
@pytest.mark.parametrize("kind", [BatchingClient, PlainClient])
def test_messages_come_whole_however_the_bytes_are_cut(kind: type[PlainClient], protocol: int, piece: int) -> None:
    sent, expected = stream(protocol)
    if piece < 5:  # the long one byte by byte would prove nothing more
        sent, expected = sent[: sent.index(b"long") - 6], expected[:-1]
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = kind(CallbackAPIVersion.VERSION2, "client", protocol=protocol, manual_ack=True)
        client.connect("127.0.0.1", server.getsockname()[1])
        with closing(server.accept()[0]) as broker:
            for start in range(0, len(sent), piece):
                broker.sendall(sent[start : start + piece])
                read(client)
            while len(client.arrived) < len(expected):
                read(client)
            assert client.is_connected(), "paho had its own packet"
            assert list(client.arrived) == expected
            broker.recv(1_000)  # CONNECT
            client.acknowledge([1, 65535])
            assert broker.recv(8, socket.MSG_WAITALL) == b"\x40\x02\x00\x01\x40\x02\xff\xff"
        codes = {client.loop_read() for _ in range(3)}
        assert MQTTErrorCode.MQTT_ERR_CONN_LOST in codes
        assert not client.is_connected()
        client.acknowledge([2])  # nobody is there; nothing happens


def user_property(value: bytes) -> bytes:
    """Properties of a message: one of a stranger's own (38), a name and a value (MQTT 5, section 3.3.2.3.7)."""
    return b"\x26\x00\x01n" + len(value).to_bytes(2, "big") + value


def test_a_packet_that_is_too_long_is_left_to_be_cut_also_where_all_of_it_is_here() -> None:
    """Else what becomes of it would hang on how much the network hands over at once."""
    short = publish(0b0010, b"a", b"\x00\x01", b"{}", b"\x00")
    many = user_property(b"v" * 60_000) * 9
    long = publish(0b0010, b"a", b"\x00\x02", b"{}", length(len(many)) + many)
    found = sort_packets(short + long + short, has_properties=True, longest_bytes=LARGEST_PACKET_BYTES)
    assert found.read_to == len(short)
    assert [message.packet_id for message in found.messages] == [1]
    assert not found.is_broken
    found = sort_packets(short + long + short, has_properties=True, longest_bytes=len(long))
    assert [message.packet_id for message in found.messages] == [1, 2, 1]


def test_properties_that_make_a_message_too_long_are_passed_over_and_not_taken_for_payload() -> None:
    """The broker sends again what is not acknowledged: to break off the connection would bring it back for ever."""
    some, many = (user_property(b"v" * 60_000) * count for count in (5, 9))
    packets = [
        CONNACK[paho.MQTTv5],
        publish(0b0010, b"a", b"\x00\x01", b"p" * 200_000, length(len(some)) + some),
        publish(0b0010, b"a", b"\x00\x02", b"{}", length(len(many)) + many),
        publish(0b0010, b"a", b"\x00\x03", b"after", b"\x00"),
    ]
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = BatchingClient(CallbackAPIVersion.VERSION2, "client", protocol=paho.MQTTv5, manual_ack=True)
        client.connect("127.0.0.1", server.getsockname()[1])
        with closing(server.accept()[0]) as broker:
            sender = threading.Thread(target=broker.sendall, args=(b"".join(packets),))
            sender.start()
            while len(client.arrived) < 3:
                read(client)
            sender.join()
    assert client.arrived == [
        Published("a", b"p" * 4096, 1, False, 200_000 - 4096),
        Published("a", b"", 2, False, 2),
        Published("a", b"after", 3, False),
    ]


@pytest.mark.parametrize("piece", [900, 100_000, 3_000_000])
def test_the_rest_of_an_overlong_message_is_passed_over_and_never_held(piece: int) -> None:
    """MQTT 3.1.1 lets nobody say how much he takes; the largest message there is has 256 MB."""
    size = 2_000_000
    packets = [
        CONNACK[paho.MQTTv311],
        publish(0b0010, b"a", b"\x00\x01", b"before", b""),
        publish(0b0010, b"a", b"\x00\x02", b"x" * size, b""),
        publish(0b0010, b"a", b"\x00\x03", b"between", b""),
        publish(0b0000, b"a", b"", b"y" * size, b""),
        PINGRESP,
        publish(0b0010, b"a", b"\x00\x04", b"after", b""),
    ]
    expected = [
        Published("a", b"before", 1, False),
        Published("a", b"x" * 4096, 2, False, size - 4096),
        Published("a", b"between", 3, False),
        Published("a", b"y" * 4096, None, False, size - 4096),
        Published("a", b"after", 4, False),
    ]
    sent, held = b"".join(packets), []
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = BatchingClient(CallbackAPIVersion.VERSION2, "client", protocol=paho.MQTTv311, manual_ack=True)
        client.connect("127.0.0.1", server.getsockname()[1])
        with closing(server.accept()[0]) as broker:
            sender = threading.Thread(
                target=lambda: [broker.sendall(sent[start : start + piece]) for start in range(0, len(sent), piece)]
            )
            sender.start()
            while len(client.arrived) < len(expected):
                read(client)
                held.append(len(client._unread))
            sender.join()
            assert list(client.arrived) == expected
            assert max(held) <= LARGEST_PACKET_BYTES
            assert client.arrived_bytes < 10_000
            assert client.is_connected()


def test_a_packet_of_another_kind_that_is_overlong_ends_the_connection() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = BatchingClient(CallbackAPIVersion.VERSION2, "client", protocol=paho.MQTTv311, manual_ack=True)
        client.connect("127.0.0.1", server.getsockname()[1])
        with closing(server.accept()[0]) as broker:
            broker.sendall(CONNACK[paho.MQTTv311] + b"\x90" + length(1_000_000) + b"\x00" * LARGEST_PACKET_BYTES)
            code = MQTTErrorCode.MQTT_ERR_SUCCESS
            while code == MQTTErrorCode.MQTT_ERR_SUCCESS:
                connection = client.socket()
                assert connection is not None
                select.select([connection], [], [])
                code = client.loop_read()
        assert code == MQTTErrorCode.MQTT_ERR_CONN_LOST


BROKEN = {
    "no topic": b"\x30\x00",
    "topic longer than the packet": b"\x30\x04\x00\x09ab",
    "no packet id": b"\x32\x03\x00\x01a",
    "properties longer than the packet": b"\x30\x05\x00\x01a\x09\x01",
    "properties that never end": b"\x30\x04\x00\x01a\xff",
}


@pytest.mark.parametrize("packet", BROKEN.values(), ids=BROKEN)
def test_a_packet_whose_lengths_do_not_fit_ends_the_connection(packet: bytes) -> None:
    """MQTT 5 section 4.13: a malformed packet is answered by closing the connection."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = BatchingClient(CallbackAPIVersion.VERSION2, "client", protocol=paho.MQTTv5, manual_ack=True)
        client.connect("127.0.0.1", server.getsockname()[1])
        with closing(server.accept()[0]) as broker:
            whole = publish(0, b"a", b"", b"before", b"\x00")
            broker.sendall(CONNACK[paho.MQTTv5] + whole + packet + whole)
            connection = client.socket()
            assert connection is not None
            select.select([connection], [], [], 5.0)
            assert client.loop_read() == MQTTErrorCode.MQTT_ERR_CONN_LOST
        assert not client.is_connected()
        assert [message.payload for message in client.arrived] == [b"before"]


def read(client: PlainClient) -> None:
    connection = client.socket()
    assert connection is not None
    if select.select([connection], [], [], 1.0)[0]:
        assert client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
