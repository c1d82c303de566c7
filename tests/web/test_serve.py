"""`siccast serve` as a process of its own: it names its address, answers there, and stops when asked."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
from shelf_made_up import make_shelf

PROGRAM = [sys.executable, "-c", "from monitor.cli.app import main; main()"]


def test_it_names_its_address_answers_there_and_stops_when_asked(tmp_path: Path) -> None:
    make_shelf(tmp_path)
    command = [*PROGRAM, "--shelf", str(tmp_path), "serve", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            line = process.stdout.readline()
            address = re.search(r"http://127\.0\.0\.1:\d+/", line)
            assert address, line
            answer = httpx.get(address[0], timeout=200)
            process.send_signal(signal.SIGINT)
            _, complaints = process.communicate(timeout=200)
        finally:
            process.kill()
    assert answer.status_code == 200
    assert "siccast" in answer.text
    assert "Traceback" not in complaints


def test_a_taken_port_is_one_line(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        command = [*PROGRAM, "--shelf", str(tmp_path), "serve", "--port", str(port)]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1
    assert f"127.0.0.1 port {port}" in done.stderr
