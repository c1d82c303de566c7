"""A feed that the shelf file describes: the box in its topic, values and units in any JSON payload (RFC 6901)."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from jsonpointer import JsonPointer, JsonPointerException

from monitor.errors import SettingsError, UnusableMessageError
from monitor.feed.formats import values
from monitor.records import Reading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.records import FeedSpec, ValueAt

_NAME = re.compile(r"\{(\w+)\}")


class TopicPattern:
    """A pattern such as ``sensors/{box}/state``; each name stands for one whole level."""

    def __init__(self, pattern: str) -> None:
        levels = pattern.split("/")
        for level in levels:
            if not _NAME.fullmatch(level) and set(level) & set("{}+#"):
                raise SettingsError(
                    f"topic '{pattern}': '{level}' is not valid; a level is plain text or one name in braces"
                )
        self.pattern = pattern
        self.subscription = "/".join("+" if _NAME.fullmatch(level) else level for level in levels)
        self._regex = re.compile(
            "/".join(f"(?P<{level[1:-1]}>[^/]+)" if _NAME.fullmatch(level) else re.escape(level) for level in levels)
        )

    def names(self, topic: str) -> dict[str, str] | None:
        """Return what stands in place of each name, or None where the topic is another one."""
        found = self._regex.fullmatch(topic)
        return None if found is None else found.groupdict()


class JsonPlace:
    """Where a payload of one feed keeps one quantity."""

    def __init__(self, feed: str, value_at: ValueAt | None) -> None:
        if value_at is None:
            raise SettingsError(f"feed '{feed}' maps only one of temperature and humidity; it must map both")
        self.name = value_at.pointer or "the payload"
        self.unit = value_at.unit
        try:
            self._pointer = JsonPointer(value_at.pointer)
        except JsonPointerException as error:
            raise SettingsError(f"feed '{feed}': {value_at.pointer!r} is not a JSON Pointer: {error}") from None

    def find(self, content: Any) -> Any:
        """Return what stands there."""
        value = self.find_or_none(content)
        if value is None:
            raise UnusableMessageError(f"there is nothing at {self.name} in {values.shown(content)}")
        return value

    def find_or_none(self, content: Any) -> Any:
        """Return what stands there, or None; where nothing does, the library writes out the whole document."""
        try:
            return self._pointer.resolve(content)
        except (JsonPointerException, RecursionError):
            return None


class MappedPayload:
    """Reads the payloads of one declared feed."""

    def __init__(self, spec: FeedSpec) -> None:
        self._temperature = JsonPlace(spec.name, spec.temperature)
        self._humidity = JsonPlace(spec.name, spec.humidity)
        self._time = JsonPlace(spec.name, spec.time) if spec.time else None

    def elements(self, payload: bytes) -> Sequence[Any]:
        """Return the objects of a payload; an array is a backlog here too."""
        content = values.parse_json(payload)
        return content if isinstance(content, list) else (content,)

    def reading(self, box: str, element: Any, arrived_at: datetime) -> Reading:
        """Return the reading in one object."""
        at = None if self._time is None else self._sent_at(element, self._time, arrived_at)
        temperature, humidity = self._temperature, self._humidity
        return Reading(
            box,
            arrived_at if at is None else at,
            values.temperature_degc(temperature.find(element), temperature.unit, temperature.name),
            values.relative_humidity(humidity.find(element), humidity.unit, humidity.name),
            sent_at_known=at is not None,
        )

    def _sent_at(self, element: Any, place: JsonPlace, arrived_at: datetime) -> datetime | None:
        given = place.find_or_none(element)
        return None if given is None else values.instant(given, place.unit, arrived_at, place.name)
