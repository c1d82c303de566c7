"""Strangers on the broker: what they send takes no more disk, memory or log than it may, and no terminal obeys it."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from monitor.feed import clocks
from monitor.feed.decode import Decoder
from monitor.records import OWN_FEED, Box, FeedSpec, Mark, RawMessage, Rejection, ValueAt
from monitor.services.intake import Intake, RejectionLog
from monitor.store.opening import Stores, open_stores
from monitor.store.sqlite import ledger, readings

if TYPE_CHECKING:
    from pathlib import Path

ARRIVED = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
TOPIC = "siccast/1/attic/box1/reading"
FORGED = "x\nsiccast: connected to 10.0.0.1\x1b[2J\u202egnp.exe\u2028"


def decoder() -> Decoder:
    return Decoder((OWN_FEED,), "attic")


def message(payload: bytes, topic: str = TOPIC) -> RawMessage:
    return RawMessage("mqtt", topic, payload, ARRIVED)


def test_rejected_messages_keep_to_their_allowance_whatever_is_long_in_them(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past the decoder too: 200 topics, 200 reasons and 200 payloads of 60 kB would be 36 MB."""
    monkeypatch.setattr(ledger, "ALLOWANCE_BYTES", 1024 * 1024)
    long = "ü" * 30_000
    for number in range(200):
        stores.readings.add(
            [],
            [
                Rejection(ARRIVED, "mqtt", long, b"", f"topic {number}"),
                Rejection(ARRIVED, "mqtt", "reason", b"", long),
                Rejection(ARRIVED, "mqtt", "payload", long.encode(), "payload"),
            ],
        )
    kept = stores.ledger.rejected(1_000)
    assert sum(len(each.topic.encode() + each.payload + each.reason.encode()) for each in kept) <= 1024 * 1024
    assert len(kept) > 10
    assert stores.ledger.rejected_count() == 600
    assert stores.upkeep.path.stat().st_size < 3 * 1024 * 1024


def test_long_topics_are_cut_and_take_little_of_the_disk(stores: Stores) -> None:
    intake = Intake(decoder(), stores.readings)
    for batch in range(20):
        intake.keep([message(b"{}", f"{batch}/" + "x" * 60_000) for _ in range(100)])
    assert intake.tally.rejected == 2_000
    assert all(len(each.topic) <= 1025 for each in stores.ledger.rejected(2_000))
    assert stores.upkeep.path.stat().st_size < 4_000 * 1025


def test_a_flood_of_rejections_makes_few_lines_and_says_how_many_more() -> None:
    said: list[str] = []
    now = [0.0]
    told = RejectionLog(said.append, clock=lambda: now[0])
    rejection = Rejection(ARRIVED, "mqtt", "t" * 60_000, b"", "the reason")
    told.tell([rejection] * 10_000)
    told.catch_up()
    assert len(said) == 50
    assert max(map(len, said)) < 200
    now[0] = 3_600.0
    told.catch_up()
    assert said[50:] == ["9950 more messages were rejected; `siccast rejected` lists them"]
    for _ in range(24 * 60):
        now[0] += 60.0
        told.tell([rejection] * 1_000)
        told.catch_up()
    assert len(said) < 50 + 24 * 60 + 60
    now[0] += 3_600.0
    told.catch_up()
    assert sum(int(line.split()[0]) for line in said if "more messages" in line) + sum(
        line.startswith("rejected") for line in said
    ) == 10_000 + 24 * 60 * 1_000  # fmt: skip


def test_an_array_of_nonsense_is_kept_whole_in_few_rejections() -> None:
    elements = list(range(100_000))
    decoded = decoder().decode([message(json.dumps(elements, separators=(",", ":")).encode()[: 256 * 1024 - 1])])
    assert len(decoded.rejections) == 1, "not JSON once it is cut"
    elements = elements[:30_000]
    decoded = decoder().decode([message(json.dumps(elements).encode())])
    assert len(decoded.rejections) == 101
    kept = [json.loads(each.payload) for each in decoded.rejections]
    assert kept[:100] + kept[100] == elements
    assert decoded.rejections[100].reason == (
        "29900 more elements; the first of them: element 100: the reading is 100; it must be a JSON object"
    )


