"""`siccast plan move`, `skip`, `not` and `undo`: what was decided stays, in every answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from answers_by_hand import AS_OF, assessment_of, forecast_of
from full_plan_by_hand import SATURDAY, whole_plan
from icalendar import Calendar

from monitor.cli.outlooks.plan import _show
from monitor.cli.session import Assessed
from monitor.planning.recharge import RechargePlan
from monitor.presentation.wording import Wording
from monitor.records import DecisionKind, PlanDecision
from monitor.settings import load_shelf
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


def test_some_days_away_are_one_decision_that_every_answer_keeps_to(siccast: Run) -> None:
    told = siccast("plan", "not", "2026-03-05", "2026-03-22").stdout
    assert told == "Nothing is dried from Thu 5 Mar to Sun 22 Mar. To undo: `siccast plan undo 1`\n"
    answer = json.loads(siccast("plan", "--json").stdout)
    assert not [day["on"] for day in answer["days"] if "2026-03-05" <= day["on"] <= "2026-03-22"]
    (decision,) = answer["decisions"]
    assert (decision["on"], decision["last"]) == ("2026-03-05", "2026-03-22")
    assert "number 1 Nothing is dried from Thu 5 Mar to Sun 22 Mar." in " ".join(siccast("plan").stdout.split())
    siccast("plan", "undo", "1")
    assert days_of(siccast)["pa6-dry"] == "2026-03-07"


def test_a_weekday_as_the_last_day_is_the_one_that_follows_the_first(siccast: Run) -> None:
    assert "from Sat 7 Mar to Fri 13 Mar" in siccast("plan", "not", "saturday", "friday").stdout
    assert siccast("plan", "not", "saturday", "saturday").stdout.startswith("Nothing is dried on Sat 7 Mar.")


def test_days_off_of_the_shelf_file_and_of_a_decision_put_off_the_next_drying_day(tmp_path: Path) -> None:
    """`today` named a Saturday that `dates_off` leaves out."""
    (tmp_path / "shelf.toml").write_text("[plan]\ndates_off = [[2026-03-07, 2026-03-08]]\n", "utf-8")
    asked = Assessed(load_shelf(tmp_path), AS_OF, (assessment_of("soon", forecast_of(8.0)),))
    away = PlanDecision(DecisionKind.not_that_day, date(2026, 3, 9), last=date(2026, 3, 20))
    assert asked.wording.oven_day(AS_OF) == date(2026, 3, 14)
    assert replace(asked, decisions=(away,)).wording.oven_day(AS_OF) == date(2026, 3, 21)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("not", "2026-03-20", "2026-03-10"), "The last day, 2026-03-10, is before the first, 2026-03-20"),
        (("not", "2026-03-20", "2036-03-10"), "The plan looks 365 days ahead"),
        (("not", "2026-03-20", "next week"), "'next week' is not a day. Write it like"),
        (("not", "2026-03-01", "2026-03-20"), "'2026-03-01' is past. Choose today, 2026-03-04, or a later day"),
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
