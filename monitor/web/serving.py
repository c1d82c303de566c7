"""How the pages are put on the network: uvicorn, with limits of its own and, where wanted, TLS."""

from __future__ import annotations

import asyncio
import socket
import ssl
from functools import partial
from typing import TYPE_CHECKING

import uvicorn

from monitor.errors import SettingsError
from monitor.named_files import require_file
from monitor.web.connections import Connection
from monitor.web.guard import MOST_HEAD_BYTES

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import ASGIApp

    from monitor.web.live import Subscribers

_KEEP_ALIVE_S = 5  # judgement: what one page needs is asked for by then
_BACKLOG = 128  # a count of connections; judgement: more of them would only wait
_HANDSHAKE_S = 10.0  # judgement: as long as for the head of a request
_LAST_ANSWERS_S = 10  # judgement: a page takes less, and whoever stops it waits


class Server(uvicorn.Server):
    """Serves the pages; it waits neither a minute for a TLS handshake, as asyncio would, nor for streams of events."""

    def __init__(self, config: uvicorn.Config, subscribers: Subscribers | None = None) -> None:
        super().__init__(config)
        self._subscribers = subscribers

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen; uvicorn has no setting for the handshake, so the loop's own call is given it."""
        if self.config.is_ssl:
            loop = asyncio.get_running_loop()
            prompt = partial(loop.create_server, ssl_handshake_timeout=_HANDSHAKE_S)
            loop.create_server = prompt  # type: ignore[method-assign]
        await super().startup(sockets)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop: no new connections, and an end to the streams that are open."""
        if self._subscribers is not None:
            self._subscribers.end()
        await super().shutdown(sockets)


def uvicorn_settings(
    app: ASGIApp, *, certificate: Path | None = None, key: Path | None = None, behind: str = ""
) -> uvicorn.Config:
    """Return how to serve the pages; ``behind`` is the address of a proxy, whose connections are many people's."""
    of_this_server = type("ConnectionHere", (Connection,), {"shared": frozenset({behind} - {""})})
    return uvicorn.Config(
        app,
        http=of_this_server,
        ws="none",
        lifespan="on",
        log_level="error",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # the guard reads them, from the one proxy that was named
        timeout_keep_alive=_KEEP_ALIVE_S,
        timeout_graceful_shutdown=_LAST_ANSWERS_S,
        backlog=_BACKLOG,
        h11_max_incomplete_event_size=MOST_HEAD_BYTES,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )


def require_usable(certificate: Path, key: Path) -> None:
    """Say what is wrong with the files of TLS before anything is served.

    Raises
    ------
    SettingsError
        Where they can't be read, or don't belong together.
    """
    try:
        require_file(certificate)
        require_file(key)
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password=lambda: "")
    except (OSError, ValueError) as error:
        why = str(error) if isinstance(error, ssl.SSLError) else getattr(error, "strerror", None) or str(error)
        raise SettingsError(
            f"can't use the certificate {certificate} with the key {key}: {why}. Both must be PEM files that you may"
            " read, and the key must not have a password"
        ) from None


def listen_at(host: str, port: int) -> socket.socket:
    """Return a socket that listens there; at `::` on both families of addresses.

    Raises
    ------
    SettingsError
        Where that can't be.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)  # whoever vanished is noticed
    if family == socket.AF_INET6:
        listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
    try:
        listener.bind((host, port))
        listener.listen(_BACKLOG)  # from here on a browser waits instead of being refused
    except OSError as error:
        listener.close()
        raise SettingsError(
            f"can't serve at {host} port {port}: {error.strerror}. Try another --host or --port"
        ) from error
    return listener
