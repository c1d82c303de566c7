"""Weighings and minutes that are likely slips are asked about, and each refusal names what would do."""

from __future__ import annotations

from datetime import timedelta

import pytest
from desk_evening import AT, MICROWAVE, MICROWAVE_LOSSES, ROOM, WARM_BOX, WET_G, dry

from monitor.desk import Desk, TrapError
from monitor.errors import LedgerError
from monitor.inference.drying import Verdict
from monitor.records import Appliance
from monitor.records.desk_events import (
    ChargeMoved,
    ChargePortioned,
    RunWeighed,
)

BOWL_G = 355.0
MILK = 1.03


@pytest.mark.parametrize("weighings", [1, 2, 3])
def test_the_same_weight_again_is_asked_first(desk: Desk, weighings: int) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:weighings])
    minutes, loss_g = MICROWAVE_LOSSES[weighings - 1]
    again = RunWeighed("bowl-1", 60.0 * (minutes + 4), WET_G - loss_g)
    with pytest.raises(
        TrapError, match=r"the weight is the same again after 4 min of heating, but .* Was the appliance on"
    ):
        desk.weigh(again, AT)
    assert len(desk.inventory().run("bowl-1").weighings) == weighings
    assert len(desk.weigh(again, AT, confirmed=True).run.weighings) == weighings + 1


def test_the_same_weight_at_the_end_is_the_end(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    assert desk.weigh(RunWeighed("bowl-1", 1440.0, WET_G - 46.0), AT + timedelta(minutes=24)).verdict.stops


def test_more_heat_than_time_is_asked_about(desk: Desk) -> None:
    run = desk.start("tray", WARM_BOX, AT, room=ROOM)
    desk.weigh(RunWeighed(run.name, 0.0, WET_G), AT)
    later = RunWeighed(run.name, 9 * 3600.0, WET_G - 21.0)
    with pytest.raises(TrapError, match=r"540 min of heating, but the last weighing was 60 min ago. .*--at"):
        desk.weigh(later, AT + timedelta(hours=1))
    assert desk.weigh(later, AT + timedelta(hours=9)).water_off_g == 21.0


def test_an_evening_typed_in_afterwards_is_not_asked_about(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:2])
    assert desk.weigh(RunWeighed("bowl-1", 480.0, WET_G - 35.0), AT + timedelta(seconds=20)).fits


@pytest.mark.parametrize(
    ("tool", "minutes", "most"),
    [(MICROWAVE, 864, 20), (Appliance("oven", "oven", 110.0), 1500, 720), (WARM_BOX, 8640, 5760)],
)
def test_minutes_have_a_limit_of_sense_by_appliance(desk: Desk, tool: Appliance, minutes: int, most: int) -> None:
    dry(desk, "bowl", tool, MICROWAVE_LOSSES[:1])
    with pytest.raises(
        TrapError, match=rf"{minutes} min without a break is too long .* at most {most} min .*a judgement"
    ):
        desk.weigh(RunWeighed("bowl-1", 60.0 * minutes, WET_G - 30.0), AT + timedelta(minutes=minutes))


def test_no_other_scale_is_offered_where_it_explains_nothing(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:1])
    with pytest.raises(TrapError) as caught:
        desk.weigh(RunWeighed("bowl-1", 240.0, WET_G), AT)
    assert "oil" not in str(caught.value)


def test_after_a_contradiction_a_right_weighing_is_taken(desk: Desk) -> None:
    """What weighings that fit no curve let expect accuses nobody of another scale."""
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    for minutes, shown_g in ((12, 189.0), (16, 186.0)):
        report = desk.weigh(
            RunWeighed("bowl-1", 60.0 * minutes, shown_g), AT + timedelta(minutes=minutes), confirmed=minutes == 12
        )
        assert not report.fits


def test_a_gain_names_what_would_do(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    [*_, last] = desk.stores.events.events()
    with pytest.raises(TrapError, match=r"^Not saved: ") as caught:
        desk.weigh(RunWeighed("bowl-1", 960.0, 226.0), AT)
    for would_do in (
        "226 g is 6 g more",
        "dry it, weigh again",
        "Add --tare",
        "Add --sure",
        f"lot undo {last.event_id}`",
    ):
        assert would_do in str(caught.value)


def test_another_holder_can_be_told_with_the_weighing(desk: Desk) -> None:
    desk.keep(ChargePortioned("dish", "march", 100.0, "glass", 52.0, "room"), AT)
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    shown_g = WET_G - 45.0 + 52.0
    with pytest.raises(TrapError, match="add --tare 52"):
        desk.weigh(RunWeighed("bowl-1", 960.0, shown_g), AT)
    assert desk.weigh(RunWeighed("bowl-1", 960.0, shown_g, tare_g=52.0), AT).mass_g == WET_G - 45.0


@pytest.mark.parametrize(("holder_in_milk", "tare_g"), [(False, BOWL_G), (True, round(BOWL_G / MILK))])
def test_the_books_tell_on_which_scale_the_holder_was_weighed(desk: Desk, holder_in_milk: bool, tare_g: float) -> None:
    """262 g of beads in a bowl of 355 g, the whole on a scale that stands on milk; the bowl then or on another day."""
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM, tare_g=tare_g)
    shown = [round((BOWL_G + WET_G - loss_g) / MILK) for _, loss_g in MICROWAVE_LOSSES]
    with pytest.raises(TrapError, match="add --scale milk"):
        desk.weigh(RunWeighed(run.name, 0.0, shown[0]), AT)
    for (minutes, _), millilitres in zip(MICROWAVE_LOSSES[:3], shown, strict=False):
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, millilitres, factor=MILK), AT)
    assert report.run.weighings[0].mass_g == pytest.approx(WET_G, abs=1.1)
    assert report.water_off_g == pytest.approx(35.0, abs=1.1)
    [said] = [remark for remark in report.remarks if "empty holder" in remark]
    assert ("same scale" in said) == holder_in_milk


