"""A node that sends °F or fractions: each message alone is a reading that could be, a day of them is not."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from answers_by_hand import AS_OF

from monitor.records import Box, EntryKind, LedgerEntry, Reading
from monitor.services.doubtful_units import doubtful_units
from monitor.services.site_check import Severity, check_at_hand
from monitor.store.opening import Stores, open_stores

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BOX = Box("left", 10.0)


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[Stores]:
    with open_stores(tmp_path / "site.sqlite3", synchronous="OFF") as opened:
        yield opened


def tell(stores: Stores, degc: float, pct: float, name: str = "left", count: int = 40) -> None:
    stores.readings.add(
        [Reading(name, AS_OF - timedelta(minutes=30 * back + 1), degc, pct / 100.0) for back in range(count)]
    )


def found(stores: Stores, box: Box = BOX) -> list[tuple[str, str]]:
    return [(doubt.name, doubt.found) for doubt in doubtful_units(stores.readings, stores.ledger, [box], AS_OF)]


@pytest.mark.parametrize(
    ("degc", "pct", "said"),
    [
        (70.3, 15.2, ["warmer than 70 °C all day. That looks like °F"]),
        (21.0, 0.152, ["no more than 0.15 % RH all day. That looks like a fraction of 1"]),
        (21.0, 1.2, []),
        (39.0, 15.2, []),
        (21.0, 0.0, []),
    ],
)
def test_a_day_in_another_unit_is_told_with_what_it_looks_like(
    stores: Stores, degc: float, pct: float, said: list[str]
) -> None:
    """21.3 °C is 70.3 °F; a fraction taken for per cent is a hundredth of what was meant; a dead sensor shows 0."""
    tell(stores, degc, pct)
    assert found(stores) == [("left", each) for each in said]


def test_a_room_in_another_unit_is_told_too(stores: Stores) -> None:
    tell(stores, 21.0, 0.45, "room")
    assert found(stores) == [("room", "no more than 0.45 % RH all day. That looks like a fraction of 1")]


def test_a_slip_or_a_few_readings_are_no_unit(stores: Stores) -> None:
    tell(stores, 70.3, 0.15, count=9)
    assert not found(stores)


@pytest.mark.parametrize(("beads", "told"), [("molecular_sieve_4A", False), ("silica_gel_unspecified", True)])
def test_beads_that_dry_so_far_explain_it(stores: Stores, beads: str, told: bool) -> None:
    tell(stores, 21.0, 0.4)
    entry = LedgerEntry(EntryKind.charge, "left", AS_OF - timedelta(days=9), desiccant=beads, dry_mass_g=100.0)
    stores.ledger.log(entry, AS_OF)
    assert bool(found(stores)) is told


def test_a_box_on_a_printer_may_be_warm(stores: Stores) -> None:
    tell(stores, 55.0, 15.0)
    assert not found(stores, Box("left", 10.0, on_printer=True))


def test_check_says_it_with_what_to_do(stores: Stores) -> None:
    tell(stores, 21.0, 0.152)
    [finding] = check_at_hand(stores.readings, stores.ledger, [BOX], AS_OF)
    assert (finding.subject, finding.verdict) == ("left", Severity.look)
    assert 'unit = "fraction"' in finding.remedy
