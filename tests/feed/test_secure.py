"""TLS with a CA and client certificates, passwords, and what a broker refuses: let in, or one line that says why."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from monitor.errors import FeedError
from monitor.feed import mqtt as mqtt_module
from monitor.feed.mqtt import MqttFeed
from monitor.feed.probe import probe
from monitor.presentation.clock import steady_s, utc_now
from monitor.records import BrokerAddress
from monitor.services.broker_check import check_broker
from monitor.services.housekeeping import HealthReporter
from monitor.services.intake import Tally
from monitor.services.site_check import Severity
from tests.conftest import RECOMMENDED, Mosquitto, free_port, require_program
from tests.feed.test_listening import payload, publish

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.broker


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A CA, a server and a client, made for this test by openssl."""
    folder, openssl = tmp_path_factory.mktemp("tls"), require_program("openssl")

    def run(*words: str) -> None:
        subprocess.run([openssl, *words], cwd=folder, check=True, capture_output=True)

    run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.crt", "-subj", "/CN=ca",
        "-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign")  # fmt: skip
    (folder / "server.ext").write_text("subjectAltName=IP:127.0.0.1")
    (folder / "client.ext").write_text("extendedKeyUsage=clientAuth")
    for name in ("server", "client"):
        run(
            "req",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-keyout",
            f"{name}.key",
            "-out",
            f"{name}.csr",
            "-subj",
            f"/CN={name}",
        )
        run("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-out", f"{name}.crt", "-extfile", f"{name}.ext", "-days", "2")  # fmt: skip
    return folder


@pytest.fixture
def tls_broker(start_mosquitto: Callable[..., Mosquitto], certificates: Path) -> Mosquitto:
    port = free_port()
    return start_mosquitto(
        (
            f"listener {port} 127.0.0.1",
            f"cafile {certificates}/ca.crt",
            f"certfile {certificates}/server.crt",
            f"keyfile {certificates}/server.key",
            "require_certificate true",
            *RECOMMENDED,
        ),
        port,
    )


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_client_certificate_lets_us_in(tls_broker: Mosquitto, certificates: Path, protocol: str) -> None:
    address = BrokerAddress(
        "127.0.0.1",
        tls_broker.port,
        protocol,
        tls=True,
        ca_file=str(certificates / "ca.crt"),
        certificate_file=str(certificates / "client.crt"),
        key_file=str(certificates / "client.key"),
    )
    with MqttFeed(address, ["a/#"], clock=utc_now) as feed:
        feed.connect()
        feed.receive(0.2)
        for number in range(300):
            feed.send("a/b", payload(number))
        received = []
        while len(received) < 300:
            batch = feed.receive(2.0)
            feed.acknowledge(batch)
            received += batch
    assert [message.payload for message in received] == [payload(number) for number in range(300)]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho 2.x leaves the socket to gc
def test_without_a_certificate_or_with_a_foreign_ca_we_stay_outside(
    tls_broker: Mosquitto, certificates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_module, "_ANSWER_WITHIN_S", 1.0)
    plain = BrokerAddress("127.0.0.1", tls_broker.port, tls=True, ca_file=str(certificates / "ca.crt"))
    with pytest.raises(FeedError) as told:
        MqttFeed(plain, clock=utc_now).connect()
    assert "\n" not in str(told.value)
    with pytest.raises(FeedError, match="certificate verify failed"):
        MqttFeed(replace(plain, ca_file=None), clock=utc_now).connect()
    with pytest.raises(FeedError, match=r"gave no MQTT answer|no broker answers"):
        MqttFeed(replace(plain, tls=False, ca_file=None), clock=utc_now).connect()
    with pytest.raises(FeedError, match=r"the certificates can't be used .*They must be PEM files"):
        MqttFeed(replace(plain, ca_file=str(certificates / "nothing.crt")), clock=utc_now)


