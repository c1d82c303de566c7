"""Every face tells the same days: a shelf with two appliances, a charge in reserve and a box that leaks."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, timedelta
from threading import Event

import pytest
from icalendar import Calendar
from kept_site import Site, made, with_fewer_draws
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.presentation.plan_calendar import calendar_of
from monitor.records import DecisionKind, PlanDecision
from monitor.records.desk_events import ChargePortioned, LotBought
from monitor.services import kept_plan, plan_to_show
from monitor.services.recharge_plan import FullPlan
from monitor.settings import Shelf, load_shelf
from monitor.web.snapshot import Snapshot, plan_due, take_snapshot

NIGHT = made(60)[1] + timedelta(days=40)
SHELF = f"""
site = "attic"
timezone = "UTC"
recorded_until = {NIGHT:%Y-%m-%dT%H:%M:%SZ}

[plan]
horizon_days = 40

[boxes.left]
limit_rh_pct = 20
style = "gasket"

[boxes.middle]
limit_rh_pct = 20
style = "gasket"

[boxes.right]
limit_rh_pct = 8
style = "gasket"

[appliances.oven]
kind = "oven"
weekdays = ["saturday", "sunday"]

[appliances.dryer]
kind = "filament_dryer"
temperature_c = 70
weekdays = ["monday", "tuesday", "wednesday", "thursday", "friday"]
"""


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shelf]:
    """Give the shelf, whose right box is leakiest and has the lowest limit."""
    site = Site.begun(tmp_path_factory.mktemp("one-plan"))
    site.arrive(NIGHT)
    with site.stores() as stores:
        for event in (LotBought("march", "silica_gel", 900.0), ChargePortioned("jar", "march", 256.0, "", 0.0, "new")):
            stores.events.log(event, NIGHT - timedelta(days=1), NIGHT)
    (site.folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        with_fewer_draws(patch)
        yield load_shelf(site.folder, {})


def asked(shelf: Shelf, *words: str) -> str:
    answer = CliRunner().invoke(app, ["--shelf", str(shelf.folder), *words])
    assert answer.exit_code in (0, 3), answer.output
    return answer.stdout


def days_of_page(snapshot: Snapshot) -> list[tuple[date, str, tuple[str, ...]]]:
    assert snapshot.plan is not None
    return [(day.on, day.appliance, day.boxes) for day in snapshot.plan.days]


def days_of_command(answer: str) -> list[tuple[date, str, tuple[str, ...]]]:
    return [
        (date.fromisoformat(day["on"]), day["appliance"], tuple(one["box"] for one in day["boxes"]))
        for day in json.loads(answer)["days"]
    ]


def test_all_faces_tell_the_same_days_and_it_is_planned_once(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    made_by = kept_plan.plan_shelf
    counted: list[FullPlan] = []
    monkeypatch.setattr(
        kept_plan, "plan_shelf", lambda *told, **how: counted.append(made_by(*told, **how)) or counted[-1]
    )
    told = json.loads(asked(shelf, "plan", "--json"))
    days = days_of_command(json.dumps(told))
    assert days or told["swaps"], "the right box is due"
    snapshot = take_snapshot(shelf, NIGHT)
    assert days_of_page(snapshot) == days
    assert snapshot.full_plan is not None
    assert [(one.on.isoformat(), one.box) for one in snapshot.full_plan.plan.swaps] == [
        (one["on"], one["box"]) for one in told["swaps"]
    ]
    file = shelf.folder / "days.ics"
    asked(shelf, "plan", "--calendar", str(file))
    events = Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert sorted(event.decoded("dtstart") for event in events) == sorted(on for on, _, _ in days)
    soon = [on for on, _, _ in days if on <= NIGHT.date() + timedelta(days=1)]
    words = [
        one["text"] for one in json.loads(asked(shelf, "today", "--json"))["words"] if one["matter"] == "drying day"
    ]
    assert len(words) == len(set(soon))
    assert len(counted) == 1


def test_a_decision_is_there_for_all_faces_at_once(shelf: Shelf) -> None:
    on = NIGHT.date() + timedelta(days=1)
    with Site(shelf.folder).stores() as stores:
        number = stores.plan_decisions.keep(PlanDecision(DecisionKind.moved, on, "left"), NIGHT)
    snapshot = take_snapshot(shelf, NIGHT)
    assert [day for day in days_of_page(snapshot) if day[0] == on and "left" in day[2]]
    assert days_of_command(asked(shelf, "plan", "--json")) == days_of_page(snapshot)
    words = [
        one["text"] for one in json.loads(asked(shelf, "today", "--json"))["words"] if one["matter"] == "drying day"
    ]
    assert [text for text in words if text.startswith("Tomorrow") and "left" in text]
    with Site(shelf.folder).stores(read_only=True) as stores:
        assert stores.plan_decisions.announced()["left"].on == on
        feed = calendar_of(
            stores,
            shelf,
            snapshot.plan,
            answers=snapshot.answers,
            as_of=snapshot.as_of,
            now=NIGHT,  # type: ignore[arg-type]
        )
    told = [one for one in Calendar.from_ical(feed).walk("VEVENT") if one["status"] == "CONFIRMED"]
    assert {event.decoded("dtstart") for event in told} == {day for day, _, _ in days_of_page(snapshot)}
    asked(shelf, "plan", "undo", str(number))


def test_another_question_changes_no_plan(shelf: Shelf) -> None:
    def kept() -> object:
        with Site(shelf.folder).stores(read_only=True) as stores:
            return stores.plans.newest(), stores.plan_decisions.announced()

    asked(shelf, "plan")
    before = kept()
    earlier = f"{NIGHT - timedelta(hours=2):%Y-%m-%dT%H:%M}"
    for other in (("--days", "20"), ("--appliance", "oven"), ("--as-of", earlier)):
        asked(shelf, "plan", *other)
        assert kept() == before, other


def test_of_many_boxes_the_quick_plan_stands_until_another_process_made_the_whole(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plan_to_show, "MANY_BOXES", 1)
    with Site(shelf.folder).stores() as stores:
        number = stores.plan_decisions.keep(PlanDecision(DecisionKind.skip, NIGHT.date(), "left"), NIGHT)
    quick = take_snapshot(shelf, NIGHT)
    assert quick.plan is not None
    assert (quick.full_plan, quick.plan_is_due) == (None, True)
    whole = plan_due(shelf, quick, Event(), make=True)
    assert whole.full_plan is not None
    assert whole.plan is whole.full_plan.plan
    assert not whole.plan_is_due
    asked(shelf, "plan", "undo", str(number))
