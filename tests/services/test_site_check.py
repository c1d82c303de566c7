"""What `check` says of the parts that should be at work: a listener here or elsewhere, a second store."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, cast

import pytest

from monitor.records import Box, Forwarding, Listener, Reading, Rejection
from monitor.services import site_check
from monitor.services.site_check import (
    Finding,
    Severity,
    check_boxes,
    check_estimates,
    check_forwarding,
    check_listener,
    check_privacy,
    check_rejected,
    check_store,
)
from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from pathlib import Path

    from monitor.store.contracts import Upkeep

SINCE = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
AT_WORK = Listener(True, 4242, "shed", SINCE)
KILLED = Listener(False, 4242, "shed", SINCE)
STOPPED = Listener(False, 4242, "shed", SINCE, "stopped (its terminal was closed)")
ELSEWHERE = Finding("listener siccast", Severity.well, "listening; 7 new readings since it started")
SILENT = Finding("listener siccast", Severity.look, "gone without a word")


@pytest.mark.parametrize(
    ("listeners", "broker", "verdict", "found"),
    [
        ([AT_WORK], [], Severity.well, "process 4242 has listened for this shelf since 2026-03-02 10:00 UTC"),
        ([], [], Severity.look, "none is running for this shelf"),
        ([], [SILENT], Severity.look, "none is running for this shelf"),
        ([KILLED], [], Severity.look, "the last one, started 2026-03-02 10:00 UTC, ended without a message"),
        ([STOPPED], [], Severity.look, "UTC, ended: stopped (its terminal was closed)"),
    ],
)
def test_a_listener_is_looked_for(
    listeners: list[Listener], broker: list[Finding], verdict: Severity, found: str
) -> None:
    (finding,) = check_listener(listeners, broker)
    assert finding.verdict is verdict
    assert finding.found.endswith(found)


@pytest.mark.parametrize(("hours", "found"), [(60, []), (75, ["silent for 3 days; usually it sends every 24 hours"])])
def test_a_daily_sensor_is_silent_when_it_missed_three_days(tmp_path: Path, hours: int, found: list[str]) -> None:
    with open_stores(tmp_path / "site.sqlite3") as stores:
        stores.readings.add([Reading("left", SINCE - timedelta(days=day), 21.0, 0.1) for day in range(20)])
        now = SINCE + timedelta(hours=hours)
        said = [finding.found for finding in check_boxes(stores.readings, [Box("left", 10.0)], now)]
    assert said == found


def test_one_that_the_broker_heard_of_may_be_on_another_machine() -> None:
    assert list(check_listener([KILLED], [ELSEWHERE])) == []


@pytest.mark.parametrize(
    ("forwarding", "verdict"),
    [
        (Forwarding("", 0, None), Severity.well),
        (Forwarding("", 12, SINCE), Severity.well),
        (Forwarding("", 60_000, SINCE), Severity.look),
        (Forwarding("does not answer (NewConnectionError)", 0, None), Severity.fault),
    ],
)
def test_a_second_store_is_looked_at(forwarding: Forwarding, verdict: Severity) -> None:
    (finding,) = check_forwarding(forwarding, "http://127.0.0.1:8086")
    assert finding.verdict is verdict
    assert f"{forwarding.waiting} readings wait for it" in finding.found


def test_a_database_that_others_may_read_is_named_with_its_remedy(tmp_path: Path) -> None:
    """A site of an older siccast keeps the mode of its file, and its log takes it over."""
    database = tmp_path / "old shelf" / "siccast.sqlite3"
    with open_stores(database, begin=True):
        assert list(check_privacy(database)) == []
        database.chmod(0o644)
        (finding,) = check_privacy(database)
        database.with_name("siccast.before-upgrade-1.sqlite3").touch(mode=0o640)
        database.with_name("siccast.sqlite3-gone").symlink_to(tmp_path / "nothing")
        (both,) = check_privacy(database)
    assert (finding.subject, finding.verdict) == ("permissions", Severity.look)
    assert finding.found == "other users of this machine can read siccast.sqlite3"
    assert finding.remedy == f"chmod 600 '{database}'"
    assert both.found.endswith("siccast.before-upgrade-1.sqlite3, siccast.sqlite3")


def test_a_message_rejected_long_ago_needs_nobody(tmp_path: Path) -> None:
    with open_stores(tmp_path / "s.sqlite3") as stores:
        assert list(check_rejected(stores.ledger, SINCE)) == []
        stores.readings.add([], [Rejection(SINCE, "mqtt", "attic/left", b"x", "no JSON")])
        [today] = check_rejected(stores.ledger, SINCE + timedelta(hours=1))
        [later] = check_rejected(stores.ledger, SINCE + timedelta(days=8))
    assert (today.verdict, today.found) == (Severity.look, "1 rejected so far")
    assert (later.verdict, later.found) == (Severity.well, "1 rejected so far, none in the last week")


@pytest.mark.parametrize(
    ("why_not", "said"),
    [
        ("", "estimates are compiled"),
        (
            "not compiled when siccast was installed here",
            "a few times slower: not compiled when siccast was",
        ),
    ],
)
def test_it_says_which_filter_does_the_work(why_not: str, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(site_check, "filter_kernel", lambda: (None if why_not else object(), why_not))
    *_, last = check_estimates([])
    assert said in last.found
    assert last.verdict is Severity.well


class FaultyUpkeep:
    """Stands beside the real one, and says what SQLite said of a file with torn pages."""

    def __init__(self, path: Path, *faults: str) -> None:
        self.path, self._faults = path, list(faults)

    def faults(self) -> list[str]:
        return self._faults


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        (["*** in database main ***\nPage 41: odd\nPage 47: odd", "Page 99: odd"], "Page 41: odd, and 2 more faults"),
        (["Page 41: odd"], "Page 41: odd"),
    ],
)
def test_what_is_wrong_with_a_file_is_said_in_a_line(tmp_path: Path, faults: list[str], said: str) -> None:
    (tmp_path / "db").write_bytes(b"")
    (found,) = check_store(cast("Upkeep", FaultyUpkeep(tmp_path / "db", *faults)))
    assert (found.verdict, found.found) == (Severity.fault, said)
