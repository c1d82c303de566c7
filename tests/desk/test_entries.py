"""What is asked about an entry of a box, just before and just beyond where it is asked; sentences are *regression*."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from runs_by_hand import AT, BOWL, KNOWN, a_run, ended, inventory_of

from monitor.desk.box_entries import filled, others_there, weighed_on_its_way
from monitor.desk.questions import about_addition, about_entry, about_event, about_use, beside, completed
from monitor.desk.traps import fullest_g_per_g
from monitor.errors import LedgerError
from monitor.physics.materials import desiccant
from monitor.records import Box, EntryKind, LedgerEntry
from monitor.records.desk_events import ChargeMoved, ChargePortioned, ChargeRetired, ChargeToppedUp, RunWeighed
from monitor.records.words import NOT_DRIED

FULLEST = fullest_g_per_g(desiccant("silica_gel"))


def entry(kind: EntryKind, hours: float = 0.0, **what: object) -> LedgerEntry:
    return LedgerEntry(kind, "pla", AT + timedelta(hours=hours), **what)  # type: ignore[arg-type]


CHARGED = entry(EntryKind.charge, desiccant="silica_gel", dry_mass_g=200.0, method="new", entry_id=1)


def asked(wrong: LedgerEntry, *others: LedgerEntry) -> dict[str, str]:
    return {trap.name: trap.text for trap in about_entry(wrong, others or (CHARGED,))}


@pytest.mark.parametrize(("minutes", "twice"), [(-1.0, False), (-0.99, True), (0.0, True), (0.99, True), (1.0, False)])
def test_twice_within_a_minute(minutes: float, twice: bool) -> None:
    first = entry(EntryKind.opening, 10.0, entry_id=7)
    told = asked(entry(EntryKind.opening, 10.0 + minutes / 60.0), CHARGED, first)
    text = "entry 7 is already an opening of pla at that time. Did it happen twice?"
    assert told == ({"twice": text} if twice else {})


def test_what_is_no_second_time() -> None:
    note = entry(EntryKind.note, 10.0)
    assert asked(note, CHARGED, note) == {}
    assert asked(entry(EntryKind.opening, 0.0)) == {}
    clay = entry(EntryKind.recharge, 100.0, desiccant="clay", dry_mass_g=200.0, method="new")
    gel = entry(EntryKind.recharge, 100.0, desiccant="silica_gel", dry_mass_g=200.0, method="new")
    assert "twice" not in asked(gel, CHARGED, clay)
    assert list(asked(gel, CHARGED, gel, gel)) == ["twice"]
    assert "twice" in asked(gel, CHARGED, replace(gel, desiccant="silica_regular"))


@pytest.mark.parametrize("kind", [EntryKind.weighing, EntryKind.color])
def test_beads_are_judged_after_they_went_in(kind: EntryKind) -> None:
    later = "the first beads went in later, so this would have no effect. Is the time right?"
    assert asked(entry(kind, -0.01)) == {"before the charge": later}
    assert asked(entry(kind, 0.0)) == {}
    never = "no beads were logged, so this would have no effect. Is the time right?"
    assert asked(entry(kind, 5.0), entry(EntryKind.opening)) == {"before the charge": never}
    assert asked(entry(EntryKind.opening, -5.0)) == {}


@pytest.mark.parametrize(
    ("method", "known"),
    [("microwave", True), ("Oven_120C_3h", True), ("new", True), (None, True), ("", True), ("sunshine", False)],
)
def test_methods_have_names(method: str | None, known: bool) -> None:
    told = asked(entry(EntryKind.recharge, 100.0, method=method))
    text = (
        "'sunshine' is not a known method of drying. Write it like microwave, oven_120C_3h, hot_air_65C, print_bed, new"
        " or indicator_orange"
    )
    assert told == ({} if known else {"unknown method": text})
    assert asked(entry(EntryKind.opening, 100.0, method=method)) == {}


@pytest.mark.parametrize(
    ("hours", "kind", "aside"),
    [
        (23.9, EntryKind.charge, "add --beside"),
        (-23.9, EntryKind.recharge, "log a charge with --beside"),
        (24.0, EntryKind.charge, None),
        (-24.0, EntryKind.recharge, None),
    ],
)
def test_other_beads_within_a_day(hours: float, kind: EntryKind, aside: str | None) -> None:
    told = asked(entry(kind, hours, desiccant="clay", dry_mass_g=150.0, method="new"))
    text = (
        "entry 1 put other beads into pla within a day of that. Do these take their place? If they lie beside them,"
        f" {aside}"
    )
    assert told == ({"other beads": text} if aside else {})


def test_the_same_beads_may_go_in_again_within_a_day() -> None:
    for named in ("silica_regular", "silica_gel", None):
        assert asked(entry(EntryKind.recharge, 2.0, desiccant=named, method="new")) == {}
    clay = {"desiccant": "clay", "dry_mass_g": 150.0}
    assert asked(entry(EntryKind.recharge, 2.0, **clay), entry(EntryKind.recharge)) == {}
    assert asked(entry(EntryKind.recharge, 2.0, **clay), replace(CHARGED, kind=EntryKind.opening)) == {}
    two = (CHARGED, entry(EntryKind.recharge, 1.0, desiccant="mol_sieve", entry_id=2))
    assert asked(entry(EntryKind.charge, 2.0, **clay), *two)["other beads"].startswith("entry 1 put")


@pytest.mark.parametrize(
    ("dry_g", "asked_about"), [(100.0, False), (99.9, True), (400.0, False), (400.1, True), (None, False)]
)
def test_another_amount_is_more_than_twice_or_less_than_half(dry_g: float | None, asked_about: bool) -> None:
    told = asked(entry(EntryKind.recharge, 100.0, dry_mass_g=dry_g))
    text = f"{dry_g or 0.0:.0f} g of dry beads, but 200 g were in pla before. Is that right?"
    assert told == ({"another amount": text} if asked_about else {})
    assert asked(entry(EntryKind.weighing, 100.0, dry_mass_g=dry_g)) == {}


def test_the_newest_amount_counts() -> None:
    more = entry(EntryKind.recharge, 50.0, dry_mass_g=900.0)
    assert asked(entry(EntryKind.recharge, 100.0, dry_mass_g=900.0), CHARGED, more) == {}
    assert asked(entry(EntryKind.recharge, 40.0, dry_mass_g=300.0), CHARGED, more) == {}
    assert asked(entry(EntryKind.recharge, 100.0, dry_mass_g=300.0), CHARGED, entry(EntryKind.recharge, 50.0)) == {}
    assert asked(entry(EntryKind.charge, 0.0, dry_mass_g=300.0), entry(EntryKind.opening)) == {}


MOST_G = 200.0 * (1.0 + FULLEST)


@pytest.mark.parametrize(
    ("mass_g", "step_g", "said"),
    [
        (148.1, None, ""),
        (147.9, None, "less than 200 g of dry beads can weigh. Is it in another unit, or are some missing?"),
        (140.1, 5.0, ""),
        (139.9, 5.0, "less than 200 g of dry beads can weigh. Is it in another unit, or are some missing?"),
        (MOST_G + 1.9, None, ""),
        (MOST_G + 2.1, None, "more than 200 g of dry beads can weigh. Is the holder included?"),
        (MOST_G + 9.9, 5.0, ""),
        (MOST_G + 10.1, 5.0, "more than 200 g of dry beads can weigh. Is the holder included?"),
        (5.221, None, "less than 200 g of dry beads can weigh (as ounces it would be 148 g). Is it in another unit, or"
                     " are some missing?"),
        (5.21, None, "less than 200 g of dry beads can weigh. Is it in another unit, or are some missing?"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("named", [True, False])
def test_weights_that_no_such_beads_have(mass_g: float, step_g: float | None, said: str, named: bool) -> None:
    """Three quarters of 200 g, and what the fullest lot holds (judgements), two steps of the scale either way."""
    what = {"dry_mass_g": 200.0, "desiccant": "silica_gel"} if named else {}
    told = asked(entry(EntryKind.weighing, 100.0, mass_g=mass_g, scale_resolution_g=step_g, **what))
    assert told == ({"not these beads": f"{mass_g:.4g} g is {said}"} if said else {})


def test_the_heaviest_that_ounces_explain() -> None:
    most_oz = (MOST_G + 2.0) / 28.349523125
    assert "as ounces" in asked(entry(EntryKind.weighing, 9.0, mass_g=most_oz - 1e-3))["not these beads"]
    assert "as ounces" not in asked(entry(EntryKind.weighing, 9.0, mass_g=most_oz + 1e-3))["not these beads"]


def test_a_weight_of_unknown_beads_is_not_judged() -> None:
    weighed = entry(EntryKind.weighing, 9.0, mass_g=1.0)
    assert asked(weighed, replace(CHARGED, dry_mass_g=None)) == {}
    assert asked(weighed, replace(CHARGED, desiccant=None)) == {}
    newer = entry(EntryKind.recharge, 5.0, desiccant="clay", dry_mass_g=1.0)
    assert asked(weighed, CHARGED, newer) == {}
    assert "not these beads" in asked(replace(weighed, dry_mass_g=90.0), CHARGED, newer)


@pytest.mark.parametrize(
    ("mass_g", "step_g", "asked_about"),
    [(235.3, None, False), (235.1, None, True), (227.4, 5.0, False), (227.3, 5.0, True), (239.0, None, False)],
)
def test_lighter_than_before(mass_g: float, step_g: float | None, asked_about: bool) -> None:
    """After 239.6 g: two steps and a hundredth of the new weight."""
    weighed = (CHARGED, entry(EntryKind.weighing, 20.0, mass_g=260.0), entry(EntryKind.weighing, 30.0, mass_g=239.6))
    told = asked(entry(EntryKind.weighing, 40.0, mass_g=mass_g, scale_resolution_g=step_g), *weighed)
    text = (
        f"{239.6 - mass_g:.0f} g lighter than at the last weighing, but beads in a box only gain water. Did you dry"
        " them? Then log a recharge, not a weighing"
    )
    assert told == ({"lighter": text} if asked_about else {})


def test_only_weighings_of_the_same_beads_are_compared() -> None:
    heavy = entry(EntryKind.weighing, 20.0, mass_g=260.0)
    light = entry(EntryKind.weighing, 40.0, mass_g=210.0)
    assert list(asked(light, CHARGED, heavy)) == ["lighter"]
    assert asked(light, CHARGED, heavy, entry(EntryKind.recharge, 30.0)) == {}
    assert asked(light, CHARGED, replace(heavy, at=AT + timedelta(hours=50))) == {}
    assert asked(light, CHARGED, replace(heavy, mass_g=None)) == {}
    assert asked(replace(light, kind=EntryKind.opening), CHARGED, heavy) == {}
    assert list(asked(light, replace(CHARGED, mass_g=260.0))) == ["lighter"]
    assert list(asked(light, CHARGED, entry(EntryKind.recharge, 10.0), heavy)) == ["lighter"]


def test_what_was_left_out_stayed_as_it_was() -> None:
    later = entry(EntryKind.recharge, 50.0, desiccant="clay", dry_mass_g=100.0)
    others = (CHARGED, later)
    only_mass = entry(EntryKind.recharge, 50.0, dry_mass_g=240.0)
    assert completed(only_mass, others).desiccant == "clay"
    assert completed(replace(only_mass, at=AT + timedelta(hours=49)), others).desiccant == "silica_gel"
    assert completed(replace(only_mass, at=AT - timedelta(hours=1)), others).desiccant is None
    unnamed = (CHARGED, replace(later, desiccant=None))
    assert completed(only_mass, unnamed).desiccant == "silica_gel"
    opened = (CHARGED, replace(later, kind=EntryKind.opening))
    assert completed(only_mass, opened).desiccant == "silica_gel"
    for left in (
        entry(EntryKind.opening, 50.0, dry_mass_g=240.0),
        entry(EntryKind.recharge, 60.0),
        entry(EntryKind.recharge, 60.0, desiccant="clay"),
        entry(EntryKind.recharge, 60.0, desiccant="silica_gel", dry_mass_g=10.0),
    ):
        assert completed(left, others) is left
    with pytest.raises(LedgerError) as error:
        completed(entry(EntryKind.recharge, 60.0, desiccant="silica_gel"), others)
    assert str(error.value) == "beads of another kind need their own weight when fully dry: add --dry-mass"
    with pytest.raises(LedgerError):
        completed(entry(EntryKind.charge, 60.0, desiccant="silica_gel"), ())


def joining(hours: float = 0.0, **what: object) -> LedgerEntry:
    return entry(EntryKind.charge, hours, **{"desiccant": "mol_sieve", "dry_mass_g": 100.0, "method": "new", **what})


def asked_beside(wrong: LedgerEntry, *others: LedgerEntry) -> dict[str, str]:
    return {trap.name: trap.text for trap in about_addition(wrong, others or (CHARGED,))}


@pytest.mark.parametrize(("dry_g", "asked_about"), [(400.0, False), (400.5, True), (1.0, False)])
def test_more_than_twice_as_much_beside(dry_g: float, asked_about: bool) -> None:
    text = "400 g more, but 200 g were in pla before. Is that right?"
    assert asked_beside(joining(5.0, dry_mass_g=dry_g)) == ({"another amount": text} if asked_about else {})


@pytest.mark.parametrize(("seconds", "twice"), [(59.0, True), (60.0, False), (0.0, True)])
def test_the_same_beads_beside_within_a_minute(seconds: float, twice: bool) -> None:
    told = asked_beside(joining(seconds / 3600.0, desiccant="silica_regular"))
    text = "entry 1 is already a charge of pla at that time. Did it happen twice?"
    assert told == ({"twice": text} if twice else {})
    assert asked_beside(joining(seconds / 3600.0)) == {}


def test_nothing_is_asked_beside_what_is_not_known() -> None:
    assert list(asked_beside(joining(method="sunshine"))) == ["unknown method"]
    for told in ({"desiccant": None}, {"dry_mass_g": None}):
        assert asked_beside(joining(5.0, **{"dry_mass_g": 999.0, **told})) == {}
    assert asked_beside(joining(-1.0, dry_mass_g=999.0)) == {}


@pytest.mark.parametrize(
    ("hours", "method", "there", "then"),
    [
        (23.9, "new", "new", "new"),
        (23.9, "new", "microwave", None),
        (23.9, "new", NOT_DRIED, NOT_DRIED),
        (24.0, "new", "new", NOT_DRIED),
        (0.0, "new", "new", "new"),
    ],
)
def test_beads_side_by_side(hours: float, method: str, there: str, then: str | None) -> None:
    both = beside(joining(hours, method=method), [replace(CHARGED, method=there)])
    kind = "silica_gel_regular_density 0.6667 + molecular_sieve_A_type 0.3333"
    assert both == joining(hours, desiccant=kind, dry_mass_g=300.0, method=then)


def test_what_can_not_lie_side_by_side() -> None:
    for others, wrong, message in (
        ([], joining(), "no beads of pla were logged before that time. Log these without --beside"),
        ([CHARGED], joining(-0.1), "no beads of pla were logged before that time. Log these without --beside"),
        ([replace(CHARGED, desiccant=None)], joining(), "no beads of pla"),
        ([replace(CHARGED, dry_mass_g=None)], joining(), "no beads of pla"),
        ([replace(CHARGED, kind=EntryKind.note)], joining(), "no beads of pla"),
        ([CHARGED], joining(desiccant=None), "beads that join others need their kind and their weight when fully dry"),
        ([CHARGED], joining(dry_mass_g=None), "beads that join others need their kind and their weight when fully dry"),
        ([CHARGED], joining(mass_g=1.0), "a weight of these beads alone can't be saved."),
    ):
        with pytest.raises(LedgerError) as error:
            beside(wrong, others)
        assert str(error.value).startswith(message)
    newest = beside(joining(9.0), [CHARGED, joining(5.0, desiccant="clay", dry_mass_g=50.0)])
    assert newest.desiccant == "montmorillonite_clay 0.3333 + molecular_sieve_A_type 0.6667"


PLA = Box("pla", 12.0, 0.20)


def asked_of(event: object, **what: object) -> dict[str, str]:
    at = what.pop("at", AT)
    inventory = what.pop("inventory", inventory_of())
    return {trap.name: trap.text for trap in about_event(inventory, event, at)}  # type: ignore[arg-type]


@pytest.mark.parametrize("event", [ChargePortioned("cup", "march", 509.9), ChargeToppedUp("bowl", 509.9)])
def test_more_than_is_left_of_a_lot(event: ChargePortioned | ChargeToppedUp) -> None:
    """500 g are left of 1000 g: a hundredth of the bag is lost without a question; of a small bag a gram."""
    assert asked_of(event) == {}
    text = "510 g is more than the 500 g left of lot 'march'. Did you buy another bag?"
    assert asked_of(replace(event, mass_g=510.1)) == {"beyond the lot": text}
    lot = inventory_of().lot("march")
    small = replace(lot, left_g=-3.0, bought=replace(lot.bought, mass_g=50.0))
    inventory = replace(inventory_of(), lots={"march": small})
    assert asked_of(replace(event, mass_g=-2.0), inventory=inventory) == {}
    text = "-2 g is more than the 0 g left of lot 'march'. Did you buy another bag?"
    assert asked_of(replace(event, mass_g=-1.9), inventory=inventory) == {"beyond the lot": text}


@pytest.mark.parametrize("event", [ChargePortioned("cup", "march", 1.0), ChargeToppedUp("bowl", 1.0)])
def test_no_beads_before_they_were_bought(event: ChargePortioned | ChargeToppedUp) -> None:
    assert asked_of(event, at=AT) == {}
    text = "lot 'march' was bought later than that. Is the time right?"
    assert asked_of(event, at=AT - timedelta(seconds=1)) == {"before it was bought": text}
    undated = replace(inventory_of(), lots={"march": replace(inventory_of().lot("march"), bought_at=None)})
    assert asked_of(event, at=AT - timedelta(days=1), inventory=undated) == {}
    assert asked_of(ChargeRetired("bowl"), at=AT - timedelta(days=1)) == {}


def test_what_went_in_later_is_not_thrown_out() -> None:
    there = replace(BOWL, name="tray", place="box:pla", placed_at=AT)
    inventory = inventory_of(charges=(BOWL, there))
    put = ChargeMoved("bowl", "box:pla", ("tray",))
    assert asked_of(put, inventory=inventory) == {}
    with pytest.raises(LedgerError) as error:
        asked_of(put, inventory=inventory, at=AT - timedelta(seconds=1))
    assert str(error.value) == (
        "'tray' went into box pla later (2026-03-01 18:00 UTC), so 'bowl' can't take its place before that. Undo that"
        " first, or give a later time"
    )
    undated = inventory_of(charges=(BOWL, replace(there, placed_at=None)))
    assert asked_of(put, inventory=undated, at=AT - timedelta(days=1)) == {}


@pytest.mark.parametrize(
    ("share", "said"), [(0.2504, None), (0.2496, "only 25 %"), (0.0052, "only 1 %"), (0.0048, "almost nothing")]
)
def test_beads_of_little_use_in_a_box(share: float, said: str | None) -> None:
    """Less than a quarter of what dry beads take in (a judgement), from the isotherm at the limit and 22 °C."""
    full = float(desiccant("orange_gel").isotherm.loading_g_per_g(0.20, 22.0))
    held = full * (1.0 - share)
    charge = replace(KNOWN, loading_g_per_g=(0.0, held, 1.0), cycles=0)
    found = list(about_use(inventory_of(charges=(charge,)), "bowl", PLA, AT))
    text = (
        f"'bowl' holds about {100 * held:.0f} % water. In pla, with a limit of 20 %, it is of little use: it takes in"
        f" {said} of what fully dry beads would. Dry it first"
    )
    assert [(trap.name, trap.text) for trap in found] == ([("of little use", text)] if said else [])


@pytest.mark.parametrize(
    ("limit", "share", "said"), [(0.396, 0.2452, "39.6 %, it is of little use: it takes in only 25 %"),
                                 (0.404, 0.2448, "40.4 %, it is of little use: it takes in only 24 %")],
)  # fmt: skip
def test_percents_of_little_use_are_rounded_and_a_limit_is_said_as_declared(
    limit: float, share: float, said: str
) -> None:
    full = float(desiccant("orange_gel").isotherm.loading_g_per_g(limit, 22.0))
    charge = replace(KNOWN, loading_g_per_g=(0.0, full * (1.0 - share), 1.0), cycles=0)
    [trap] = about_use(inventory_of(charges=(charge,)), "bowl", Box("pla", 12.0, limit), AT)
    assert said in trap.text


@pytest.mark.parametrize(("held", "pct"), [(0.3048, 30), (0.3052, 31)])
def test_the_water_of_beads_of_little_use_is_rounded(held: float, pct: int) -> None:
    charge = replace(KNOWN, loading_g_per_g=(0.0, held, 1.0), cycles=0)
    [trap] = about_use(inventory_of(charges=(charge,)), "bowl", Box("pla", 12.0, 0.20), AT)
    assert trap.text.startswith(f"'bowl' holds about {pct} % water.")
    assert "it takes in almost nothing of what" in trap.text


def test_a_box_is_told_of_the_beads_as_they_lie() -> None:
    dried = replace(KNOWN, mass_g=205.0, loading_g_per_g=(0.01, 0.02, 0.03), method="microwave")
    new = replace(BOWL, name="cup", state="new", mass_g=102.5)
    unknown = replace(BOWL, name="tray", mass_g=118.0)
    inventory = inventory_of(charges=(dried, new, unknown))
    assert filled(inventory, [dried], "pla", EntryKind.charge, AT) == LedgerEntry(
        EntryKind.charge, "pla", AT, mass_g=205.0, desiccant="silica_gel_orange_indicating", dry_mass_g=200.0,
        method="microwave", loading_g_per_g=(0.01, 0.02, 0.03), note="charge bowl",
    )  # fmt: skip
    both = filled(inventory, [new, unknown], "pla", EntryKind.recharge, AT)
    assert (both.kind, both.mass_g, both.method, both.loading_g_per_g) == (EntryKind.recharge, 220.5, None, None)
    assert both.dry_mass_g == pytest.approx(100.0 + 100.0)
    assert both.note == "charge cup and tray"
    assert filled(inventory, [new], "pla", EntryKind.charge, AT).method == "new"
    judged = replace(unknown, loading_g_per_g=(0.10, 0.20, 0.30), dry_mass_g=100.0)
    mixed = filled(inventory, [dried, judged], "pla", EntryKind.charge, AT)
    assert mixed.loading_g_per_g == pytest.approx((0.04, 0.08, 0.12))
    there = replace(dried, place="box:pla", placed_at=AT - timedelta(days=3))
    lain = filled(inventory, [there, new], "pla", EntryKind.charge, AT)
    assert (lain.mass_g, lain.method, lain.loading_g_per_g) == (None, NOT_DRIED, None)


def test_the_first_weighing_of_a_run_tells_the_box() -> None:
    weighed = RunWeighed("bowl-1", 0.0, 300.0, 0.5, factor=2.0)
    there = replace(KNOWN, place="box:pla")
    inventory = inventory_of(charges=(there,))
    assert weighed_on_its_way(inventory, a_run(charge=there), 222.0, weighed, AT) == LedgerEntry(
        EntryKind.weighing, "pla", AT, mass_g=222.0, scale_resolution_g=1.0,
        note="charge bowl, on its way to the microwave",
    )  # fmt: skip
    assert weighed_on_its_way(inventory, a_run(charge=KNOWN), 222.0, weighed, AT) is None
    beside_it = inventory_of(charges=(there, replace(there, name="tray")))
    assert weighed_on_its_way(beside_it, a_run(charge=there), 222.0, weighed, AT) is None
    assert [each.name for each in others_there(beside_it, "box:pla", "bowl")] == ["tray"]
    assert others_there(beside_it, "spare", "bowl") == []
    assert ended(a_run()).finished is not None
