"""From a declared route to what sends by it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from monitor.alerts.by_apprise import AppriseRoute
from monitor.alerts.retained import RetainedRoute
from monitor.errors import RouteError
from monitor.records.alerts import AppriseUrls, MailAddress, WebhookAddress

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from monitor.records.alerts import Message, Route


class Sender(Protocol):
    """Sends messages by one route."""

    def send(self, message: Message) -> None:
        """Send a message, or raise why it can't be.

        Raises
        ------
        RouteError
            When it was not taken for now; a ``MessageRefusedError`` where others may be.
        """
        ...


def open_route(route: Route, site: str, publish: Callable[[Sequence[tuple[str, bytes]]], None]) -> Sender:
    """Return what sends by a route; ``publish`` has the broker of the site retain messages."""
    if route.without_secret:
        raise RouteError(route.without_secret)
    target = route.target
    if isinstance(target, MailAddress):
        from monitor.alerts.mail import MailRoute  # noqa: PLC0415 -- imported where there is such a route

        return MailRoute(target)
    if isinstance(target, WebhookAddress):
        from monitor.alerts.webhook import WebhookRoute  # noqa: PLC0415 -- as above

        return WebhookRoute(target, site)
    if isinstance(target, AppriseUrls):
        return AppriseRoute(target)
    return RetainedRoute(site, publish)
