"""A listener in a process of its own that can be killed, and a stream of readings that does not stop for it."""

from __future__ import annotations

import itertools
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from tests.conftest import require_program

if TYPE_CHECKING:
    from pathlib import Path

FIRST_S = 1_772_350_200
SLICE_S = 0.05
STARTED: list[subprocess.Popen[bytes]] = []
"""Every process started here; what a test leaves behind is ended after it."""


class Listener:
    """`siccast listen` as the person runs it."""

    def __init__(self, shelf: Path) -> None:
        self.shelf = shelf
        self.log = shelf / "listener.log"
        self._process: subprocess.Popen[bytes] | None = None

    @classmethod
    def at(cls, folder: Path, port: int, site: str = "attic", more: str = "") -> Listener:
        """Make a shelf folder whose broker is at this port."""
        folder.mkdir(exist_ok=True)
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {port}\n{more}'
        (folder / "shelf.toml").write_text(f'site = "{site}"\n{broker}')
        return cls(folder)

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    @property
    def database(self) -> Path:
        return self.shelf / "siccast.sqlite3"

    def start(self, client_id: str = "siccast", outlooks_every: int = 0) -> Self:
        program = "from monitor.cli.app import main; main()"
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [
                    sys.executable, "-c", program, "--shelf", str(self.shelf),
                    "listen", "--outlooks-every", str(outlooks_every),
                ],
                stderr=log,
                env=os.environ | {"SICCAST_MQTT_CLIENT_ID": client_id},
            )  # fmt: skip
        STARTED.append(self._process)
        return self

    def kill(self) -> None:
        """End it without a word, as a power cut or the kernel does."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)

    def stop(self) -> int:
        assert self._process is not None
        self._process.terminate()
        return self._process.wait(20)

    def wait(self) -> int:
        """Return its exit code once it has ended by itself."""
        assert self._process is not None
        return self._process.wait(60)

    def has_ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def held(self) -> int:
        """Return how many readings are stored, as any other process sees it."""
        if not self.database.exists():
            return 0
        connection = sqlite3.connect(f"file:{self.database}?mode=ro", uri=True, timeout=10)
        try:
            return int(connection.execute("SELECT count(*) FROM readings").fetchone()[0])
        except sqlite3.OperationalError:
            return 0
        finally:
            connection.close()

    def wait_until_held(self, readings: int, patience_s: float = 60.0) -> int:
        """Wait until so many are stored, or nothing was added for as long as our patience lasts."""
        held, changed = self.held(), time.monotonic()
        while held < readings and time.monotonic() - changed < patience_s:
            time.sleep(0.05)
            now_held = self.held()
            if now_held != held:
                held, changed = now_held, time.monotonic()
        return held

    def wait_until_connected(self, times: int = 1) -> None:
        """Wait for so many connections, as long as the listener runs; the limit of the test ends the wait."""
        while self.log.read_text().count("connected to") < times:
            assert self._process.poll() is None, self.log.read_text()
            time.sleep(0.02)


@dataclass
class Stream:
    """Readings of several boxes published at a steady rate through the broker's own client, QoS 1."""

    port: int
    total: int
    """Most readings to send; ``finish`` ends the stream before that."""
    per_s: float
    boxes: int = 10
    at_least: int = 0
    """So many are sent in any case."""
    site: str = "attic"
    timed: bool = True
    """Whether readings tell their time; without it they are known by their sequence numbers alone."""
    failures: list[int] = field(default_factory=list)
    finished: bool = False
    _thread: threading.Thread | None = None

    def start(self) -> Self:
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return self

    @property
    def is_running(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def finish(self) -> None:
        """End the stream with what is under way."""
        self.finished = True

    def wait(self) -> None:
        assert self._thread is not None
        self._thread.join()
        assert self.failures == [], "a publisher was not acknowledged to the end"

    def expected(self) -> set[tuple[str, int]]:
        return {(f"box{number % self.boxes}", self._at_ms(number)) for number in range(self.total)}

    def expected_numbers(self) -> set[tuple[str, int]]:
        """Return every (box, sequence number) published."""
        return {(f"box{number % self.boxes}", number) for number in range(self.total)}

    def _at_ms(self, number: int) -> int:
        return FIRST_S * 1000 + 500 * number

    def _payload(self, number: int) -> bytes:
        reading = {"t": self._at_ms(number) / 1000, "temperature_c": 21.4, "rh_pct": 17.2, "seq": number}
        if not self.timed:
            del reading["t"]
        return json.dumps(reading).encode() + b"\n"

    def _run(self) -> None:
        program = require_program("mosquitto_pub")
        topics = [f"siccast/1/{self.site}/box{number}/reading" for number in range(self.boxes)]
        command = [program, "-p", str(self.port), "-q", "1", "-l", "-t"]
        nodes = [subprocess.Popen([*command, topic], stdin=subprocess.PIPE) for topic in topics]
        STARTED.extend(nodes)
        started = time.monotonic()
        sent = 0
        for turn in itertools.count(1):
            due = min(self.total, int(turn * SLICE_S * self.per_s))
            for number in range(sent, due):
                pipe = nodes[number % self.boxes].stdin
                assert pipe is not None
                pipe.write(self._payload(number))
            for node in nodes:
                assert node.stdin is not None
                node.stdin.flush()
            sent = due
            if self.finished and sent >= self.at_least:
                self.total = sent
            if sent == self.total:
                break
            time.sleep(max(0.0, started + turn * SLICE_S - time.monotonic()))
        for node in nodes:
            node.communicate()
        self.failures = [node.returncode for node in nodes if node.returncode]


def stored(database: Path) -> tuple[list[tuple[str, int]], str, int]:
    """Return every (box, instant) stored, what SQLite's own check says, and how many the roll-up counts."""
    connection = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    try:
        rows = connection.execute("SELECT name, at_ms FROM readings JOIN boxes USING (box_id)").fetchall()
        verdict = connection.execute("PRAGMA integrity_check").fetchone()[0]
        rolled_up = connection.execute("SELECT sum(count) FROM hourly").fetchone()[0]
    finally:
        connection.close()
    return rows, verdict, rolled_up


def stored_numbers(database: Path) -> list[tuple[str, int]]:
    """Return every (box, sequence number) stored."""
    connection = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    try:
        return connection.execute("SELECT name, seq FROM readings JOIN boxes USING (box_id)").fetchall()
    finally:
        connection.close()


def resident_mib(pid: int) -> float:
    """Return the memory that a process holds now. [MiB]"""
    with open(f"/proc/{pid}/statm") as statm:  # noqa: PTH123
        return int(statm.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
