"""A process that asks is killed in the middle of keeping outlooks while another adds readings: nothing wrong is kept.

SICCAST_KEPT_KILLS=30 kills so many.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from kept_site import DAY, HOUR, NAMES, Site, assert_not_contradicted, made, with_fewer_draws

from monitor.records import EntryKind, LedgerEntry
from monitor.services import kept_outlooks
from monitor.services.packing import unpacked
from monitor.store.sqlite.kept_outlooks import SqliteKeptOutlooks

KILLS = int(os.environ.get("SICCAST_KEPT_KILLS", "5"))
DRAWS = 250
START = made(90)[1] + 30 * DAY


def asks_until_killed(site: Site, at: datetime, statement: int) -> None:
    """Ask for one hour after the other, and die with the so-manieth statement by which outlooks are kept."""
    left = [statement]

    def count(_statement: str) -> None:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    class Watched(sqlite3.Connection):
        def __init__(self, *told: Any, **how: Any) -> None:
            super().__init__(*told, **how)
            if "mode=rw" in str(told[0]):
                self.set_trace_callback(count)

    connect = sqlite3.connect
    sqlite3.connect = lambda *told, **how: connect(*told, factory=Watched, **how)  # type: ignore[assignment]
    while True:
        site.ask(at)
        at += HOUR


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL")
def test_killed_in_the_middle_of_keeping_outlooks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_fewer_draws(monkeypatch, DRAWS)
    monkeypatch.setattr(kept_outlooks, "_AT_A_TIME", 1)  # so that it may die between two boxes, as among many
    site, rng, at = Site.begun(tmp_path, 90), np.random.default_rng(20260301), START
    site.arrive(at, lambda one: one.box == "left" and one.at > START - 3 * DAY and one.at.hour % 4 == 0)
    for number in range(KILLS):
        if number % 3 == 1:
            with site.stores() as stores:
                stores.ledger.log(LedgerEntry(EntryKind.opening, str(rng.choice(NAMES)), at - 30 * HOUR), at)
        asking = multiprocessing.get_context("fork").Process(
            target=asks_until_killed, args=(site, at, int(rng.integers(1, 24)))
        )
        asking.start()
        most = at + DAY
        while asking.is_alive():
            at = add_readings(site, at, most, rng)
            asking.join(0.01)
        assert asking.exitcode == -signal.SIGKILL
        assert_nothing_wrong_is_kept(site, at, number)


def add_readings(site: Site, at: datetime, most: datetime, rng: np.random.Generator) -> datetime:
    """Add some minutes, or readings that come late, beside the process that asks; a day at most for each kill."""
    if rng.random() < 0.2 and site.late:
        with site.stores() as stores:
            stores.readings.add([site.late.pop()])
    elif at < most:
        at += timedelta(minutes=20)
        site.arrive(at)
    return at


def assert_nothing_wrong_is_kept(site: Site, at: datetime, number: int) -> None:
    from monitor.inference import LastFit, Teaching
    from monitor.records import Outlook

    with site.stores(read_only=True) as stores:
        assert isinstance(stores.outlooks, SqliteKeptOutlooks)
        for name, one in stores.outlooks.all().items():
            assert unpacked(one.answer, Outlook) is not None
            assert unpacked(one.teaching, Teaching) is not None
            assert unpacked(stores.outlooks.fit(name, one.fit_rests_on), LastFit) is not None
    with closing(sqlite3.connect(site.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    kept, fresh = site.ask(at), site.ask(at, fresh=True)
    assert kept.keys() == fresh.keys()
    for name, answer in kept.items():
        assert_not_contradicted(answer, fresh[name], at, f"kill {number}", DRAWS)
