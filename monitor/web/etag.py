"""A page that did not change since a browser had it is not sent again (RFC 9110, section 8.8.3 and 13.1.2)."""

from __future__ import annotations

from hashlib import blake2b
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_TAG_BYTES = 12  # judgement: two states of one page never meet in it
_NOT_SENT = ("content-length", "content-type")
"""Headers of a body, which an answer without one lacks."""


class Unchanged:
    """Gives what is sent in one piece a tag of its content, and answers 304 where the browser names that tag.

    The tag is a weak one, since the answer may be compressed on its way.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and look at the answer."""
        if scope["type"] != "http" or scope["method"] not in ("GET", "HEAD"):
            await self._app(scope, receive, send)
            return
        await self._app(scope, receive, _Tagged(send, Headers(scope=scope).get("if-none-match", "")).send)


class _Tagged:
    """One answer on its way."""

    def __init__(self, send: Send, known: str) -> None:
        self._send = send
        self._known = {tag.strip().removeprefix("W/") for tag in known.split(",")}
        self._start: Message | None = None

    async def send(self, message: Message) -> None:
        """Hold the head back until the first piece of the body is there."""
        if message["type"] == "http.response.start" and self._may_be_tagged(message):
            self._start = message
            return
        if message["type"] == "http.response.body" and self._start is not None:
            start, self._start = self._start, None
            if not message.get("more_body", False):
                message = self._tag(start, message)
            await self._send(start)
        await self._send(message)

    def _may_be_tagged(self, start: Message) -> bool:
        headers = Headers(raw=start["headers"])
        streams = headers.get("content-type", "").startswith("text/event-stream")
        return start["status"] == HTTPStatus.OK and "etag" not in headers and not streams

    def _tag(self, start: Message, body: Message) -> Message:
        tag = f'"{blake2b(body.get("body", b""), digest_size=_TAG_BYTES).hexdigest()}"'
        headers = MutableHeaders(raw=start["headers"])
        headers["ETag"] = f"W/{tag}"
        if tag in self._known:
            start["status"] = HTTPStatus.NOT_MODIFIED
            for name in _NOT_SENT:
                del headers[name]
            headers.add_vary_header("Accept-Encoding")  # as on the answer with a body
            body = {**body, "body": b""}
        start["headers"] = headers.raw
        return body
