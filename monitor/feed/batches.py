"""A feed handed on in portions, so that what comes within some seconds is one commit: a memory card lasts longer.

Nothing is acknowledged before its commit, so a broker that keeps our session sends again what a power cut catches
here; only messages of QoS 0 are gone then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.records import RawMessage

MOST_MESSAGES = 500
"""A judgement: half of what the recommended broker sends without an answer."""
MOST_BYTES = 4 * 1024 * 1024  # judgement: half of what one look takes in
_AT_ONCE_S = 0.2  # judgement: nobody notices that a message waits so long


class Connected(Protocol):
    """A feed over a connection."""

    @property
    def is_connected(self) -> bool:
        """Whether the broker has let us in."""
        ...

    @property
    def connections(self) -> int:
        """How often the broker has let us in so far."""
        ...

    def receive(self, wait_s: float) -> list[RawMessage]:
        """Return what has arrived, after waiting at most so long for the first."""
        ...

    def acknowledge(self, messages: Sequence[RawMessage]) -> None:
        """Let the broker forget these."""
        ...

    def stay_connected(self) -> None:
        """Do what keeps the connection while nothing is taken from it."""
        ...


class Batches:
    """Hands on what came within ``every_s`` seconds as one portion; at 0 s everything at once.

    It is handed on sooner where it grows large, where the connection is lost (its messages come again on the next),
    and where half a portion was waiting for our acknowledgment: then the broker's window is too small for such pauses.
    """

    def __init__(self, feed: Connected, every_s: float, steady_s: Callable[[], float]) -> None:
        self._feed = feed
        self._every_s = every_s
        self._steady_s = steady_s
        self._held: list[RawMessage] = []
        self._held_bytes = 0
        self._since = 0.0
        self._connection = 0
        self._last_portion = 0
        self._acknowledged_at = float("-inf")

    def receive(self, wait_s: float) -> list[RawMessage]:
        """Return a portion where one is due, after waiting at most so long."""
        arrived = self._feed.receive(wait_s)
        if arrived and not self._held:
            self._since, self._connection = self._steady_s(), self._feed.connections
        self._held += arrived
        self._held_bytes += sum(len(message.payload) + len(message.topic) for message in arrived)
        return self.rest() if self._held and self._is_due() else []

    def acknowledge(self, messages: Sequence[RawMessage]) -> None:
        """Let the broker forget these."""
        self._feed.acknowledge(messages)
        self._acknowledged_at, self._last_portion = self._steady_s(), len(messages)

    def stay_connected(self) -> None:
        """Do what keeps the connection while nothing is taken from it."""
        self._feed.stay_connected()

    def rest(self) -> list[RawMessage]:
        """Return all that is held, due or not."""
        portion, self._held, self._held_bytes = self._held, [], 0
        return portion

    def _is_due(self) -> bool:
        now = self._steady_s()
        waited = now - self._acknowledged_at <= _AT_ONCE_S and 2 * len(self._held) >= self._last_portion
        return (
            now - self._since >= self._every_s
            or len(self._held) >= MOST_MESSAGES
            or self._held_bytes >= MOST_BYTES
            or not self._feed.is_connected
            or self._feed.connections != self._connection
            or waited
        )
