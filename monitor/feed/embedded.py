"""A small broker inside this process, on loopback only, for a site that names none.

It speaks MQTT 3.1.1 and keeps nothing across a restart; a site that must lose nothing points siccast at a real one.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
import threading
from typing import TYPE_CHECKING, Any, Self

from amqtt.broker import Broker

from monitor.errors import FeedError
from monitor.records import BrokerAddress
from monitor.retrying import BackOff

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

LOOPBACK = "127.0.0.1"
_START_WITHIN_S = 10.0  # judgement: it takes 0.3 s (measured) on an idle machine


def address_inside(port: int) -> BrokerAddress:
    """Return where the broker inside a listener is found."""
    return BrokerAddress(host=LOOPBACK, port=port, protocol="3.1.1")


class EmbeddedBroker:
    """Runs while its ``with`` body does."""

    def __init__(self, port: int = 0, *, report: Callable[[str], None] = lambda _: None) -> None:
        self.address = address_inside(port or _free_port())
        self._started = threading.Event()
        self._failure: BaseException | None = None
        self._report = report
        self._loop: asyncio.AbstractEventLoop | None = None
        self._leaving = threading.Event()
        self._thread = threading.Thread(target=self._run, name="embedded broker", daemon=True)

    def __enter__(self) -> Self:
        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.CRITICAL)
        self._thread.start()
        if not self._started.wait(_START_WITHIN_S) or self._failure:
            where = f"{LOOPBACK}:{self.address.port}"
            if _is_taken(self._failure):
                raise FeedError(
                    f"another program has {where}, where siccast's own broker would be. Choose another --port. Or, if "
                    "it is a broker, name it in shelf.toml under [broker]"
                )
            raise FeedError(f"siccast's own broker can't start at {where} ({self._failure or 'it gives no answer'})")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leaving.set()
        with contextlib.suppress(RuntimeError):  # it ended by itself
            assert self._loop is not None
            self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_START_WITHIN_S)

    def _run(self) -> None:
        """Serve until we leave; where the broker ends before that, say so and begin it again."""
        back_off = BackOff()
        while not self._leaving.is_set():
            why: object = "without a reason"
            try:
                self._serve()
            except Exception as error:
                why = error
            if not self._started.is_set():
                self._failure = why if isinstance(why, Exception) else None
                self._started.set()  # handed to the thread that started us
                return
            if not self._leaving.is_set():
                pause_s = back_off.after_failure_s()
                self._report(f"siccast's own broker has ended ({why}); it starts again in {pause_s:.0f} s")
                self._leaving.wait(pause_s)

    def _serve(self) -> None:
        loop = self._loop = asyncio.new_event_loop()
        asyncio.set_event_loop(loop)
        broker = Broker(_settings(self.address.port), loop=loop)
        try:
            loop.run_until_complete(broker.start())
            self._started.set()
            if not self._leaving.is_set():
                loop.run_forever()
            loop.run_until_complete(broker.shutdown())
        finally:
            loop.close()


def _is_taken(failure: BaseException | None) -> bool:
    """Return whether a port was taken by another, as the operating system said it to the broker."""
    while failure is not None:
        if isinstance(failure, OSError) and failure.errno == errno.EADDRINUSE:
            return True
        failure = failure.__cause__ or failure.__context__
    return False


def _settings(port: int) -> dict[str, Any]:
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])