@pytest.mark.parametrize(("holder_in_milk", "tare_g"), [(False, BOWL_G), (True, round(BOWL_G / MILK))])
def test_a_run_put_right_afterwards_tells_the_same(desk: Desk, holder_in_milk: bool, tare_g: float) -> None:
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM, tare_g=tare_g)
    for minutes, loss_g in MICROWAVE_LOSSES[:3]:
        desk.keep(RunWeighed(run.name, 60.0 * minutes, round((BOWL_G + WET_G - loss_g) / MILK)), AT)
    report = desk.rescale(None, MILK, "milk", AT)
    assert report.run.weighings[0].mass_g == pytest.approx(WET_G, abs=1.1)
    assert any(("same scale" in remark) == holder_in_milk for remark in report.remarks if "empty holder" in remark)


def test_where_the_books_do_not_tell_the_holder_is_asked_about(desk: Desk) -> None:
    desk.keep(ChargePortioned("dish", "march", WET_G, "glass", BOWL_G, "room"), AT)
    desk.keep(ChargeMoved("dish", "box:pla"), AT)
    run = desk.start("dish", MICROWAVE, AT, room=ROOM)
    weighed = RunWeighed(run.name, 0.0, 600.0, factor=MILK)
    with pytest.raises(
        TrapError, match=r"252 g if .* as it is set now, and 263 g if it was weighed in grams. Add --tare-scale"
    ):
        desk.weigh(weighed, AT)
    said = RunWeighed(run.name, 0.0, 600.0, factor=MILK, tare_factor=1.0)
    assert desk.weigh(said, AT).mass_g == pytest.approx(600.0 * MILK - BOWL_G)


def test_a_right_series_is_not_rescaled_without_a_word(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:3])
    with pytest.raises(TrapError, match="first weighing would become 270 g instead of 262 g"):
        desk.rescale(None, MILK, "milk", AT)
    assert desk.inventory().run("bowl-1").scale_factor == 1.0
    assert desk.rescale(None, MILK, "milk", AT, confirmed=True).run.scale_factor == MILK


def test_before_a_weighing_there_is_nothing_to_rescale(desk: Desk) -> None:
    desk.start("bowl", MICROWAVE, AT, room=ROOM)
    with pytest.raises(LedgerError, match="Use --scale milk when you weigh"):
        desk.rescale(None, MILK, "milk", AT)


def test_a_stop_says_grams_and_what_another_appliance_would_bring(desk: Desk) -> None:
    report = dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES)
    assert report.left_g.p50 == pytest.approx(report.loading_g_per_g.p50 * report.dry_mass_g.p50, rel=0.05)
    [oven] = report.further
    assert oven.appliance == "oven"
    assert 0.5 < oven.water_g < report.left_g.p50
    assert oven.time_s.p05 < oven.time_s.p50 < oven.time_s.p95


@pytest.mark.parametrize(("dried_at_degc", "offered"), [(120.0, []), (110.0, []), (100.0, ["oven"])])
def test_more_of_the_same_is_no_other_method(desk: Desk, dried_at_degc: float, offered: list[str]) -> None:
    """The desk's oven works at 110 °C: after a pile that stayed wet inside, only a hotter oven is another method."""
    pile = [(0, 0), (60, 21), (120, 31), (180, 34), (240, 35)]
    report = dry(desk, "bowl", Appliance("oven", "oven", dried_at_degc), pile)
    assert report.verdict is Verdict.not_through
    assert [further.appliance for further in report.further if further.appliance == "oven"] == offered
    assert report.still_removable_g == pytest.approx(report.left_g.p50, rel=0.2)


def test_that_the_start_fits_the_room_is_said_once(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM)
    said = []
    for minutes, loss_g in MICROWAVE_LOSSES[:3]:
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, WET_G - loss_g), AT + timedelta(minutes=minutes))
        said.append([remark for remark in report.remarks if "That fits" in remark])
    assert [len(remarks) for remarks in said] == [0, 1, 0]
