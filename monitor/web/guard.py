"""What every answer of the page carries: nothing is loaded from elsewhere, nothing is framed, nothing is guessed."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "font-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)

_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


class Guard:
    """Puts the headers on whatever the application answers, and answers only to names it was given.

    On loopback those are the machine's own: otherwise a foreign page could point a name of its own at 127.0.0.1 and
    read along.
    """

    def __init__(self, app: ASGIApp, host: str) -> None:
        self._app = app
        self._names = LOOPBACK if host in LOOPBACK else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and put the headers on the answer."""

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(_HEADERS)
                headers.setdefault("Cache-Control", "no-cache")
            await send(message)

        app = self._app if scope["type"] != "http" or self._is_for_us(scope) else _REFUSAL
        await app(scope, receive, send_guarded)

    def _is_for_us(self, scope: Scope) -> bool:
        host = urlsplit("//" + Headers(scope=scope).get("host", "")).hostname
        return self._names is None or host in self._names


# HTTP status (RFC 9110, section 15.5.20)
_REFUSAL = PlainTextResponse("siccast answers only to this machine's own name here.\n", status_code=421)
