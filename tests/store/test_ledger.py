"""The ledger: entries are added and taken back, never edited."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from monitor.errors import LedgerError
from monitor.records import EntryKind, LedgerEntry
from monitor.store.opening import Stores

if TYPE_CHECKING:
    pass

AT = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)
NOW = AT + timedelta(hours=1)
CHARGE = LedgerEntry(
    EntryKind.charge,
    "box1",
    AT,
    mass_g=55.0,
    scale_resolution_g=0.1,
    desiccant="silica_gel",
    dry_mass_g=50.0,
    method="oven_120C_3h",
    loading_g_per_g=(0.01, 0.02, 0.03),
    color="orange",
    note="new beads",
)


def test_an_entry_comes_back_whole(stores: Stores) -> None:
    number = stores.ledger.log(CHARGE, NOW)
    assert stores.ledger.entries() == [replace(CHARGE, entry_id=number, logged_at=NOW)]


def test_entries_are_in_the_order_of_what_they_speak_of(stores: Stores) -> None:
    for hours in (3, 1, 2):
        stores.ledger.log(LedgerEntry(EntryKind.opening, "box1", AT + timedelta(hours=hours)), NOW)
    stores.ledger.log(LedgerEntry(EntryKind.opening, "box2", AT), NOW)
    before = stores.ledger.entries("box1", before=AT + timedelta(hours=3))
    assert [entry.at for entry in before] == [AT + timedelta(hours=1), AT + timedelta(hours=2)]


def test_an_entry_taken_back_no_longer_counts(stores: Stores) -> None:
    number = stores.ledger.log(CHARGE, AT)
    assert stores.ledger.undo(number, NOW) == replace(CHARGE, entry_id=number, logged_at=AT)
    assert stores.ledger.entries() == []
    with pytest.raises(LedgerError, match=f"entry {number} in the log, or it was undone before"):
        stores.ledger.undo(number, NOW)
