"""SenML packs, quantities on topics of their own, sensors that moved, and clocks that are wrong."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from monitor.feed.decode import Decoded, Decoder
from monitor.records import OWN_FEED, FeedSpec, HalfReading, Mark, Quantity, RawMessage, Reading, SensorMove, ValueAt

ARRIVED = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
AT = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
TOPIC = "siccast/1/attic/box1/reading"


def message(payload: object, topic: str = TOPIC, arrived_at: datetime = ARRIVED, retained: bool = False) -> RawMessage:
    content = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return RawMessage("mqtt", topic, content, arrived_at, retained=retained)


def decode_own(payload: object) -> Decoded:
    return Decoder([OWN_FEED], "attic").decode([message(payload)])


# --- SenML, RFC 8428 -------------------------------------------------------------------------------------------------


def test_pack_with_base_name_base_time_and_base_value() -> None:
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1.7723502e9, "n": "temp", "u": "Cel", "v": 21.4},
        {"n": "hum", "u": "%RH", "v": 17.2},
        {"n": "temp", "u": "Cel", "v": 21.5, "t": 60},
        {"n": "hum", "u": "%RH", "v": 17.3, "t": 60},
    ]
    assert decode_own(pack).readings == [
        Reading("box1", AT, 21.4, 0.172),
        Reading("box1", AT + timedelta(minutes=1), 21.5, pytest.approx(0.173)),
    ]


def test_pack_with_times_relative_to_now() -> None:
    """RFC 8428, section 4.5.3: times below 2**28 count from the present."""
    pack = [
        {"bn": "box:", "bu": "%RH", "t": -1800, "n": "h", "v": 17.2},
        {"n": "T", "u": "K", "v": 294.55, "t": -1800},
    ]
    (reading,) = decode_own(pack).readings
    assert reading.at == AT
    assert not reading.sent_at_known
    assert reading.temperature_degc == pytest.approx(21.4)  # 294.55 K - 273.15 K


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ([{"n": "h", "u": "%RH", "v": 17.2}], "0 values are a temperature"),
        ([{"n": "a", "u": "Cel", "v": 1}, {"n": "b", "u": "Cel", "v": 2}], "2 values are a temperature"),
        ([{"n": "h", "vs": "wet"}], "the SenML pack has no number"),
        ([{"bver": 11, "n": "h", "u": "%RH", "v": 17.2}], "bver is 11; siccast reads versions up to 10"),
        ([{"n": "h", "u": "%RH", "v": 17.2, "x_": 1}], "requires the label 'x_', which siccast does not understand"),
        ([{"n": "h", "u": "%RH", "v": "17.2"}], "v is '17.2'; it must be a number"),
        ([{"n": "h", "u": "%RH", "v": 17.2}, 3], "record 1 is 3"),
        ([{"n": "h", "u": "%RH", "v": 170}, {"n": "t", "u": "Cel", "v": 20}], "humidity is 170.0; it must be from"),
    ],
)
def test_pack_that_can_not_be_used(pack: object, reason: str) -> None:
    decoded = decode_own(pack)
    assert decoded.readings == []
    assert any(reason in rejection.reason for rejection in decoded.rejections)


# --- quantities on topics of their own -------------------------------------------------------------------------------

CELLAR = FeedSpec(
    name="cellar",
    topic="cellar/{box}/temp",
    humidity_topic="cellar/{box}/hum",
    temperature=ValueAt("", "F"),
    humidity=ValueAt("", "%"),
    join_within_s=60.0,
)


def cellar(*told: tuple[str, bytes, float]) -> tuple[Decoder, list[Decoded]]:
    decoder = Decoder([OWN_FEED, CELLAR], "attic")
    return decoder, [
        decoder.decode([message(number, f"cellar/{what}", ARRIVED + timedelta(seconds=s))]) for what, number, s in told
    ]


def test_bare_numbers_are_joined_within_the_window() -> None:
    _, (first, second) = cellar(("box9/temp", b"70.52", 0), ("box9/hum", b"17.2", 20))
    assert first.readings == []
    assert first.halves == [HalfReading("cellar", "box9", Quantity.temperature, ARRIVED, pytest.approx(21.4))]
    (reading,) = second.readings
    assert reading == Reading("box9", ARRIVED + timedelta(seconds=20), pytest.approx(21.4), 0.172, sent_at_known=False)
    assert second.halves == []


@pytest.mark.parametrize(("apart_s", "readings"), [(59, 1), (60, 1), (61, 0)])
def test_a_window_of_a_minute_is_a_whole_minute(apart_s: int, readings: int) -> None:
    _, (_, second) = cellar(("box9/temp", b"70", 0), ("box9/hum", b"17", apart_s))
    assert len(second.readings) == readings


def test_bare_numbers_of_two_boxes_do_not_meet() -> None:
    _, decoded = cellar(("box9/temp", b"70", 0), ("box8/hum", b"17", 1))
    assert not any(each.readings for each in decoded)


def test_a_half_left_alone_is_told_and_the_next_one_waits() -> None:
    _, decoded = cellar(
        ("box9/temp", b"70", 0), ("box9/hum", b"17", 61), ("box9/hum", b"18", 90), ("box9/temp", b"71", 95)
    )
    assert "the humidity of box 'box9' at 2026-03-01T08:01:01Z found no temperature within 60 s" in (
        decoded[2].rejections[0].reason
    )
    (reading,) = decoded[3].readings
    assert reading.relative_humidity == pytest.approx(0.18)


def test_a_half_outlives_the_listener() -> None:
    _, (first,) = cellar(("box9/temp", b"70.52", 0))
    successor = Decoder([CELLAR], "attic")
    assert first.halves is not None
    successor.restore(first.halves)
    decoded = successor.decode([message(b"17.2", "cellar/box9/hum", ARRIVED + timedelta(seconds=5))])
    assert len(decoded.readings) == 1


@pytest.mark.parametrize("number", [b"wet", b"true", b"170", b"", b"NaN"])
def test_bare_payload_that_is_no_humidity(number: bytes) -> None:
    _, (decoded,) = cellar(("box9/hum", number, 0))
    assert len(decoded.rejections) == 1


# --- sensors that moved, messages kept by the broker -----------------------------------------------------------------


def test_a_sensor_moved_to_another_box_on_a_date() -> None:
    moves = [SensorMove("box1", "box7", AT), SensorMove("box1", "box8", AT + timedelta(hours=1))]
    decoder = Decoder([OWN_FEED], "attic", moves)
    backlog = [{"t": (AT + timedelta(minutes=m)).timestamp(), "temperature_c": 21, "rh_pct": 17} for m in (-1, 0, 60)]
    late = ARRIVED + timedelta(hours=2)
    readings = decoder.decode([message(backlog, arrived_at=late)]).readings
    assert [reading.box for reading in readings] == ["box1", "box7", "box8"]


def test_a_retained_message_without_a_time_is_no_new_reading() -> None:
    told = {"temperature_c": 21.4, "rh_pct": 17.2}
    decoded = Decoder([OWN_FEED], "attic").decode([message(told, retained=True)])
    assert decoded.readings == []
    assert "it has no time" in decoded.rejections[0].reason
    kept = Decoder([OWN_FEED], "attic").decode([message(told | {"t": AT.timestamp()}, retained=True)])
    assert len(kept.readings) == 1


# --- clocks ----------------------------------------------------------------------------------------------------------


def marks_of(lags_s: list[float], spacing_s: float) -> list[int]:
    decoder = Decoder([OWN_FEED], "attic")
    found = []
    for number, lag_s in enumerate(lags_s):
        arrived = ARRIVED + timedelta(seconds=number * spacing_s)
        told = {"t": (arrived - timedelta(seconds=lag_s)).timestamp(), "temperature_c": 21.4, "rh_pct": 17.2}
        found += [reading.marks for reading in decoder.decode([message(told, arrived_at=arrived)]).readings]
    return found


def test_a_clock_ahead_is_marked_at_once() -> None:
    assert marks_of([-600.0, -60.0], 60.0) == [Mark.clock_ahead.bit, 0]


def test_a_clock_behind_is_marked_when_it_is_late_by_the_same_again() -> None:
    assert marks_of([3600.0, 3601.0, 3599.0], 60.0) == [0, Mark.clock_behind.bit, Mark.clock_behind.bit]


def test_a_queue_that_drains_is_no_clock_behind() -> None:
    assert marks_of([3600.0, 3540.0, 3480.0, 3.0, 2.0], 0.01) == [0, 0, 0, 0, 0]
    assert marks_of([3600.0, 3.0, 2.0], 60.0) == [0, 0, 0]
