"""Slow work asked for by a page: in two threads of its own, a few waiting, never in those that pages are made in."""

from __future__ import annotations

import asyncio
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cached_property, partial
from http import HTTPStatus
from typing import TYPE_CHECKING, TypeVar

from anyio import CancelScope, CapacityLimiter, to_thread
from starlette.exceptions import HTTPException

from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import Receive

Answer = TypeVar("Answer")

RECEIVE: ContextVar[Receive | None] = ContextVar("RECEIVE", default=None)
"""Where the request that is being answered says that its client left; set by the guard."""

_AT_ONCE = 2  # a count of threads; judgement: a small machine has as many cores to spare
_MOST_WAITING = 16  # a count; judgement: whoever comes later would wait longer than anybody does
_AGAIN_AFTER_S = 10  # judgement: a few answers are worked out by then


@dataclass(eq=False)
class Work:
    """What is worked out for whoever asks a page something slow."""

    _asked: int = 0
    """Working or waiting; counted here, because a limiter counts those only who have come to wait."""

    @cached_property
    def _threads(self) -> CapacityLimiter:
        return CapacityLimiter(_AT_ONCE)  # made once the loop runs

    async def run(self, function: Callable[..., Answer], *arguments: object) -> Answer:
        """Return what a function answers, from a thread; call it after the form was read.

        What still waits when its client leaves is dropped; what has begun goes on, and keeps its place until it ends.

        Raises
        ------
        HTTPException
            503 with Retry-After, where too many wait already.
        """
        if self._asked >= _AT_ONCE + _MOST_WAITING:
            raise _unavailable(say("Many questions are being worked out already. Try again in ten seconds."))
        self._asked += 1
        with CancelScope() as scope:
            watch = asyncio.create_task(_cancel_when_left(scope))
            try:
                return await to_thread.run_sync(partial(function, *arguments), limiter=self._threads)
            finally:
                watch.cancel()
                self._asked -= 1
        raise _unavailable(say("You left before your question's turn came."))


def _unavailable(words: str) -> HTTPException:
    return HTTPException(HTTPStatus.SERVICE_UNAVAILABLE, words, {"Retry-After": str(_AGAIN_AFTER_S)})


async def _cancel_when_left(scope: CancelScope) -> None:
    receive = RECEIVE.get()
    while receive is not None:
        if (await receive())["type"] == "http.disconnect":
            scope.cancel()
            return
