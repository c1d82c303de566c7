"""The drill of the README: a backup, readings lost, a restore, all with the commands and beside a working listener."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.reliability.harness import Listener, Stream, stored

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mosquitto

pytestmark = pytest.mark.broker


def siccast(listener: Listener, *words: str) -> str:
    program = "from monitor.cli.app import main; main()"
    command = [sys.executable, "-c", program, "--shelf", str(listener.shelf), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ, "COLUMNS": "300"})
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_backup_and_restore_on_a_running_site(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = Listener.at(tmp_path / "shelf", mosquitto.port).start()
    listener.wait_until_connected()
    before = Stream(mosquitto.port, total=300, per_s=2_000).start()
    before.wait()
    assert listener.wait_until_held(300) == 300
    backup = tmp_path / "backup.sqlite3"
    assert "and checked it: no damage found" in siccast(listener, "backup", str(backup))

    later = Stream(mosquitto.port, total=900, per_s=2_000, boxes=30).start()
    later.wait()
    held = listener.wait_until_held(1_100)
    said = siccast(listener, "restore", "--yes", str(backup))
    assert said.startswith(f"restored {backup}: 300 readings. The old database is now ")
    kept = tmp_path / "shelf" / "siccast.before-restore-1.sqlite3"
    assert len(stored(kept)[0]) == held

    more = Stream(mosquitto.port, total=900, per_s=2_000, boxes=30).start()
    more.wait()
    assert listener.wait_until_held(1_100) == held, (
        "the same listener goes on, in boxes that the backup had not heard of"
    )
    assert listener.stop() == 0
    rows, verdict, rolled_up = stored(listener.database)
    assert set(rows) == before.expected() | more.expected()
    assert (len(rows), rolled_up, verdict) == (held, held, "ok")
