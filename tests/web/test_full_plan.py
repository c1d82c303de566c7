"""The page of a plan with two appliances, a box that is visited again, a spare charge and a box that is late."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import httpx
import pytest
from answers_by_hand import AS_OF
from full_plan_by_hand import LATER, SATURDAY, SUNDAY, shelf_with_two_appliances, snapshot_with_full_plan, whole_plan
from icalendar import Calendar
from shelf_on_page import serving

from monitor.planning.alerts import alerts_for_today
from monitor.presentation.plan_days import dates_of, dried_after, next_visits, spares_words, swap_words
from monitor.presentation.plan_table import plan_rows
from monitor.web.snapshot import Keeper


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    shelf = shelf_with_two_appliances(tmp_path_factory.mktemp("shelf"))
    keeper = Keeper(partial(snapshot_with_full_plan, shelf), lambda _: 1)
    with serving(shelf, keeper) as address, httpx.Client(base_url=address, timeout=None) as client:
        yield client


def words(text: str) -> str:
    plain = html.unescape(re.sub(r"<[^>]*>", " ", text)).replace("\N{NARROW NO-BREAK SPACE}", " ")
    return " ".join(plain.split())


def card(page: str, on: str) -> str:
    return re.split(r'<li class="plan-day"|</ol>', page.split(f'id="day-{on}"')[1])[0]


def test_a_date_tells_each_appliance_with_what_it_takes_and_what_a_week_risks(client: httpx.Client) -> None:
    page = client.get("/plan").text
    assert "Dry over and soon on Saturday 7 March." in page
    assert "3 days, 3 boxes, 4 visits" in words(page)
    saturday = card(page, "2026-03-07")
    assert re.findall(r"<h4>(\S+)", saturday) == ["oven", "microwave"]
    assert saturday.count("Not that day") == 1
    said = words(saturday)
    for each in (
        "2.5 hours in all, 20 minutes of it by hand, 2.4 kWh. The time is what such appliances usually take.",
        "40 minutes in all, 15 minutes of it by hand, 0.5 kWh. The energy is what such appliances usually draw.",
        "A week later the chance is 60 %, with about 1.8 days more over the limit.",
        "Moved from Sun 8 Mar to Sat 7 Mar: an earlier day has a free place, "
        "and it may pass its limit before the later one.",
    ):
        assert each in said, each


def test_only_the_next_visit_of_a_box_is_moved_or_done(client: httpx.Client) -> None:
    page = client.get("/plan").text
    later = card(page, "2026-03-21")
    assert "again" in words(later)
    assert "It stands or moves with its visit of Sat 7 Mar: move that one." in words(later)
    assert "/plan/done" not in later
    assert 'action="/plan/move"' not in later
    assert len(re.findall(r'class="chip[^"]*" data-box="over"', page)) == 1
    weeks = page.split('id="weeks"')[1]
    assert re.search(r'data-day="2026-03-21".*?class="chip again"', weeks, re.S)


def test_a_swap_says_what_goes_in_and_where_what_comes_out_is_dried(client: httpx.Client) -> None:
    page = client.get("/plan").text
    sunday, later = card(page, "2026-03-08"), card(page, "2026-03-21")
    assert "Put spare jar into far. What comes out is dried on Sat 21 Mar in the oven" in words(sunday)
    assert 'action="/plan/move"' in sunday, "it is the next visit of that box"
    assert "Put it in" in words(sunday)
    assert "Dry what came out of far on Sun 8 Mar: it is spare jar then." in words(later)


def test_what_is_late_and_what_it_is_worth_is_told(client: httpx.Client) -> None:
    page = words(client.get("/plan").text)
    assert "It gets dry beads 3 days late; by then it is over its limit with a chance of 99 %." in page
    assert "The microwave on Wednesdays, too, would mend that." in page
    assert "A better lid on over (half its leak): no day late." in page
    assert "To mend it: move a box" not in page, "a better remedy is named"
    assert "All of it takes 420 g of beads, about 55 minutes of work by hand, 5.3 kWh and 1.59 EUR." in page
    assert "No other plan can be more than 1.2 % better: that is proved." in page
    assert "this plan days of heating 2 boxes dried 4 box-days over the limit 6 in a humid year 14" in page
    assert "every 2 weeks days of heating 5" in page
    assert "when over the limit days of heating 4" in page


def test_the_other_pages_say_the_same_days(client: httpx.Client) -> None:
    shelf = words(client.get("/").text)
    assert "Dry over and soon on Saturday" in shelf
    assert "Saturday, 7 March, oven, microwave" in shelf
    assert "dry beads now (planned: Sat 7 Mar, oven)" in shelf
    assert "planned: Sat 7 Mar, microwave" in words(client.get("/box/soon").text)
    assert "planned: spare jar goes in, Sun 8 Mar" in words(client.get("/box/far").text)
    assert "Dry over and soon on Saturday" in words(client.get("/wall").text)


def test_a_calendar_has_an_event_for_each_appliance_and_one_for_a_swap(client: httpx.Client) -> None:
    events = Calendar.from_ical(client.get("/drying.ics").content).walk("VEVENT")
    told = {(event.decoded("dtstart"), str(event["summary"])): str(event["description"]) for event in events}
    assert set(told) == {
        (SATURDAY, "Dry beads (oven): over"),
        (SATURDAY, "Dry beads (microwave): soon"),
        (SUNDAY, "Put spare beads into: far"),
        (LATER, "Dry beads (oven): over, spare jar"),
    }
    assert "dried on Sat 21 Mar in the oven" in told[SUNDAY, "Put spare beads into: far"]
    assert "Dry what came out of far" in told[LATER, "Dry beads (oven): over, spare jar"]


def test_a_move_counts_for_the_next_visit(tmp_path: Path) -> None:
    shelf = shelf_with_two_appliances(tmp_path)
    keeper = Keeper(partial(snapshot_with_full_plan, shelf), lambda _: 1)
    with serving(shelf, keeper) as address, httpx.Client(base_url=address, timeout=None) as client:
        token = re.search(r'name="token" value="([^"]+)"', client.get("/plan").text)
        assert token is not None
        sent = client.post("/plan/move", data={"token": token[1], "box": "far", "on": "2026-03-15"})
        page = client.get(sent.headers["location"]).text
    assert "far is moved to Sun 15 Mar" in words(page)
    assert 'href="/box/far"' in card(page, "2026-03-15")
    assert "moved by you" in words(card(page, "2026-03-15"))


def test_words_for_the_day_name_swaps_too() -> None:
    plan = whole_plan().plan
    [alert] = alerts_for_today([], SUNDAY, plan=plan)
    assert alert.text == "Today, Sun 8 Mar: Put spare jar into far."
    [alert] = alerts_for_today([], SATURDAY, plan=replace(plan, swaps=()))
    assert alert.text.startswith("Today, Sat 7 Mar: dry the beads of over (oven); soon (microwave).")


def test_what_comes_out_is_dried_at_the_first_place_there_is_for_it() -> None:
    plan = whole_plan().plan
    [swap] = plan.swaps
    other = replace(swap, box="young", on=LATER)
    both = replace(plan, swaps=(other, swap))
    assert [(one.box, day.on if day else None) for one, day in dried_after(both)] == [("far", LATER), ("young", None)]
    assert "waits wet in reserve" in swap_words(other, None, AS_OF.date())
    same_day = swap_words(other, plan.days[2], AS_OF.date())
    assert "is dried the same day in the oven" in same_day
    wet = replace(plan, swaps=())
    assert spares_words(wet, wet.days[2], AS_OF.date()) == ["Dry spare jar, which is still wet."]


def test_the_command_line_tells_them_too() -> None:
    plan = whole_plan().plan
    assert [row[:3] for row in plan_rows(plan, AS_OF.date())] == [
        ("Sat 7 Mar", "oven", "over"),
        ("Sat 7 Mar", "microwave", "soon"),
        ("Sun 8 Mar", "reserve", "far"),
        ("Sat 21 Mar", "oven", "over, again"),
        ("", "", "for the reserve"),
    ]
    assert next_visits(plan)["over"].on == SATURDAY
    assert [one.boxes for one in dates_of(plan)] == [("over", "soon"), ("far",), ("over",)]
