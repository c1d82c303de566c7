"""Slips caught at the desk: a wrong unit, an unlikely weight, too much heat; and the cautions on the way."""

from __future__ import annotations

import pytest
from desk_evening import AT, MICROWAVE, MICROWAVE_LOSSES, ROOM, WET_G, dry

from monitor.desk import Desk, TrapError
from monitor.desk.cautions import before_heating, on_color
from monitor.errors import LedgerError, OutOfRangeError
from monitor.inference.drying import Verdict
from monitor.physics.materials import desiccant
from monitor.records import Appliance
from monitor.records.desk_events import (
    ChargePortioned,
    RunWeighed,
    ScaleCorrected,
)


def test_a_series_in_milliliters_can_be_put_right_afterwards(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT, room=ROOM)
    for minutes, loss_g in MICROWAVE_LOSSES:
        desk.weigh(RunWeighed(run.name, 60.0 * minutes, round((WET_G - loss_g) / 1.03)), AT, confirmed=True)
    desk.keep(ScaleCorrected(run.name, 1.03, "milk"), AT)
    report = desk.report(run.name)
    assert report.run.weighings[0].mass_g == pytest.approx(WET_G, abs=1.0)
    assert report.run.weighings[0].resolution_g == 1.03


def test_scale_switched_to_ounces_halfway_is_noticed(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    with pytest.raises(TrapError, match="is set to ounces"):
        desk.weigh(RunWeighed("bowl-1", 960.0, 7.7), AT)


@pytest.mark.parametrize(
    ("heated_min", "shown_g", "said"),
    [
        (16, 231.0, "more than last time, but drying beads do not gain weight"),
        (16, 150.0, "less than these beads weigh when fully dry"),
        (13, 185.0, "needs more heat than the appliance gives"),
    ],
)
def test_unlikely_weighings_are_kept_only_when_confirmed(
    desk: Desk, heated_min: int, shown_g: float, said: str
) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    weighed = RunWeighed("bowl-1", 60.0 * heated_min, shown_g)
    with pytest.raises(TrapError, match=said):
        desk.weigh(weighed, AT)
    assert len(desk.inventory().run("bowl-1").weighings) == 4
    desk.weigh(weighed, AT, confirmed=True)
    assert len(desk.inventory().run("bowl-1").weighings) == 5


def test_another_holder_is_named(desk: Desk) -> None:
    desk.keep(ChargePortioned("dish", "march", 100.0, "glass", 52.0, "room"), AT)
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    with pytest.raises(TrapError, match=r"Is it another holder \(52 g empty\)"):
        desk.weigh(RunWeighed("bowl-1", 960.0, 220.0 + 52.0), AT)


def test_times_out_of_order_are_refused(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    with pytest.raises(LedgerError, match=r"8 min of heating is less than the 12 min"):
        desk.weigh(RunWeighed("bowl-1", 480.0, 217.0), AT, confirmed=True)


def test_less_than_the_empty_holder_is_refused(desk: Desk) -> None:
    run = desk.start("bowl", MICROWAVE, AT, tare_g=355.0)
    with pytest.raises(OutOfRangeError, match=r"with the holder \(355 g\)"):
        desk.weigh(RunWeighed(run.name, 0.0, 262.0), AT, confirmed=True)


@pytest.mark.parametrize(
    ("tool", "holder", "said"),
    [
        (
            Appliance("oven", "oven", 150.0),
            "glass",
            "150 °C is over the 120 °C that these beads can take. It harms their dye",
        ),
        (Appliance("warm-box", "filament_dryer", 70.0), "PETG", "a printed PETG holder with beads in it can take"),
        (Appliance("microwave", "microwave"), "PETG", "hot beads melt into printed plastic"),
        (Appliance("microwave", "microwave"), "metal", "metal sparks in a microwave"),
    ],
)
def test_too_hot_for_beads_or_holder_is_refused_until_confirmed(
    desk: Desk, tool: Appliance, holder: str, said: str
) -> None:
    desk.keep(ChargePortioned("insert", "march", 60.0, holder, 20.0, "room"), AT)
    with pytest.raises(TrapError, match=said):
        desk.start("insert", tool, AT)
    assert desk.inventory().runs == {}
    assert desk.start("insert", tool, AT, confirmed=True).open


def test_a_hot_weighing_counts_for_less(desk: Desk) -> None:
    dry(desk, "bowl", MICROWAVE, MICROWAVE_LOSSES[:4])
    cold = desk.weigh(RunWeighed("bowl-1", 960.0, 217.0), AT)
    logged = desk.stores.events.events()[-1]
    desk.undo(logged.event_id)
    hot = desk.weigh(RunWeighed("bowl-1", 960.0, 217.0, hot=True), AT)
    assert hot.end_g.p95 - hot.end_g.p05 > cold.end_g.p95 - cold.end_g.p05


@pytest.mark.parametrize("color", ["orange", "green", "brown"])
def test_color_is_answered_honestly(color: str) -> None:
    """Trade figure: orange gel begins to turn at about 15 % loading; our isotherm puts the turn at 25 % RH."""
    said = on_color(desiccant("orange_gel"), color)
    expected = {
        "orange": "anything from dry to half full",
        "green": "these beads are spent",
        "brown": "Go by the scale",
    }
    assert expected[color] in said


def test_cautions_stand_where_the_step_is() -> None:
    blue = before_heating(desiccant("blue_gel"), "microwave", "glass")
    assert any("carcinogen" in caution.text for caution in blue)
    assert any("no metal" in caution.text for caution in blue)
    assert all(caution.source for caution in blue)
    assert not any("no metal" in caution.text for caution in before_heating(desiccant("clay"), "oven", "metal"))


def test_beads_wetter_than_new_ones_can_be_are_asked_about_and_then_reckoned_so(desk: Desk) -> None:
    """The same batch weighed out as new: its losses are more than a fresh bag holds, and the scale is believed."""
    desk.keep(ChargePortioned("bag", "march", WET_G, "glass", 0.0, "new"), AT)
    run = desk.start("bag", MICROWAVE, AT, room=ROOM)
    desk.weigh(RunWeighed(run.name, 0.0, WET_G), AT)
    with pytest.raises(TrapError, match="fresh from the bag hold"):
        desk.weigh(RunWeighed(run.name, 240.0, WET_G - 21.0), AT)
    for minutes, loss_g in MICROWAVE_LOSSES[1:]:
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, WET_G - loss_g), AT, confirmed=minutes == 4)
        if minutes == 4:
            assert report.verdict is not Verdict.done
    assert report.dry_mass_g.p05 < WET_G - MICROWAVE_LOSSES[-1][1]
