"""What open pages cost a listener: `nice python -m tests.bench.open_pages`; needs mosquitto, runs some three minutes.

A listener takes readings at a steady rate while 0 and 20 pages are open, in turn. The pages do as a browser does: each
hears of changes and fetches itself anew, at most once a second and for at most a tenth of the time. Told are messages
kept, and processor time: of the listener a message, of the server as a share of one core; both hardly depend on what
else the machine does. How long after a commit an open page hears of it does depend on that.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Self

import httpx

from monitor.presentation.clock import utc_now
from monitor.records import Reading
from monitor.store.opening import open_stores
from tests.conftest import Mosquitto
from tests.reliability.harness import Listener, Stream

PER_S, LASTS_S, BOXES, PAGES, ROUNDS = 50, 20, 12, 20, 3
"""Messages a second and how long they come: far more than the sensors of twelve boxes send."""
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")
PROGRAM = [sys.executable, "-c", "from monitor.cli.app import main; main()"]


class Present(Stream):
    """Readings of now, each with an instant of its own however far behind a busy machine is."""

    def start(self) -> Self:
        self.since_s = time.time()
        return super().start()

    def _payload(self, number: int) -> bytes:
        at_s = self.since_s + number / self.per_s
        return json.dumps({"t": at_s, "temperature_c": 21.4, "rh_pct": 17.0 + number % 20 / 10}).encode() + b"\n"


@dataclass(frozen=True)
class Cost:
    """What one stretch cost."""

    listener_us_per_message: float
    server_share: float
    kept: int
    sent: int
    fetched: int


def processor_s(process: int) -> float:
    """Return the processor time that a process has taken so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS_PER_S


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, int]]:
    """Run `siccast serve`, and hand out its address and process."""
    command = [*PROGRAM, "--shelf", str(folder), "serve", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            found = re.search(r"http://\S+:\d+", process.stdout.readline())
            assert found
            httpx.get(found[0], timeout=None)
            yield found[0], process.pid
        finally:
            process.terminate()


async def open_page(address: str, path: str, fetched: list[float]) -> None:
    """Be one open page until told to stop."""
    async with httpx.AsyncClient(base_url=address, timeout=None) as client:
        await client.get(path)
        async with client.stream("GET", "/live") as events:
            not_before = 0.0
            async for line in events.aiter_lines():
                if line.startswith("data: ") and time.monotonic() >= not_before:
                    begun = time.monotonic()
                    await client.get(path)
                    took = time.monotonic() - begun
                    not_before = time.monotonic() + max(1.0, 10.0 * took)
                    fetched.append(took)


async def stretch(listener: Listener, address: str, server: int, port: int, pages: int) -> Cost:
    """Let readings come in beside so many open pages."""
    fetched: list[float] = []
    paths = ["/" if number % 2 else f"/box/box{number % BOXES}" for number in range(pages)]
    tasks = [asyncio.create_task(open_page(address, path, fetched)) for path in paths]
    await asyncio.sleep(2.0)
    held, used, served_s, begun = listener.held(), processor_s(listener.pid), processor_s(server), time.monotonic()
    stream = Present(port, PER_S * LASTS_S, PER_S, boxes=BOXES).start()
    await asyncio.to_thread(stream.wait)
    await asyncio.to_thread(listener.wait_until_held, held + stream.total, 10.0)
    took_s = time.monotonic() - begun
    kept = listener.held() - held
    cost_us = 1e6 * (processor_s(listener.pid) - used) / max(kept, 1)
    share = (processor_s(server) - served_s) / took_s
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return Cost(cost_us, share, kept, stream.total, len(fetched))


async def latencies_s(folder: Path, address: str, count: int = 20) -> list[float]:
    """Return how long after a commit, one every two seconds, an open page hears of it."""
    found = []
    async with httpx.AsyncClient(base_url=address, timeout=None) as client, client.stream("GET", "/live") as events:
        lines = events.aiter_lines()
        for number in range(count):
            await asyncio.sleep(2.0 + 0.05 * number)
            with open_stores(folder / "siccast.sqlite3") as stores:
                at = utc_now() - timedelta(milliseconds=number)
                stores.readings.add([Reading("box0", at, 21.0, 0.172 + 1e-4 * number)])
            committed = time.monotonic()
            async for line in lines:
                if line.startswith("data: ") and "readings" in line:
                    break
            found.append(time.monotonic() - committed)
    return found


def main() -> None:
    """Print what it costs."""
    with tempfile.TemporaryDirectory() as place:
        broker = Mosquitto(Path(place))
        broker.start()
        boxes = "".join(f"\n[boxes.box{number}]\nlimit_rh_pct = 20\n" for number in range(BOXES))
        listener = Listener.at(Path(place) / "shelf", broker.port, more=boxes).start()
        try:
            listener.wait_until_connected()
            first = Present(broker.port, 2 * BOXES, PER_S, boxes=BOXES).start()
            first.wait()
            listener.wait_until_held(first.total)
            with served(listener.shelf) as (address, server):
                for pages in [0, PAGES] * ROUNDS:
                    print(pages, "pages:", asyncio.run(stretch(listener, address, server, broker.port, pages)))
                waited = asyncio.run(latencies_s(listener.shelf, address))
            print(f"heard after a commit: median {statistics.median(waited):.2f} s, longest {max(waited):.2f} s")
        finally:
            listener.stop()
            broker.stop()


if __name__ == "__main__":
    main()
