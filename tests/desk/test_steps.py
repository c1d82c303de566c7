"""Every kind of event, one at a time: what it leaves of charges, lots and runs, and what it refuses."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from runs_by_hand import AT, BOWL, KNOWN, a_run, ended, inventory_of

from monitor.desk.apply_events import apply, replay
from monitor.desk.inventory import Charge, Inventory, Run, Spill, discrepancies
from monitor.errors import LedgerError
from monitor.records.desk_events import (
    BeadsSpilled,
    ChargeMoved,
    ChargePortioned,
    ChargeRetired,
    ChargesMerged,
    ChargeSplit,
    ChargeToppedUp,
    ColorSeen,
    DeskEvent,
    JarChecked,
    LoggedEvent,
    LotBought,
    RunFinished,
    RunStarted,
    RunWeighed,
    ScaleCorrected,
)

LATER = AT + timedelta(days=2)
JUDGED = replace(
    KNOWN, mass_g=210.0, portioned_g=220.0, lightest_g=205.0, loading_g_per_g=(0.03, 0.05, 0.07), judged_at=AT,
    method="microwave", color="green", events=(1, 2),
)  # fmt: skip
TRAY = replace(BOWL, name="tray", holder="metal", mass_g=105.0, portioned_g=110.0)


def after(inventory: Inventory, event: DeskEvent, number: int = 9) -> Inventory:
    return apply(inventory, LoggedEvent(number, LATER, event))


def refused(inventory: Inventory, event: DeskEvent) -> str:
    with pytest.raises(LedgerError) as error:
        after(inventory, event)
    return str(error.value)


def test_a_lot_is_bought_once() -> None:
    bought = LotBought("may", "clay", 400.0)
    inventory = replay([LoggedEvent(1, AT, bought)])
    assert inventory.lot("may").left_g == 400.0
    assert inventory.lot("may").bought_at == AT
    assert refused(inventory, bought) == "lot 'may' exists already. Give the new one another name"


def test_beads_weighed_out_leave_the_bag() -> None:
    inventory = after(inventory_of(), ChargePortioned("cup", "march", 120.0, "glass", 33.0, "new"))
    assert inventory.lot("march").left_g == 380.0
    assert inventory.charge("cup") == Charge("cup", "march", 120.0, 120.0, "glass", 33.0, "new", events=(9,))
    message = "charge 'bowl' exists already. Give the new one another name"
    assert refused(inventory, ChargePortioned("bowl", "march", 1.0)) == message


def test_a_charge_moves_and_lays_others_aside() -> None:
    there = replace(TRAY, place="box:pla", placed_at=AT)
    inventory = after(inventory_of(charges=(JUDGED, there)), ChargeMoved("bowl", "box:pla", ("tray",)))
    assert inventory.charge("bowl") == replace(JUDGED, place="box:pla", placed_at=LATER, events=(1, 2, 9))
    left = replace(there, left_box="pla", left_box_at=LATER)
    assert inventory.charge("tray") == replace(left, place="spare", was_in_box=True, events=(9,))


def test_half_of_a_charge_is_half_of_everything() -> None:
    inventory = after(inventory_of(charges=(JUDGED,)), ChargeSplit("bowl", "part", 52.5))
    part, rest = inventory.charge("part"), inventory.charge("bowl")
    assert (part.mass_g, part.portioned_g, part.lightest_g, part.dry_mass_g) == (52.5, 55.0, 51.25, 50.0)
    assert (rest.mass_g, rest.portioned_g, rest.lightest_g, rest.dry_mass_g) == (157.5, 165.0, 153.75, 150.0)
    assert (part.place, part.holder, part.tare_g, part.events) == ("spare", "", None, (9,))
    assert part.loading_g_per_g == rest.loading_g_per_g == (0.03, 0.05, 0.07)
    assert (rest.holder, rest.events) == ("glass", (1, 2, 9))
    unknown = after(inventory_of(), ChargeSplit("bowl", "part", 131.0)).charge("part")
    assert (unknown.lightest_g, unknown.dry_mass_g, unknown.mass_g) == (None, None, 131.0)


@pytest.mark.parametrize("grams", [0.0, -1.0, 210.0, 211.0])
def test_a_part_is_more_than_nothing_and_less_than_all(grams: float) -> None:
    message = f"can't split {grams:g} g off 'bowl': it has only 210 g"
    assert refused(inventory_of(charges=(JUDGED,)), ChargeSplit("bowl", "part", grams)) == message


@pytest.mark.parametrize("grams", [0.5, 209.5])
def test_nearly_nothing_and_nearly_all_can_be_split_off(grams: float) -> None:
    assert after(inventory_of(charges=(JUDGED,)), ChargeSplit("bowl", "part", grams)).charge("part").mass_g == grams


def test_a_part_needs_a_name_of_its_own() -> None:
    message = "charge 'tray' exists already. Give the new part another name"
    assert refused(inventory_of(charges=(JUDGED, TRAY)), ChargeSplit("bowl", "tray", 10.0)) == message


POURED = replace(
    JUDGED, name="cup", mass_g=105.0, portioned_g=108.0, dry_mass_g=100.0, dry_mass_relative_sd=0.03, cycles=1,
    loading_g_per_g=(0.06, 0.08, 0.13), events=(3,),
)  # fmt: skip


def test_two_charges_poured_together_add_up() -> None:
    """By hand: 200 g at 5 % and 100 g at 8 % are 300 g at 6 %, and so at both other points."""
    inventory = after(inventory_of(charges=(JUDGED, POURED)), ChargesMerged("cup", "bowl"))
    kept, gone = inventory.charge("bowl"), inventory.charge("cup")
    assert kept.loading_g_per_g == pytest.approx((0.04, 0.06, 0.09))
    assert kept == replace(
        JUDGED, mass_g=315.0, portioned_g=328.0, lightest_g=None, dry_mass_g=300.0, dry_mass_relative_sd=0.03,
        cycles=3, loading_g_per_g=kept.loading_g_per_g, events=(1, 2, 9),
    )  # fmt: skip
    assert gone == replace(POURED, mass_g=0.0, portioned_g=0.0, dry_mass_g=None, retired=True, events=(3, 9))


def test_what_differs_between_two_charges_is_unknown_of_the_mixture() -> None:
    other = replace(
        POURED, state="new", method="oven_110C_2h", cycles=7, was_in_box=True, dry_mass_g=None, loading_g_per_g=None,
        dry_mass_relative_sd=0.0,
    )  # fmt: skip
    kept = after(inventory_of(charges=(JUDGED, other)), ChargesMerged("cup", "bowl")).charge("bowl")
    assert (kept.state, kept.method, kept.cycles, kept.was_in_box) == ("unknown", None, 7, True)
    assert (kept.dry_mass_g, kept.loading_g_per_g, kept.dry_mass_relative_sd) == (None, None, 0.02)
    turned = after(inventory_of(charges=(JUDGED, other)), ChargesMerged("bowl", "cup")).charge("cup")
    assert (turned.dry_mass_g, turned.loading_g_per_g, turned.was_in_box) == (None, None, True)
    for part in ("dry_mass_g", "loading_g_per_g"):
        half_known = replace(POURED, **{part: None})  # type: ignore[arg-type]
        assert (
            after(inventory_of(charges=(JUDGED, half_known)), ChargesMerged("cup", "bowl"))
            .charge("bowl")
            .loading_g_per_g
            is None
        )


def test_a_charge_that_lies_in_a_box_is_poured_as_it_lies() -> None:
    there = replace(POURED, place="box:pla", placed_at=AT)
    kept = after(inventory_of(charges=(JUDGED, there)), ChargesMerged("cup", "bowl")).charge("bowl")
    assert (kept.was_in_box, kept.loading_g_per_g, kept.place) == (True, None, "spare")


@pytest.mark.parametrize("other", [replace(POURED, lot="may"), None])
def test_only_two_charges_of_one_lot_are_poured_together(other: Charge | None) -> None:
    poured = "cup" if other else "bowl"
    inventory = inventory_of(charges=(JUDGED, other) if other else (JUDGED,))
    message = f"can't merge '{poured}' into 'bowl'. Choose two charges of one lot"
    assert refused(inventory, ChargesMerged(poured, "bowl")) == message


def test_a_top_up_comes_out_of_the_bag_with_its_water() -> None:
    """Fresh beads carry 2.5 % of water: 41 g are 40 g when dry."""
    inventory = after(inventory_of(charges=(JUDGED,)), ChargeToppedUp("bowl", 41.0))
    assert inventory.lot("march").left_g == 459.0
    topped = inventory.charge("bowl")
    assert topped.dry_mass_g == pytest.approx(240.0, abs=1e-12)
    assert topped == replace(
        JUDGED, mass_g=251.0, portioned_g=261.0, lightest_g=None, dry_mass_g=topped.dry_mass_g, loading_g_per_g=None,
        state="unknown", events=(1, 2, 9),
    )  # fmt: skip
    new = after(inventory_of(charges=(replace(BOWL, state="new"),)), ChargeToppedUp("bowl", 41.0)).charge("bowl")
    assert (new.state, new.dry_mass_g) == ("new", None)


def test_a_retired_charge_is_spare_and_of_no_use() -> None:
    inventory = after(inventory_of(charges=(replace(JUDGED, place="box:pla"),)), ChargeRetired("bowl"))
    assert inventory.charge("bowl") == replace(JUDGED, retired=True, place="spare", events=(1, 2, 9))
    assert refused(inventory, ColorSeen("bowl", "green")) == "charge 'bowl' was retired. Weigh out a new one"


def test_a_color_is_noted() -> None:
    assert after(inventory_of(), ColorSeen("bowl", "green")).charge("bowl") == replace(BOWL, color="green", events=(9,))


STARTED = RunStarted("bowl-1", "bowl", "microwave", "microwave", 20.0, 0.50)


def test_a_run_remembers_the_charge_as_it_went_in() -> None:
    inventory = after(inventory_of(charges=(JUDGED,)), STARTED)
    assert inventory.run("bowl-1") == Run(STARTED, LATER, 210.0, JUDGED)
    assert inventory.charge("bowl") == replace(JUDGED, place="in:microwave", color="", events=(1, 2, 9))


def test_a_charge_that_is_being_dried_stays_where_it_is() -> None:
    drying = replace(BOWL, place="in:oven")
    message = "charge 'bowl' is in the oven. Finish its run first"
    inventory = inventory_of(charges=(drying, TRAY))
    for event in (
        ChargeMoved("bowl", "box:pla"),
        ChargeSplit("bowl", "part", 10.0),
        ChargesMerged("bowl", "tray"),
        ChargesMerged("tray", "bowl"),
        ChargeToppedUp("bowl", 10.0),
        ChargeRetired("bowl"),
        STARTED,
    ):
        assert refused(inventory, event) == message
    assert refused(inventory_of(a_run(), charges=(BOWL,)), STARTED) == "run 'bowl-1' exists already"


def test_weighings_follow_the_heat() -> None:
    inventory = inventory_of(a_run([(0.0, 262.0), (480.0, 240.0)]))
    assert refused(inventory, RunWeighed("bowl-1", 479.0, 241.0)) == (
        "7.98333 min of heating is less than the 8 min at the last weighing. Give the minutes of heating since the"
        " start"
    )
    then = after(inventory, RunWeighed("bowl-1", 480.0, 239.0))
    assert [weighing.mass_g for weighing in then.run("bowl-1").weighings] == [262.0, 240.0, 239.0]
    assert (then.charge("bowl").mass_g, then.charge("bowl").events) == (239.0, (9,))
    assert after(inventory_of(a_run()), RunWeighed("bowl-1", 0.0, 261.0)).charge("bowl").mass_g == 261.0


def test_a_scale_put_right_multiplies_all_weighings() -> None:
    inventory = after(
        inventory_of(a_run([(0.0, 300.0), (60.0, 290.0)], tare_g=50.0)), ScaleCorrected("bowl-1", 1.03, "milk", 1.0)
    )
    run = inventory.run("bowl-1")
    assert (run.scale_factor, run.tare_scale_factor) == (1.03, 1.0)
    assert inventory.charge("bowl").mass_g == pytest.approx(290.0 * 1.03 - 50.0)


@pytest.mark.parametrize(
    ("shown", "mass_g", "resolution_g"),
    [
        (RunWeighed("bowl-1", 0.0, 300.0), 250.0, 1.0),
        (RunWeighed("bowl-1", 0.0, 300.0, 0.5), 250.0, 0.5),
        (RunWeighed("bowl-1", 0.0, 300.0, 0.5, hot=True), 250.0, 2.0),
        (RunWeighed("bowl-1", 0.0, 300.0, factor=1.03), 257.5, 1.03),
        (RunWeighed("bowl-1", 0.0, 300.0, factor=1.03, tare_factor=1.0), 259.0, 1.03),
        (RunWeighed("bowl-1", 0.0, 300.0, tare_g=80.0), 220.0, 1.0),
        (RunWeighed("bowl-1", 0.0, 300.0, tare_g=0.0), 300.0, 1.0),
    ],
)
def test_what_the_scale_showed_becomes_grams_of_beads(shown: RunWeighed, mass_g: float, resolution_g: float) -> None:
    """A hot weighing counts as four times as coarse (a judgement)."""
    run = a_run(shown=[shown], tare_g=50.0)
    [weighing] = run.weighings
    assert (weighing.mass_g, weighing.resolution_g) == pytest.approx((mass_g, resolution_g))
    assert (weighing.event_id, weighing.at, weighing.heated_s) == (10, AT, 0.0)
    assert not run.unweighed_spills
    [twice] = replace(run, scale_factor=2.0).weighings
    assert (twice.mass_g, twice.resolution_g) == pytest.approx((2.0 * mass_g, 2.0 * resolution_g))


def test_only_weighings_are_weighings() -> None:
    run = replace(a_run(), shown=(LoggedEvent(1, AT, ColorSeen("bowl", "green")),))
    with pytest.raises(TypeError, match="ColorSeen is no weighing"):
        _ = run.weighings


def test_beads_that_fell_out_are_missing_from_the_charge() -> None:
    inventory = inventory_of(a_run([(0.0, 262.0), (480.0, 240.0)]))
    spilled = after(inventory, BeadsSpilled("bowl-1", 2, 30.0))
    assert spilled.run("bowl-1").spills == (Spill(2, 30.0),)
    assert spilled.run("bowl-1").unweighed_spills == (Spill(2, 30.0),)
    assert spilled.charge("bowl").mass_g == 210.0
    more = after(after(spilled, BeadsSpilled("bowl-1", 5, None)), BeadsSpilled("bowl-1", 2, 10.0))
    assert more.run("bowl-1").spills == (Spill(2, 30.0), Spill(2, None), Spill(2, 10.0))
    assert more.charge("bowl").mass_g == 200.0
    before = after(inventory, BeadsSpilled("bowl-1", 1, 30.0))
    assert before.run("bowl-1").unweighed_spills == ()
    assert before.charge("bowl").mass_g == 240.0
    assert (
        after(after(spilled, BeadsSpilled("bowl-1", 2, 239.5)), BeadsSpilled("bowl-1", 2, 1.0)).charge("bowl").mass_g
        == 0.0
    )


@pytest.mark.parametrize(
    ("weighings", "lost_g", "held_g"),
    [(0, 262.0, 262), (1, 250.0, 250), (2, 240.0, 240), (2, 0.0, 240), (9, 240.0, 240)],
)
def test_no_more_falls_out_than_there_was(weighings: int, lost_g: float, held_g: int) -> None:
    inventory = inventory_of(a_run([(0.0, 250.0), (480.0, 240.0)]))
    message = f"{lost_g:g} g can't have fallen out of run 'bowl-1': the beads weighed {held_g} g"
    assert refused(inventory, BeadsSpilled("bowl-1", weighings, lost_g)) == message
    assert after(inventory, BeadsSpilled("bowl-1", weighings, held_g - 0.5)).run("bowl-1").spills


FINISHED = RunFinished("bowl-1", "done", 202.0, 198.0, 0.01, 0.25, (0.01, 0.02, 0.03), 400.0, kept_share=0.5)


def test_a_finished_run_tells_of_its_charge() -> None:
    going = replace(JUDGED, place="in:microwave", was_in_box=True)
    inventory = after(inventory_of(a_run([(0.0, 262.0)], charge=JUDGED), charges=(going,)), FINISHED)
    assert inventory.charge("bowl") == replace(
        JUDGED, state="dried", cycles=4, mass_g=202.0, portioned_g=110.0, lightest_g=102.5, dry_mass_g=198.0,
        dry_mass_relative_sd=0.01, loading_g_per_g=(0.01, 0.02, 0.03), judged_at=LATER, events=(1, 2, 9),
    )  # fmt: skip
    assert inventory.run("bowl-1").finished == FINISHED
    for event in (RunWeighed("bowl-1", 0.0, 1.0), FINISHED, BeadsSpilled("bowl-1", 0), ScaleCorrected("bowl-1", 2.0)):
        assert refused(inventory, event) == "run 'bowl-1' is finished. Start another one"


@pytest.mark.parametrize(
    ("lightest_g", "kept_share", "then_g"),
    [(205.0, 1.0, 202.0), (199.0, 1.0, 199.0), (None, 1.0, 202.0), (None, 0.5, 101.0)],
)
def test_the_lightest_a_charge_ever_was(lightest_g: float | None, kept_share: float, then_g: float) -> None:
    charge = replace(JUDGED, lightest_g=lightest_g)
    run = a_run([(0.0, 262.0)], charge=charge)
    finished = replace(FINISHED, kept_share=kept_share)
    assert after(inventory_of(run, charges=(charge,)), finished).charge("bowl").lightest_g == then_g


@pytest.mark.parametrize(
    ("kind", "degc", "heated_s", "method"),
    [
        ("microwave", None, 600.0, "microwave"),
        ("oven", 110.0, 7200.0, "oven_110C_2h"),
        ("oven", 119.6, 9100.0, "oven_120C_3h"),
        ("oven", 110.0, None, "oven_110C_0h"),
        ("print_bed", 70.0, 7200.0, "print_bed"),
        ("filament_dryer", 65.0, 7200.0, "hot_air_65C"),
    ],
)
def test_the_method_in_the_words_of_the_ledger(
    kind: str, degc: float | None, heated_s: float | None, method: str
) -> None:
    weighed = [] if heated_s is None else [(0.0, 262.0), (heated_s, 240.0)]
    assert after(inventory_of(a_run(weighed, kind=kind, degc=degc)), FINISHED).charge("bowl").method == method


def test_a_jar_check_judges_the_charge() -> None:
    there = replace(JUDGED, was_in_box=True)
    inventory = inventory_of(charges=(there,))
    told = after(inventory, JarChecked("bowl", 0.05, 22.0, 0.03, (0.02, 0.03, 0.04))).charge("bowl")
    assert told == replace(
        JUDGED, loading_g_per_g=(0.02, 0.03, 0.04), judged_at=LATER, was_in_box=False, events=(1, 2, 9)
    )
    assert after(inventory, JarChecked("bowl", 0.05, 22.0)).charge("bowl") == replace(there, events=(1, 2, 9))


@pytest.mark.parametrize(
    ("hours", "judged_hours", "known"),
    [(23.99, None, True), (24.0, None, False), (30.0, 6.01, True), (30.0, 6.0, False), (24.0, -5.0, False)],
)
def test_beads_in_a_box_for_a_day_are_as_dry_as_nobody_knows(
    hours: float, judged_hours: float | None, known: bool
) -> None:
    judged_at = None if judged_hours is None else AT + timedelta(hours=judged_hours)
    charge = replace(JUDGED, place="box:pla", placed_at=AT, judged_at=judged_at)
    then = charge.as_it_lies(AT + timedelta(hours=hours))
    assert then == (charge if known else replace(charge, loading_g_per_g=None, was_in_box=True))


def test_beads_elsewhere_stay_as_they_are() -> None:
    for charge in (replace(JUDGED, placed_at=AT), replace(JUDGED, place="box:pla")):
        assert charge.as_it_lies(AT + timedelta(days=99)) is charge


@pytest.mark.parametrize(
    ("dry_g", "state", "sd", "said"),
    [
        (212.0, "dried", 0.02, ()),
        (
            212.1,
            "dried",
            0.02,
            (
                "Charge 'bowl': 212 g of dry beads, but only 200 g came out of the bag. A top-up or a merge was not"
                " logged.",
            ),
        ),
        (195.2, "new", 0.0, ("Charge 'bowl': 195 g of dry beads, but only 195 g came out of the bag. A top-up or a"
                             " merge was not logged.",)),
        (195.1, "new", 0.0, ()),
        (138.0, "dried", 0.02, ()),
        (
            137.9,
            "dried",
            0.02,
            ("Charge 'bowl': 138 g of dry beads, but 200 g came out of the bag. More is missing than water explains.",),
        ),
    ],
)  # fmt: skip
def test_grams_that_do_not_balance(dry_g: float, state: str, sd: float, said: tuple[str, ...]) -> None:
    """200 g out of the bag: up to three standard deviations more are asked about, and less than 75 % less as much."""
    charge = replace(BOWL, portioned_g=200.0, dry_mass_g=dry_g, dry_mass_relative_sd=sd, state=state)
    assert discrepancies(inventory_of(charges=(charge,))) == said
    assert discrepancies(inventory_of(charges=(replace(charge, retired=True),))) == ()
    assert discrepancies(inventory_of(charges=(replace(charge, dry_mass_g=None), charge))) == said


@pytest.mark.parametrize(
    ("left_g", "said"), [(-0.5, ()), (-0.6, ("Lot 'march': 1 g more was weighed out than bought.",))]
)
def test_half_a_gram_too_much_is_rounding(left_g: float, said: tuple[str, ...]) -> None:
    inventory = inventory_of()
    lots = {"march": replace(inventory.lot("march"), left_g=left_g)}
    assert discrepancies(replace(inventory, lots=lots)) == said


def test_the_run_that_goes_on_is_found_by_any_name() -> None:
    one, two = a_run(), a_run(charge=TRAY, name="tray-1")
    over = ended(a_run(name="bowl-0"))
    alone = inventory_of(over, one, charges=(BOWL, TRAY))
    assert alone.open_run() == alone.open_run("bowl-1") == alone.open_run("bowl") == one
    both = inventory_of(one, two, charges=(BOWL, TRAY))
    assert both.open_run("tray") == two
    for inventory, name, message in (
        (both, None, "several runs are in progress. Name one of them: bowl-1, tray-1"),
        (alone, "tray", "no run of 'tray' is in progress"),
        (inventory_of(over), None, "no run is in progress. Start one with `siccast recharge start`"),
    ):
        with pytest.raises(LedgerError) as error:
            inventory.open_run(name)
        assert str(error.value) == message


def test_what_is_not_there_is_refused_with_what_is() -> None:
    inventory = inventory_of(a_run(), charges=(BOWL, TRAY))
    for find, message in (
        (inventory.lot, "there is no lot 'x'. Known: march"),
        (inventory.charge, "there is no charge 'x'. Known: bowl, tray"),
        (inventory.run, "there is no run 'x'. Known: bowl-1"),
        (Inventory().lot, "there is no lot 'x'. Known: none yet. Start with `siccast lot buy`"),
        (Inventory().charge, "there is no charge 'x'. Known: none yet. Start with `siccast charge weigh-out`"),
        (Inventory().run, "there is no run 'x'. Known: none yet. Start with `siccast recharge start`"),
    ):
        with pytest.raises(LedgerError) as error:
            find("x")
        assert str(error.value) == message
    assert inventory.lot("march").name == "march"
    assert inventory.run("bowl-1").name == "bowl-1"
