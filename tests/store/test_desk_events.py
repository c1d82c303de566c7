"""The events of the recharge desk: kept in order, taken back with the box entry that landed with them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from monitor.errors import LedgerError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import (
    ChargeMoved,
    ChargePortioned,
    LotBought,
    RunFinished,
)
from monitor.store.opening import open_stores

AT = datetime(2026, 3, 1, 18, 30, tzinfo=UTC)
DEEDS = (
    LotBought("march", "silica_gel_orange_indicating", 1000.0, date(2026, 2, 27)),
    ChargePortioned("a", "march", 262.0, "glass", 355.0, "room"),
    RunFinished("a-1", "done", 216.0, 213.0, 0.01, 0.23, (0.01, 0.02, 0.03), 360.0),
)


def test_deeds_come_back_as_they_were(tmp_path: Path) -> None:
    with open_stores(tmp_path / "s.sqlite3") as stores:
        for event in DEEDS:
            stores.events.log(event, AT, utc_now())
    with open_stores(tmp_path / "s.sqlite3", read_only=True) as stores:
        held = stores.events.events()
    assert [logged.event for logged in held] == list(DEEDS)
    assert [logged.event_id for logged in held] == [1, 2, 3]
    assert {logged.at for logged in held} == {AT}


def test_a_deed_and_its_box_entry_come_and_go_together(tmp_path: Path) -> None:
    entry = LedgerEntry(EntryKind.recharge, "attic", AT, mass_g=216.0, loading_g_per_g=(0.01, 0.02, 0.03))
    with open_stores(tmp_path / "s.sqlite3") as stores:
        moved = stores.events.log(ChargeMoved("a", "box:attic"), AT, utc_now(), entry)
        assert [kept.loading_g_per_g for kept in stores.ledger.entries("attic")] == [(0.01, 0.02, 0.03)]
        assert stores.events.undo(moved.event_id, utc_now()).event == ChargeMoved("a", "box:attic")
        assert (list(stores.ledger.entries("attic")), list(stores.events.events())) == ([], [])


def test_an_unknown_number_is_refused(tmp_path: Path) -> None:
    with (
        open_stores(tmp_path / "s.sqlite3") as stores,
        pytest.raises(LedgerError, match="there is no number 7 in the log"),
    ):
        stores.events.undo(7, utc_now())
