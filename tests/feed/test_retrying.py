"""Trying again: pauses that grow and never overflow, threads that are started again, chores that never end the feed."""

from __future__ import annotations

import json
import socket
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from monitor.errors import StoreBusyError
from monitor.feed import mqtt
from monitor.feed.decode import Decoder
from monitor.feed.embedded import EmbeddedBroker
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import OWN_FEED, BrokerAddress, RawMessage, Reading
from monitor.retrying import BackOff, keep_running
from monitor.services.housekeeping import (
    CountNotes,
    HealthReporter,
    HourlyScreening,
    Screener,
)
from monitor.services.intake import Intake, Tally
from monitor.store.opening import Stores
from tests.conftest import Mosquitto

if TYPE_CHECKING:
    pass

TAKEN_OVER = b"\xe0\x02\x8e\x00"
"""DISCONNECT with reason code 0x8E, session taken over, and no properties (MQTT 5 section 3.14)."""
LET_IN = b"\x20\x03\x00\x00\x00"
"""CONNACK with success and no properties (MQTT 5 section 3.2)."""


def test_pauses_grow_to_the_longest_and_stay_there() -> None:
    back_off = BackOff(longest_s=60.0)
    pauses = [back_off.after_failure_s() for _ in range(3_000)]
    assert pauses[:7] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0]
    assert set(pauses[7:]) == {60.0}
    back_off.succeeded()
    assert back_off.after_failure_s() == 1.0


def test_no_broker_for_days_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """12.7 hours at a minute a try are 762 of them; the count of them was an exponent once."""
    said: list[str] = []
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # taken, so that no connection can be made from this port to itself
        feed = MqttFeed(BrokerAddress("127.0.0.1", nobody.getsockname()[1]), report=said.append, clock=utc_now)
        monkeypatch.setattr(feed, "_pause", lambda _longest_s: None)
        for _ in range(1_100):
            assert feed.receive(0.0) == []
    assert len(said) == 1
    assert said[0].startswith("no broker answers at 127.0.0.1")


class TakenOverBroker:
    """A stand-in that lets everybody in and tells them that somebody took their place; mosquitto 2.0.11 can't."""

    def __enter__(self) -> TakenOverBroker:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            with connection:
                connection.recv(1000)
                connection.sendall(LET_IN)
                connection.recv(1000)
                connection.sendall(TAKEN_OVER)


