"""What the desk does for whoever sends it something: where it takes the room from, what it names, keeps and refuses."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace
from datetime import timedelta

import pytest
from desk_evening import AT, MICROWAVE, OVEN, ROOM, WARM_BOX, WET_G

from monitor.desk import Desk, TrapError, run_curves
from monitor.desk.cautions import HOT_SPOTS
from monitor.desk.inventory import Spill
from monitor.desk.run_fit import fitted
from monitor.desk.tares import read_tare
from monitor.errors import LedgerError, OutOfRangeError, UnknownBoxError
from monitor.inference.drying.jar import jar_verdict
from monitor.inference.drying.reach import temperature_of
from monitor.physics.materials import desiccant
from monitor.records import Appliance, Box, EntryKind, LedgerEntry, Reading, RoomClimate
from monitor.records.desk_events import ChargePortioned, JarChecked, RunFinished, RunStarted, RunWeighed

OTHER_ROOM = RoomClimate(26.0, 0.61)


def read(desk: Desk, box: str, hours: float, humidity: float, degc: float = 24.0) -> None:
    desk.stores.readings.add([Reading(box, AT + timedelta(hours=hours), degc, humidity)])


def refusal(deed: object, kind: type[Exception] = LedgerError) -> str:
    with pytest.raises(kind) as error:
        deed()  # type: ignore[operator]
    return str(error.value)


@pytest.mark.parametrize(
    ("hours", "source"), [(-6.1, "shelf file"), (-5.9, "sensor"), (0.0, "sensor"), (0.01, "shelf file")]
)
def test_the_room_is_what_a_sensor_said_in_the_last_six_hours(desk: Desk, hours: float, source: str) -> None:
    read(desk, "room", hours, 0.33)
    room, said = desk.room(AT)
    assert said == source
    assert room == (RoomClimate(24.0, 0.33) if source == "sensor" else ROOM)


def test_the_newest_reading_counts_and_what_is_told_before_all(desk: Desk) -> None:
    for hours, humidity, degc in ((-3.0, 0.30, 21.0), (-2.0, 0.40, 22.0), (-1.0, 0.50, 23.0)):
        read(desk, "room", hours, humidity, degc)
    assert desk.room(AT) == (RoomClimate(23.0, 0.50), "sensor")
    assert desk.room(AT, OTHER_ROOM) == (OTHER_ROOM, "told")
    assert replace(desk, room_climate=None).room(AT + timedelta(days=9)) == (RoomClimate(), "assumed")


def test_what_is_not_declared_is_refused_with_what_is(desk: Desk) -> None:
    assert desk.appliance("oven") == OVEN
    assert replace(desk, boxes=(Box("béton", 9.0),)).box("be\u0301ton").name == "béton"
    message = "appliance 'kiln' is not in the shelf file. Declared: microwave, warm-box, oven"
    assert refusal(lambda: desk.appliance("kiln")) == message
    message = "box 'tote' is not declared. Declared: pla, nylon, petg"
    assert refusal(lambda: desk.box("tote"), UnknownBoxError) == message


def test_a_run_starts_with_all_that_is_known(desk: Desk) -> None:
    desk.keep(ChargePortioned("dish", "march", 100.0, "glass", 52.0, "room"), AT)
    appliance = Appliance("big", "oven", 110.0, power_w=900.0)
    run = desk.start("dish", appliance, AT, room=OTHER_ROOM)
    assert run.start == RunStarted("dish-1", "dish", "big", "oven", 26.0, 0.61, "told", 110.0, 900.0, 52.0)
    assert run.started_at == AT
    bowl = desk.start("bowl", MICROWAVE, AT, tare_g=33.0)
    assert bowl.start == RunStarted("bowl-1", "bowl", "microwave", "microwave", 20.0, 0.50, "shelf file", tare_g=33.0)
    desk.weigh(RunWeighed("dish-1", 0.0, 152.0), AT)
    desk.finish("dish", AT)
    assert desk.start("dish", MICROWAVE, AT, tare_g=0.0).start.tare_g == 0.0
    assert desk.inventory().open_run("dish").name == "dish-2"
    assert desk.start("tray", WARM_BOX, AT).start.tare_g == 0.0


def test_a_run_too_hot_is_kept_when_confirmed(desk: Desk) -> None:
    hot = Appliance("hot", "oven", 130.0)
    assert "over the 120 °C" in refusal(lambda: desk.start("bowl", hot, AT), TrapError)
    assert desk.inventory().runs == {}
    assert desk.start("bowl", hot, AT, confirmed=True).start.temperature_degc == 130.0


def test_the_method_of_a_run_is_that_of_its_room(desk: Desk) -> None:
    run = desk.start("bowl", OVEN, AT, room=OTHER_ROOM)
    method = desk.method_of(run)
    assert method.reach.temperature_degc == temperature_of(OVEN) == 110.0
    other = desk.method_of(replace(run, start=replace(run.start, room_relative_humidity=0.20)))
    assert other.reach.end_g_per_g.p50 < method.reach.end_g_per_g.p50
    warmer = desk.method_of(replace(run, start=replace(run.start, room_temperature_degc=30.0)))
    assert warmer.reach.end_g_per_g.p50 > method.reach.end_g_per_g.p50


def test_less_than_nothing_is_no_weight(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT, tare_g=355.0)
    message = "355 g is not valid: with the holder (355 g) it must weigh more"
    assert refusal(lambda: desk.weigh(RunWeighed(run.name, 0.0, 355.0), AT), OutOfRangeError) == message
    own = RunWeighed(run.name, 0.0, 100.0, tare_g=100.5)
    assert "with the holder (100.5 g)" in refusal(lambda: desk.weigh(own, AT, confirmed=True), OutOfRangeError)
    in_ounces = (WET_G + 355.0) / 28.3495
    assert "set to ounces" in refusal(lambda: desk.weigh(RunWeighed(run.name, 0.0, in_ounces), AT), TrapError)
    assert desk.inventory().run(run.name).shown == ()


def test_half_a_gram_of_beads_is_asked_about_and_no_error(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT, tare_g=355.0)
    assert refusal(lambda: desk.weigh(RunWeighed(run.name, 0.0, 355.5), AT), TrapError).startswith(
        "Not saved: 0 g, but"
    )


def test_heat_is_held_against_the_clock_since_the_start_and_since_the_last_weighing(desk: Desk) -> None:
    run = desk.start("tray", WARM_BOX, AT)
    first = RunWeighed(run.name, 7200.0, 250.0)
    said = refusal(lambda: desk.weigh(first, AT + timedelta(minutes=60)), TrapError)
    assert "120 min of heating, but the start of the run was 60 min ago" in said
    desk.weigh(replace(first, heated_s=0.0, shown_g=WET_G), AT + timedelta(minutes=60))
    said = refusal(lambda: desk.weigh(first, AT + timedelta(minutes=90)), TrapError)
    assert "120 min of heating, but the last weighing was 30 min ago" in said


@pytest.mark.parametrize(("at_heat_s", "place"), [(None, 2), (0.0, 1), (239.0, 2), (238.9, 1), (-1.1, 0), (-1.0, 1)])
def test_a_spill_goes_where_it_happened(desk: Desk, at_heat_s: float | None, place: int) -> None:
    """A second is what minutes typed with a few digits are good for (a judgement)."""
    run = desk.start("bowl", MICROWAVE, AT)
    for heated_s, grams in ((0.0, 262.0), (240.0, 241.0)):
        desk.keep(RunWeighed(run.name, heated_s, grams), AT)
    told = desk.spill(None, AT, lost_g=5.0, at_heat_s=at_heat_s)
    assert told is not None
    assert [spill.after_weighings for spill in told.run.spills] == [place]


def test_a_finished_run_keeps_what_its_report_told(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT)
    for heated_s, grams in ((0.0, 262.0), (240.0, 241.0), (480.0, 227.0)):
        desk.keep(RunWeighed(run.name, heated_s, grams), AT)
    assert refusal(desk.last_dried) == "no run is finished yet. Name the charge with --charge"
    told = desk.finish(None, AT)
    finished = desk.inventory().run(run.name).finished
    dry, loading = told.dry_mass_g, told.loading_g_per_g
    assert finished == RunFinished(
        run.name, "stir and go on", 227.0, dry.p50, (dry.p95 - dry.p05) / 3.29 / dry.p50,
        told.start_loading_g_per_g.p50, (loading.p05, loading.p50, loading.p95),
        finished.time_constant_s if finished else 0.0,
    )  # fmt: skip
    assert finished.time_constant_s == pytest.approx(451.2, rel=1e-3)  # *regression*
    assert desk.last_dried() == "bowl"
    desk.start("tray", OVEN, AT)
    assert desk.last_dried() == "bowl"
    desk.weigh(RunWeighed("tray-1", 0.0, WET_G), AT)
    desk.finish("tray", AT)
    assert desk.last_dried() == "tray"


def test_a_run_with_beads_missing_is_not_finished(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT)
    desk.weigh(RunWeighed(run.name, 0.0, WET_G), AT)
    desk.spill(None, AT)
    message = "beads fell out of run 'bowl-1' since the last weighing, and nobody knows how many. Weigh once more"
    assert refusal(lambda: desk.finish(None, AT)) == message


def test_a_scale_that_would_leave_nothing_was_not_set_so(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT, tare_g=100.0)
    for heated_s, grams in ((0.0, 362.0), (240.0, 190.0)):
        desk.keep(RunWeighed(run.name, heated_s, grams), AT)
    message = "the scale was not set to oil: the beads would weigh less than nothing"
    assert refusal(lambda: desk.rescale(None, 0.5, "oil", AT, tare_factor=0.95), OutOfRangeError) == message
    assert refusal(lambda: desk.rescale(None, 0.5, "oil", AT, tare_factor=1.0, confirmed=True), OutOfRangeError)
    assert desk.rescale(None, 0.92, "oil", AT, tare_factor=1.0, confirmed=True).run.weighings[1].mass_g == (
        pytest.approx(190.0 * 0.92 - 100.0)
    )


def test_what_cannot_be_undone_says_why(desk: Desk) -> None:
    events = desk.stores.events.events()
    message = refusal(lambda: desk.undo(events[0].event_id))
    assert message == (
        f"can't undo {events[0].event_id}: something later depends on it (there is no lot 'march'. Known: none yet."
        " Start with `siccast lot buy`). Undo that first"
    )
    assert desk.undo(events[-1].event_id) == events[-1]
    assert "tray" not in desk.inventory().charges


def test_a_box_is_charged_once_and_recharged_after(desk: Desk) -> None:
    assert desk.put("bowl", "pla", AT).kind is EntryKind.charge
    later = AT + timedelta(days=5)
    both = desk.put("tray", "pla", later, beside=True)
    assert both.kind is EntryKind.recharge
    assert both.note == "charge tray and bowl"
    assert {desk.inventory().charge(name).place for name in ("bowl", "tray")} == {"box:pla"}
    desk.take_out("bowl", later + timedelta(days=1))
    assert desk.stores.ledger.entries("pla")[-1].note == "charge tray"
    desk.take_out("tray", later + timedelta(days=2))
    assert len(desk.stores.ledger.entries("pla")) == 3
    assert desk.put("bowl", "nylon", AT + timedelta(days=20)).kind is EntryKind.charge


def test_what_is_kept_is_dated_by_the_clock(desk: Desk) -> None:
    written = AT + timedelta(days=3)
    dated = replace(desk, clock=lambda: written)
    dated.put("bowl", "pla", AT)
    [entry] = desk.stores.ledger.entries("pla")
    assert (entry.at, entry.logged_at) == (AT, written)


def test_a_jar_check_is_kept_with_what_it_says(desk: Desk) -> None:
    verdict = desk.jar_check("bowl", 0.10, 22.0, 0.02, AT)
    alone = verdict.combined_g_per_g if verdict.agrees else verdict.alone_g_per_g
    kept = desk.stores.events.events()[-1].event
    assert kept == JarChecked("bowl", 0.10, 22.0, 0.02, (alone.p05, alone.p50, alone.p95))
    assert desk.services("bowl", AT, "pla") == ()


def test_beads_side_by_side_are_not_judged_by_their_box(desk: Desk) -> None:
    assert desk.first_days("bowl") is None
    desk.put("bowl", "pla", AT)
    assert desk.first_days("bowl") is None
    desk.put("tray", "pla", AT, beside=True)
    message = "'tray' lies beside 'bowl'. The box can't judge them one by one"
    assert refusal(lambda: desk.first_days("bowl")) == message


def test_a_box_at_rest_judges_its_beads(desk: Desk) -> None:
    """Jar check with the box's own sensor, good to 3 % RH."""
    desk.put("bowl", "pla", AT)
    for hour in range(40, 80):
        read(desk, "pla", float(hour), 0.08, 21.0)
    assert desk.first_days("bowl") == jar_verdict(desiccant("orange_gel"), 0.08, 21.0, 0.03)


