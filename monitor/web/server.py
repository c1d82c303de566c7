"""The server of the pages: as uvicorn's, which would wait for open streams of events before it stops."""

from __future__ import annotations

from typing import TYPE_CHECKING

import uvicorn

if TYPE_CHECKING:
    import socket

    from monitor.web.live import Subscribers


class PageServer(uvicorn.Server):
    """Ends the streams of events as soon as it is to stop."""

    def __init__(self, config: uvicorn.Config, subscribers: Subscribers) -> None:
        super().__init__(config)
        self._subscribers = subscribers

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop: no new connections, and an end to those that are open."""
        self._subscribers.end()
        await super().shutdown(sockets)
