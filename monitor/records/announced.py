"""Days of drying as calendars were told of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class DryingSession:
    """One day at one appliance, or of spare charges that go in, as a calendar shows it."""

    on: date
    appliance: str
    """'' where spare charges go in and nothing is heated."""
    boxes: tuple[str, ...]
    """That get dry beads."""
    details: str = ""
    """Reasons, minutes and cautions, in lines."""
    starts_at: datetime | None = None
    """None: it has the whole day."""
    ends_at: datetime | None = None
    alarms_at: tuple[datetime, ...] = ()
    """When to remind of it."""
    spares: tuple[str, ...] = ()
    """Spare charges that are dried, beside the beads of the boxes."""


@dataclass(frozen=True, slots=True)
class AnnouncedEvent:
    """A session under the name by which calendars know it, and how often it has become another one."""

    uid: str
    """Stays with the event when it is moved (RFC 7986, section 5.3)."""
    session: DryingSession
    changed_at: datetime
    """When anything of it changed last, by the second."""
    sequence: int = 0
    """How often what matters of it changed: its time, its boxes, whether it takes place (RFC 5546, section 2.1.4)."""
    is_cancelled: bool = False
    """It was announced and is gone. It is never taken up again."""
