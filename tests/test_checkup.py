"""What `check` says of the parts that should be at work: a listener here or elsewhere, a second store."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from monitor.checkup import Finding, Verdict, check_forwarding, check_listener
from monitor.records import Forwarding, Listener

SINCE = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
AT_WORK = Listener(True, 4242, "shed", SINCE)
KILLED = Listener(False, 4242, "shed", SINCE)
STOPPED = Listener(False, 4242, "shed", SINCE, "stopped (its terminal was closed)")
ELSEWHERE = Finding("listener siccast", Verdict.well, "listening; 7 new readings since its start")
SILENT = Finding("listener siccast", Verdict.look, "gone without a word")


@pytest.mark.parametrize(
    ("listeners", "broker", "verdict", "found"),
    [
        ([AT_WORK], [], Verdict.well, "process 4242 listens on this shelf, since 2026-03-02 10:00 UTC"),
        ([], [], Verdict.look, "none is at work on this shelf"),
        ([], [SILENT], Verdict.look, "none is at work on this shelf"),
        ([KILLED], [], Verdict.look, "the last one, begun 2026-03-02 10:00 UTC, ended without a word"),
        ([STOPPED], [], Verdict.look, "UTC, ended: stopped (its terminal was closed)"),
    ],
)
def test_a_listener_is_looked_for(
    listeners: list[Listener], broker: list[Finding], verdict: Verdict, found: str
) -> None:
    (finding,) = check_listener(listeners, broker)
    assert finding.verdict is verdict
    assert finding.found.endswith(found)


def test_one_that_the_broker_heard_of_may_be_on_another_machine() -> None:
    assert list(check_listener([KILLED], [ELSEWHERE])) == []


@pytest.mark.parametrize(
    ("forwarding", "verdict"),
    [
        (Forwarding("", 0, None), Verdict.well),
        (Forwarding("", 12, SINCE), Verdict.well),
        (Forwarding("", 60_000, SINCE), Verdict.look),
        (Forwarding("does not answer (NewConnectionError)", 0, None), Verdict.fault),
    ],
)
def test_a_second_store_is_looked_at(forwarding: Forwarding, verdict: Verdict) -> None:
    (finding,) = check_forwarding(forwarding, "http://127.0.0.1:8086")
    assert finding.verdict is verdict
    assert f"{forwarding.waiting} readings wait for it" in finding.found
