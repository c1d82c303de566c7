"""Broker to raw messages and back to acknowledgments: one plain loop, with a session that outlives us.

A message is acknowledged only when its reader says so; until then the broker keeps it and sends it again. Needed for
that, all together: a fixed client id, a session that does not expire, QoS 1, and a subscription on every connection.
"""

from __future__ import annotations

import random
import select
import ssl
import time
from typing import TYPE_CHECKING, Any, Protocol, Self

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.errors import FeedError
from monitor.feed.batched_socket import client_class
from monitor.feed.clocks import Arrivals
from monitor.feed.formats.values import LARGEST_PACKET_BYTES
from monitor.records import RawMessage
from monitor.records.readings import FROM_BROKER
from monitor.retrying import BackOff

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import datetime

    from monitor.feed.batched_socket import PlainClient
    from monitor.records import BrokerAddress

BATCH = 4000
"""No more is read once so many messages are here: a judgement, under a tenth of a second of work, of which waiting for
the disk is a tenth. Fewer are handed out as soon as no more come: a broker with a small window sends none before
those are acknowledged."""

BATCH_BYTES = 8 * 1024 * 1024
"""Nor once so much is here, however few messages it is (a judgement: a small computer has it to spare)."""

_GATHERED_WITHIN_S = 0.0005
"""What comes so soon after another message is committed with it. Measured: about the time that a commit takes from the
processor, and there are half as many in a stream."""

TAKEN_WITHIN_S = 10.0  # judgement: a broker takes what is said of a shelf within a second
SHORT_WAIT_S = 0.1
"""A judgement: so late a deadline may be noticed; what comes is taken in at once."""
_KEEPALIVE_S = 60  # judgement: a router forgets an idle connection after some minutes
_ANSWER_WITHIN_S = 10.0  # judgement: a broker on a slow machine answers within a second or two
_LEAVE_WITHIN_S = 3.0  # judgement: what is not acknowledged by then comes again, and a person waits
_LOOK_EVERY_S = 0.2  # judgement: how late a deadline may be noticed; bytes that come are noticed at once
_NEVER_EXPIRES = 0xFFFF_FFFF  # seconds that stand for 'never' (MQTT 5, section 3.1.2.11.2)
_LONGEST_PAUSE_S = 60.0  # judgement: a broker that comes back is found within a minute
_LASTING_S = 4.0 * _LONGEST_PAUSE_S
"""A judgement. A connection that lived so long was a good one. Shorter, and two who fight over a client id would take
the calm between two rounds for peace and begin again at the shortest pause."""
_FAST_S = 10.0
"""A judgement. Who has our client id connects again at once, at first; a bad network takes longer to break off."""
_SESSION_TAKEN_OVER = 0x8E
"""Reason code (no unit), MQTT 5 section 3.14.2.1. Not every broker says it, and none can in MQTT 3.1.1."""
_PACKET_ID_BITS, _PACKET_ID = 16, 0xFFFF
"""Size of the number that a packet is acknowledged by, and its bits (MQTT 5, section 2.2.1). Above it, a token bears
the number of the connection: on any other, the same packet id means another message."""
_TWO_REMEDIES = "stop the other one, or give each its own client_id in [broker]"
_PROTOCOLS = {"5": paho.MQTTv5, "3.1.1": paho.MQTTv311}


class SentMessage(Protocol):
    """A message on its way to the broker."""

    def is_published(self) -> bool:
        """Return whether the broker has it."""
        ...


