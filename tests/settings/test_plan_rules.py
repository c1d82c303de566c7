"""When and in what beads are dried, as a shelf file says it; one line for each slip."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from monitor.errors import SettingsError
from monitor.records import Appliance, PlanRules
from monitor.settings import Shelf, parse_shelf

WHOLE = """
[appliances.oven]
temperature_c = 110
minutes = 150
hands_on_minutes = 12
weekdays = ["friday", "monday"]
hours = "06:30-09:00, 20:00-01:30"

[appliances.dryer]
kind = "filament_dryer"
batches_a_day = 2

[plan]
weekdays = ["saturday"]
dates_off = [[2027-02-01, 2027-02-14], 2026-12-24]
tariff_per_kwh = 0.32
currency = "EUR"
risk = { PA6 = 4, PLA = 1 }
not_mixed = [["blue gel", "sieve"]]
"""


def read(text: str) -> Shelf:
    return parse_shelf(text.encode(), Path("anywhere"), {})


def test_all_of_it_arrives() -> None:
    shelf = read(WHOLE)
    assert shelf.plan == PlanRules(
        weekdays=(5,),
        dates_off=((date(2026, 12, 24), date(2026, 12, 24)), (date(2027, 2, 1), date(2027, 2, 14))),
        tariff_per_kwh=0.32,
        currency="EUR",
        risk=(("PA6", 4.0), ("PLA", 1.0)),
        not_mixed=(("blue gel", "sieve"),),
    )
    oven, dryer = shelf.appliances
    assert (oven.minutes, oven.hands_on_minutes, oven.weekdays) == (150.0, 12.0, (0, 4))
    assert oven.hours == ((390, 540), (1200, 1530))  # minutes after midnight; the last one ends on the next day
    assert (dryer.batches_a_day, dryer.hours, dryer.minutes) == (2, (), None)


def test_a_file_from_before_says_what_it_said() -> None:
    shelf = read('[appliances.oven]\ntemperature_c = 110\nbatch_boxes = 3\n[plan]\nweekdays = ["sunday"]\n')
    assert shelf.appliances == (Appliance("oven", temperature_degc=110.0, batch_boxes=3),)
    assert shelf.plan == PlanRules(weekdays=(6,))
    assert read("").plan == PlanRules(weekdays=(5, 6), horizon_days=60)


@pytest.mark.parametrize(
    ("table", "otherwise"), [("plan", "Saturday and Sunday"), ("appliances.oven", "the days of [plan]")]
)
def test_no_day_at_all_is_refused_and_not_taken_for_the_usual_ones(table: str, otherwise: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read(f"[{table}]\nweekdays = []")
    assert f"[{table}]: weekdays = [] is not valid; it must be one or more of them" in str(caught.value)
    assert f"without the line it is {otherwise}" in str(caught.value)


def test_days_off_are_those_of_the_spans() -> None:
    plan = read(WHOLE).plan
    february = {date(2027, 2, day) for day in range(1, 15)}
    assert plan.days_off(date(2026, 12, 20)) == {date(2026, 12, 24), *february}
    assert plan.days_off(date(2027, 2, 14)) == {date(2027, 2, 14)}, "what is past is of no concern"
    assert not plan.is_off(date(2027, 2, 15))


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ('[appliances.a]\nhours = "18-22"', "hours"),
        ('[appliances.a]\nhours = "18:00-25:00"', "hours"),
        ('[appliances.a]\nhours = "24:30-02:00"', "hours"),
        ('[appliances.a]\nhours = "18:00-18:00"', "hours"),
        ('[appliances.a]\nhours = "08:00-10:00, 09:00-11:00"', "hours"),
        ('[appliances.a]\nhours = "06:00-08:00, 22:00-07:00"', "hours"),
        ('[appliances.a]\nminutes = 121\nhours = "18:00-20:00"', "121 minutes"),
        ("[appliances.a]\nminutes = 0", "minutes"),
        ("[appliances.a]\nhands_on_minutes = -1", "hands_on_minutes"),
        ("[appliances.a]\nbatches_a_day = 0", "batches_a_day"),
        ('[appliances.a]\nweekdays = ["someday"]', "weekdays"),
        ("[plan]\ndates_off = 2026-12-24", "dates_off"),
        ("[plan]\ndates_off = [[2026-12-24, 2026-12-20]]", "dates_off"),
        ("[plan]\ndates_off = [2026-12-24T10:00:00Z]", "dates_off"),
        ('[plan]\ndates_off = ["christmas"]', "dates_off"),
        ("[plan]\ntariff_per_kwh = 0.3", "currency"),
        ('[plan]\ncurrency = "EUR"', "tariff_per_kwh"),
        ('[plan]\ntariff_per_kwh = 0.3\ncurrency = "of the realm"', "currency"),
        ("[plan]\nrisk = { PA9 = 4 }", "PA9"),
        ("[plan]\nrisk = { PA6 = 0 }", "PA6"),
        ("[plan]\nrisk = 4", "risk"),
        ('[plan]\nnot_mixed = ["blue gel", "sieve"]', "not_mixed"),
        ('[plan]\nnot_mixed = [["blue gel"]]', "not_mixed"),
        ("[plan]\nnot_mixed = [[1, 2]]", "not_mixed"),
    ],
)
def test_a_slip_is_named_in_one_line(text: str, named: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read(text)
    said = str(caught.value)
    assert named in said
    assert "\n" not in said
    assert "must be" in said
