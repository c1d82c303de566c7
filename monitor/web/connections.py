"""Connections of the page: one that is slow, half open or one too many ends, and each answer carries our headers."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any, ClassVar

import h11
from uvicorn.protocols.http.h11_impl import STATUS_PHRASES, H11Protocol

from monitor.web.access.who import plain_address
from monitor.web.guard import HEADERS

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterable

MOST = 200
"""A count, in all. A judgement: thirty open browsers have as many, and few machines hold less."""
MOST_OF_ONE = 40
"""A count, of one address. A judgement: 20 open pages of a browser and their requests."""

_HEAD_S = 10.0  # judgement: a request's head is one packet or two
_BODY_S = 30.0  # judgement: the longest form takes a slow phone a second
_KEEP_ALIVE_S = 5  # judgement: what one page needs is asked for by then
_READ_S = 30.0  # judgement: whoever has taken nothing of an answer for so long has gone
_BAD_REQUEST, _TIMEOUT = 400, 408  # HTTP status (RFC 9110, sections 15.5.1 and 15.5.9)

# what each state of a request waits for at most; in all others, siccast is at work
_PATIENCE_S: dict[Any, float] = {h11.IDLE: _HEAD_S, h11.SEND_BODY: _BODY_S}


class Connection(H11Protocol):
    """One connection, with a deadline for whatever it waits for."""

    shared: ClassVar[frozenset[str]] = frozenset()
    """Addresses behind which there are many, such as a proxy."""

    def __init__(self, *settings: Any, **more: Any) -> None:
        super().__init__(*settings, **more)
        self._awaited: Any = None
        self._deadline: asyncio.TimerHandle | None = None
        self._unread: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Take the connection, where need be in the place of one that is idle."""
        super().connection_made(transport)
        self._watch()
        theirs = [one for one in self.connections if isinstance(one, Connection) and one.address == self.address]
        if len(theirs) > MOST_OF_ONE and self.address not in self.shared:
            self._make_room(theirs)
        elif len(self.connections) > MOST:
            self._make_room(one for one in self.connections if isinstance(one, Connection))

    @property
    def address(self) -> str:
        """Return where it comes from."""
        return plain_address(self.client[0]) if self.client else ""

    @property
    def is_idle(self) -> bool:
        """Return whether no answer is being made."""
        return self.cycle is None or self.cycle.response_complete or self.conn.their_state is h11.SEND_BODY

    def _make_room(self, among: Iterable[Connection]) -> None:
        """End the one that has been idle longest; this one, where all others are at work."""
        idle = [one for one in among if one.is_idle and one._deadline is not None and one is not self]
        longest = min(idle, key=lambda one: one._deadline.when() if one._deadline else 0.0, default=self)
        self.connections.discard(longest)  # it is told only later that it was lost
        longest.transport.abort()

    def shutdown(self) -> None:
        """End with the server: at once where only the other side is waited for, else after the answer."""
        if self.is_idle:
            self._close()
        else:
            super().shutdown()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing more."""
        for timer in (self._deadline, self._unread):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came, and see what it waits for now."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        self._watch()

    def _watch(self) -> None:
        """Set the deadline of what is waited for now; that it comes in drops moves none."""
        if self.conn.their_state is self._awaited:
            return
        self._awaited = self.conn.their_state
        if self._deadline is not None:
            self._deadline.cancel()
        patience_s = _PATIENCE_S.get(self._awaited)
        self._deadline = self.loop.call_later(patience_s, self._give_up) if patience_s is not None else None

    def _give_up(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self._send_plain(_TIMEOUT, "The request did not arrive whole.")
        self._close()

    def timeout_keep_alive_handler(self) -> None:
        """End a connection that has no next request."""
        super().timeout_keep_alive_handler()
        self._close()

    def _close(self) -> None:
        """End it, also where the other side takes no more of what is still to be sent."""
        self.transport.close()
        self.loop.call_later(_KEEP_ALIVE_S, self.transport.abort)

    def pause_writing(self) -> None:
        """Wait a while for somebody who takes nothing of an answer."""
        super().pause_writing()
        self._unread = self.loop.call_later(_READ_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on."""
        super().resume_writing()
        if self._unread is not None:
            self._unread.cancel()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no request; uvicorn calls this while it handles the parser's error, which knows the status."""
        self._send_plain(getattr(sys.exc_info()[1], "error_status_hint", _BAD_REQUEST), msg)
        self._close()

    def _send_plain(self, status: int, words: str) -> None:
        if self.conn.our_state not in (h11.IDLE, h11.SEND_RESPONSE):
            return  # an answer is on its way already
        body = f"{words}\n".encode()
        own = {**HEADERS, "Content-Type": "text/plain; charset=utf-8", "Content-Length": str(len(body))}
        headers = [*own.items(), ("Cache-Control", "no-store"), ("Connection", "close")]
        answer = h11.Response(status_code=status, headers=headers, reason=STATUS_PHRASES[status])
        for event in (answer, h11.Data(data=body), h11.EndOfMessage()):
            self.transport.write(self.conn.send(event) or b"")
