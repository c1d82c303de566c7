"""One listener a shelf, its log never its end, its last words kept, and one commit for many readings where asked."""

from __future__ import annotations

import json
import os
import pty
import sqlite3
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest

from monitor.errors import ShelfHeldError
from monitor.feed.mqtt import MqttFeed
from monitor.feed.probe import probe
from monitor.presentation.clock import utc_now
from monitor.records import BrokerAddress
from monitor.store.listener_lock import listener_counts, listeners, lock_shelf
from tests.conftest import require_program
from tests.reliability.harness import STARTED, Listener, stored
from tests.reliability.trouble import fill, small_disk

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mosquitto

PROGRAM = "from monitor.cli.app import main; main()"
TOPIC = "siccast/1/attic/box1/reading"


def publish(port: int, first: int, count: int) -> None:
    """Publish readings with times of their own, QoS 1."""
    lines = [f'{{"t": {1772350200 + n}, "temperature_c": 21.4, "rh_pct": 17.2}}\n' for n in range(first, first + count)]
    command = [require_program("mosquitto_pub"), "-p", str(port), "-V", "311", "-q", "1", "-t", TOPIC, "-l"]
    subprocess.run(command, input="".join(lines).encode(), check=True)


def be_remembered(port: int) -> BrokerAddress:
    """Leave a session of the listener behind, so that what is published before it is there waits for it."""
    address = BrokerAddress("127.0.0.1", port)
    with MqttFeed(address, ["siccast/1/+/+/reading"], clock=utc_now) as feed:
        while not feed.is_subscribed:
            feed.receive(0.1)
    return address


def start_listening(shelf: Path, stderr: int, program: str = PROGRAM, stdin: int | None = None) -> Listener:
    """Start a listener with something of its own behind stderr."""
    listener = Listener(shelf)
    command = [sys.executable, "-c", program, "--shelf", str(shelf), "listen", "--outlooks-every", "0"]
    listener._process = subprocess.Popen(command, stdin=stdin, stderr=stderr, start_new_session=stdin is not None)
    STARTED.append(listener._process)
    return listener


