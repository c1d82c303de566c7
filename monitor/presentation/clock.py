"""The clocks of this machine, read here and in other faces alone, and handed down from there."""

from __future__ import annotations

import time
from datetime import UTC, datetime


def utc_now() -> datetime:
    """Return the present instant, as far as this machine knows it."""
    return datetime.now(tz=UTC)


def steady_s() -> float:
    """Return seconds that nobody sets, and that go on while the machine sleeps where the system can tell."""
    sleeping_too = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if sleeping_too is None else time.clock_gettime(sleeping_too)
