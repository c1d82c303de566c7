"""`siccast plan move`, `skip`, `not` and `undo`: what was decided stays, in every answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from full_plan_by_hand import SATURDAY, whole_plan
from icalendar import Calendar

from monitor.cli.outlooks.plan import _show
from monitor.planning.recharge import RechargePlan
from monitor.presentation.wording import Wording
from monitor.texts import say

Run = Callable[..., Any]


def days_of(siccast: Run) -> dict[str, str]:
    answer = json.loads(siccast("plan", "--json").stdout)
    return {box["box"]: day["on"] for day in answer["days"] for box in day["boxes"]}


def test_a_box_that_was_moved_stays_moved_until_undone(siccast: Run, tmp_path: Path) -> None:
    assert days_of(siccast)["pa6-dry"] == "2026-03-07"
    told = siccast("plan", "move", "pa6-dry", "wednesday")
    assert told.stdout == "pa6-dry is moved to Wed 4 Mar. To undo: `siccast plan undo 1`\n"
    assert days_of(siccast)["pa6-dry"] == "2026-03-04"
    siccast("plan", "move", "pa6-dry", "2026-03-18")
    shown = siccast("plan").stdout
    assert "You moved it to this day. It is due by Fri 13 Mar." in " ".join(shown.split())
    assert "number 2" in shown
    siccast("plan", "--calendar", str(tmp_path / "drying.ics"))
    (event,) = Calendar.from_ical((tmp_path / "drying.ics").read_bytes()).walk("VEVENT")
    assert event.decoded("dtstart").isoformat() == "2026-03-18"
    assert "dry beads by Fri 13 Mar (you moved it to Wed 18 Mar)" in " ".join(siccast("forecast").stdout.split())
    assert siccast("plan", "undo", "2").stdout == "undid decision 2: pa6-dry is moved to Wed 18 Mar\n"
    assert days_of(siccast)["pa6-dry"] == "2026-03-04", "the decision before it counts again"


def test_a_day_off_and_a_box_skipped(siccast: Run) -> None:
    siccast("plan", "not", "2026-03-07")
    assert days_of(siccast)["pa6-dry"] != "2026-03-07"
    told = siccast("plan", "skip", "pa6-dry")
    assert "pa6-dry is skipped until Wed 1 Apr" in told.stdout
    assert days_of(siccast)["pa6-dry"] >= "2026-04-01"
    kinds = [one["kind"] for one in json.loads(siccast("plan", "--json").stdout)["decisions"]]
    assert kinds == ["not that day", "skip"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("move", "pa6-dry", "someday"), "'someday' is not a day. Write it like"),
        (("move", "pa6-dry", "2026-03-03"), "'2026-03-03' is past. Choose today, 2026-03-04, or a later day"),
        (("move", "nobody", "saturday"), "there is no box 'nobody'"),
        (("move", "pa6-dry", "2036-03-14"), "The plan looks 365 days ahead; 2036-03-14 lies beyond"),
        (("not", "2036-03-14"), "The plan looks 365 days ahead"),
        (("skip", "room"), "'room' is the room sensor, not a box"),
        (("undo", "7"), "there is no decision 7 about the plan"),
    ],
)
def test_slips_are_named(siccast: Run, words: tuple[str, ...], said: str) -> None:
    result = siccast("plan", *words)
    assert result.exit_code != 0
    assert said in " ".join((result.output + str(result.exception)).replace("│", " ").split())


def test_what_a_plan_takes_and_lacks_is_in_the_units_of_the_shelf(capsys: pytest.CaptureFixture[str]) -> None:
    whole = whole_plan()
    spare = say("A spare charge of {grams} g in reserve would mend that.", grams="120")
    hot = RechargePlan("oven", whole.plan.days, {"blue": "It stands 120 °C at most."})
    _show(
        replace(whole, plan=hot, unmet=(replace(whole.unmet[0], words=spare),)),
        SATURDAY,
        "EUR",
        Wording(ZoneInfo("UTC"), fahrenheit=True, ounces=True),
    )
    shown = capsys.readouterr().out
    assert "All of it takes 15 oz of beads" in shown, "420 g are 14.8"
    assert "A spare charge of 4.23 oz in reserve" in shown
    assert "It stands 248 °F at most." in shown


def test_a_plan_without_days_tells_whether_none_is_needed_or_none_can_be(capsys: pytest.CaptureFixture[str]) -> None:
    whole = whole_plan()
    for late, said in (
        (whole.unmet, "No box has a drying day in that time, though some need dry beads."),
        ((), "No box needs drying in that time, as far as is known."),
    ):
        _show(replace(whole, plan=RechargePlan("oven", ()), unmet=late), SATURDAY, "EUR", Wording(ZoneInfo("UTC")))
        assert capsys.readouterr().out.strip().splitlines()[0] == said
