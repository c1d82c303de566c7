"""A small broker inside this process, on loopback only, for a site that names none.

It speaks MQTT 3.1.1 and keeps nothing across a restart; a site that must lose nothing points siccast at a real one.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from typing import TYPE_CHECKING, Any, Self

from amqtt.broker import Broker

from monitor.errors import FeedError
from monitor.records import BrokerAddress

if TYPE_CHECKING:
    from types import TracebackType

LOOPBACK = "127.0.0.1"
_START_WITHIN_S = 10.0


class EmbeddedBroker:
    """Runs while its ``with`` body does."""

    def __init__(self, port: int = 0, client_id: str = "siccast") -> None:
        self.address = BrokerAddress(host=LOOPBACK, port=port or _free_port(), protocol="3.1.1", client_id=client_id)
        self._started = threading.Event()
        self._failure: BaseException | None = None
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="embedded broker", daemon=True)

    def __enter__(self) -> Self:
        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.CRITICAL)
        self._thread.start()
        if not self._started.wait(_START_WITHIN_S) or self._failure:
            where = f"{LOOPBACK}:{self.address.port}"
            raise FeedError(f"the embedded broker can't listen at {where} ({self._failure}); is the port taken?")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(_START_WITHIN_S)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as error:  # handed to the thread that started us
            self._failure = error
            self._started.set()
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        broker = Broker(_settings(self.address.port), loop=self._loop)
        await broker.start()
        self._started.set()
        await self._stop.wait()
        await broker.shutdown()


def _settings(port: int) -> dict[str, Any]:
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])
