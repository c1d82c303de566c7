"""Messages by whatever the apprise library reaches; it is an extra of siccast."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from monitor.errors import RouteError

if TYPE_CHECKING:
    from monitor.records.alerts import AppriseUrls, Message


class AppriseRoute:
    """Sends messages to each of some addresses."""

    def __init__(self, address: AppriseUrls) -> None:
        self._address = address

    def send(self, message: Message) -> None:
        """Send a message to all addresses; it counts as sent once all of them took it."""
        try:
            import apprise  # noqa: PLC0415 -- only installed where it is wanted
        except ModuleNotFoundError:
            raise RouteError("the apprise library is not installed. Remedy: pip install 'siccast[apprise]'") from None
        reached = apprise.Apprise()
        for place, url in enumerate(self._address.urls, start=1):
            if not reached.add(url):
                scheme = url.partition("://")[0]
                raise RouteError(f"apprise can't use address {place} ('{scheme}://…'). Check how it is written")
        kind = apprise.NotifyType.WARNING if message.urgent else apprise.NotifyType.INFO
        with apprise.LogCapture(level=logging.WARNING) as log:  # type: ignore[no-untyped-call]
            taken = reached.notify(body=message.text, title=message.subject, notify_type=kind)
            said = " ".join(log.getvalue().split())
        if not taken:
            raise RouteError(f"apprise could not send it ({said or 'without a reason'})")
