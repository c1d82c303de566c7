"""Troubles to put a listener through: a full or read-only disk, a locked file, a broker that restarts."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections import deque
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.reliability.harness import FIRST_S

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SENT_AGAIN_S = 2.0
"""What a broker acknowledged so shortly before it went away is sent again."""


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """Mount a disk of its own so small that it can be filled."""
    if os.name != "posix" or os.getuid() != 0:
        pytest.skip("only root may mount a small disk to fill")
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"a small disk can't be mounted here: {mounted.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Fill a disk to its last block."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"\0" * 4096)
        except OSError:
            return filler


def remount(folder: Path, mode: str) -> None:
    """Make a mounted disk read-only or writable again."""
    subprocess.run(["mount", "-o", f"remount,{mode}", str(folder)], check=True)


class PatientNodes:
    """Sensors whose broker goes away now and then: they send again what it did not acknowledge, or only just did.

    A broker that is killed has acknowledged what was not on its disk yet; to send a reading twice costs nothing. The
    node program in firmware_notes does the same.
    """

    def __init__(self, port: int, per_s: float, boxes: int = 10, site: str = "attic") -> None:
        self.sent = 0
        self._per_s = per_s
        self._boxes = boxes
        self._site = site
        self._finished = threading.Event()
        self._left = threading.Event()
        self._connected = threading.Event()
        self._under_way: dict[int, int] = {}
        self._answers: deque[int] = deque()
        self._acknowledged: deque[tuple[int, float]] = deque()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="nodes", clean_session=False, protocol=paho.MQTTv311
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.max_inflight_messages_set(1_000)
        self._client.max_queued_messages_set(0)
        self._client.on_connect = lambda *_: self._connected.set()
        self._client.on_publish = lambda _client, _userdata, packet_id, *_: self._answers.append(packet_id)
        self._client.connect("127.0.0.1", port)

    def __enter__(self) -> Self:
        self._client.loop_start()
        assert self._connected.wait(100)
        self._connected.clear()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._finished.set()
        self._left.set()
        self._client.disconnect()
        self._client.loop_stop()
        self._thread.join()

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive()

    def finish(self, patience_s: float = 60.0) -> None:
        """Stop, and wait until the broker has acknowledged everything."""
        self._finished.set()
        self._thread.join(patience_s)
        assert not self._thread.is_alive(), "the broker did not acknowledge everything in time"

    def expected(self) -> set[tuple[str, int]]:
        return {(f"box{n % self._boxes}", 1000 * FIRST_S + 500 * n) for n in range(self.sent)}

    def _run(self) -> None:
        started = time.monotonic()
        while not self._finished.is_set():
            due = int((time.monotonic() - started) * self._per_s)
            for number in range(self.sent, due):
                self._send(number)
            self.sent = max(self.sent, due)
            self._look_back()
            time.sleep(0.01)
        while self._under_way and not self._left.is_set():
            self._look_back()
            time.sleep(0.01)

    def _look_back(self) -> None:
        """Take note of what was acknowledged, and send the last of it again on a new connection."""
        now = time.monotonic()
        while self._answers:
            self._acknowledged.append((self._under_way.pop(self._answers.popleft()), now))
        newest = self._acknowledged[-1][1] if self._acknowledged else now
        while self._acknowledged and self._acknowledged[0][1] < newest - SENT_AGAIN_S:
            self._acknowledged.popleft()
        if self._connected.is_set():
            self._connected.clear()
            again = [number for number, _ in self._acknowledged]
            self._acknowledged.clear()
            for number in again:
                self._send(number)

    def _send(self, number: int) -> None:
        payload = f'{{"t":{FIRST_S + number / 2},"temperature_c":21.4,"rh_pct":17.2,"seq":{number}}}'
        topic = f"siccast/1/{self._site}/box{number % self._boxes}/reading"
        self._under_way[self._client.publish(topic, payload, qos=1).mid] = number
