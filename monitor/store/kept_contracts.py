"""The contracts of what siccast itself found, planned and said, and keeps: outlooks, the plan, days told, messages.

What sensors and people told is in ``contracts``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
    from contextlib import AbstractContextManager
    from datetime import datetime

    from monitor.records import AnnouncedDay, KeptOutlook, KeptPlan
    from monitor.records.alerts import HeldMessage, Message, MessageKind, RouteState, Sent, StandingAlert
    from monitor.records.announced import AnnouncedEvent


class KeptOutlooks(Protocol):
    """Outlooks kept from question to question. They can all be made again, so nothing here ever raises."""

    def all(self, box: str | None = None) -> Mapping[str, KeptOutlook]:
        """Return what is kept of each box, or of one; what is damaged is passed over."""
        ...

    def stamps(self) -> Mapping[str, tuple[datetime, bytes]]:
        """Return for each box the instant that its outlook was made for and what it rests on; cheaper than all."""
        ...

    def fit(self, box: str, rests_on: bytes) -> bytes | None:
        """Return the packed fit of a box that rests on this; None where another was kept since."""
        ...

    def heard(self) -> bytes:
        """Return the digest of the teachings that all boxes have heard of; empty where there is none."""
        ...

    def keep(
        self, kept: Sequence[tuple[KeptOutlook, bytes | None]], boxes: Collection[str], heard: bytes = b""
    ) -> bool:
        """Keep outlooks, each with its packed fit where that is another one; forget all but these boxes.

        ``heard`` is kept beside them where it is given. False where the file can't be written to at once: nobody waits
        for this.
        """
        ...


class KeptPlans(Protocol):
    """The plan kept from question to question. It can be made again, so nothing here ever raises."""

    def newest(self) -> KeptPlan | None:
        """Return what is kept; None where there is nothing, or it is damaged."""
        ...

    def keep(
        self, plan: KeptPlan, announced: Iterable[AnnouncedDay], now: datetime, still: Callable[[], bool] = lambda: True
    ) -> bool:
        """Keep a plan in the place of the last one, and the days it says as announced now: both or neither.

        A box that is not among them has no day any more. What was announced before stays readable. ``still`` is asked
        when nobody else can write: whether the plan is that of now. False where it isn't, or where the file can't be
        written to at once: nobody waits for this.
        """
        ...


class Announcements(Protocol):
    """The days of drying that calendars were told of."""

    def all(self) -> Sequence[AnnouncedEvent]:
        """Return the events as they were told last, in the order of their days; what is damaged is passed over."""
        ...

    def renew(self, change: Callable[[Sequence[AnnouncedEvent]], Sequence[AnnouncedEvent]]) -> Sequence[AnnouncedEvent]:
        """Keep what these events become by a change that nobody interferes with, and return that.

        Where nothing becomes another, nothing is written; where the file can't be written to at once, nothing is kept.
        """
        ...


class Alerts(Protocol):
    """Alerts that were found, and the messages about them: each is kept before it is sent, and marked after.

    So nothing is forgotten, whenever the process ends; what ends between sending and marking is sent once more, with
    the same ``uid``.
    """

    def transaction(self) -> AbstractContextManager[None]:
        """Everything kept in the body lands, or nothing does; nobody else writes meanwhile."""
        ...

    def standing(self) -> Sequence[StandingAlert]:
        """Return the alerts that are not over, oldest first."""
        ...

    def keep(self, standing: Iterable[StandingAlert]) -> Sequence[StandingAlert]:
        """Keep alerts as they stand now, and return them with the numbers of those that are new."""
        ...

    def hear(self, now: datetime, box: str | None = None) -> Sequence[StandingAlert]:
        """Note that a person has heard what stands of a box, or of all; return what they had not heard before."""
        ...

    def said(self, route: str) -> Mapping[int, Sent]:
        """Return what was put on its way by a route, by the number of the alert; of those that stand."""
        ...

    def put(self, route: str, alert_id: int, kind: MessageKind, step: int, now: datetime) -> None:
        """Put an alert on its way; one that is there already stays as it is."""
        ...

    def held(self, route: str) -> Sequence[HeldMessage]:
        """Return the alerts on their way by a route that are not released, in the order in which they came."""
        ...

    def release(self, parts: Sequence[HeldMessage], message: Message) -> None:
        """Let alerts go out as this one message; from now on it stays as it is."""
        ...

    def withdraw(self, parts: Sequence[HeldMessage], now: datetime) -> None:
        """Let alerts never go out; that they were on their way stays readable."""
        ...

    def ready(self, route: str) -> Sequence[Message]:
        """Return the messages that were released for a route and not sent, oldest first."""
        ...

    def told_by(self, route: str) -> Mapping[str, StandingAlert]:
        """Return the alerts that stand that were sent by a route, by the uid of the newest."""
        ...

    def mark_sent(self, message: Message, now: datetime) -> None:
        """Note that a message was taken, and that its route works."""
        ...

    def mark_failed(self, route: str, trouble: str, now: datetime) -> None:
        """Note that a route does not work, and why; since when stays as it was."""
        ...

    def routes(self) -> Mapping[str, RouteState]:
        """Return how each route is doing that was ever used."""
        ...
