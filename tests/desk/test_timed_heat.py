"""A timer that every device shows, and a run that is taken back whole."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from desk_evening import AT, MICROWAVE, WET_G

from monitor.desk import Desk
from monitor.errors import LedgerError
from monitor.records.desk_events import BeadsSpilled, HeatTimed, RunWeighed

TIMER = HeatTimed("bowl-1", 240.0, 60.0, going=True, clock_s=1.75e9)


def test_the_newest_timer_counts_until_the_next_weighing(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT)
    assert run.timer is None
    stamp = desk.stores.events.stamp()
    desk.keep(TIMER, AT)
    assert desk.stores.events.stamp() != stamp
    stopped = replace(TIMER, heated_s=90.0, going=False)
    logged = desk.keep(stopped, AT)
    assert desk.inventory().run("bowl-1").timer == stopped
    desk.undo(logged.event_id)
    assert desk.inventory().run("bowl-1").timer == TIMER
    desk.keep(RunWeighed("bowl-1", 0.0, WET_G), AT)
    assert desk.inventory().run("bowl-1").timer is None


def test_a_finished_run_has_no_timer(desk: Desk) -> None:
    desk.start("bowl", MICROWAVE, AT)
    desk.keep(RunWeighed("bowl-1", 0.0, WET_G), AT)
    desk.finish("bowl-1", AT)
    with pytest.raises(LedgerError, match="finished"):
        desk.keep(TIMER, AT)


def test_a_discarded_run_leaves_everything_as_it_was(desk: Desk) -> None:
    before = desk.inventory()
    desk.start("tray", MICROWAVE, AT, confirmed=True)
    desk.start("bowl", MICROWAVE, AT)
    desk.keep(RunWeighed("bowl-1", 0.0, WET_G), AT)
    desk.keep(TIMER, AT)
    desk.keep(BeadsSpilled("bowl-1", 1), AT)
    desk.keep(RunWeighed("bowl-1", 240.0, WET_G - 30.0), AT + timedelta(minutes=5))
    taken = desk.discard("bowl-1")
    assert [type(each.event).__name__ for each in taken] == [
        "RunWeighed", "BeadsSpilled", "HeatTimed", "RunWeighed", "RunStarted",
    ]  # fmt: skip
    assert set(desk.inventory().runs) == {"tray-1"}
    assert desk.inventory().charge("bowl") == before.charge("bowl")
    with pytest.raises(LedgerError, match="no run of 'bowl-1' is in progress"):
        desk.discard("bowl-1")