def siccast(shelf: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", PROGRAM, "--shelf", str(shelf), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.broker
def test_a_second_listener_says_who_has_the_shelf_and_ends(mosquitto: Mosquitto, tmp_path: Path) -> None:
    first = Listener.at(tmp_path / "shelf", mosquitto.port).start()
    first.wait_until_connected()
    second = siccast(first.shelf, "listen", "--outlooks-every", "0")
    assert second.returncode == 1
    assert f"process {first.pid} already listens on {first.shelf}, since " in second.stderr
    assert second.stderr.endswith(f"Stop that one first (kill {first.pid}), or let it run\n")
    assert second.stderr.count("\n") == 1
    first.kill()
    again = Listener(first.shelf).start()
    again.wait_until_connected(times=2)
    assert again.stop() == 0
    assert again.log.read_text().count("connected to") == 2, "the one that was killed was never disturbed"


@pytest.mark.broker
def test_listeners_that_share_a_site_may_have_one_shelf(mosquitto: Mosquitto, tmp_path: Path) -> None:
    one = Listener.at(tmp_path / "shelf", mosquitto.port, more='share = "attic"\n')
    other = Listener(one.shelf)
    other.log = one.shelf / "other.log"
    one.start("siccast-1").wait_until_connected()
    other.start("siccast-2").wait_until_connected()
    assert [listener.at_work for listener in listeners(one.shelf)] == [True, True]
    assert one.stop() == other.stop() == 0


def test_a_hold_is_told_from_what_is_left_of_one(tmp_path: Path) -> None:
    assert listeners(tmp_path) == []
    with lock_shelf(tmp_path / "new", utc_now()) as hold:
        (found,) = listeners(tmp_path / "new")
        assert (found.at_work, found.process, found.ended) == (True, os.getpid(), "")
        with (
            pytest.raises(ShelfHeldError, match=f"process {os.getpid()} already listens on"),
            lock_shelf(tmp_path / "new", utc_now()),
        ):
            pass
        hold.counted(7, 5, 2)
        hold.ended("stopped, for a reason that is as long as can be")
        hold.ended("stopped")
    (found,) = listeners(tmp_path / "new")
    assert (found.at_work, found.ended) == (False, "stopped")
    (counts,) = listener_counts(tmp_path / "new")
    assert (counts.part, counts.messages, counts.new, counts.rejected) == ("", 7, 5, 2)


# --- its log ---------------------------------------------------------------------------------------------------------


@pytest.mark.broker
@pytest.mark.parametrize("behind", ["full", "closed pipe"])
def test_its_own_log_never_ends_the_listener(mosquitto: Mosquitto, tmp_path: Path, behind: str) -> None:
    be_remembered(mosquitto.port)
    publish(mosquitto.port, 0, 10)
    shelf = Listener.at(tmp_path / "shelf", mosquitto.port).shelf
    if behind == "full":
        log = os.open("/dev/full", os.O_WRONLY)
    else:
        reading, log = os.pipe()
        os.close(reading)
    listener = start_listening(shelf, log)
    os.close(log)
    assert listener.wait_until_held(10) == 10
    assert listener.stop() == 0
    [counts] = listener_counts(shelf)
    assert (counts.messages, counts.new, counts.rejected) == (10, 10, 0), "metrics are told to the last message"


@pytest.mark.broker
def test_what_a_full_disk_kept_out_of_the_log_is_counted(mosquitto: Mosquitto, tmp_path: Path) -> None:
    address = be_remembered(mosquitto.port)
    shelf = Listener.at(tmp_path / "shelf", mosquitto.port).shelf
    with small_disk(tmp_path / "disk", megabytes=1) as disk:
        path = disk / "log"
        log = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        filler = fill(disk)
        listener = start_listening(shelf, log)
        os.close(log)
        while not probe(address_of_a_guest(address), "siccast/1/attic/health/+", utc_now()).health:
            assert not listener.has_ended()
        filler.unlink()
        assert listener.stop() == 0
        told = path.read_text()
    assert told.startswith("siccast: 1 messages to this log could not be written\nsiccast: stopped after 0 messages")


def address_of_a_guest(address: BrokerAddress) -> BrokerAddress:
    return BrokerAddress(address.host, address.port, client_id="guest")


# --- its terminal ----------------------------------------------------------------------------------------------------


@pytest.mark.broker
def test_a_closed_terminal_ends_it_in_good_order_and_is_said(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Its own log is gone with the terminal, so the shelf and the broker keep its last words."""
    shelf = Listener.at(tmp_path / "shelf", mosquitto.port).shelf
    be_remembered(mosquitto.port)
    ours, theirs = pty.openpty()
    take_terminal = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    as_usual = "import signal; signal.signal(signal.SIGHUP, signal.SIG_DFL); "  # tests may run under nohup
    listener = start_listening(shelf, theirs, take_terminal + as_usual + PROGRAM, stdin=theirs)
    os.close(theirs)
    shown = b""
    while b"connected to" not in shown:
        shown += os.read(ours, 1000)
    publish(mosquitto.port, 0, 5)
    assert listener.wait_until_held(5) == 5
    os.close(ours)
    assert listener._process is not None
    assert listener._process.wait(30) == 0
    (found,) = listeners(shelf)
    assert found.ended == "stopped (its terminal was closed; new messages wait at the broker)"
    health = probe(
        BrokerAddress("127.0.0.1", mosquitto.port, client_id="guest"), "siccast/1/attic/health/+", utc_now()
    ).health
    assert b"stopped (its terminal was closed" in health["siccast/1/attic/health/siccast"]


# --- its commits -----------------------------------------------------------------------------------------------------

EVERY_MINUTE = "\n[store]\ncommit_every_s = 60\n"


@pytest.mark.broker
def test_a_kill_between_two_commits_loses_nothing(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Readings with no commit yet are not acknowledged, so they come again: to the next listener, once each."""
    address = be_remembered(mosquitto.port)
    listener = Listener.at(tmp_path / "shelf", mosquitto.port, more=EVERY_MINUTE).start()
    listener.wait_until_connected()
    publish(mosquitto.port, 0, 200)
    while not probe(
        BrokerAddress(address.host, address.port, client_id="guest"), "siccast/1/attic/health/+", utc_now()
    ).health:
        assert not listener.has_ended()
    assert listener.held() == 0
    listener.kill()
    assert listener.held() == 0
    listener.start().wait_until_connected(times=2)
    publish(mosquitto.port, 200, 400)
    held = listener.wait_until_held(500, patience_s=90.0)  # the minute ends a portion too, on a machine as slow as that
    assert held >= 500, "a portion is never larger than that"
    assert listener.stop() == 0
    rows, verdict, rolled_up = stored(listener.database)
    assert len(set(rows)) == len(rows) == rolled_up == 600, "an orderly end commits the rest"
    assert verdict == "ok"


@pytest.mark.broker
def test_thinning_shrinks_the_file_beside_a_working_listener(mosquitto: Mosquitto, tmp_path: Path) -> None:
    be_remembered(mosquitto.port)
    publish(mosquitto.port, 0, 30_000)
    listener = Listener.at(tmp_path / "shelf", mosquitto.port).start()
    assert listener.wait_until_held(30_000) == 30_000
    with sqlite3.connect(listener.database) as file:
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    file.close()
    before = listener.database.stat().st_size
    thin = ("readings", "thin", "--older-than-days", "30", "--keep-every-minutes", "60", "--yes")
    thinned = siccast(listener.shelf, *thin)
    assert thinned.returncode == 0, thinned.stderr
    assert listener.database.stat().st_size < before / 2
    held = listener.held()
    publish(mosquitto.port, int(time.time()) - 1_772_350_200 - 10, 10)
    assert listener.wait_until_held(held + 10) == held + 10, listener.log.read_text()
    assert listener.stop() == 0
    assert stored(listener.database)[1] == "ok"


@pytest.mark.broker
def test_what_is_logged_reaches_the_broker_as_a_new_outlook(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listener = Listener.at(tmp_path / "shelf", mosquitto.port, more="\n[boxes.box1]\nvolume_l = 10\n")
    listener.start(outlooks_every=60).wait_until_connected()
    publish(mosquitto.port, 0, 5)
    assert listener.wait_until_held(5) == 5
    assert siccast(listener.shelf, "log", "note", "box1", "new gasket").returncode == 0
    address = BrokerAddress("127.0.0.1", mosquitto.port, client_id="newcomer")
    with MqttFeed(address, ["siccast/1/attic/box1/outlook"], clock=utc_now) as feed:
        while not (messages := feed.receive(0.5)):  # the limit of the test ends the wait
            assert not listener.has_ended()
    assert json.loads(messages[0].payload)["state"] == "not enough evidence"
    assert listener.stop() == 0
