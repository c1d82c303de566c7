"""The page without a browser: what it says, what it escapes, what it refuses, and what rides on every answer."""

from __future__ import annotations

import hashlib
import html
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest
from icalendar import Calendar
from shelf_on_page import HOSTILE, got, keeper_by_hand, make_shelf, serving

from monitor.presentation.shipped import shipped
from monitor.settings import load_shelf
from monitor.store.opening import open_stores


@contextmanager
def client_of(folder: Path, more: str = "") -> Iterator[httpx.Client]:
    shelf = make_shelf(folder, more)
    with serving(shelf, keeper_by_hand(shelf)) as address, httpx.Client(base_url=address, timeout=None) as client:
        yield client


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    with client_of(tmp_path_factory.mktemp("shelf")) as client:
        yield client


def test_the_shelf_shows_every_box_worst_first(client: httpx.Client) -> None:
    page = client.get("/").text
    assert '<h1 id="headline">Dry over and soon on Saturday; far holds until ' in page
    assert "Check the lid of soon: it leaks more than before." in page
    stood = re.findall(r'<h2 class="name"><a href="/box/([^"]+)"', page)
    assert stood[:3] == ["over", "soon", "young"]
    assert "Saturday, 7 March, oven" in page


def test_each_box_shows_humidity_limit_capacity_and_a_date_with_its_interval(client: httpx.Client) -> None:
    card = client.get("/").text.split("<li ")[2]
    for shown in ("17.0 %", "limit 20 %", "50 % full (40 – 60)", "16 Mar (12", "due by", "dry beads by"):
        assert shown in html.unescape(card).replace("\N{NARROW NO-BREAK SPACE}", " "), shown


