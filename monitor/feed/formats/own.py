"""siccast's own message: one JSON object a reading, or an array of them that a node saved up while it was offline."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from monitor.errors import UnusableMessageError
from monitor.feed.formats import senml, values
from monitor.records import Reading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime


def elements(payload: bytes) -> Sequence[Any]:
    """Return the readings of a payload, none of them looked at yet."""
    content = values.parse_json(payload)
    if senml.is_pack(content):
        return senml.instants(content)
    return content if isinstance(content, list) else (content,)


def reading(box: str, element: Any, arrived_at: datetime) -> Reading:
    """Return the reading in one element of the own contract, or at one instant of a SenML pack."""
    if isinstance(element, senml.SenmlInstant):
        return senml.reading(box, element, arrived_at)
    if not isinstance(element, dict):
        raise UnusableMessageError(f"the reading is {values.shown(element)}; it must be a JSON object")
    given = element.get
    at = given("t")
    return Reading(
        box,
        arrived_at if at is None else _instant(at, arrived_at),
        values.temperature_degc(_needed(element, "temperature_c")),
        values.relative_humidity(_needed(element, "rh_pct")),
        None if given("battery_v") is None else values.battery_v(given("battery_v")),
        None if given("seq") is None else values.seq(given("seq")),
        None if given("floor_rh_pct") is None else values.relative_humidity(given("floor_rh_pct"), name="floor_rh_pct"),
        at is not None,
    )


def _needed(element: dict[str, Any], key: str) -> Any:
    value = element.get(key)
    if value is None:
        given = ", ".join(sorted(map(values.shown, element))) or "nothing"
        raise UnusableMessageError(f"'{key}' is missing; the message has {values.shown(given.encode())}")
    return value


def _instant(value: Any, arrived_at: datetime) -> datetime:
    return values.instant(value, "iso8601" if isinstance(value, str) else "epoch_s", arrived_at)
