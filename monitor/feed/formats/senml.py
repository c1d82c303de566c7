"""SenML packs in JSON (RFC 8428): records resolved against their base fields, then paired by their instant."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from monitor.errors import UnusableMessageError
from monitor.feed.formats import values
from monitor.feed.formats.duplicate_names import RefusedElement
from monitor.records import Reading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

_LABELS = frozenset({"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s"})
_OWN_LABELS = frozenset({"temperature_c", "rh_pct"})
_VERSION = 10  # no unit: the version of SenML packs (RFC 8428, section 4.1)
_ABSOLUTE_FROM_S = 2.0**28
"""Smaller times count from the arrival (RFC 8428, section 4.5.3)."""

_TEMPERATURE_UNITS = {"Cel": "C", "K": "K"}
_HUMIDITY_UNITS = {"%RH": "%"}
"""Unit symbols of the IANA registry that RFC 8428, section 12.1, set up."""


@dataclass(slots=True)
class SenmlInstant:
    """What a pack says of one instant: every value with its unit."""

    time_s: float
    given: list[tuple[str, Any, Any]] = field(default_factory=list)
    """Name, unit and value of each record."""


def is_pack(content: Any) -> bool:
    """Return whether a JSON array is a SenML pack rather than readings of our own contract."""
    if not isinstance(content, list):
        return False
    first = next((element for element in content if type(element) is not RefusedElement), None)
    return isinstance(first, dict) and bool(_LABELS.intersection(first)) and not _OWN_LABELS.intersection(first)


def instants(records: Sequence[Any]) -> list[SenmlInstant]:
    """Return what a pack says, instant by instant, in the order in which it names them."""
    found: dict[float, SenmlInstant] = {}
    base: dict[str, Any] = {}
    for place, record in enumerate(records):
        if type(record) is RefusedElement:
            raise UnusableMessageError(f"record {place}: {record.reason}")
        if not isinstance(record, dict):
            raise UnusableMessageError(f"record {place} is {values.shown(record)}; it must be a JSON object")
        _refuse_unknown_musts(record, place)
        base |= {key: value for key, value in record.items() if key in {"bn", "bt", "bu", "bv", "bver"}}
        if values.number(base.get("bver", _VERSION), "bver") > _VERSION:
            raise UnusableMessageError(f"bver is {base['bver']}; siccast reads versions up to {_VERSION}")
        if "v" in record:
            time_s = _sum(base.get("bt"), record.get("t"), "t")
            name = f"{base.get('bn', '')}{record.get('n', '')}"
            value = _sum(base.get("bv"), record["v"], "v")
            found.setdefault(time_s, SenmlInstant(time_s)).given.append((name, record.get("u", base.get("bu")), value))
    if not found:
        raise UnusableMessageError("the SenML pack has no number; it must have a temperature and a humidity")
    return list(found.values())


def as_pack(element: SenmlInstant) -> list[dict[str, Any]]:
    """Return one instant of a pack as a pack of its own."""
    named = [{"n": name, "u": unit, "v": value, "t": element.time_s} for name, unit, value in element.given]
    return [{key: value for key, value in record.items() if value is not None} for record in named]


def reading(box: str, element: SenmlInstant, arrived_at: datetime) -> Reading:
    """Return the reading at one instant of a pack."""
    temperature, temperature_unit = _only(element, _TEMPERATURE_UNITS, "temperature (unit Cel or K)")
    humidity, humidity_unit = _only(element, _HUMIDITY_UNITS, "humidity (unit %RH)")
    absolute = element.time_s >= _ABSOLUTE_FROM_S
    told_s = element.time_s if absolute else arrived_at.timestamp() + element.time_s
    return Reading(
        box,
        values.instant(told_s, "epoch_s", arrived_at),
        values.temperature_degc(temperature, temperature_unit, "temperature"),
        values.relative_humidity(humidity, humidity_unit, "humidity"),
        sent_at_known=absolute,
    )


def _only(element: SenmlInstant, units: dict[str, str], what: str) -> tuple[Any, str]:
    matching = [(value, units[unit]) for _, unit, value in element.given if isinstance(unit, str) and unit in units]
    if len(matching) != 1:
        names = ", ".join(name for name, _, _ in element.given)
        given = values.shown(names.encode())
        raise UnusableMessageError(
            f"{len(matching)} values are a {what} at time {element.time_s:g}; exactly one of these must be: {given}"
        )
    return matching[0]


def _sum(base: Any, value: Any, name: str) -> float:
    return (0.0 if base is None else values.number(base, "b" + name)) + (
        0.0 if value is None else values.number(value, name)
    )


def _refuse_unknown_musts(record: dict[str, Any], place: int) -> None:
    """RFC 8428, section 4.4: a label that ends in an underscore has to be understood or the record refused."""
    for key in record:
        if key.endswith("_"):
            label = values.shown(key.encode())
            raise UnusableMessageError(
                f"record {place} requires the label '{label}', which siccast does not understand"
            )