def test_halves_under_names_without_end_do_not_wait_without_end(stores: Stores) -> None:
    cellar = FeedSpec("cellar", "t/{box}", ValueAt("", "C"), ValueAt("", "%"), humidity_topic="h/{box}")
    intake = Intake(Decoder((cellar,), "attic"), stores.readings)
    intake.keep([message(b"21.4", f"t/box{number}") for number in range(10_500)])
    assert (intake.tally.waiting, intake.tally.rejected) == (10_000, 500)
    assert "the temperature of box 'box499'" in stores.ledger.rejected()[0].reason
    assert intake.keep([message(b"17.2", "h/box10499"), message(b"17.2", "h/box500")]) == 2


def test_topics_without_end_are_not_remembered_without_end() -> None:
    """Neither ever more of them, nor long ones, although a feed would read those too."""
    anywhere = Decoder((FeedSpec("any", "{where}/{box}", ValueAt("/t", "C"), ValueAt("/h", "%")),), "attic")
    topics = [f"shed/box{number}" for number in range(10_500)]
    topics += [f"{'x' * 60_000}{number}/box" for number in range(20)]
    decoded = anywhere.decode([message(b'{"t": 21.4, "h": 17.2}', topic) for topic in topics])
    assert len(decoded.readings) == 10_520
    kept = anywhere._place_remembered.cache_info()
    assert kept.currsize == kept.maxsize == 10_000
    assert kept.misses == 10_500


def test_clocks_of_names_without_end_are_not_remembered_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """A declared box that was late by an hour is known for it still; a made-up name is not."""
    monkeypatch.setattr(clocks, "_OTHER_NAMES", 50)
    listening = Decoder((OWN_FEED,), "attic", boxes=[Box("box1", 4.0)])

    def hear(names: list[str], minute: int) -> list[int]:
        at = ARRIVED + timedelta(minutes=minute)
        payload = json.dumps({"t": at.timestamp() - 3_600, "temperature_c": 21.4, "rh_pct": 17.2}).encode()
        sent = [RawMessage("mqtt", f"siccast/1/attic/{name}/reading", payload, at) for name in names]
        return [reading.marks for reading in listening.decode(sent).readings]

    hear(["box1", "made-up-0"], 0)
    hear([f"made-up-{number}" for number in range(500)], 1)
    assert len(listening._clocks._last) <= 50 + 2, "the box, its room, and so many others"
    assert hear(["box1", "made-up-0"], 2) == [Mark.clock_behind.bit, 0]


def test_numbers_of_names_without_end_are_not_remembered_without_end(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings, "_NUMBERS_REMEMBERED", 50)
    intake = Intake(decoder(), stores.readings)
    for minute in range(2):
        told = {"t": ARRIVED.timestamp() + 60 * minute, "temperature_c": 21.4, "rh_pct": 17.2}
        payload = json.dumps(told).encode()
        intake.keep([message(payload, f"siccast/1/attic/box{number}/reading") for number in range(200)])
    assert len(stores.readings._box_ids) <= 50  # type: ignore[attr-defined]
    assert (intake.tally.new, stores.readings.count()) == (400, 400)
    assert all(len(stores.readings.series(f"box{number}")) == 2 for number in range(200))


@pytest.mark.parametrize("topic", [FORGED, f"siccast/1/attic/{FORGED}/reading"])
def test_what_a_terminal_obeys_is_escaped_in_the_log(stores: Stores, topic: str) -> None:
    said: list[str] = []
    intake = Intake(decoder(), stores.readings, report=said.append)
    intake.keep([message(b"{}", topic), message(json.dumps({FORGED: FORGED, "t": FORGED}).encode())])
    assert len(said) == 2
    assert all(line.isprintable() for line in said)
    assert r"x\nsiccast: connected to 10.0.0.1\x1b[2J\u202egnp.exe\u2028" in said[0]


def test_what_a_terminal_obeys_is_escaped_in_the_list(tmp_path: Path) -> None:
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        rejections = [Rejection(ARRIVED, FORGED, FORGED, FORGED.encode(), FORGED)]
        stores.readings.add([], rejections)
    program = "from monitor.cli.app import main; main()"
    command = [sys.executable, "-c", program, "--shelf", str(tmp_path), "rejected"]
    table, as_json = (
        subprocess.run([*command, *more], capture_output=True, text=True, check=True, encoding="utf-8").stdout
        for more in ((), ("--json",))
    )
    for shown in (table, as_json):
        assert all(line.isprintable() for line in shown.split("\n")), shown
        assert r"\u202egnp.exe" in shown
    (kept,) = json.loads(as_json)["newest"]
    assert kept["topic"] == kept["payload"] == kept["reason"] == FORGED