class MqttFeed:
    """A connection to one broker that is made again whenever it breaks."""

    def __init__(
        self,
        address: BrokerAddress,
        subscriptions: Iterable[str] = (),
        *,
        clock: Callable[[], datetime],
        will: tuple[str, bytes] | None = None,
        report: Callable[[str], None] = lambda _: None,
    ) -> None:
        if address.without_password:
            raise FeedError(address.without_password)
        self.address = address
        self.session_was_kept: bool | None = None
        """Whether the broker remembered us at the last connection; None before the first."""
        shared = f"$share/{address.share}/" if address.share else ""
        self._subscriptions = [shared + topic for topic in subscriptions]
        self._report = report
        self._connections = 0
        self._subscribed_on = 0
        self._answer: str | None = None
        self._absent = BackOff(longest_s=_LONGEST_PAUSE_S)
        self._dropped = BackOff(longest_s=_LONGEST_PAUSE_S)
        self._short_lives = 0
        """How many connections in a row did not last, with the broker still there."""
        self._fast_drops = 0
        """How many of them ended within seconds."""
        self._let_in_at = 0.0
        self._try_again_at = 0.0
        self._arrivals = Arrivals(clock)
        self._trouble_told = ""
        self._client = self._make_client(will)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the broker in good order; it goes on collecting for us."""
        if self.is_connected:
            self._await_all_acknowledged()
            self._client.disconnect()

    @property
    def is_subscribed(self) -> bool:
        """Whether the broker has confirmed our subscriptions on this connection."""
        return self.is_connected and self._subscribed_on == self._connections

    @property
    def is_connected(self) -> bool:
        """Whether the broker has let us in, and has not sent us away: paho takes no note of the latter."""
        return self._client.is_connected() and self._client.socket() is not None

    @property
    def connections(self) -> int:
        """How often the broker has let us in so far."""
        return self._connections

    def forget_session(self) -> None:
        """Leave, and have the broker keep nothing for us."""
        self.close()
        farewell = self._make_client(None, keep_session=False)
        farewell.on_connect = lambda *_: None
        farewell.connect(self.address.host, self.address.port, _KEEPALIVE_S, **self._session(keep=False))
        deadline = time.monotonic() + _LEAVE_WITHIN_S
        while not farewell.is_connected() and time.monotonic() < deadline:
            farewell.loop(SHORT_WAIT_S)
        farewell.disconnect()

    def connect(self) -> None:
        """Connect now.

        Raises
        ------
        FeedError
            When the broker is not there or refuses us; its text says which.
        """
        where = f"{self.address.host}:{self.address.port}"
        try:
            self._begin()
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise FeedError(f"no broker answers at {where} ({reason}). Start one there, or correct [broker]") from error
        deadline = time.monotonic() + _ANSWER_WITHIN_S
        while self._answer is None and time.monotonic() < deadline:
            if self._wait_for_bytes(_LOOK_EVERY_S) and self._client.loop_read() != paho.MQTT_ERR_SUCCESS:
                break
        if self._answer == "":
            return
        self._abandon()
        if self._answer is None:
            raise FeedError(f"{where} took the connection but gave no MQTT answer. Is it a broker, and is tls right?")
        raise FeedError(f"the broker at {where} refused siccast: {self._answer}. Check user, password and client id")

    def receive(self, wait_s: float) -> list[RawMessage]:
        """Return what has arrived, after waiting at most so long for the first; empty where nothing came."""
        if not self.is_connected and not self._try_to_connect(wait_s):
            return []
        self._gather(wait_s)
        return self._handed_out()

    def stay_connected(self) -> None:
        """Do what keeps the connection, while what it brought can't be stored; what comes meanwhile waits here."""
        if self.is_connected:
            self._gather(0.0)

    def _gather(self, wait_s: float) -> None:
        """Take in what arrives, as far as there is room, and let the broker know that we live."""
        arrived = self._client.arrived
        while (len(arrived) < BATCH and self._client.arrived_bytes < BATCH_BYTES) and self._wait_for_bytes(
            _GATHERED_WITHIN_S if arrived else wait_s
        ):
            if self._client.loop_read() != paho.MQTT_ERR_SUCCESS:
                break
        self._client.loop_misc()

    def acknowledge(self, messages: Sequence[RawMessage]) -> None:
        """Tell the broker that it may forget these; a broken connection makes it send them again instead."""
        if self.is_connected:
            here = self._connections
            tokens = [token for message in messages if type(token := message.acknowledge_token) is int]
            self._client.acknowledge([token & _PACKET_ID for token in tokens if token >> _PACKET_ID_BITS == here])

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> SentMessage:
        """Send a message with QoS 1; whether the broker has it shows while we go on receiving."""
        return self._client.publish(topic, payload, qos=1, retain=retain)

    def _make_client(self, will: tuple[str, bytes] | None, *, keep_session: bool = True) -> PlainClient:
        address = self.address
        protocol = _PROTOCOLS[address.protocol]
        client = client_class()(
            CallbackAPIVersion.VERSION2,
            client_id=address.client_id,
            clean_session=not keep_session if protocol == paho.MQTTv311 else None,
            protocol=protocol,
            manual_ack=True,
        )
        client.suppress_exceptions = False
        client.connect_timeout = _ANSWER_WITHIN_S
        if address.username:
            client.username_pw_set(address.username, address.password)
        if address.tls:
            client.tls_set_context(_tls_context(address))
        if will:
            client.will_set(*will, qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        return client

    def _abandon(self) -> None:
        """Close a connection that came to nothing."""
        if self._client.socket():
            self._client.disconnect()

    def _begin(self) -> None:
        self._answer = None
        self._client.forget_arrived()
        self._client.connect(self.address.host, self.address.port, _KEEPALIVE_S, **self._session(keep=True))

    def _session(self, *, keep: bool) -> dict[str, Any]:
        """Return what a connection of MQTT 5 has to say of its session; 3.1.1 says it once, at the start."""
        if self.address.protocol != "5":
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = _NEVER_EXPIRES if keep else 0
        if not client_class().cuts_longer:  # the broker then drops longer ones, and nobody hears of it
            properties.MaximumPacketSize = LARGEST_PACKET_BYTES
        return {"clean_start": not keep, "properties": properties}

    def _try_to_connect(self, wait_s: float) -> bool:
        pause_s = self._try_again_at - time.monotonic()
        if pause_s > 0:
            time.sleep(min(pause_s, wait_s))
            return False
        try:
            self.connect()
        except FeedError as error:
            self._be_at_peace()
            self._pause(self._absent.after_failure_s())
            if str(error) != self._trouble_told:
                self._trouble_told = str(error)
                self._report(f"{error}. siccast keeps trying")
            return False
        self._absent.succeeded()
        self._trouble_told = ""
        return True

    def _pause(self, longest_s: float) -> None:
        """Make no connection for a while, not quite the same while for all who lost the same broker."""
        self._try_again_at = time.monotonic() + longest_s * random.uniform(0.5, 1.0)

    def _be_at_peace(self) -> None:
        """Forget connections that ended soon: this one lasted, or the broker itself was away."""
        self._short_lives = self._fast_drops = 0
        self._dropped.succeeded()

    def _was_dropped(self, given: str, *, taken_over: bool) -> None:
        """Say that the connection is lost, and pause where another one most likely has our client id.

        The first short one is made again at once: a broker that restarts ends it too, and then is not there.
        """
        connected_s = time.monotonic() - self._let_in_at
        if connected_s >= _LASTING_S:
            self._be_at_peace()
        self._short_lives += 1
        self._fast_drops += connected_s < _FAST_S
        where, who = f"{self.address.host}:{self.address.port}", f"the client id '{self.address.client_id}'"
        if taken_over:
            why = f"another connection with {who} took over the connection to the broker at {where}; {_TWO_REMEDIES}"
        elif self._fast_drops >= 2:
            why = f"the broker at {where} drops the connection again and again: probably another listener uses {who}"
            why = f"{why}; {_TWO_REMEDIES}"
        else:
            why = f"lost the broker at {where} ({given})"
        if self._short_lives == 1 and not taken_over:
            self._report(f"{why}; trying again")
            return
        pause_s = self._dropped.after_failure_s()
        self._pause(pause_s)
        self._report(f"{why}; trying again within {pause_s:.0f} s")

    def _wait_for_bytes(self, wait_s: float) -> bool:
        socket = self._client.socket()
        if socket is None:
            return False
        if isinstance(socket, ssl.SSLSocket) and socket.pending():
            return True
        readable, writable, _ = select.select([socket], [socket] if self._client.want_write() else [], [], wait_s)
        if writable:
            self._client.loop_write()
        return bool(readable)

    def _handed_out(self) -> list[RawMessage]:
        """Return what has arrived on this connection, each message at an instant of its own."""
        here, arrived = self._connections << _PACKET_ID_BITS, self._client.take_arrived()
        return [
            RawMessage(FROM_BROKER, topic, payload, at, packet_id and here | packet_id, retained, left_out)
            for at, (topic, payload, packet_id, retained, left_out) in zip(
                self._arrivals.stamps(len(arrived)), arrived, strict=True
            )
        ]

    def _await_all_acknowledged(self) -> None:
        """Ask the broker something harmless and wait for its answer: by then it has read our acknowledgments.

        A broker drops what it has not read from a connection that closes, and would send those messages again.
        """
        answered: list[object] = []
        self._client.on_unsubscribe = lambda *_: answered.append(True)
        self._client.unsubscribe("siccast/nothing")
        deadline = time.monotonic() + _LEAVE_WITHIN_S
        while not answered and time.monotonic() < deadline:
            if self._wait_for_bytes(SHORT_WAIT_S) and self._client.loop_read() != paho.MQTT_ERR_SUCCESS:
                break

    def _on_connect(self, _client: paho.Client, _userdata: object, flags: Any, reason: Any, _more: object) -> None:
        self._answer = str(reason) if reason.is_failure else ""
        if reason.is_failure:
            return
        self._connections += 1
        self._let_in_at = time.monotonic()
        self.session_was_kept = bool(flags.session_present)
        if self._subscriptions:
            self._client.subscribe([(topic, 1) for topic in self._subscriptions])
        self._report(f"connected to {self.address.host}:{self.address.port}")

    def _on_disconnect(self, _client: paho.Client, _userdata: object, flags: Any, reason: Any, _more: object) -> None:
        if reason.is_failure and self._answer == "":
            given = f"it says: {reason}" if flags.is_disconnect_packet_from_server else "the connection broke off"
            self._was_dropped(given, taken_over=reason.value == _SESSION_TAKEN_OVER)

    def _on_subscribe(
        self, _client: paho.Client, _userdata: object, _packet_id: int, reasons: list[Any], _more: object
    ) -> None:
        self._subscribed_on = self._connections
        for topic, reason in zip(self._subscriptions, reasons, strict=False):
            if reason.is_failure:
                self._report(f"the broker refused the subscription to {topic} ({reason}). Ask for the right to read it")


def _tls_context(address: BrokerAddress) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=address.ca_file)
        if address.certificate_file:
            context.load_cert_chain(address.certificate_file, address.key_file)
    except (OSError, ssl.SSLError) as error:
        files = ", ".join(name for name in (address.ca_file, address.certificate_file, address.key_file) if name)
        raise FeedError(f"the certificates can't be used ({error}). They must be PEM files: {files}") from error
    return context
