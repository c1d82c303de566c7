"""A recorded feed played through a broker arrives whole; a damaged one says where."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from monitor.errors import ImportFileError
from monitor.feed.decode import Decoder
from monitor.feed.embedded import EmbeddedBroker
from monitor.feed.mqtt import MqttFeed
from monitor.feed.replay import Player, RecordedMessage, read_recording
from monitor.presentation.clock import utc_now
from monitor.records import OWN_FEED, BrokerAddress
from monitor.services.intake import Intake
from monitor.store.opening import open_stores

DEMO_FEED = Path(__file__).resolve().parents[2] / "demo_feeds" / "feed.jsonl.gz"


def test_a_played_feed_is_stored_whole(tmp_path: Path) -> None:
    backlog = [
        RecordedMessage(
            f"siccast/1/attic/box{number % 12}/reading",
            json.dumps(
                [{"t": 1772350200 + 600 * k + number, "temperature_c": 21, "rh_pct": 17} for k in range(50)]
            ).encode(),
        )
        for number in range(120)
    ]
    with (
        open_stores(tmp_path / "siccast.sqlite3") as stores,
        EmbeddedBroker() as broker,
        MqttFeed(broker.address, Decoder([OWN_FEED], "attic").subscriptions, clock=utc_now) as feed,
    ):
        feed.connect()
        feed.receive(1.0)
        intake = Intake(Decoder([OWN_FEED], "attic"), stores.readings)
        node = BrokerAddress(broker.address.host, broker.address.port, "3.1.1", "player")
        with Player(node, backlog, clock=utc_now) as player:
            intake.run(feed, lambda: player.failure is not None or intake.tally.messages >= len(backlog))
        assert player.failure is None
        assert stores.readings.count() == 50 * 120


def test_the_demo_feed_reads_to_its_end() -> None:
    decoder = Decoder([OWN_FEED], "printroom")
    topics = {message.topic for message in read_recording(DEMO_FEED)}
    assert all(decoder.subscriptions[0].split("+")[0] in topic for topic in topics)
    assert len(topics) == 13  # twelve boxes and the room, as demo_feeds/README.md lists them


def test_a_cut_off_recording_names_its_line(tmp_path: Path) -> None:
    whole = gzip.compress(b'{"topic": "a", "payload": 1}\n' * 1000)
    (tmp_path / "cut.gz").write_bytes(whole[:-20])
    with pytest.raises(ImportFileError, match=r"cut.gz, line \d+: .*each line has to hold a topic and a payload"):
        list(read_recording(tmp_path / "cut.gz"))
