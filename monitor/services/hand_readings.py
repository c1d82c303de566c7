"""A reading that a person took off a display: doubted like any other, kept, and taken back."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.errors import LedgerError, UnconfirmedError
from monitor.feed.formats.plausible import Plausibility
from monitor.texts import say

if TYPE_CHECKING:
    from datetime import datetime

    from monitor.records import Reading
    from monitor.store.contracts import Imports, Readings

ONE_MS = timedelta(milliseconds=1)
"""By definition; instants are kept by it."""
_HUNDREDTH = 0.01  # °C or % RH; judgement: what the store keeps, so finer is the same


class OtherReadingHeldError(LedgerError):
    """Another reading is held for that instant."""

    def __init__(self, held: Reading) -> None:
        super().__init__(
            say(
                "Not saved: {box} already has {temperature} °C and {humidity} % for that time",
                box=held.box,
                temperature=f"{held.temperature_degc:.2f}",
                humidity=f"{100 * held.relative_humidity:.2f}",
            )
        )
        self.held = held


def keep_hand_reading(readings: Readings, told: Reading, *, fahrenheit: bool, confirmed: bool = False) -> bool:
    """Keep a reading and return whether it was new; False where the very same is held already.

    Raises
    ------
    UnconfirmedError
        If no box of filament is likely to show that, and nobody has confirmed it.
    OtherReadingHeldError
        If another is held for that instant.
    """
    doubt = None if confirmed else Plausibility("F" if fahrenheit else "C").doubt([told])
    if doubt is not None:
        raise UnconfirmedError(say("Not saved: {doubt}", doubt=doubt))
    if readings.add([told]):
        return True
    held = reading_at(readings, told.box, told.at)
    if held is not None and not _tell_the_same(told, held):
        raise OtherReadingHeldError(held)
    return False


def reading_at(readings: Readings, box: str, at: datetime) -> Reading | None:
    """Return the reading of a box at an instant."""
    return next(iter(readings.each(box, at, at + ONE_MS)), None)


def withdraw_reading(imports: Imports, box: str, at: datetime, now: datetime) -> int:
    """Set a reading aside and return the number it can be put back by."""
    return imports.withdraw_span(box, at, at + ONE_MS, now).number


def _tell_the_same(one: Reading, other: Reading) -> bool:
    """Return whether two readings are equal in the hundredths that are kept."""
    degrees = abs(one.temperature_degc - other.temperature_degc)
    return max(degrees, 100.0 * abs(one.relative_humidity - other.relative_humidity)) < _HUNDREDTH
