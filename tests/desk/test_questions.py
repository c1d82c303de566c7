"""What a person is asked before something goes into the books, and what two kinds of beads in one box become."""

from __future__ import annotations

from datetime import timedelta

import pytest
from desk_evening import AT

from monitor.desk import Desk, TrapError
from monitor.errors import LedgerError
from monitor.physics.materials import parts_of
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry
from monitor.records.desk_events import (
    ChargePortioned,
    ChargeToppedUp,
    LotBought,
)
from monitor.records.words import NOT_DRIED


def entry(kind: EntryKind, hours: float = 0.0, **what: object) -> LedgerEntry:
    return LedgerEntry(kind, "pla", AT + timedelta(hours=hours), **what)  # type: ignore[arg-type]


CHARGED = entry(EntryKind.charge, desiccant="silica_gel", dry_mass_g=260.0, method="new")


def refused(desk: Desk, wrong: LedgerEntry) -> str:
    """Return the question; what is asked about is not kept, and kept when confirmed."""
    before = desk.stores.ledger.entries()
    with pytest.raises(TrapError) as asked:
        desk.log(wrong)
    assert desk.stores.ledger.entries() == before
    number = desk.log(wrong, confirmed=True)
    desk.stores.ledger.undo(number, utc_now())
    return asked.value.traps[0].name


@pytest.mark.parametrize(
    ("shown_g", "name"),
    [
        (10.4, "not these beads"),  # 10.4 oz are 295 g
        (171.0, "not these beads"),
        (590.0, "not these beads"),  # the holder is still in it
    ],
)
def test_a_weight_that_these_beads_cannot_have_is_asked_about(desk: Desk, shown_g: float, name: str) -> None:
    desk.log(CHARGED)
    assert refused(desk, entry(EntryKind.weighing, 48.0, mass_g=shown_g)) == name


def test_ounces_are_guessed_where_they_would_fit(desk: Desk) -> None:
    desk.log(CHARGED)
    with pytest.raises(TrapError, match="as ounces it would be 295 g"):
        desk.log(entry(EntryKind.weighing, 48.0, mass_g=10.4))


