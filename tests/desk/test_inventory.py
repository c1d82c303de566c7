"""An inventory that adds up: runs interrupted and taken up again, events replayed and undone."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from desk_evening import AT, BOXES, MICROWAVE, MICROWAVE_LOSSES, ROOM, WET_G, dry
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.desk import Desk
from monitor.desk.apply_events import apply, replay
from monitor.desk.inventory import Inventory, discrepancies
from monitor.errors import LedgerError
from monitor.inference.drying import Verdict
from monitor.presentation.clock import utc_now
from monitor.records.desk_events import (
    ChargeMoved,
    ChargePortioned,
    ChargeRetired,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    DeskEvent,
    LoggedEvent,
    LotBought,
    RunWeighed,
)
from monitor.store.opening import open_stores


def test_a_run_goes_on_next_day_in_a_new_process(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite3"
    with open_stores(path) as stores:
        desk = Desk(stores, BOXES, (MICROWAVE,), ROOM, clock=utc_now)
        desk.keep(LotBought("march", "orange_gel", 1000.0), AT)
        desk.keep(ChargePortioned("bowl", "march", WET_G, "glass", 0.0, "room"), AT)
        dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    with open_stores(path) as stores:
        desk = Desk(stores, BOXES, (MICROWAVE,), ROOM, clock=utc_now)
        for minutes, loss_g in MICROWAVE_LOSSES[3:]:
            report = desk.weigh(RunWeighed("bowl", 60.0 * minutes, WET_G - loss_g), AT + timedelta(days=1))
    assert report.verdict is Verdict.done


def test_water_taken_up_overnight_starts_the_curve_anew(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    report = desk.weigh(RunWeighed("bowl-1", 720.0, 240.0), AT + timedelta(days=1), confirmed=True)
    assert any("took up water in between" in remark for remark in report.remarks)
    report = desk.weigh(RunWeighed("bowl-1", 960.0, 227.0), AT + timedelta(days=1))
    assert report.end_g.p05 < 227.0


def test_an_entry_that_others_rest_on_stays(desk: Desk) -> None:
    with pytest.raises(LedgerError, match="something later depends on it"):
        desk.undo(1)
    assert "march" in desk.inventory().lots


def test_a_contradiction_costs_nothing_already_entered(desk: Desk) -> None:
    before = desk.inventory()
    for event in (
        ChargePortioned("bowl", "march", 10.0),
        ChargeSplit("bowl", "part", 400.0),
        ChargesMerged("bowl", "bowl"),
        ChargeMoved("nobody", "spare"),
        LotBought("march", "clay", 5.0),
        RunWeighed("no-run", 0.0, 1.0),
    ):
        with pytest.raises(LedgerError):
            desk.keep(event, AT)
    assert desk.inventory() == before


def test_the_books_say_where_grams_are_missing(desk: Desk) -> None:
    assert discrepancies(desk.inventory()) == ()
    desk.keep(ChargePortioned("third", "march", 510.0, state="new"), AT, confirmed=True)
    assert discrepancies(desk.inventory()) == ("Lot 'march': 34 g more was weighed out than bought.",)


NAMES = st.sampled_from(["a", "b", "c", "d"])
GRAMS = st.floats(1.0, 200.0)
DEEDS: st.SearchStrategy[DeskEvent] = st.one_of(
    st.builds(ChargePortioned, charge=NAMES, lot=st.just("lot"), mass_g=GRAMS),
    st.builds(ChargeSplit, charge=NAMES, into=NAMES, mass_g=GRAMS),
    st.builds(ChargesMerged, charge=NAMES, into=NAMES),
    st.builds(ChargeToppedUp, charge=NAMES, mass_g=GRAMS),
    st.builds(ChargeMoved, charge=NAMES, place=st.sampled_from(["spare", "box:x"])),
    st.builds(ChargeRetired, charge=NAMES),
)


def valid_log(wanted: list[DeskEvent]) -> list[LoggedEvent]:
    """Return the events that the inventory accepts, numbered."""
    log = [LoggedEvent(1, AT, LotBought("lot", "silica_gel", 2000.0))]
    inventory = replay(log)
    for event in wanted:
        logged = LoggedEvent(len(log) + 1, AT, event)
        try:
            inventory = apply(inventory, logged)
        except LedgerError:
            continue
        log.append(logged)
    return log


def grams(inventory: Inventory) -> float:
    return sum(lot.left_g for lot in inventory.lots.values()) + sum(
        charge.mass_g for charge in inventory.charges.values()
    )


@settings(max_examples=150, deadline=None)
@given(wanted=st.lists(DEEDS, max_size=25))
def test_moving_beads_about_creates_no_gram(wanted: list[DeskEvent]) -> None:
    inventory = replay(valid_log(wanted))
    assert grams(inventory) == pytest.approx(2000.0)
    assert all(charge.mass_g >= 0.0 for charge in inventory.charges.values())


@settings(max_examples=100, deadline=None)
@given(wanted=st.lists(DEEDS, max_size=25), cut=st.integers(0, 25))
def test_replay_gives_the_same_books_and_undo_those_before(wanted: list[DeskEvent], cut: int) -> None:
    log = valid_log(wanted)
    assert replay(log) == replay(list(log))
    kept = log[: min(cut, len(log))]
    assert replay(log[: len(kept)]) == replay(kept)
    if len(log) > 1:
        assert replay(log[:-1]) == replay([logged for logged in log if logged.event_id != log[-1].event_id])


def test_replay_from_the_file_gives_the_same_books(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    desk.finish(None, AT)
    live = desk.inventory()
    assert replay(desk.stores.events.events()) == live
    last = desk.stores.events.events()[-1]
    desk.undo(last.event_id)
    assert desk.inventory().run("bowl-1").open
    desk.keep(last.event, last.at)
    again = desk.inventory()
    assert again.charge("bowl").loading_g_per_g == live.charge("bowl").loading_g_per_g
