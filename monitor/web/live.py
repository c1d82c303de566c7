"""Server-sent events: an open page hears at once that something changed, and asks for itself anew.

An event says only what kind of thing changed; what a page then shows comes from where everything else does.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import StreamingResponse
from starlette.routing import Route

from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator, Sequence

    from starlette.requests import Request
    from starlette.types import Receive, Scope, Send

READINGS, DEED, OUTLOOK, LISTENER = "readings", "deed", "outlook", "listener"
"""What can have changed: a reading; something logged, by whom and wherever; an answer; what is wrong with the site."""

MOST_PAGES = 64
"""Open pages that are told. [how many] A judgement: every screen of a workshop, and few enough for any machine."""
_RETRY_AFTER_S = 30  # judgement: a page that waits shows its age meanwhile
_HEARTBEAT_S = 15.0  # judgement: below what proxies wait, and a client that left is noticed by it
_LONGEST_S = 900.0  # judgement: a browser connects again by itself, and is asked then whether it may
_RETRY_MS = 2000  # judgement: a server that was restarted is found again soon
_JUST_NOW_S = 5.0
"""An event this young is told to a page that connects: it may have been rendered before. A judgement: far longer than
a page takes to connect."""


@dataclass(eq=False)
class _Subscriber:
    """One open page."""

    waiting: set[str] = field(default_factory=set)
    """Kinds that it was not told of yet: however slow it is, no more than these are kept for it."""
    wake: asyncio.Event = field(default_factory=asyncio.Event)

    def tell(self, kinds: set[str]) -> None:
        self.waiting |= kinds
        self.wake.set()

    def take(self) -> set[str]:
        kinds, self.waiting = self.waiting, set()
        self.wake.clear()
        return kinds


class Subscribers:
    """The open pages. All of it happens in the loop of the server; no page has a thread."""

    def __init__(self) -> None:
        self._open: set[_Subscriber] = set()
        self._is_over = False
        self._last: tuple[float, set[str]] = (float("-inf"), set())

    def __len__(self) -> int:
        return len(self._open)

    def routes(self) -> Sequence[Route]:
        """Return the address of the events."""
        return (Route("/live", self.listen, name="live"),)

    def tell(self, *kinds: str) -> None:
        """Say to every open page what kinds of things changed."""
        told = set(kinds)
        if not told:
            return
        self._last = asyncio.get_running_loop().time(), told
        for subscriber in self._open:
            subscriber.tell(told)

    def end(self) -> None:
        """End all streams, as a server that stops would otherwise wait for them."""
        self._is_over = True
        for subscriber in self._open:
            subscriber.wake.set()

    async def listen(self, _request: Request) -> StreamingResponse:
        """Answer with events for as long as the page is open."""
        if self._is_over or len(self._open) >= MOST_PAGES:
            raise HTTPException(
                HTTPStatus.SERVICE_UNAVAILABLE,
                say(
                    "{count} pages are open already. Close one, or load this one again when you want to see more.",
                    count=MOST_PAGES,
                ),
                {"Retry-After": str(_RETRY_AFTER_S)},
            )
        return _Events(self)

    @contextlib.contextmanager
    def subscribed(self) -> Iterator[_Subscriber]:
        """Be among the open pages while the body runs."""
        subscriber = _Subscriber()
        at_s, kinds = self._last
        if asyncio.get_running_loop().time() - at_s < _JUST_NOW_S:
            subscriber.tell(kinds)
        self._open.add(subscriber)
        try:
            yield subscriber
        finally:
            self._open.discard(subscriber)

    async def events(self, subscriber: _Subscriber) -> AsyncIterator[bytes]:
        """Yield what a page is told, and signs of life between."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + _LONGEST_S
        yield f"retry: {_RETRY_MS}\n\n".encode()
        while not self._is_over and loop.time() < until_s:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_HEARTBEAT_S):
                    await subscriber.wake.wait()
            kinds = subscriber.take()
            if not self._is_over:
                yield f"data: {' '.join(sorted(kinds))}\n\n".encode() if kinds else b": here\n\n"


class _Events(StreamingResponse):
    """A stream of events that counts as an open page from its first byte to its end, however that comes."""

    def __init__(self, subscribers: Subscribers) -> None:
        super().__init__((), media_type="text/event-stream", headers={"Cache-Control": "no-store"})
        self._subscribers = subscribers

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        with self._subscribers.subscribed() as subscriber:
            self.body_iterator = self._subscribers.events(subscriber)
            await super().__call__(scope, receive, send)
