"""Books that balance: runs interrupted and taken up again, deeds replayed and undone."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_desk import AT, BOXES, MICROWAVE, MICROWAVE_LOSSES, ROOM, WET_G, dry

from monitor.deeds import (
    ChargeMoved,
    ChargePortioned,
    ChargeRetired,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    Deed,
    LoggedDeed,
    LotBought,
    RunWeighed,
)
from monitor.desk import Desk
from monitor.desk.books import Books, discrepancies
from monitor.desk.steps import add_up, after
from monitor.errors import LedgerError
from monitor.inference.drying import Verdict
from monitor.store.opening import open_stores


def test_a_run_goes_on_next_day_in_a_new_process(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite3"
    with open_stores(path) as stores:
        desk = Desk(stores, BOXES, (MICROWAVE,), ROOM)
        desk.keep(LotBought("march", "orange_gel", 1000.0), AT)
        desk.keep(ChargePortioned("bowl", "march", WET_G, "glass", 0.0, "room"), AT)
        dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    with open_stores(path) as stores:
        desk = Desk(stores, BOXES, (MICROWAVE,), ROOM)
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
    assert "march" in desk.books().lots


def test_a_contradiction_costs_nothing_already_entered(desk: Desk) -> None:
    before = desk.books()
    for deed in (
        ChargePortioned("bowl", "march", 10.0),
        ChargeSplit("bowl", "part", 400.0),
        ChargesMerged("bowl", "bowl"),
        ChargeMoved("nobody", "spare"),
        LotBought("march", "clay", 5.0),
        RunWeighed("no-run", 0.0, 1.0),
    ):
        with pytest.raises(LedgerError):
            desk.keep(deed, AT)
    assert desk.books() == before


def test_the_books_say_where_grams_are_missing(desk: Desk) -> None:
    assert discrepancies(desk.books()) == ()
    desk.keep(ChargePortioned("third", "march", 510.0, state="new"), AT, confirmed=True)
    assert discrepancies(desk.books()) == ("Lot 'march': 34 g more was weighed out than bought.",)


NAMES = st.sampled_from(["a", "b", "c", "d"])
GRAMS = st.floats(1.0, 200.0)
DEEDS: st.SearchStrategy[Deed] = st.one_of(
    st.builds(ChargePortioned, charge=NAMES, lot=st.just("lot"), mass_g=GRAMS),
    st.builds(ChargeSplit, charge=NAMES, into=NAMES, mass_g=GRAMS),
    st.builds(ChargesMerged, charge=NAMES, into=NAMES),
    st.builds(ChargeToppedUp, charge=NAMES, mass_g=GRAMS),
    st.builds(ChargeMoved, charge=NAMES, place=st.sampled_from(["spare", "box:x"])),
    st.builds(ChargeRetired, charge=NAMES),
)


def valid_log(wanted: list[Deed]) -> list[LoggedDeed]:
    """Return the deeds that the books accept, numbered."""
    log = [LoggedDeed(1, AT, LotBought("lot", "silica_gel", 2000.0))]
    books = add_up(log)
    for deed in wanted:
        logged = LoggedDeed(len(log) + 1, AT, deed)
        try:
            books = after(books, logged)
        except LedgerError:
            continue
        log.append(logged)
    return log


def grams(books: Books) -> float:
    return sum(lot.left_g for lot in books.lots.values()) + sum(charge.mass_g for charge in books.charges.values())


@settings(max_examples=150, deadline=None)
@given(wanted=st.lists(DEEDS, max_size=25))
def test_moving_beads_about_creates_no_gram(wanted: list[Deed]) -> None:
    books = add_up(valid_log(wanted))
    assert grams(books) == pytest.approx(2000.0)
    assert all(charge.mass_g >= 0.0 for charge in books.charges.values())


@settings(max_examples=100, deadline=None)
@given(wanted=st.lists(DEEDS, max_size=25), cut=st.integers(0, 25))
def test_replay_gives_the_same_books_and_undo_those_before(wanted: list[Deed], cut: int) -> None:
    log = valid_log(wanted)
    assert add_up(log) == add_up(list(log))
    kept = log[: min(cut, len(log))]
    assert add_up(log[: len(kept)]) == add_up(kept)
    if len(log) > 1:
        assert add_up(log[:-1]) == add_up([logged for logged in log if logged.deed_id != log[-1].deed_id])


def test_replay_from_the_file_gives_the_same_books(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    desk.finish(None, AT)
    live = desk.books()
    assert add_up(desk.stores.deeds.deeds()) == live
    last = desk.stores.deeds.deeds()[-1]
    desk.undo(last.deed_id)
    assert desk.books().run("bowl-1").open
    desk.keep(last.deed, last.at)
    again = desk.books()
    assert again.charge("bowl").loading_g_per_g == live.charge("bowl").loading_g_per_g