def test_every_argument_goes_by_its_name(desk: Desk) -> None:
    kept = desk.keep(event=ChargePortioned("cup", "march", 100.0, "glass", 52.0, "room"), at=AT)
    assert kept.at == AT
    assert desk.log(entry=LedgerEntry(EntryKind.note, "pla", AT, note="new lid"))
    run = desk.start(charge_name="cup", appliance=MICROWAVE, now=AT)
    report = desk.weigh(weighed=RunWeighed(run.name, 0.0, 152.0), now=AT)
    assert report.mass_g == 100.0
    assert desk.rescale(run_name=None, factor=1.0, because="grams", now=AT).mass_g == 100.0
    assert desk.spill(run_name=None, now=AT, lost_g=1.0) is not None
    assert desk.put(charge_name="bowl", box_name="pla", now=AT).box == "pla"


def test_what_the_desk_tells_does_not_change(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT)
    report = desk.weigh(RunWeighed(run.name, 0.0, WET_G), AT)
    [curve] = run_curves(desk.inventory(), [run.name], desk.boxes)
    inventory = desk.inventory()
    for thing in (
        desk, report, curve, fitted(inventory, run=inventory.run(run.name)), report.services[0], report.further[0],
        desk.method_of(run), inventory, run, inventory.run(run.name).weighings[0], inventory.charge("bowl"),
        inventory.lot("march"), Spill(0), read_tare(run, 1.0, 1.0, 0.0, None), HOT_SPOTS,
    ):  # fmt: skip
        assert not hasattr(thing, "__dict__")
        with pytest.raises(FrozenInstanceError):
            setattr(thing, fields(thing)[0].name, None)  # type: ignore[arg-type]
