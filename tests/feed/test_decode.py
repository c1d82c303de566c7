"""Topic and bytes to readings: what is read, and the one line for everything that can't be."""

from __future__ import annotations

import json
import unicodedata
from datetime import UTC, datetime

import pytest

from monitor.feed.decode import Decoded, Decoder
from monitor.feed.formats.values import MAX_PAYLOAD_BYTES
from monitor.records import OWN_FEED, FeedSpec, RawMessage, Reading, SensorMove, ValueAt

ARRIVED = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
AT = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
TOPIC = "siccast/1/attic/box1/reading"
GOOD = {"t": "2026-03-01T07:30:00Z", "temperature_c": 21.4, "rh_pct": 17.2}
PAYLOAD = json.dumps(GOOD).encode()


def decode(payload: object, topic: str = TOPIC, feeds: tuple[FeedSpec, ...] = (OWN_FEED,)) -> Decoded:
    content = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Decoder(feeds, "attic").decode([RawMessage("mqtt", topic, content, ARRIVED)])


def test_own_message() -> None:
    told = GOOD | {"battery_v": 2.98, "seq": 10234, "floor_rh_pct": 10}
    assert decode(told).readings == [Reading("box1", AT, 21.4, 0.172, 2.98, 10234, 0.1)]


@pytest.mark.parametrize("at", ["2026-03-01T08:30:00+01:00", "2026-03-01T07:30:00", 1772350200, 1772350200.0])
def test_instants_in_their_several_writings(at: object) -> None:
    assert decode(GOOD | {"t": at}).readings[0].at == AT


def test_without_a_time_the_arrival_stands_in() -> None:
    (reading,) = decode({"temperature_c": 21.4, "rh_pct": 17.2}).readings
    assert reading.at == ARRIVED
    assert not reading.sent_at_known


def test_backlog_keeps_the_good_and_tells_of_the_bad() -> None:
    decoded = decode([GOOD, GOOD | {"rh_pct": 117}, 7, GOOD | {"t": 1772350300}])
    assert [reading.at.timestamp() for reading in decoded.readings] == [1772350200, 1772350300]
    assert [rejection.reason for rejection in decoded.rejections] == [
        "element 1: rh_pct is 117; it must be from 0 to 100",
        "element 2: the reading is 7; it must be a JSON object",
    ]
    assert json.loads(decoded.rejections[0].payload)["rh_pct"] == 117


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "is not JSON"),
        (b"not json", "payload not json is not JSON"),
        (b"[{", "is not JSON"),
        (b"\xff\xfe", "is not JSON"),
        (b'{"temperature_c": NaN, "rh_pct": 20}', "is not JSON"),
        (b'{"temperature_c": 1e999, "rh_pct": 20}', "not JSON|finite"),
        (b"[]", "the array is empty"),
        (b"7", "the reading is 7; it must be a JSON object"),
        ({"rh_pct": 20}, "'temperature_c' is missing; the message has 'rh_pct'"),
        (GOOD | {"temperature_c": "21.4"}, "temperature_c is '21.4'; it must be a number"),
        (GOOD | {"temperature_c": True}, "temperature_c is true; it must be a number"),
        (GOOD | {"rh_pct": None}, "'rh_pct' is null; it must be a number"),
        (GOOD | {"temperature_c": [21]}, "it must be a number"),
        (GOOD | {"temperature_c": -40.1}, "temperature_c is -40.1; it must be from -40 to 85 °C"),
        (GOOD | {"temperature_c": 85.1}, "temperature_c is 85.1; it must be from -40 to 85 °C"),
        (GOOD | {"rh_pct": -0.1}, "rh_pct is -0.1; it must be from 0 to 100"),
        (GOOD | {"rh_pct": 100.1}, "rh_pct is 100.1; it must be from 0 to 100"),
        (GOOD | {"t": "yesterday"}, "t is 'yesterday'; it must be a time like 2026-03-01T07:30:00Z"),
        (GOOD | {"t": [1]}, r"t is \[1\]"),
        (GOOD | {"t": 12}, "t is 12, before the year 2000; the node's clock is not set"),
        (GOOD | {"t": "1999-12-31T23:59:59Z"}, "before the year 2000"),
        (GOOD | {"t": "2026-03-02T08:00:01Z"}, "more than a day ahead of its arrival at 2026-03-01T08:00:00Z"),
        (GOOD | {"t": 1e300}, "t is 1e\\+300"),
        (GOOD | {"t": 1772350200000}, "t is 1772350200000; it must be seconds since 1970, not milliseconds"),
        (GOOD | {"t": "0001-01-01T00:00:00+23:00"}, "t is '0001"),
        (GOOD | {"battery_v": 2980}, "battery_v is 2980; it must be volts from 0 to 60"),
        (GOOD | {"seq": -1}, "seq is -1; it must be a whole number"),
        (GOOD | {"seq": 1.5}, "seq is 1.5"),
        (GOOD | {"floor_rh_pct": 200}, "floor_rh_pct is 200"),
    ],
)
def test_each_fault_gets_one_line(payload: object, reason: str) -> None:
    decoded = decode(payload)
    assert decoded.readings == []
    (rejection,) = decoded.rejections
    assert "\n" not in rejection.reason
    with pytest.raises(ValueError, match=reason):
        raise ValueError(rejection.reason)