def pauses_of(feed: MqttFeed, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Let a feed's pauses be noted instead of kept."""
    pauses: list[float] = []
    monkeypatch.setattr(feed, "_pause", pauses.append)
    return pauses


def test_a_session_taken_over_is_said_in_those_words(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    with (
        TakenOverBroker() as broker,
        MqttFeed(BrokerAddress("127.0.0.1", broker.port), ["x/#"], report=said.append, clock=utc_now) as feed,
    ):
        pauses = pauses_of(feed, monkeypatch)
        while len(pauses) < 8:
            feed.receive(1.0)
    assert pauses[:8] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0, 60.0]
    assert said[1] == (
        "another connection with the client id 'siccast' took over the connection to the broker at"
        f" 127.0.0.1:{broker.port}; stop the other one, or give each its own client_id in [broker];"
        " trying again within 1 s"
    )


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_two_who_fight_over_a_client_id_say_so_and_slow_down(
    mosquitto: Mosquitto, protocol: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """This broker drops the older connection without a reason, as every one does in 3.1.1."""
    address = BrokerAddress("127.0.0.1", mosquitto.port, protocol)
    said: list[str] = []
    with (
        MqttFeed(address, ["x/#"], report=said.append, clock=utc_now) as one,
        MqttFeed(address, ["x/#"], clock=utc_now) as other,
    ):
        pauses = pauses_of(one, monkeypatch)
        pauses_of(other, monkeypatch)
        while len(pauses) < 4:
            one.receive(0.1)
            other.receive(0.1)
    assert pauses[:4] == [1.0, 2.0, 4.0, 8.0]
    assert [line.split(" ")[0] for line in said[:4]] == ["connected", "lost", "connected", "the"]
    assert "probably another listener uses the client id 'siccast'; stop the other one" in said[3]


@pytest.mark.broker
def test_a_broker_that_restarts_again_and_again_is_no_fight(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    with MqttFeed(BrokerAddress("127.0.0.1", mosquitto.port), ["x/#"], report=said.append, clock=utc_now) as feed:
        pauses = pauses_of(feed, monkeypatch)
        for _ in range(4):
            while not feed.is_connected:
                feed.receive(0.1)
            mosquitto.kill()
            while feed.is_connected:
                feed.receive(0.1)
            feed.receive(0.0)
            mosquitto.start()
    assert set(pauses) == {1.0}
    assert not [line for line in said if "client id" in line]


@pytest.mark.broker
def test_a_network_that_breaks_off_now_and_then_accuses_nobody(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "_FAST_S", 0.0)
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    said: list[str] = []
    with (
        MqttFeed(address, ["x/#"], report=said.append, clock=utc_now) as one,
        MqttFeed(address, ["x/#"], clock=utc_now) as other,
    ):
        pauses = pauses_of(one, monkeypatch)
        while len(pauses) < 2:
            one.receive(0.1)
            other.connect()
            while one.is_connected:
                one.receive(0.1)
    where = f"lost the broker at 127.0.0.1:{mosquitto.port} (the connection broke off); trying again"
    assert said[1::2][:3] == [where, f"{where} within 1 s", f"{where} within 2 s"]


@pytest.mark.broker
def test_a_lasting_connection_starts_the_pauses_anew(mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "_LASTING_S", 0.0)
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    with MqttFeed(address, ["x/#"], clock=utc_now) as one, MqttFeed(address, ["x/#"], clock=utc_now) as other:
        pauses = pauses_of(one, monkeypatch)
        for _ in range(5):
            one.receive(0.1)
            other.connect()
            while one.is_connected:
                one.receive(0.1)
    assert pauses == []


def test_work_that_ends_is_said_and_begun_again(caplog: pytest.LogCaptureFixture) -> None:
    stopped, said, begun = threading.Event(), [], []
    stopped.wait = lambda _timeout=None: False  # type: ignore[method-assign] -- pauses are not what is tested

    def work() -> None:
        begun.append(True)
        if len(begun) == 1:
            raise StoreBusyError("the disk is full; free some space")
        if len(begun) == 2:
            raise IndexError("no third box")
        if len(begun) == 4:
            stopped.set()

    keep_running("forwarding", work, stopped, said.append)
    assert said == [
        "forwarding stopped (the disk is full; free some space). It starts again in 1 s",
        "forwarding stopped (IndexError: no third box). It starts again in 2 s",
        "forwarding stopped (without a reason). It starts again in 4 s",
    ]
    assert [record.exc_info is not None for record in caplog.records] == [True], "a defect of ours leaves its trace"


def test_the_broker_inside_begins_again_where_it_ends() -> None:
    said: list[str] = []
    told = threading.Event()

    def report(line: str) -> None:
        said.append(line)
        told.set()

    with EmbeddedBroker(report=report) as broker:
        with MqttFeed(replace(broker.address, client_id="node"), clock=utc_now) as node:
            node.connect()
            assert broker._loop is not None
            broker._loop.call_soon_threadsafe(broker._loop.stop)
            assert told.wait(20.0)
        with MqttFeed(broker.address, clock=utc_now) as feed:
            while not feed.is_connected:
                feed.receive(0.1)
    assert said == ["siccast's own broker has ended (without a reason); it starts again in 1 s"]


# --- chores ----------------------------------------------------------------------------------------------------------


def test_screening_outlives_a_busy_store(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    """Busy when the round begins, which ended it once, and busy in between; each box is screened all the same."""
    at, three_days_before = datetime(2026, 3, 4, 8, 30, tzinfo=UTC), datetime(2026, 3, 1, tzinfo=UTC)
    stores.readings.add(Reading(box, at, 21.4, 0.172) for box in ("box1", "box2"))
    screener, ran_s = Screener(stores.readings, ()), [0.0]
    screening = HourlyScreening(screener, clock=lambda: at, steady_s=lambda: ran_s[0])
    screened, busy = [], [True, False, True, False, False]
    usual = stores.readings.latest

    def latest() -> object:
        if busy and busy.pop(0):
            raise StoreBusyError("another process holds it")
        return usual()

    def mark_as_screened(name: str, start: datetime) -> None:
        latest()
        screened.append((name, start))

    monkeypatch.setattr(stores.readings, "latest", latest)
    monkeypatch.setattr(screener, "screen_box", mark_as_screened)
    screening.tick(Tally())
    assert len(busy) == 5, "its hour has not come"
    for minutes in (60, 61, 62, 67, 72):
        ran_s[0] = 60.0 * minutes
        screening.tick(Tally())
    assert sorted(screened) == [("box1", three_days_before), ("box2", three_days_before)]


class ConnectedSender:
    """A broker that let us in once and keeps what it is told."""

    connections, is_connected = 1, True

    def __init__(self) -> None:
        self.told: list[dict[str, object]] = []

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.told.append(json.loads(payload))


def test_a_clock_that_is_set_back_does_not_silence_the_listener() -> None:
    """Its health is said once a minute by a timer that nobody sets; its text says what the clock says."""
    sender, ran_s, says = ConnectedSender(), [0.0], [datetime(2026, 3, 4, 8, 0, tzinfo=UTC)]
    teller = HealthReporter(sender, "health", clock=lambda: says[0], steady_s=lambda: ran_s[0])
    teller.tick(Tally())
    says[0] -= timedelta(days=30)
    for ran_s[0] in (59.0, 60.0, 119.0, 120.0):
        teller.tick(Tally())
    assert [told["at"] for told in sender.told] == ["2026-03-04T08:00:00Z"] + 2 * ["2026-02-02T08:00:00Z"]


def test_how_much_came_in_is_noted_every_few_seconds_and_only_where_something_did() -> None:
    noted: list[int] = []
    ran_s, tally = [0.0], Tally()
    counts = CountNotes(lambda told: noted.append(told.messages), steady_s=lambda: ran_s[0])
    for ran_s[0], tally.messages in ((1.0, 1), (5.0, 40), (6.0, 41), (11.0, 41), (20.0, 41)):
        counts.tick(tally)
    assert noted == [40, 41]


class FailingChore:
    """A housekeeper with a defect."""

    does = "dividing by nothing"

    def tick(self, tally: Tally) -> None:
        raise ZeroDivisionError("a defect of ours")


class OneMessageATime:
    """A feed of three messages."""

    def __init__(self) -> None:
        self.acknowledged = 0

    def receive(self, wait_s: float) -> list[RawMessage]:
        text = f'{{"t": {1772350200 + self.acknowledged}, "temperature_c": 21.4, "rh_pct": 17.2}}'
        return [RawMessage("made", "siccast/1/attic/box1/reading", text.encode(), datetime(2026, 3, 2, tzinfo=UTC))]

    def acknowledge(self, messages: object) -> None:
        self.acknowledged += 1

    def stay_connected(self) -> None:
        """There is no connection to lose."""


def test_a_failing_chore_never_ends_the_feed(stores: Stores, caplog: pytest.LogCaptureFixture) -> None:
    feed, said = OneMessageATime(), []
    chores = (FailingChore(),)
    intake = Intake(Decoder((OWN_FEED,), "attic"), stores.readings, report=said.append, housekeepers=chores)
    intake.run(feed, lambda: feed.acknowledged == 3)
    assert stores.readings.count() == 3
    assert said == ["dividing by nothing did not work and is tried again: a defect of ours"]
    assert caplog.records[0].exc_info
