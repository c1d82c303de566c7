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
    if not isinstance(content, list):
        return (content,)
    return senml.instants(content) if senml.is_pack(content) else content


def reading(box: str, element: Any, arrived_at: datetime) -> Reading:
    """Return the reading in one element of the own contract, or at one instant of a SenML pack."""
    if not isinstance(element, dict):
        return _of_no_object(box, element, arrived_at)
    given = element.get
    temperature, humidity, at = given("temperature_c"), given("rh_pct"), given("t")
    battery, seq, floor = given("battery_v"), given("seq"), given("floor_rh_pct")
    if temperature is None or humidity is None:
        raise _missing(element, "temperature_c" if temperature is None else "rh_pct")
    return Reading(
        box,
        arrived_at if at is None else values.instant(at, "iso8601" if type(at) is str else "epoch_s", arrived_at),
        values.temperature_degc(temperature),
        values.relative_humidity(humidity),
        None if battery is None else values.battery_v(battery),
        None if seq is None else values.seq(seq),
        None if floor is None else values.relative_humidity(floor, name="floor_rh_pct"),
        at is not None,
    )


def _of_no_object(box: str, element: Any, arrived_at: datetime) -> Reading:
    if isinstance(element, senml.SenmlInstant):
        return senml.reading(box, element, arrived_at)
    raise UnusableMessageError(f"the reading is {values.shown(element)}; it must be a JSON object")


def _missing(element: dict[str, Any], key: str) -> UnusableMessageError:
    if key in element:
        return UnusableMessageError(f"'{key}' is null; it must be a number")
    given = ", ".join(sorted(map(values.shown, element))) or "nothing"
    return UnusableMessageError(f"'{key}' is missing; the message has {values.shown(given.encode())}")
