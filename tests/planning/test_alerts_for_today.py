"""What there is to say beyond days and limits: lids, batteries, beads that are wetter than dried, tomorrow's plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from answers_by_hand import AS_OF, assessment_of, due_in, forecast_of

from monitor.planning.alerts import alerts_for_today, battery_is_low
from monitor.planning.recharge import RechargePlan
from monitor.records import AtRest, PlannedDay, Quantiles, Spool
from monitor.records.alerts import Alert, AlertKind

if TYPE_CHECKING:
    from monitor.records import Assessment

TODAY = date(2026, 3, 4)
VIENNA = ZoneInfo("Europe/Vienna")
CALM = assessment_of("calm", forecast_of(200.0))
OVER = assessment_of("over", forecast_of(-10.0))


def alerts(*there: Assessment, plan: RechargePlan | None = None) -> tuple[Alert, ...]:
    return alerts_for_today(there, TODAY, zone=VIENNA, plan=plan)


def test_an_open_lid_is_said_in_place_of_drying_and_of_an_opening_nobody_logged() -> None:
    """Beads that are dried while the lid is off are wet again at once, so that alert would be wrong."""
    since = AS_OF - timedelta(hours=5)
    open_one = replace(OVER, lid_open_since=since, unlogged_rise_at=since)
    [alert] = alerts(open_one)
    assert alert == Alert(
        "over",
        AlertKind.lid_open,
        "over: close its lid. Since 4 March, 08:00, the air in it has been like the room's.",
    )


def test_an_opening_that_nobody_logged_is_asked_about_for_a_month() -> None:
    asked = replace(CALM, unlogged_rise_at=AS_OF - timedelta(days=12))
    [alert] = alerts(asked)
    assert alert.kind is AlertKind.unlogged
    assert alert.text.startswith("calm: About 20 Feb its humidity jumped and stayed up")
    assert alerts(replace(asked, unlogged_rise_at=AS_OF - timedelta(days=31))) == ()


def test_a_low_battery_is_said_with_what_to_do() -> None:
    assert CALM.latest is not None
    [alert] = alerts(replace(CALM, latest=CALM.latest._replace(battery_v=2.31)))
    assert alert == Alert(
        "calm", AlertKind.battery, "calm: Its sensor's battery is at 2.31 V. Change it before the sensor falls silent."
    )


@pytest.mark.parametrize(("volts", "low"), [(None, False), (1.05, True), (1.5, False), (2.39, True), (2.41, False)])
def test_which_voltages_are_low(volts: float | None, low: bool) -> None:
    assert battery_is_low(volts) is low


def test_beads_that_are_wetter_than_their_run_said() -> None:
    weak = replace(CALM, weak_recharge=AtRest(0.22, Quantiles(0.08, 0.11, 0.14), 0.031))
    [alert] = alerts(weak)
    assert alert.kind is AlertKind.weak_recharge
    assert "hold about 11 % of water, not at most 3 %" in alert.text
    assert "not warmer than their maker allows" in alert.text


@pytest.mark.parametrize(("material", "urgent"), [("PA6", True), ("PVA", True), ("PLA", False)])
def test_over_the_limit_is_urgent_where_the_filament_is_spoiled_soon(material: str, urgent: bool) -> None:
    [alert] = alerts(replace(OVER, box=replace(OVER.box, spools=(Spool(material, 1000.0),))))
    assert (alert.kind, alert.urgent) == (AlertKind.over_limit, urgent)


def test_due_is_never_urgent() -> None:
    soon = assessment_of("soon", due_in(3))
    [alert] = alerts(replace(soon, box=replace(soon.box, spools=(Spool("PA6", 1000.0),))))
    assert not alert.urgent


def test_tomorrows_plan_is_an_alert_of_the_shelf_with_its_caution() -> None:
    days = (
        PlannedDay(TODAY + timedelta(days=1), "oven", ("left", "right")),
        PlannedDay(TODAY + timedelta(days=8), "oven", ("far",)),
    )
    [alert] = alerts(CALM, plan=RechargePlan("oven", days))
    assert (alert.box, alert.kind, alert.about) == ("", AlertKind.plan, "2026-03-05")
    assert alert.text.startswith(
        "Tomorrow, Thu 5 Mar: dry the beads of left, right (oven). Beads, glass and steam burn"
    )
    [today] = alerts(CALM, plan=RechargePlan("oven", (replace(days[0], on=TODAY),)))
    assert today.text.startswith("Today, Wed 4 Mar: dry the beads of left, right")


def test_where_all_sensors_are_silent_that_is_one_word() -> None:
    """Not one of them is at fault then, but what they share."""
    assert CALM.latest is not None
    two = [
        replace(CALM, box=replace(CALM.box, name=name), latest=CALM.latest._replace(at=AS_OF - timedelta(hours=hours)))
        for name, hours in (("left", 30), ("right", 26))
    ]
    [alert] = alerts(*two)
    assert (alert.box, alert.kind) == ("", AlertKind.silent)
    assert alert.text == (
        "All sensors are silent: no reading for 26 hours. Check the listener and the broker: `siccast check` looks at"
        " both."
    )
    assert [alert.box for alert in alerts(*two, CALM)] == ["left", "right"]
