"""Outlooks kept ready by the listener: a process of its own brings them up to date, so that no message ever waits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.services.intake import Tally

LOOKED_EVERY_S = 5.0  # judgement: what was logged is heard of at once, for one short question to the ledger
FIRST_AFTER_S = 20.0  # judgement: a backlog at the broker comes first


class Work(Protocol):
    """A process at work."""

    def poll(self) -> int | None:
        """Return its exit code, or None while it works."""
        ...


class OutlookUpkeep:
    """Starts the work every so often, and soon after something was logged or declared; one at a time."""

    does = "bringing the outlooks up to date"

    def __init__(
        self, start: Callable[[], Work], stamp: Callable[[], object], every_s: float, *, steady_s: Callable[[], float]
    ) -> None:
        self._start, self._stamp, self._every_s, self._steady_s = start, stamp, every_s, steady_s
        self._work: Work | None = None
        self._seen = stamp()
        """What was logged and declared when the work last began."""
        self._due_at_s = steady_s() + min(FIRST_AFTER_S, every_s)
        self._look_at_s = 0.0

    def tick(self, tally: Tally) -> None:  # noqa: ARG002 -- upkeep does not depend on it
        """Start the work where it is due and none is going on."""
        now_s = self._steady_s()
        if now_s < min(self._look_at_s, self._due_at_s):
            return
        self._look_at_s = now_s + LOOKED_EVERY_S
        if self._work is not None and self._work.poll() is None:
            return
        self._work = None
        stamp = self._stamp()
        if now_s >= self._due_at_s or stamp != self._seen:
            self._seen, self._due_at_s = stamp, now_s + self._every_s
            self._work = self._start()
