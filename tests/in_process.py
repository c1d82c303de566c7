"""The pages asked within this process, through everything that stands before them but the network."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
from starlette.applications import Starlette

_HANGS_AFTER_S = 60


class InProcess:
    """Asks an application as a browser on this machine does, one request after another."""

    def __init__(self, app: Starlette, loop: asyncio.Runner, address: str = "127.0.0.1") -> None:
        transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 1))
        self.app, self._loop = app, loop
        self._client = httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", timeout=None)

    @property
    def cookies(self) -> httpx.Cookies:
        return self._client.cookies

    def request(self, method: str, path: str, **settings: Any) -> httpx.Response:
        return self._loop.run(asyncio.wait_for(self._client.request(method, path, **settings), _HANGS_AFTER_S))

    def from_elsewhere(self, address: str) -> InProcess:
        """Ask the same application as another device."""
        return InProcess(self.app, self._loop, address)

    def get(self, path: str, **settings: Any) -> httpx.Response:
        return self.request("GET", path, **settings)

    def post(self, path: str, **settings: Any) -> httpx.Response:
        return self.request("POST", path, **settings)


@contextmanager
def in_process(app: Starlette, address: str = "127.0.0.1") -> Iterator[InProcess]:
    """Start an application and hand out who asks it."""
    with asyncio.Runner() as loop:
        lifespan = app.router.lifespan_context(app)
        loop.run(lifespan.__aenter__())
        yield InProcess(app, loop, address)
        loop.run(lifespan.__aexit__(None, None, None))
