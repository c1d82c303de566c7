"""Whatever a message holds: it is kept as rejected with its reason, and those beside it are stored."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.feed.decode import Decoder
from monitor.records import OWN_FEED, FeedSpec, RawMessage, Reading, ValueAt
from monitor.services.intake import Intake
from monitor.store.opening import Stores, open_stores
from tests.feed.test_listening import OneBatch

if TYPE_CHECKING:
    pass

ARRIVED = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
OWN = "siccast/1/attic/box1/reading"
GOOD = b'{"temperature_c": 21.4, "rh_pct": 17.2}'
FEEDS = (
    OWN_FEED,
    FeedSpec("mapped", "m/{box}/x", ValueAt("/t", "C"), ValueAt("/h", "%")),
    FeedSpec("timed", "n/{box}/x", ValueAt("/a/0/t", "K"), ValueAt("/h", "fraction"), ValueAt("/at", "epoch_ms")),
    FeedSpec("halves", "t/{box}", ValueAt("/t", "C"), ValueAt("/h", "%"), humidity_topic="h/{box}"),
)
TOPICS = (OWN, "m/box1/x", "n/box1/x", "t/box1", "h/box1")


def nested(depth: int, opening: bytes = b'{"a":', core: bytes = b"1", closing: bytes = b"}") -> bytes:
    return opening * depth + core + closing * depth


def run(stores: Stores, told: list[tuple[str, bytes]]) -> tuple[Intake, OneBatch]:
    """Let an intake take one batch in, and return both."""
    feed = OneBatch([])
    feed.waiting = [RawMessage("mqtt", topic, payload, ARRIVED) for topic, payload in told]
    intake = Intake(Decoder(FEEDS, "attic"), stores.readings)
    intake.run(feed, lambda: bool(feed.acknowledged))
    return intake, feed


@pytest.mark.parametrize("topic", TOPICS)
@pytest.mark.parametrize(
    "payload",
    [
        nested(1000),
        nested(1000, b"[", b"1", b"]"),
        b'{"t": 21.4, "h": ' + nested(1000) + b"}",
        b'[{"n": ' + nested(1000) + b', "u": "Cel", "v": 21.4}, {"u": "%RH", "v": 17.2}]',
        b"[" + nested(1000) + b"," + nested(1000) + b"]",
    ],
    ids=["objects", "arrays", "a value", "a name of a record", "elements"],
)
def test_nesting_as_deep_as_json_goes_costs_only_itself(stores: Stores, topic: str, payload: bytes) -> None:
    intake, feed = run(stores, [(OWN, GOOD), (topic, payload), (OWN, GOOD)])
    assert len(feed.acknowledged) == 3
    assert intake.tally.new == stores.readings.count() == 2
    assert intake.tally.rejected == stores.ledger.rejected_count()
    assert intake.tally.rejected + intake.tally.waiting >= 1, (
        "the whole value beside the deep one may wait for its other"
    )
    assert all(each.reason.isprintable() and len(each.reason) < 400 for each in stores.ledger.rejected())


class Foul:
    """A format whose reader fails in a way that nobody foresaw."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def reading(self, box: str, element: Any, arrived_at: datetime) -> Reading:
        if element == "foul":
            raise self.error
        return Reading(box, arrived_at, 21.4, 0.172, sent_at_known=False)

    def elements(self, payload: bytes) -> list[Any]:
        return list(json.loads(payload))


class UnspeakableError(Exception):
    """An error that can't even say what it is."""

    def __str__(self) -> str:
        raise RecursionError


@pytest.mark.parametrize(
    "error", [KeyError("x"), RecursionError(), MemoryError(), AssertionError("a\n\u202eb"), UnspeakableError()]
)
def test_an_error_nobody_foresaw_is_a_rejection_with_a_reason(error: Exception) -> None:
    decoder = Decoder((OWN_FEED,), "attic")
    (route,) = decoder._routes
    decoder._routes = [replace(route, payload_format=Foul(error))]
    payloads = (b'["foul"]', b'["good", "foul", "good"]', b'["good"]')
    decoded = decoder.decode([RawMessage("mqtt", OWN, payload, ARRIVED) for payload in payloads])
    assert len(decoded.readings) == 3
    assert [type(error).__name__ in each.reason and each.reason.isprintable() for each in decoded.rejections] == [
        True, True,
    ]  # fmt: skip


numbers = st.one_of(
    st.floats(), st.integers(), st.integers(10**22, 10**30), st.floats(0.0, 60.0), st.just(-0.0), st.integers(0, 2**63)
)
texts = st.one_of(st.text(max_size=8), st.sampled_from(["\x00", "\u202e", "1e5", "2026-03-01T07:30:00Z", "Cel", "%RH"]))
KEYS = ("t", "temperature_c", "rh_pct", "battery_v", "seq", "floor_rh_pct", "n", "u", "v", "bt", "bn", "h", "a", "at")
anything = st.recursive(
    st.one_of(st.none(), st.booleans(), numbers, texts),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.one_of(st.sampled_from(KEYS), texts), inner, max_size=6)
    ),
    max_leaves=12,
)
"""JSON of any shape, with the words we look for strewn in."""

nearly_right = st.fixed_dictionaries(
    {"temperature_c": st.floats(-40.0, 85.0), "rh_pct": st.floats(0.0, 100.0)},
    optional=dict.fromkeys(("t", "battery_v", "seq", "floor_rh_pct"), numbers),
)
payloads = st.one_of(
    st.binary(max_size=60),
    anything.map(lambda content: json.dumps(content).encode()),
    st.lists(nearly_right, min_size=1, max_size=4).map(lambda content: json.dumps(content).encode()),
    nearly_right.map(lambda content: json.dumps(content).encode()),
)
topics = st.one_of(
    st.sampled_from(TOPICS),
    st.text(max_size=12),
    st.text(max_size=70).map(lambda box: f"siccast/1/attic/{box}/reading"),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(told=st.lists(st.tuples(topics, payloads), max_size=8))
def test_a_batch_of_anything_is_stored_counted_and_acknowledged(
    tmp_path_factory: pytest.TempPathFactory, told: list[tuple[str, bytes]]
) -> None:
    with open_stores(tmp_path_factory.mktemp("shelf") / "siccast.sqlite3", synchronous="OFF") as stores:
        intake, feed = run(stores, [(OWN, GOOD), *told, ("m/box2/x", b'{"t": 21.4, "h": 17.2}')])
        assert len(feed.acknowledged) == len(told) + 2
        tally = intake.tally
        assert tally.new == stores.readings.count() >= 2
        assert tally.rejected == stores.ledger.rejected_count()
        assert stores.readings.latest()["box2"].temperature_degc == 21.4
        assert stores.upkeep.faults() == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"seq": 10**22},
        {"battery_v": float("nan")},
        {"battery_v": 1e300},
        {"relative_humidity": float("inf")},
        {"temperature_degc": 1e300},
        {"box": "a\ud800b"},
    ],
    ids=str,
)
def test_a_row_that_the_store_cannot_hold_costs_only_itself(stores: Stores, wrong: dict[str, Any]) -> None:
    good = [Reading("box1", ARRIVED + timedelta(minutes=minute), 21.4, 0.172) for minute in range(3)]
    for sent_at_known in (True, False):
        bad = good[1]._replace(sent_at_known=sent_at_known, **wrong)
        stores.readings.add([good[0], bad, good[2]])
    assert [reading.at for reading in stores.readings.each("box1")] == [good[0].at, good[2].at]
    assert stores.ledger.rejected_count() == 2
    assert "the database can't store this reading" in stores.ledger.rejected()[0].reason
