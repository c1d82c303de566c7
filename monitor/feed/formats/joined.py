"""Temperature and humidity on topics of their own, joined where they lie close enough in time.

A half that waits is part of what the store keeps, so that a listener that dies in between loses neither.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.feed.formats import values
from monitor.feed.formats.mapped import JsonPlace
from monitor.records import HalfReading, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from monitor.records import FeedSpec


_WAITING_AT_MOST = 10_000
"""Halves; a judgement. A stranger may make up names of boxes for ever; the half that has waited longest is then given
up."""


class Joiner:
    """Pairs the halves of one feed, box by box."""

    def __init__(self, spec: FeedSpec) -> None:
        self.feed = spec.name
        self.window = timedelta(seconds=spec.join_within_s)
        self._places = {
            Quantity.temperature: JsonPlace(spec.name, spec.temperature),
            Quantity.humidity: JsonPlace(spec.name, spec.humidity),
        }
        self._waiting: dict[tuple[str, Quantity], HalfReading] = {}

    @property
    def waiting(self) -> list[HalfReading]:
        """The halves whose other quantity has not come yet."""
        return list(self._waiting.values())

    def restore(self, halves: Iterable[HalfReading]) -> None:
        """Take up what waited when the last listener ended."""
        self._waiting |= {(half.box, half.quantity): half for half in halves if half.feed == self.feed}

    def half(self, box: str, quantity: Quantity, payload: bytes, arrived_at: datetime) -> HalfReading:
        """Return the half in a payload: a bare number, or a number somewhere in JSON."""
        place = self._places[quantity]
        value = place.find(values.parse_json(payload))
        check = values.temperature_degc if quantity is Quantity.temperature else values.relative_humidity
        return HalfReading(self.feed, box, quantity, arrived_at, check(value, place.unit, quantity.value))

    def join(self, half: HalfReading) -> tuple[Reading | None, HalfReading | None]:
        """Return the reading that this half completes, and the half before it that is given up, where there are such.

        A half that completes nothing waits, in the place of one of its own quantity that waited.
        """
        other = self._waiting.get((half.box, half.quantity.other))
        if other is not None and abs(half.at - other.at) <= self.window:
            del self._waiting[other.box, other.quantity]
            temperature, humidity = (half, other) if half.quantity is Quantity.temperature else (other, half)
            return Reading(half.box, half.at, temperature.value, humidity.value, sent_at_known=False), None
        before = self._waiting.pop((half.box, half.quantity), None)
        self._waiting[half.box, half.quantity] = half
        if len(self._waiting) > _WAITING_AT_MOST:
            before = self._waiting.pop(next(iter(self._waiting)))
        return None, before

    def why_alone(self, half: HalfReading) -> str:
        """Return why a half was given up."""
        return (
            f"the {half.quantity} of box '{half.box}' at {half.at:%Y-%m-%dT%H:%M:%SZ} found no"
            f" {half.quantity.other} within {self.window.total_seconds():g} s"
        )
