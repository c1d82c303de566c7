"""Real servers for tests: on a free port, stopped at the end; absent ones skip here and fail in CI."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does, before anything imports numpy

import pytest
from alert_servers import Hook

from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from monitor.store.opening import Stores

RECOMMENDED = (
    "allow_anonymous true",
    "max_queued_messages 0",
    "max_inflight_messages 1000",
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def require_program(name: str) -> str:
    """Return the path of a program; without it skip on a newcomer's machine and fail in CI."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    if path is None:
        reason = f"{name} is not installed (Debian package of that name)"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    return path


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """As many workers as processors for a run of folders; none where speed is measured or single files are named."""
    named = any("::" in word or word.endswith(".py") for word in config.args)
    return 0 if named or config.option.benchmark_only else None


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    with open_stores(tmp_path / "siccast.sqlite3") as opened:
        yield opened


@pytest.fixture
def hook() -> Iterator[Hook]:
    """A receiver of webhooks."""
    server = Hook()
    yield server
    server.stop()


class Mosquitto:
    """A real broker on loopback that can be killed and started again."""

    def __init__(self, folder: Path, lines: tuple[str, ...] = RECOMMENDED, port: int = 0) -> None:
        self.port = port or free_port()
        self._program = require_program("mosquitto")
        self._settings = folder / "mosquitto.conf"
        user = "user root\n" if os.getuid() == 0 else ""
        listener = "" if any(line.startswith("listener") for line in lines) else f"listener {self.port} 127.0.0.1\n"
        self._settings.write_text(listener + user + "\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        while self._process.poll() is None:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        pytest.fail(f"mosquitto ended with {self._process.returncode} before it listened")

    def stop(self) -> None:
        """Ask it to stop, as a service manager does."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """End it as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None


@pytest.fixture
def start_mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Mosquitto]]:
    """Give a function that starts brokers with the settings they should have."""
    with ExitStack() as stack:

        def start(lines: tuple[str, ...] = RECOMMENDED, port: int = 0) -> Mosquitto:
            broker = Mosquitto(tmp_path_factory.mktemp("mosquitto"), lines, port)
            stack.callback(broker.kill)
            broker.start()
            return broker

        yield start


@pytest.fixture
def mosquitto(start_mosquitto: Callable[..., Mosquitto]) -> Mosquitto:
    """Give a broker with the recommended settings."""
    return start_mosquitto()
