"""What is known of the working parts of a site: who listens, and how far a second store is behind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime


@dataclass(frozen=True, slots=True)
class Listener:
    """The listener of a shelf: the one at work, or the last one there was."""

    at_work: bool
    process: int
    machine: str
    since: datetime
    ended: str = ""
    """Why it ended, where it could say so."""


@dataclass(frozen=True, slots=True)
class Forwarding:
    """How the second store of a site is doing."""

    trouble: str
    """What it answers instead of readings; empty where all is well."""
    waiting: int
    """How many readings it does not have yet."""
    oldest_at: datetime | None
    """The instant of the oldest of them."""
