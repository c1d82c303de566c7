"""Troubles to put a listener through: a full or read-only disk, a locked file, a broker that restarts."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.reliability.harness import FIRST_S

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


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
    """Sensors whose broker goes away now and then: they send again what was not acknowledged, and count on."""

    def __init__(self, port: int, per_s: float, boxes: int = 10, site: str = "attic") -> None:
        self.sent = 0
        self._per_s = per_s
        self._boxes = boxes
        self._site = site
        self._finished = threading.Event()
        self._acknowledged = 0
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="nodes", clean_session=False, protocol=paho.MQTTv311
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.max_queued_messages_set(0)
        self._client.on_publish = self._count
        self._client.connect("127.0.0.1", port)

    def __enter__(self) -> Self:
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._finished.set()
        self._thread.join()
        self._client.loop_stop()
        self._client.disconnect()

    def finish(self, patience_s: float = 60.0) -> None:
        """Stop, and wait until the broker has acknowledged everything."""
        self._finished.set()
        self._thread.join()
        deadline = time.monotonic() + patience_s
        while self._acknowledged < self.sent:
            assert time.monotonic() < deadline, "the broker did not acknowledge everything in time"
            time.sleep(0.05)

    def _count(self, *_: object) -> None:
        self._acknowledged += 1

    def expected(self) -> set[tuple[str, int]]:
        return {(f"box{n % self._boxes}", 1000 * FIRST_S + 500 * n) for n in range(self.sent)}

    def _run(self) -> None:
        started = time.monotonic()
        while not self._finished.is_set():
            payload = f'{{"t":{FIRST_S + self.sent / 2},"temperature_c":21.4,"rh_pct":17.2,"seq":{self.sent}}}'
            topic = f"siccast/1/{self._site}/box{self.sent % self._boxes}/reading"
            self._client.publish(topic, payload, qos=1)
            self.sent += 1
            ahead_s = started + self.sent / self._per_s - time.monotonic()
            if ahead_s > 0:
                self._finished.wait(ahead_s)
