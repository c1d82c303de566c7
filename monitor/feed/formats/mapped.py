"""Any JSON payload, read through the JSON Pointers (RFC 6901) and units that the shelf file declares for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from jsonpointer import JsonPointer, JsonPointerException

from monitor.errors import SettingsError, UnusableMessageError
from monitor.feed.formats import values
from monitor.records import Reading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.records import FeedSpec, ValueAt

_MISSING = object()


class MappedPayload:
    """Reads the payloads of one declared feed."""

    def __init__(self, spec: FeedSpec) -> None:
        if spec.temperature is None or spec.humidity is None:
            raise SettingsError(f"feed '{spec.name}' maps only one of temperature and humidity; it has to map both")
        self._temperature, self._humidity = spec.temperature, spec.humidity
        self._time = spec.time
        self._at = {each: _pointer(spec, each) for each in (spec.temperature, spec.humidity, spec.time) if each}

    def elements(self, payload: bytes) -> Sequence[Any]:
        """Return the objects of a payload; an array is a backlog here too."""
        content = values.parse_json(payload)
        return content if isinstance(content, list) else (content,)

    def reading(self, box: str, element: Any, arrived_at: datetime) -> Reading:
        """Return the reading in one object."""
        at = None if self._time is None else self._find(element, self._time, _MISSING)
        sent_at_known = at is not None and at is not _MISSING
        return Reading(
            box,
            values.instant(at, self._time.unit, arrived_at, self._time.pointer)
            if self._time is not None and sent_at_known
            else arrived_at,
            values.temperature_degc(
                self._find(element, self._temperature), self._temperature.unit, self._temperature.pointer
            ),
            values.relative_humidity(self._find(element, self._humidity), self._humidity.unit, self._humidity.pointer),
            sent_at_known=sent_at_known,
        )

    def _find(self, element: Any, place: ValueAt, otherwise: Any = None) -> Any:
        try:
            value = self._at[place].resolve(element)
        except JsonPointerException:
            if otherwise is _MISSING:
                return _MISSING
            raise UnusableMessageError(f"nothing stands at {place.pointer} in {values.shown(element)}") from None
        return value


def _pointer(spec: FeedSpec, place: ValueAt) -> JsonPointer:
    try:
        return JsonPointer(place.pointer)
    except JsonPointerException as error:
        raise SettingsError(f"feed '{spec.name}': {place.pointer!r} is no JSON Pointer: {error}") from None