@pytest.fixture
def password_broker(start_mosquitto: Callable[..., Mosquitto], tmp_path: Path) -> Mosquitto:
    (tmp_path / "passwords").touch(mode=0o600)
    command = [require_program("mosquitto_passwd"), "-b", str(tmp_path / "passwords"), "attic", "right"]
    subprocess.run(command, check=True, capture_output=True)
    return start_mosquitto(("allow_anonymous false", f"password_file {tmp_path}/passwords", "max_queued_messages 0"))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_passwords(password_broker: Mosquitto, protocol: str) -> None:
    address = BrokerAddress("127.0.0.1", password_broker.port, protocol, username="attic", password="right")
    with MqttFeed(address, clock=utc_now) as feed:
        feed.connect()
        assert feed.is_connected
    for wrong in (replace(address, password="wrong"), replace(address, username=None, password=None)):
        with pytest.raises(FeedError, match=r"refused siccast: Not authorized. Check user, password and client id"):
            MqttFeed(wrong, clock=utc_now).connect()


def test_a_listener_told_of_a_wrong_password_tries_again_ever_more_slowly(password_broker: Mosquitto) -> None:
    address = BrokerAddress("127.0.0.1", password_broker.port, username="attic", password="wrong")
    said: list[str] = []
    with MqttFeed(address, report=said.append, clock=utc_now) as feed:
        for _ in range(5):
            assert feed.receive(0.0) == []
    assert len(said) == 1, "the second try waits its turn"


def test_two_in_a_shared_group_split_the_messages(mosquitto: Mosquitto) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port, share="attic")
    counts = [0, 0]
    with (
        MqttFeed(replace(address, client_id="one"), ["siccast/#"], clock=utc_now) as one,
        MqttFeed(replace(address, client_id="two"), ["siccast/#"], clock=utc_now) as two,
    ):
        for feed in (one, two):
            feed.connect()
            feed.receive(0.3)
        publish(mosquitto.port, [payload(number) for number in range(100)])
        for _ in range(20):
            for place, feed in enumerate((one, two)):
                batch = feed.receive(0.1)
                feed.acknowledge(batch)
                counts[place] += len(batch)
    assert sum(counts) == 100
    assert min(counts) > 10


def test_health_is_said_and_the_will_is_read_out(mosquitto: Mosquitto) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port)
    topic = "siccast/1/attic/health/siccast"
    listener = MqttFeed(address, will=(topic, HealthReporter.last_will()), clock=utc_now)
    listener.connect()
    HealthReporter(listener, topic, clock=utc_now, steady_s=steady_s).tick(Tally(messages=7, readings=7, new=5))
    found = probe(address, "siccast/1/attic/health/+", utc_now())
    assert b'"state":"listening"' in found.health[topic]
    assert b'"new":5' in found.health[topic]
    assert found.keeps_session
    socket = listener._client.socket()
    assert socket is not None
    socket.close()  # gone without a message
    assert b"gone without a message" in probe(address, "siccast/1/attic/health/+", utc_now()).health[topic]


@pytest.mark.parametrize(
    ("lines", "verdict"), [(RECOMMENDED, Severity.well), (("allow_anonymous true",), Severity.fault)]
)
def test_the_trial_tells_a_stock_queue_from_a_raised_one(
    start_mosquitto: Callable[..., Mosquitto], lines: tuple[str, ...], verdict: Severity
) -> None:
    from datetime import UTC, datetime

    broker = start_mosquitto(lines)
    address = BrokerAddress("127.0.0.1", broker.port)
    findings = list(check_broker(address, "attic", datetime.now(tz=UTC), with_trial=True))
    (queue,) = (each for each in findings if each.subject == "queue" and "messages waited" in each.found)
    assert queue.verdict is verdict, queue
    assert ("max_queued_messages" in queue.remedy) == (verdict is Severity.fault)


def test_a_missing_broker_is_a_finding_not_a_crash() -> None:
    from datetime import UTC, datetime

    (finding,) = check_broker(BrokerAddress("127.0.0.1", free_port()), "attic", datetime.now(tz=UTC))
    assert finding.verdict is Severity.fault
    assert "no broker answers" in finding.found
