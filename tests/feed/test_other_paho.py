"""A paho whose private method is not there, or has another shape: the listener takes all in by paho's own means."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import paho
import pytest

from tests.conftest import Mosquitto
from tests.reliability.harness import Listener
from tests.reliability.test_one_listener import publish

CHANGES = {
    "gone": {"_sock_recv": "_receive_from_socket"},
    "another shape": {"def _sock_recv(self, ": "def _sock_recv(self, flags: int, ", "._sock_recv(": "._sock_recv(0, "},
}


def changed_paho(folder: Path, change: dict[str, str]) -> Path:
    """Copy the installed paho, with some words of it changed wherever they stand."""
    shutil.copytree(Path(paho.__path__[0]), folder / "paho")
    client = folder / "paho" / "mqtt" / "client.py"
    text = client.read_text(encoding="utf-8")
    for before, after in change.items():
        assert before in text
        text = text.replace(before, after)
    client.write_text(text, encoding="utf-8")
    return folder


@pytest.mark.broker
@pytest.mark.parametrize("change", CHANGES)
def test_every_message_is_taken_in_and_acknowledged(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(changed_paho(tmp_path / "changed", CHANGES[change])))
    question = "import paho, monitor.feed.batched_socket as g; print(paho.__path__[0], g.client_class().__name__)"
    answer = subprocess.run([sys.executable, "-c", question], capture_output=True, text=True, check=True).stdout
    assert answer.split() == [str(tmp_path / "changed" / "paho"), "PlainClient"]

    listener = Listener.at(tmp_path / "shelf", mosquitto.port).start()
    listener.wait_until_connected()
    assert listener.stop() == 0
    for first, count in ((0, 300), (300, 100)):
        publish(mosquitto.port, first, count)  # its session collects
        listener.start()
        assert listener.wait_until_held(first + count) == first + count
        assert listener.stop() == 0
    told = [line.split(" (")[0] for line in listener.log.read_text().splitlines() if "stopped after" in line]
    assert told == [
        f"siccast: stopped after {each} messages: {each} new readings, 0 repeated, 0 rejected" for each in (0, 300, 100)
    ], "what was acknowledged never returns"
