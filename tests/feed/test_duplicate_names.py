"""A name that an object gives twice: refused with its values, whatever else is in the message."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import UnusableMessageError
from monitor.feed.decode import Decoded, Decoder
from monitor.feed.formats.values import parse_json
from monitor.records import OWN_FEED, FeedSpec, RawMessage, ValueAt

ARRIVED = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
OWN = "siccast/1/attic/box1/reading"
FEEDS = (
    OWN_FEED,
    FeedSpec("mapped", "m/{box}/x", ValueAt("/a/t", "C"), ValueAt("/a/h", "%")),
    FeedSpec("halves", "t/{box}", ValueAt("/t", "C"), ValueAt("/h", "%"), humidity_topic="h/{box}"),
)
GOOD = '{"temperature_c": 21.4, "rh_pct": 17.2}'


def decode(payload: str, topic: str = OWN) -> Decoded:
    return Decoder(FEEDS, "attic").decode([RawMessage("mqtt", topic, payload.encode(), ARRIVED)])


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        (OWN, '{"temperature_c": 21, "rh_pct": 10, "rh_pct": 40}', "'rh_pct' is given 2 times: 10, 40"),
        (OWN, '{"temperature_c":21,"rh_pct":10,"rh_pct":10}', "'rh_pct' is given 2 times: 10, 10"),
        (OWN, '{"temperature_c":21,"rh_pct":10,"x":"a:b","x":1}', "'x' is given 2 times: 'a:b', 1"),
        (OWN, '{"temperature_c":21,"rh_pct":10,"rh_pct" :40}', "'rh_pct' is given 2 times: 10, 40"),
        (OWN, '{"temperature_c":21,"rh_pct":10,"rh_\\u0070ct":40,"n":"\\u003a"}', "'rh_pct' is given 2 times: 10, 40"),
        (OWN, "[" + GOOD[:-1] + ', "rh_pct": 40}]', "'rh_pct' is given 2 times: 17.2, 40"),
        (OWN, '{"temperature_c":21,"rh_pct":10,"s":1,"s":2,"s":3,"s":4}', "'s' is given 4 times: 1, 2, 3, …"),
        (OWN, '{"temperature_c":21,"rh_pct":10,"n":[{"s":1,"s":2}]}', "'s' is given 2 times: 1, 2"),
        ("m/box1/x", '{"a": {"t": 21, "h": 10, "h": 40}}', "'h' is given 2 times: 10, 40"),
        ("t/box1", '{"t": 21, "t": 22}', "'t' is given 2 times: 21, 22"),
        (
            OWN,
            '[{"n":"T","u":"Cel","v":21},{"n":"h","u":"%RH","v":10,"v":40}]',
            "record 1: 'v' is given 2 times: 10, 40",
        ),
    ],
)
def test_the_message_is_refused_and_kept_as_it_came(topic: str, payload: str, reason: str) -> None:
    decoded = decode(payload, topic)
    assert not decoded.readings
    (rejection,) = decoded.rejections
    assert rejection.reason == f"{reason}; it must be given once"
    assert rejection.payload == payload.encode()


def test_one_element_of_a_backlog_is_refused_by_itself_and_kept_as_it_came() -> None:
    twice = '{"temperature_c": 21, "rh_pct": 10, "rh_pct" : 40}'
    decoded = decode(f"\n[ {GOOD} ,{twice},\t{GOOD}, 7 ]\n")
    assert [reading.relative_humidity for reading in decoded.readings] == [0.172, 0.172]
    assert [each.reason for each in decoded.rejections] == [
        "element 1: 'rh_pct' is given 2 times: 10, 40; it must be given once",
        "element 3: the reading is 7; it must be a JSON object",
    ]
    assert decoded.rejections[0].payload == twice.encode()


def test_nesting_without_end_beside_a_repeated_name() -> None:
    deep = "[" * 1_000 + "]" * 1_000
    assert "nested deeper" in decode(f'{GOOD[:-1]}, "x": {deep}, "rh_pct": 2}}').rejections[0].reason


texts = st.text(alphabet=':"\\ ,{}a\n:é', max_size=4)
scalars = st.one_of(st.integers(-5, 5), st.booleans(), st.none(), texts)
written = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(tuple), st.lists(st.tuples(st.sampled_from(["a", "b", ":", '"']), inner))
    ),
    max_leaves=8,
)


def write(value: Any, spaced: str, *, escaped: bool) -> str:
    """Return JSON in which a list of pairs is an object and a tuple an array; a colon of a text may be escaped."""
    if isinstance(value, tuple):
        return "[" + ",".join(write(each, spaced, escaped=escaped) for each in value) + "]"
    if isinstance(value, list):
        pairs = [(write(name, "", escaped=escaped), write(each, spaced, escaped=escaped)) for name, each in value]
        return "{" + ",".join(f"{name}{spaced}:{each}" for name, each in pairs) + "}"
    text = json.dumps(value, ensure_ascii=False)
    return text.replace(":", "\\u003a") if escaped else text


def repeats(value: Any) -> bool:
    if isinstance(value, tuple):
        return any(map(repeats, value))
    if isinstance(value, list):
        return len({name for name, _ in value}) < len(value) or any(repeats(each) for _, each in value)
    return False


@settings(max_examples=80, deadline=None)
@given(value=st.lists(st.tuples(st.sampled_from(["a", "b", ":", '"']), written)), spaced=st.sampled_from(["", " "]),
       escaped=st.booleans())  # fmt: skip
def test_it_is_found_however_it_is_written_and_nothing_else_is(value: Any, spaced: str, escaped: bool) -> None:
    text = write(value, spaced, escaped=escaped)
    try:
        read = parse_json(text.encode())
    except UnusableMessageError:
        assert repeats(value)
    else:
        assert not repeats(value)
        assert read == json.loads(text)
