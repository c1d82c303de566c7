"""`siccast serve` as a process of its own: it names its address, answers there, and stops when asked."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
from older_database import is_as_it_was, make_older_file
from shelf_on_page import make_shelf

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


def test_after_an_upgrade_of_siccast_it_simply_works(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text('site = "shed"\n[boxes.box1]\n', encoding="utf-8")
    make_older_file(tmp_path / "siccast.sqlite3")
    command = [*PROGRAM, "--shelf", str(tmp_path), "serve", "--port", "0"]
    with (
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as one,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as other,
    ):
        try:
            pages = [wait_for_shelf(process) for process in (one, other)]
            for process in (one, other):
                process.send_signal(signal.SIGINT)
            said = [process.communicate(timeout=200)[1] for process in (one, other)]
        finally:
            one.kill()
            other.kill()
    assert ["/box/box1" in page for page in pages] == [True, True]
    assert is_as_it_was(tmp_path / "siccast.before-upgrade-1.sqlite3")
    assert not (tmp_path / "siccast.before-upgrade-2.sqlite3").exists()
    assert "".join(said).count("The old state is in") == 1, said
    assert "Traceback" not in "".join(said)


def wait_for_shelf(process: subprocess.Popen[str]) -> str:
    """Ask a server for its first page until the boxes are worked out."""
    assert process.stdout is not None
    address = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
    assert address
    with httpx.Client(base_url=address[0], timeout=200) as browser:
        while "Working out the boxes" in (page := browser.get("/").text):
            assert process.poll() is None
    return page


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
