"""A week of a thousand boxes, and two hundred thousand messages of nonsense: memory stays flat, nothing falls."""

from __future__ import annotations

import os
import random
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.feed.decode import Decoder
from monitor.feed.formats.values import MAX_PAYLOAD_BYTES
from monitor.records import OWN_FEED, FeedSpec, RawMessage, ValueAt
from monitor.services.intake import Intake
from monitor.store.opening import open_stores
from monitor.store.sqlite import connection as connection_module
from tests.reliability.harness import Listener, Stream, resident_mib

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from tests.conftest import Mosquitto

START = datetime(2026, 3, 1, tzinfo=UTC)
BOXES = 1_000


def test_a_week_of_a_thousand_boxes(tmp_path: Path) -> None:
    """10,080,000 messages decoded and stored, one commit for each minute of the week."""
    resident, took = [], []
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        intake = Intake(Decoder([OWN_FEED], "attic"), stores.readings)
        topics = [f"siccast/1/attic/box{number}/reading" for number in range(BOXES)]
        for minute in range(7 * 24 * 60):
            at = START + timedelta(minutes=minute)
            told = b'{"t":%d,"temperature_c":%.1f,"rh_pct":%.1f,"battery_v":2.98,"seq":%d}'
            values = (int(at.timestamp()), 20.0 + minute % 50 / 10, 15.0 + minute % 70 / 10, minute)
            messages = [RawMessage("made", topic, told % values, at) for topic in topics]
            began = time.perf_counter()
            intake.keep(messages)
            if minute % 60 == 59:
                resident.append(resident_mib(os.getpid()))
                took.append(time.perf_counter() - began)
        assert stores.readings.count() == 7 * 24 * 60 * BOXES
    settled = resident[24:]  # SQLite's page cache fills in the first day
    print(f"\nmemory after each day [MiB]: {[round(each) for each in resident[23::24]]}")
    print(f"minute's batch at the end of each day [ms]: {[round(1000 * each) for each in took[23::24]]}")
    assert max(settled) <= 1.10 * min(settled)
    last, first = sorted(took[-24:])[12], sorted(took[24:48])[12]
    assert last < 2.0 * first, "a batch takes ever longer"


def test_a_stream_through_the_broker_without_growing_lag(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """A hundred seconds at 2,000 messages a second: the lag does not grow, and neither does the memory."""
    listener = Listener.at(tmp_path / "shelf", mosquitto.port)
    listener.start()
    listener.wait_until_connected()
    stream = Stream(mosquitto.port, total=200_000, per_s=2_000).start()
    started, lags, resident = time.monotonic(), [], []
    while stream.is_running:
        time.sleep(2.0)
        due = min(stream.total, int((time.monotonic() - started) * stream.per_s))
        lags.append(due - listener.held())
        resident.append(resident_mib(listener.pid))
    assert listener.wait_until_held(stream.total) == stream.total
    assert listener.stop() == 0
    print(f"\nlag [messages]: {lags}\nmemory [MiB]: {[round(each) for each in resident]}")
    later = resident[len(resident) // 4 :]
    assert max(later) <= 1.10 * min(later)
    assert sorted(lags[-6:])[3] < 4_000, "two seconds behind, and growing"


FEEDS = (
    OWN_FEED,
    FeedSpec("mapped", "m/{box}", ValueAt("/a/0/t", "K"), ValueAt("/h", "fraction"), ValueAt("/at", "epoch_ms")),
    FeedSpec("bare", "t/{box}", ValueAt("", "C"), ValueAt("", "%"), humidity_topic="h/{box}"),
)
HOSTILE = (
    "'; DROP TABLE readings; --", "../../etc/passwd", "$(reboot)", "<script>alert(1)</script>", "\x1b[2J", "a\x00b",
    "\u202egnp.exe", "{{7*7}}", "${jndi}", "x" * 5_000, "", " ", "\ud800", "+", "#", "$SYS",
)  # fmt: skip
PIECES = (
    b'{"t":', b"1772350200", b'"temperature_c":', b'"rh_pct":', b"21.4", b"-1e999", b"NaN", b"[", b"]", b"{", b"}",
    b",", b'"v":', b'"n":', b'"u":"Cel"', b'"u":"%RH"', b'"bt":', b"null", b"true", b'"\\ud800"', b"1" * 400,
    b"\xff\xfe", b"0" * 40,
    b'{"t":1772350200,"temperature_c":21.4,"rh_pct":17.2}',
)  # fmt: skip


def nonsense(rng: random.Random, number: int) -> tuple[str, bytes]:
    """Return a topic and payload that may be anything."""
    name = rng.choice(HOSTILE) if rng.random() < 0.2 else f"box{rng.randrange(20)}"
    topic = rng.choice((f"siccast/1/attic/{name}/reading", f"m/{name}", f"t/{name}", f"h/{name}", name))
    kind = rng.random()
    if number % 4_000 == 0:
        return topic, rng.randbytes(rng.choice((MAX_PAYLOAD_BYTES, MAX_PAYLOAD_BYTES + 1, 2 * MAX_PAYLOAD_BYTES)))
    if number % 4_001 == 0:
        return topic, rng.choice((b"[", b'{"a":', b"[{")) * rng.choice((900, 1_100, 80_000))
    if kind < 0.3:
        return topic, rng.randbytes(rng.randrange(200))
    if kind < 0.9:
        return topic, b"".join(rng.choices(PIECES, k=rng.randrange(1, 12)))
    return topic, b"%d" % rng.randrange(-100, 300)


def test_two_hundred_thousand_messages_of_nonsense(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a small page cache, so that the memory seen is the feed's own and not SQLite filling its own."""
    monkeypatch.setattr(connection_module, "_PAGE_CACHE_KIB", 2048)
    rng = random.Random(20260301)
    resident = []
    with open_stores(tmp_path / "siccast.sqlite3") as stores:
        intake = Intake(Decoder(FEEDS, "attic"), stores.readings)
        for batch in range(400):
            at = START + timedelta(seconds=batch)
            told = [nonsense(rng, 500 * batch + number) for number in range(500)]
            intake.keep([RawMessage("made", topic, payload, at) for topic, payload in told])
            resident.append(resident_mib(os.getpid()))
        assert intake.tally.messages == 200_000
        kept = stores.ledger.rejected(100_000)
        assert all(each.reason.isprintable() and len(each.reason) < 400 for each in kept)
        assert all(name.isprintable() and len(name) <= 64 for name in stores.readings.latest())
        assert stores.upkeep.faults() == []
        tally, ever = intake.tally, stores.ledger.rejected_count()
    assert ever >= tally.rejected > 100_000
    assert [path.name for path in tmp_path.iterdir()] == ["siccast.sqlite3"], "a topic reaches no path"
    print(f"\n{tally}, {ever} rejected, memory [MiB]: {[round(each) for each in resident[::50]]}")
    settled = resident[100:]
    assert max(settled) <= 1.10 * min(settled)