def test_what_an_answer_does_not_rest_on_is_said_on_the_page(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    keeper = keeper_by_hand(shelf)
    taken, told = keeper._take, "InfluxDB at http://farm gives no answer <503>"
    keeper._take = lambda clock: replace(taken(clock), reservation=told)
    with serving(shelf, keeper) as address:
        assert f'<p class="notice" role="status">{html.escape(told)}</p>' in got(address).text


def test_a_far_crossing_is_named_by_its_month(client: httpx.Client) -> None:
    assert "Apr 2027" in client.get("/box/far").text


def test_the_page_of_a_box_tells_leak_evidence_and_ledger(client: httpx.Client) -> None:
    page = client.get("/box/soon").text.replace("\N{NARROW NO-BREAK SPACE}", " ")
    for shown in (
        "0.052 (0.031 – 0.088) g a day per kPa",
        "Forty days of readings",
        "Weigh the beads once.",
        "weighed 112 g",
        "dried in the microwave",
        "it has been 6.0 (4.0 – 9.0) times as leaky as before",
        "An empty box like this gets halfway to the room's humidity in 23 hours.",
    ):
        assert shown in html.unescape(page), shown
    assert page.index("Water coming in now") < page.index("<summary>Details</summary>") < page.index("a day per kPa")


def test_a_box_that_leaks_more_says_so_on_its_card_and_once_at_the_head_of_its_page(client: httpx.Client) -> None:
    said = "Check the lid and seal: this box has leaked about 6 times as much since"
    page, card = client.get("/box/soon").text, client.get("/").text.split("<li ")[2]
    assert page.index('<details class="badge" open>') < page.index(said) < page.index('<div class="act">')
    assert page.count(said) == 1, "what is told twice is skipped"
    assert said in card
    assert "check the lid and seal; dry beads by" in card
    assert said not in client.get("/box/far").text


def test_the_numbers_of_the_chart_stand_in_a_table_too(client: httpx.Client) -> None:
    page = client.get("/box/soon").text
    numbers = json.loads(re.search(r'id="chart-numbers">(.*?)</script>', page, re.DOTALL)[1])  # type: ignore[index]
    assert len(numbers["steps"]) == len(numbers["values"]) == 60 * 24
    assert numbers["limit"] == pytest.approx(20.0)
    assert all(
        low <= middle <= high
        for low, middle, high in zip(*(numbers["fan"][k] for k in ("low", "middle", "high")), strict=True)
    )
    assert page.count("<caption>") == 2


def test_comparable_charts_share_their_scale(client: httpx.Client) -> None:
    tops = {
        json.loads(re.search(r'id="chart-numbers">(.*?)</script>', client.get(f"/box/{box}").text, re.DOTALL)[1])["top"]  # type: ignore[index]
        for box in ("over", "soon", "far", "young")
    }
    assert len(tops) == 1


def test_names_and_notes_from_outside_are_escaped_everywhere(client: httpx.Client) -> None:
    for page in (client.get("/").text, client.get(f"/box/{quote(HOSTILE)}").text, client.get("/box/soon").text):
        assert "<img src=x" not in page
        assert "<b>reel" not in page
    assert client.get(f"/box/{quote(HOSTILE)}").status_code == 200


def test_a_box_without_evidence_gets_a_reason_and_no_number(client: httpx.Client) -> None:
    page = client.get("/box/young").text
    assert "Two days of readings can&#39;t carry a forecast" in page
    assert "will probably rise" not in page


def test_nothing_may_be_loaded_from_elsewhere(client: httpx.Client) -> None:
    for path in ("/", "/box/soon", "/box/nobody", "/assets/siccast.css"):
        answer = client.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
    for page in (client.get("/").text, client.get("/box/soon").text):
        assert not re.search(r'(?:src|href)="(?:https?:)?//', page)
        assert " style=" not in page
        assert not re.search(r"<script(?![^>]*(?:src=|application/json))", page)


def test_an_unknown_box_is_a_plain_404(client: httpx.Client) -> None:
    answer = client.get("/box/nobody")
    assert answer.status_code == 404
    assert "There is no box of this name" in answer.text


def test_on_loopback_no_other_name_is_answered(client: httpx.Client) -> None:
    assert client.get("/", headers={"host": "evil.example:8737"}).status_code == 421
    assert client.get("/", headers={"host": "localhost:8737"}).status_code == 200
    assert client.get("/", headers={"host": "[::1]:8737"}).status_code == 200


def test_units_of_the_shelf_are_the_units_of_the_page(tmp_path: Path) -> None:
    with client_of(tmp_path, 'temperature_unit = "F"\nmass_unit = "oz"\n') as client:
        page = client.get("/box/soon").text.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "70.7 °F" in page  # 21.5 °C
    assert "weighed 4.0 oz" in page  # 112.5 g
    assert "°C" not in page


def test_a_shelf_without_boxes_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text('site = "bare"\n')
    shelf = load_shelf(tmp_path, {})
    with serving(shelf, wait_for="There is no database") as address:
        page = got(address).text
        assert "siccast listen" in page
        assert "takes some seconds" not in page
    assert [path.name for path in tmp_path.iterdir()] == ["shelf.toml"]
    with open_stores(shelf.database_path):
        pass
    with serving(shelf) as address:
        assert "There is no box yet" in got(address).text


def test_a_database_that_breaks_meanwhile_is_one_sentence(tmp_path: Path) -> None:
    with client_of(tmp_path) as client:
        for file in tmp_path.glob("siccast.sqlite3*"):
            file.write_bytes(b"no database at all" * 500)
        assert client.get("/").status_code == 200
        answer = client.get("/box/soon")
        assert answer.status_code == 503
        assert "siccast.sqlite3" in answer.text
        assert "Traceback" not in answer.text
        assert "content-security-policy" in answer.headers


@pytest.mark.parametrize(
    ("name", "digest"),
    [
        # as published at registry.npmjs.org: idiomorph 0.8.0, uplot 1.6.32,
        # @fontsource-variable/atkinson-hyperlegible-next 5.3.0
        ("idiomorph.min.js", "4cbd535caf7663a51eda9bce6595371c384fc430d54b8d414e29a61167f19f96"),
        ("uPlot.iife.min.js", "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"),
        ("uPlot.min.css", "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"),
        ("uPlot.LICENSE", "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd"),
        (
            "atkinson-hyperlegible-next-latin-wght-normal.woff2",
            "18b2a1a39a2fa298b0ba5390aca68462669826c90925656f1c1f6796e0e1bbaf",
        ),
    ],
)
def test_vendored_files_are_the_published_ones(name: str, digest: str) -> None:
    content = (shipped("dashboards") / "assets" / "vendor" / name).read_bytes()
    assert hashlib.sha256(content).hexdigest() == digest


def test_a_calendar_program_is_handed_the_days_of_drying(client: httpx.Client) -> None:
    assert 'href="/drying.ics"' in client.get("/").text
    answer = client.get("/drying.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    (event,) = Calendar.from_ical(answer.content).walk("VEVENT")
    assert event.decoded("dtstart") == date(2026, 3, 7)
    assert "over: over its limit already" in event["description"]


def test_what_if_is_answered_on_the_page_of_a_box(client: httpx.Client) -> None:
    page = html.unescape(client.get("/box/soon", params={"limit": "30", "leak-times": "0,5"}).text)
    page = page.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "Supposed: a limit of 30 % instead of 20 %; half the leak" in page
    assert page.count("With the change") == 1
    assert 'name="leak-times" value="0,5"' in page


def test_a_question_left_empty_asks_nothing(client: httpx.Client) -> None:
    answer = client.get("/box/soon", params={"limit": "", "beads": ""})
    assert answer.status_code == 200
    assert "With the change" not in answer.text


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"limit": "120"}, "120 is not valid: a limit is from 1 to 95 %"),
        ({"leak-times": "nan"}, "nan is not valid: a leak is from 0.01 to 100 times"),
        ({"room-temperature": "900"}, "900 is not valid: a room has from -20 to 60 °C"),
        ({"beads": "sugar"}, "'sugar' is not a known desiccant. Known:"),
        ({"limit": '"><script>'}, "won't do; write a number, such as 25"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_where_it_was_typed(
    client: httpx.Client, typed: dict[str, str], said: str
) -> None:
    answer = client.get("/box/soon", params=typed)
    assert answer.status_code == 400
    assert said in html.unescape(answer.text).replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "<script>" not in answer.text.replace('<script type="application/json"', "").replace("<script src", "")


def test_a_box_too_young_for_a_forecast_says_so_when_asked(client: httpx.Client) -> None:
    assert 'id="what-if"' not in client.get("/box/young").text, "it could only be refused"
    page = html.unescape(client.get("/box/young", params={"limit": "30"}).text)
    assert 'role="alert"' in page
    assert "With the change" not in page