def test_oversized_payload_is_refused_by_its_size_and_cut() -> None:
    decoded = decode(b"[" + b"1," * MAX_PAYLOAD_BYTES)
    (rejection,) = decoded.rejections
    assert rejection.reason == f"payload of {2 * MAX_PAYLOAD_BYTES + 1} bytes; siccast reads at most 262144 bytes"
    assert len(rejection.payload) == 4096


def test_an_empty_payload_is_said_to_be_empty() -> None:
    assert [rejection.reason for rejection in decode(b"").rejections] == ["the payload is empty; that is not JSON"]


def test_a_message_cut_for_its_properties_is_refused_for_them_and_not_read_as_far_as_it_came() -> None:
    whole = json.dumps(GOOD).encode()
    message = RawMessage("mqtt", "siccast/1/home/box1/reading", whole, ARRIVED, left_out_bytes=1)
    decoded = Decoder([OWN_FEED], "home").decode([message])
    assert decoded.readings == []
    assert [rejection.reason for rejection in decoded.rejections] == [
        "message of more than 393216 bytes with its MQTT 5 properties; send fewer of them"
    ], "256 KiB of payload and 128 KiB for the rest"


@pytest.mark.parametrize("topic", ["siccast/1/attic/box1", "siccast/1/cellar/box1/reading", "other", ""])
def test_topic_of_no_feed(topic: str) -> None:
    (rejection,) = decode(GOOD, topic).rejections
    assert rejection.reason.endswith("does not fit any feed; expected siccast/1/attic/{box}/reading")


@pytest.mark.parametrize(
    "name", ["\x1b[31m", " box", "x" * 65, "a\u202eb", "'; drop table boxes;--", "a(b)", "..", "-x"]
)
def test_box_name_that_nobody_could_declare(name: str) -> None:
    (rejection,) = decode(GOOD, f"siccast/1/attic/{name}/reading").rejections
    assert "is not valid; it must be 1 to 64 letters of any script" in rejection.reason
    assert rejection.reason.endswith("under [[feeds]] in the shelf file: boxes = { 'its name' = 'yours' }")
    assert rejection.reason.isprintable()


@pytest.mark.parametrize("name", ["Kühlbox 3", "box.two-a", "_shelf", "สีขาว", "коробка", "नमी-1", "x" * 64])
def test_box_names_of_any_script_are_kept(name: str) -> None:
    (reading,) = decode(GOOD, f"siccast/1/attic/{name}/reading").readings
    assert reading.box == name


def test_an_accent_written_apart_is_the_same_name() -> None:
    apart = unicodedata.normalize("NFD", "Kühlbox")
    assert apart != "Kühlbox"
    (reading,) = decode(GOOD, f"siccast/1/attic/{apart}/reading").readings
    assert reading.box == "Kühlbox"


def test_a_name_that_does_not_fit_is_renamed_by_its_feed_or_by_a_move() -> None:
    feed = FeedSpec("own", OWN_FEED.topic, boxes=(("a(b)", "left"),))
    (reading,) = decode(GOOD, "siccast/1/attic/a(b)/reading", (feed,)).readings
    assert reading.box == "left"
    since = datetime(2026, 1, 1, tzinfo=UTC)
    moved = Decoder((OWN_FEED,), "attic", [SensorMove("c,d", "right", since)])
    (reading,) = moved.decode([RawMessage("mqtt", "siccast/1/attic/c,d/reading", PAYLOAD, ARRIVED)]).readings
    assert reading.box == "right"
    later = Decoder((OWN_FEED,), "attic", [SensorMove("c,d", "right", since.replace(year=2027))])
    (rejection,) = later.decode([RawMessage("mqtt", "siccast/1/attic/c,d/reading", PAYLOAD, ARRIVED)]).rejections
    assert "box name 'c,d' is not valid" in rejection.reason


PORCH = FeedSpec(
    name="porch",
    topic="sensors/{box}/state",
    temperature=ValueAt("/data/0/temp~1F", "F"),
    humidity=ValueAt("/data/0/hum", "fraction"),
    time=ValueAt("/ts", "epoch_ms"),
    boxes=(("ab12", "box7"),),
)


def test_mapped_payload() -> None:
    told = {"data": [{"temp/F": 70.52, "hum": 0.172}], "ts": 1772350200000}
    (reading,) = decode(told, "sensors/ab12/state", (OWN_FEED, PORCH)).readings
    assert reading.box == "box7"
    assert reading.at == AT
    assert reading.temperature_degc == pytest.approx(21.4)  # 70.52 °F by the definition of the scale
    assert reading.relative_humidity == pytest.approx(0.172)


def test_mapped_payload_without_what_it_should_have() -> None:
    (rejection,) = decode({"data": []}, "sensors/ab12/state", (PORCH,)).rejections
    assert rejection.reason == "there is nothing at /data/0/temp~1F in {'data': []}"


@pytest.mark.parametrize(("unit", "told"), [("C", "-40 to 85 °C"), ("F", "-40 to 185 °F"), ("K", "233.15 to 358.15 K")])
def test_a_temperature_out_of_range_is_answered_in_the_unit_of_its_feed(unit: str, told: str) -> None:
    feed = FeedSpec("porch", "sensors/{box}", temperature=ValueAt("/t", unit), humidity=ValueAt("/h", "%"))
    (rejection,) = decode({"t": 400, "h": 17.2}, "sensors/box1", (feed,)).rejections
    assert rejection.reason == f"/t is 400; it must be from {told}"