def test_weights_that_beads_can_have_are_kept_without_a_question(desk: Desk) -> None:
    desk.log(CHARGED)
    for day, mass_g in enumerate((262.0, 271.0, 300.0, 340.0), 1):
        desk.log(entry(EntryKind.weighing, 24.0 * day, mass_g=mass_g))
    assert len(desk.stores.ledger.entries("pla")) == 5


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        (entry(EntryKind.weighing, -1.0, mass_g=262.0), "before the charge"),
        (entry(EntryKind.color, -1.0, color="green"), "before the charge"),
        (entry(EntryKind.opening, 50.0), "twice"),
        (entry(EntryKind.recharge, 60.0, method="sunshine"), "unknown method"),
        (entry(EntryKind.recharge, 60.0, desiccant="silica_gel", dry_mass_g=26.0), "another amount"),
        (entry(EntryKind.charge, 0.1, desiccant="clay", dry_mass_g=200.0), "other beads"),
        (entry(EntryKind.charge, 60.0, desiccant="silica_gel", dry_mass_g=300.0, mass_g=30.9), "not these beads"),
        (entry(EntryKind.weighing, 70.0, mass_g=265.0), "lighter"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_hardly_happened_so_is_asked_about(desk: Desk, wrong: LedgerEntry, name: str) -> None:
    desk.log(CHARGED)
    desk.log(entry(EntryKind.opening, 50.0))
    desk.log(entry(EntryKind.weighing, 65.0, mass_g=290.0))
    assert refused(desk, wrong) == name


def test_other_beads_beside_the_first_are_carried_as_two(desk: Desk) -> None:
    desk.log(CHARGED)
    desk.log(entry(EntryKind.charge, 0.1, desiccant="mol_sieve", dry_mass_g=130.0, method="new"), beside=True)
    *_, both = desk.stores.ledger.entries("pla")
    assert both.dry_mass_g == pytest.approx(390.0)
    assert dict(parts_of(both.desiccant or "")) == pytest.approx(
        {"silica_gel_regular_density": 2 / 3, "molecular_sieve_A_type": 1 / 3}, rel=1e-3
    )
    assert both.method == "new"


def test_beads_cannot_lie_beside_none(desk: Desk) -> None:
    with pytest.raises(LedgerError, match="without --beside"):
        desk.log(CHARGED, beside=True)


def test_charges_of_two_kinds_in_a_box_are_booked_as_both(desk: Desk) -> None:
    desk.keep(LotBought("sieve", "mol_sieve", 500.0), AT)
    desk.keep(ChargePortioned("pot", "sieve", 100.0, state="new"), AT)
    desk.keep(ChargePortioned("cup", "march", 200.0, state="new"), AT)
    desk.put("cup", "pla", AT)
    both = desk.put("pot", "pla", AT + timedelta(hours=1), beside=True)
    shares = dict(parts_of(both.desiccant or ""))
    assert shares == pytest.approx({"silica_gel_orange_indicating": 2 / 3, "molecular_sieve_A_type": 1 / 3}, rel=1e-3)
    desk.take_out("pot", AT + timedelta(days=3))
    *_, left = desk.stores.ledger.entries("pla")
    assert left.desiccant == "silica_gel_orange_indicating"
    assert left.dry_mass_g == pytest.approx(200.0 / 1.025)


def test_water_of_charges_side_by_side_adds_up(desk: Desk) -> None:
    """By hand: water in all over dry mass in all, at each of the three points."""
    desk.keep(LotBought("sieve", "mol_sieve", 500.0), AT)
    for name, lot, mass_g in (("cup", "march", 210.0), ("pot", "sieve", 108.0)):
        desk.keep(ChargePortioned(name, lot, mass_g), AT)
        desk.jar_check(name, 0.05, 22.0, 0.02, AT)
    inventory = desk.inventory()
    loadings = {name: inventory.charge(name).loading_g_per_g for name in ("cup", "pot")}
    desk.put("cup", "pla", AT)
    both = desk.put("pot", "pla", AT, beside=True)
    assert both.loading_g_per_g is not None
    dry = {"cup": 210.0 / 1.18, "pot": 108.0 / 1.18}  # nothing is known of how wet they were: 18 % (a judgement)
    water = [sum(dry[name] * (loadings[name] or (0, 0, 0))[point] for name in dry) for point in range(3)]
    assert both.loading_g_per_g == pytest.approx([grams / sum(dry.values()) for grams in water])


def test_a_put_dated_back_cannot_throw_out_what_went_in_later(desk: Desk) -> None:
    desk.put("tray", "pla", AT + timedelta(days=5))
    with pytest.raises(LedgerError, match="'tray' went into box pla later"):
        desk.put("bowl", "pla", AT)
    assert desk.inventory().charge("tray").place == "box:pla"
    assert len(desk.stores.ledger.entries("pla")) == 1


def test_more_than_is_left_of_a_lot_is_asked_about(desk: Desk) -> None:
    with pytest.raises(TrapError, match="more than the 476 g left"):
        desk.keep(ChargeToppedUp("bowl", 500.0), AT)
    with pytest.raises(TrapError, match="bought later than that"):
        desk.keep(ChargePortioned("early", "march", 50.0), AT - timedelta(days=2))
    assert "early" not in desk.inventory().charges


def test_an_entry_of_the_desk_is_taken_back_with_its_deed(desk: Desk) -> None:
    desk.put("bowl", "pla", AT)
    [booked] = desk.stores.ledger.entries("pla")
    event = desk.stores.events.events()[-1].event_id
    with pytest.raises(LedgerError, match=f"`siccast lot undo {event}` undoes both"):
        desk.stores.ledger.undo(booked.entry_id or 0, utc_now())
    desk.undo(event)
    assert desk.stores.ledger.entries("pla") == []
    assert desk.inventory().charge("bowl").place == "spare"


def test_a_recharge_that_names_the_mass_alone_keeps_the_kind(desk: Desk) -> None:
    desk.log(CHARGED)
    desk.log(entry(EntryKind.recharge, 60.0, dry_mass_g=240.0, method="microwave"))
    *_, recharged = desk.stores.ledger.entries("pla")
    assert recharged.desiccant == "silica_gel"
    assert recharged.dry_mass_g == pytest.approx(240.0)


def test_another_kind_without_its_mass_is_refused(desk: Desk) -> None:
    desk.log(CHARGED)
    with pytest.raises(LedgerError, match="add --dry-mass"):
        desk.log(entry(EntryKind.recharge, 60.0, desiccant="clay", method="new"))
    desk.log(entry(EntryKind.recharge, 60.0, desiccant="silica_gel", method="microwave"))


@pytest.mark.parametrize(
    ("joining", "name"),
    [
        ({"desiccant": "mol_sieve", "dry_mass_g": 1000.0, "method": "new"}, "another amount"),
        ({"desiccant": "mol_sieve", "dry_mass_g": 100.0, "method": "sunshine"}, "unknown method"),
        ({"desiccant": "silica_gel", "dry_mass_g": 100.0, "method": "new"}, "twice"),
    ],
)
def test_beads_that_join_others_are_asked_about_as_well(desk: Desk, joining: dict[str, object], name: str) -> None:
    desk.log(CHARGED)
    with pytest.raises(TrapError) as asked:
        desk.log(entry(EntryKind.charge, 0.005, **joining), beside=True)
    assert asked.value.traps[0].name == name
    assert len(desk.stores.ledger.entries("pla")) == 1


def test_a_weight_of_the_joining_beads_alone_is_not_dropped_unsaid(desk: Desk) -> None:
    desk.log(CHARGED)
    with pytest.raises(LedgerError, match="Weigh all of them together"):
        desk.log(entry(EntryKind.charge, 0.1, desiccant="clay", dry_mass_g=100.0, mass_g=104.0), beside=True)


def test_beads_that_lay_in_the_box_are_not_taken_for_dry_when_others_join_them(desk: Desk) -> None:
    desk.log(CHARGED)
    desk.log(entry(EntryKind.charge, 24.0 * 90, desiccant="mol_sieve", dry_mass_g=130.0, method="new"), beside=True)
    assert desk.stores.ledger.entries("pla")[-1].method == NOT_DRIED


@pytest.mark.parametrize("beside", [True, False])
def test_a_charge_that_lay_in_a_box_is_as_dry_as_nobody_knows(desk: Desk, beside: bool) -> None:
    desk.keep(LotBought("sieve", "mol_sieve", 500.0), AT)
    desk.keep(ChargePortioned("pot", "sieve", 100.0, state="new"), AT)
    desk.jar_check("bowl", 0.05, 22.0, 0.02, AT)
    desk.jar_check("pot", 0.01, 22.0, 0.02, AT)
    desk.put("bowl", "pla", AT)
    later = AT + timedelta(days=80)
    if beside:
        both = desk.put("pot", "pla", later, beside=True)
    else:
        desk.take_out("bowl", later)
        both = desk.put("bowl", "nylon", later + timedelta(days=9))
    assert (both.loading_g_per_g, both.mass_g, both.method) == (None, None, NOT_DRIED)
    desk.jar_check("bowl", 0.20, 22.0, 0.02, later + timedelta(days=10))
    assert desk.put("bowl", "petg", later + timedelta(days=10)).loading_g_per_g is not None


def test_a_charge_that_is_there_already_is_not_put_there_again(desk: Desk) -> None:
    desk.put("bowl", "pla", AT)
    with pytest.raises(LedgerError, match="'bowl' is already in box pla"):
        desk.put("bowl", "pla", AT + timedelta(days=2))
    with pytest.raises(LedgerError, match="'tray' is already spare"):
        desk.take_out("tray", AT)
    assert len(desk.stores.ledger.entries("pla")) == 1
