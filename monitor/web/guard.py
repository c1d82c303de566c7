"""What every answer of the page carries, and which requests are answered at all.

Nothing is loaded from elsewhere, nothing is framed, nothing is guessed; and only requests for one of this machine's own
names get as far as a page: otherwise a foreign page could point a name of its own at 127.0.0.1 and read along.
"""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response

from monitor.web.access.who import LOOPBACK, host_name, plain_address
from monitor.web.work import RECEIVE

if TYPE_CHECKING:
    from collections.abc import Collection

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

HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # with no-referrer, forms of ours would come from "null"
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), payment=(), browsing-topics=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}

MOST_HEAD_BYTES = 16_384
"""Of a request's line and headers. A judgement: browsers send a tenth of it."""
_METHODS = "GET, HEAD, POST"


@dataclass(frozen=True, slots=True)
class Served:
    """Under which names the page is served, and through whom."""

    names: Collection[str] = ()
    """Beside loopback's and the address that the client reached."""
    behind: str = ""
    """Address of the proxy whose word counts on who asks, by which scheme and for which name."""


class Guard:
    """Puts the headers on whatever is answered, and answers only well-formed requests for a name of ours."""

    def __init__(self, app: ASGIApp, served: Served) -> None:
        self._app, self._behind = app, plain_address(served.behind)
        self._names = LOOPBACK | {name.lower().rstrip(".") for name in served.names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and put the headers on the answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                headers.setdefault("Cache-Control", "no-cache")
            await send(message)

        RECEIVE.set(receive)
        if self._behind and _end(scope, "client") == self._behind:
            _believe(scope)
        _take_absolute(scope)
        await (self._refusal(scope) or self._app)(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        """Return why a request is not answered."""
        if _head_bytes(scope) > MOST_HEAD_BYTES:
            return _refuse(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE, "That request is longer than any of a browser.")
        if not (host := host_name(Headers(scope=scope).get("host", ""))):
            return _refuse(HTTPStatus.BAD_REQUEST, "That request names no host that can be read.")
        if host not in self._names and host != _end(scope, "server"):
            return _refuse(HTTPStatus.MISDIRECTED_REQUEST, "siccast answers only to this machine's own names here.")
        if scope["path"] == "*" and scope["method"] == "OPTIONS":
            return Response(status_code=HTTPStatus.NO_CONTENT, headers={"Allow": _METHODS})
        if not scope["path"].startswith("/") or "\0" in scope["path"]:
            return _refuse(HTTPStatus.BAD_REQUEST, "That is no address of a page.")
        return None


def _refuse(status: HTTPStatus, words: str) -> Response:
    return PlainTextResponse(f"{words}\n", status_code=status)


def _end(scope: Scope, which: str) -> str:
    """Return the address of an end of the connection; nothing where it has none."""
    return plain_address((scope.get(which) or ("",))[0])


def _head_bytes(scope: Scope) -> int:
    line = len(scope.get("raw_path") or b"") + len(scope["query_string"])
    return line + sum(len(name) + len(value) + len(": \r\n") for name, value in scope["headers"])


def _take_absolute(scope: Scope) -> None:
    """Read a whole address in the place of a path as one; its host counts instead of the header (RFC 9112, 3.2.2)."""
    raw = scope.get("raw_path") or b""
    if not raw.lower().startswith((b"http://", b"https://")):
        return
    try:
        parts = urlsplit(raw.decode("ascii"))
    except ValueError:  # such as an unclosed bracket
        return
    scope["path"], scope["raw_path"] = unquote(parts.path) or "/", parts.path.encode() or b"/"
    _set_host(scope, parts.netloc)


def _believe(scope: Scope) -> None:
    """Take from a proxy who asks, by which scheme and for which name; the last one named is whom it saw itself."""
    headers = Headers(scope=scope)
    scheme = headers.get("x-forwarded-proto", "").strip().lower()
    if scheme in ("http", "https"):
        scope["scheme"] = scheme
    if client := headers.get("x-forwarded-for", "").rpartition(",")[2].strip():
        scope["client"] = (client, 0)
    if host := headers.get("x-forwarded-host", "").strip():
        _set_host(scope, host)


def _set_host(scope: Scope, host: str) -> None:
    others = [(name, value) for name, value in scope["headers"] if name != b"host"]
    scope["headers"] = [(b"host", host.encode("latin-1", "replace")), *others]
