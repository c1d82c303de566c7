"""What stands before every page: nobody sees one who is not known, and a form is sent as whoever opened its page."""

from __future__ import annotations

import hmac
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from monitor.texts import say
from monitor.web.access.who import NOBODY, WHO, Access

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from starlette.types import ASGIApp, Receive, Scope, Send

ENTER = "/enter"
_OPEN = ("/assets/",)
"""Beginnings of addresses that show nothing of the shelf."""


class Door:
    """Lets those pass who are known, and shows the others where to sign in."""

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        feeds: Collection[str],
        by_header: Collection[str],
        message: Callable[[str, int], Response],
    ) -> None:
        """``feeds`` are addresses that a program reads with a key in them, ``by_header`` those for which it brings the
        key in a header (RFC 6750, section 2.1); ``message`` makes a page that says something.
        """
        self._app, self._access, self._message = app, access, message
        self._feeds, self._by_header = frozenset(feeds), frozenset(by_header)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Say who asks, and pass the request on where they may."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        WHO.set(who := self._access.who(scope))
        app = self._app if who != NOBODY or self._is_open(scope) else self._refusal(scope)
        await app(scope, receive, send)

    def _is_open(self, scope: Scope) -> bool:
        path = scope["path"]
        if path == ENTER or path.startswith(_OPEN):
            return True
        if path not in self._feeds | self._by_header or scope["method"] not in ("GET", "HEAD"):
            return False
        request = HTTPConnection(scope)
        if path in self._feeds:
            key = request.query_params.get("key", "")
        else:
            scheme, _, key = request.headers.get("authorization", "").partition(" ")
            key = key.strip() if scheme.lower() == "bearer" else ""
        return hmac.compare_digest(key.encode(), self._access.feed_key(path).encode())

    def _refusal(self, scope: Scope) -> Response:
        if scope["path"] in self._by_header:
            words = "This needs a token: send `Authorization: Bearer TOKEN`. `siccast page-keys` shows it.\n"
            return PlainTextResponse(words, HTTPStatus.UNAUTHORIZED, {"WWW-Authenticate": "Bearer"})
        if scope["method"] in ("GET", "HEAD"):
            wanted = f"{ENTER}?to={quote(scope['path'])}"
            return RedirectResponse(wanted, status_code=HTTPStatus.SEE_OTHER, headers={"Cache-Control": "no-store"})
        return self._message(say("This device is not signed in, so nothing was changed."), HTTPStatus.UNAUTHORIZED)
