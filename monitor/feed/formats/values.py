"""One quantity of a payload, checked: a number in the unit used inside, or a line that says what would be right."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson

from monitor.errors import UnusableMessageError
from monitor.feed.formats.duplicate_names import is_whole, refuse_duplicates
from monitor.records.readings import EARLIEST_AT, SENSOR_RANGE_DEGC
from monitor.units import degf_to_degc, kelvin_to_degc

MAX_PAYLOAD_BYTES = 256 * 1024
"""A judgement. A node that was offline for weeks sends its backlog in several arrays; one message is no longer than
this."""

LARGEST_PACKET_BYTES = MAX_PAYLOAD_BYTES + 128 * 1024
"""Room for the longest payload that is read, the longest topic (65,535 bytes: MQTT 5, section 1.5.4), and
properties."""

KEPT_OF_LONGER_BYTES = 4096
"""Of a message that is too long to be read: a judgement, enough to see who sent it and what it was."""

MAX_BATTERY_V = 60.0  # judgement: above any battery or small supply; beyond it millivolts were meant
MAX_SEQ = 2**53
"""A count, as far as every JSON reader counts (RFC 8259, section 6)."""

MAX_AHEAD = timedelta(days=1)  # judgement: a wrong time zone is let in and marked, a wrong date is not

_TO_DEGC = {"F": degf_to_degc, "K": kelvin_to_degc}
_COLDEST_DEGC, _WARMEST_DEGC = SENSOR_RANGE_DEGC
_TEMPERATURES_SAID = {"C": (*SENSOR_RANGE_DEGC, "°C"), "F": (-40.0, 185.0, "°F"), "K": (233.15, 358.15, "K")}
"""The same bounds in the unit of a feed, by definition of °F and K: who sends °F is answered in °F."""
_HUMIDITY_UNITS = {"%": 100.0, "fraction": 1.0}  # whole saturation in %, in one, by definition
_EPOCH_UNITS = {"epoch_s": (1.0, "seconds"), "epoch_ms": (1000.0, "milliseconds")}  # by definition, in a second
_JSON_WORDS = {None: "null", True: "true", False: "false"}
SHOWN_OF_TOPIC = 120  # letters; judgement: fits a line of a terminal
_SHOWN = 60  # letters; judgement: what a stranger sent fits a line beside the reason


def parse_json(payload: bytes) -> Any:
    """Return what the payload says, or tell why it is no JSON or says something twice."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        refuse_longer(len(payload))
    if not payload:
        raise UnusableMessageError("the payload is empty; that is not JSON")
    try:
        content = orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        raise UnusableMessageError(f"payload {shown(payload)} is not JSON: {error}") from None
    colons = payload.count(b":")
    if type(content) is dict and len(content) == colons:  # nearly every message: no name was left out
        return content
    return content if is_whole(content, payload, colons) else refuse_duplicates(payload, content, shown)


def refuse_longer(payload_bytes: int) -> None:
    """Refuse a payload that is longer than any we read."""
    if payload_bytes > MAX_PAYLOAD_BYTES:
        raise UnusableMessageError(f"payload of {payload_bytes} bytes; siccast reads at most {MAX_PAYLOAD_BYTES} bytes")


def temperature_degc(value: Any, unit: str = "C", name: str = "temperature_c") -> float:
    """Return a temperature that a hygrometer can have."""
    if type(value) is float and unit == "C" and _COLDEST_DEGC <= value <= _WARMEST_DEGC:
        return value
    given = number(value, name)
    degc = given if unit == "C" else _TO_DEGC[unit](given)
    if not _COLDEST_DEGC <= degc <= _WARMEST_DEGC:
        low, high, sign = _TEMPERATURES_SAID[unit]
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be from {low:g} to {high:g} {sign}")
    return degc


def relative_humidity(value: Any, unit: str = "%", name: str = "rh_pct") -> float:
    """Return a humidity as a fraction of saturation."""
    whole = _HUMIDITY_UNITS[unit]
    if type(value) is float and 0.0 <= value <= whole:  # nearly always
        return value / whole
    given = number(value, name)
    if not 0.0 <= given <= whole:
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be from 0 to {whole:g}")
    return given / whole


def battery_v(value: Any) -> float:
    """Return a voltage that a node can have."""
    if type(value) is float and 0.0 <= value <= MAX_BATTERY_V:
        return value
    given = number(value, "battery_v")
    if not 0.0 <= given <= MAX_BATTERY_V:
        raise UnusableMessageError(f"battery_v is {shown(value)}; it must be volts from 0 to {MAX_BATTERY_V:g}")
    return given


def seq(value: Any) -> int:
    """Return a number that a node counts its readings by."""
    if type(value) is not int or not 0 <= value <= MAX_SEQ:
        raise UnusableMessageError(
            f"seq is {shown(value)}; it must be a whole number that counts up from 0 to {MAX_SEQ}"
        )
    return value


def instant(value: Any, unit: str, arrived_at: datetime, name: str = "t") -> datetime:
    """Return an instant, aware and in UTC, that is neither absurdly old nor more than a day ahead."""
    at = _from_iso(value, name) if unit == "iso8601" else _from_epoch(value, *_EPOCH_UNITS[unit], name)
    return at if EARLIEST_AT <= at <= arrived_at else within_reach(at, value, arrived_at, name)


def within_reach(at: datetime, value: Any, arrived_at: datetime, name: str = "t") -> datetime:
    """Return an instant as it is, where it is neither absurdly old nor more than a day ahead."""
    if at < EARLIEST_AT:
        raise UnusableMessageError(f"{name} is {shown(value)}, before the year 2000; the node's clock is not set")
    if at > arrived_at + MAX_AHEAD:
        raise UnusableMessageError(
            f"{name} is {shown(value)}, more than a day ahead of its arrival at {arrived_at:%Y-%m-%dT%H:%M:%SZ}"
        )
    return at


def number(value: Any, name: str) -> float:
    """Return a finite number; texts, flags and nothing at all are none."""
    kind = type(value)
    if kind is int:  # bool is another
        try:
            given = float(value)
        except OverflowError:
            given = math.inf
    elif kind is float:
        given = value
    else:
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be a number")
    if not math.isfinite(given):
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be a finite number")
    return given


def shown(value: Any) -> str:
    """Return a value fit for one line of text: short, and with nothing in it that a terminal obeys."""
    try:
        if value is None or isinstance(value, bool):
            return _JSON_WORDS[value]
        text = value.decode("utf-8", "replace") if isinstance(value, bytes) else repr(value)
    except RecursionError:
        text = "a deeply nested value"
    return escaped(text, _SHOWN)


def escaped(text: str, at_most: int | None = None) -> str:
    """Return a text on one line: what a terminal obeys, or what turns the order of letters round, as its escape."""
    line = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text[:at_most]
    )
    return line + "…" if at_most is not None and len(text) > at_most else line


def _from_iso(value: Any, name: str) -> datetime:
    try:
        at = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be a time like 2026-03-01T07:30:00Z") from None
    if at.tzinfo is UTC:
        return at
    try:
        return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    except OverflowError:
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be between the year 2000 and now") from None


def _from_epoch(value: Any, units_per_s: float, units: str, name: str) -> datetime:
    given = number(value, name) / units_per_s
    try:
        return datetime.fromtimestamp(given, UTC)
    except (OverflowError, ValueError, OSError):
        other = ", not milliseconds" if units == "seconds" else ""
        raise UnusableMessageError(f"{name} is {shown(value)}; it must be {units} since 1970{other}") from None
