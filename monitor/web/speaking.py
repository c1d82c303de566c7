"""Whoever asks for a page is answered in the language of the shelf, down to the last sentence from below."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

    from monitor.presentation.texts import Texts


class Speaking:
    """Sets the language for as long as a request is answered; threads that it starts inherit it."""

    def __init__(self, app: ASGIApp, texts: Texts) -> None:
        self._app, self._texts = app, texts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request; what the server does beside requests stays English."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        with self._texts.speaking():
            await self._app(scope, receive, send)
