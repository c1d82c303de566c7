"""The page of all boxes: how densely, which of them, grouped by what, and what is shown of each."""

from __future__ import annotations

import gzip
import html
import re
import threading
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import replace
from datetime import timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from answers_by_hand import AS_OF, assessment_of
from boxes_on_page import calm, dozen, many, over, planned, renamed, shown, silent
from shelf_on_page import HOSTILE, assessments, charge

from monitor.presentation.wording import Wording
from monitor.records import Assessment, BoxState, Spool
from monitor.web.rendering import Renderer
from monitor.web.shelf.asked import Asked, Density, GroupBy, Kind
from monitor.web.shelf.view import card

THIN = "\N{NARROW NO-BREAK SPACE}"


def page_of(client: httpx.Client, address: str = "/") -> str:
    answer = client.get(address)
    assert answer.status_code == 200
    return re.sub(r"</?time.*?>", "", html.unescape(answer.text).replace(THIN, " "))


def cards(page: str) -> dict[str, str]:
    """Return what each box says, by its name."""
    parts = re.split(r'<li class="(?:stand|line)', page)[1:]
    return {re.search(r'data-name="([^"]*)"', part)[1]: part.partition("</li>")[0] for part in parts}  # type: ignore[index]


def visible(page: str) -> list[str]:
    return [name for name, card in cards(page).items() if " hidden>" not in card.partition("\n")[0]]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with shown(tmp_path_factory.mktemp("dozen"), dozen(), planned("pc-clear", "petg-printer", "asa-rack")) as client:
        yield client


# --- what is shown of a box -------------------------------------------------------------------------------------------


def test_an_old_reading_never_stands_in_large_figures(client: httpx.Client) -> None:
    for address in ("/?view=columns", "/?view=rows", "/box/tpu-bag"):
        page = page_of(client, address)
        card = cards(page).get("tpu-bag", page)
        large = re.findall(r'<(?:span class="big|b)[^>]*>([^<]*)<', card)
        assert "about 17.6 %" in large
        assert not any("12.9" in figure for figure in large)
        assert "last reading 40 days ago: 12.9 %" in card


def test_an_old_reading_without_an_estimate_leaves_the_figure_open(tmp_path: Path) -> None:
    lost = replace(assessment_of("lost", None), latest=silent("lost").latest)
    never = replace(assessment_of("never", None, BoxState.no_readings), latest=None, charge=None)
    with shown(tmp_path, [lost, never]) as client:
        there = cards(page_of(client))
    assert '<span class="big guess">–</span>' in there["lost"]
    assert "last reading 40 days ago: 12.9 %" in there["lost"]
    assert '<span class="big">–</span>' in there["never"]
    assert "no reading yet, limit 20 %" in there["never"]


def test_how_far_over_stands_above_the_limit_in_the_glass(client: httpx.Client) -> None:
    """Ten points over stand five times as high as two: drawn to one scale."""
    there = cards(page_of(client, "/?view=columns"))
    heights = {}
    for name in ("pc-clear", "petg-printer", "asa-rack"):
        limit, top = (
            float(re.search(pattern, there[name])[1])  # type: ignore[index]
            for pattern in (r'class="limit" d="M2 ([\d.]+)', r'class="above-top" d="M6.5 ([\d.]+)')
        )
        heights[name] = limit - top
    assert heights["pc-clear"] / heights["asa-rack"] == pytest.approx(10.2 / 2.0, rel=0.02)
    assert heights["pc-clear"] / heights["petg-printer"] == pytest.approx(10.2 / 3.4, rel=0.02)
    assert (">+10<" in there["pc-clear"], ">+2.0<" in there["asa-rack"]) == (True, True)
    assert "10 points over" in there["pc-clear"]
    assert "above-top" not in there["pla-white"]


def test_each_badge_is_explained_by_a_tap_and_from_the_start_on_the_page_of_the_box(tmp_path: Path) -> None:
    soon = assessments()[1]
    wrong = replace(
        soon,
        unlogged_rise_at=AS_OF - timedelta(days=3),
        latest=soon.latest and soon.latest._replace(battery_v=2.2),
    )
    with shown(tmp_path, [wrong]) as client:
        for page, state in ((page_of(client), ""), (page_of(client, "/box/soon"), " open")):
            badge = rf'<details class="badge"{state}><summary>.*?<span>(.*?)</span></summary><p>(.*?)</p>'
            found = re.findall(badge, page, re.DOTALL)
            assert [words for words, _ in found] == ["leaks 6 times as much", "opened, not logged?", "battery low"]
            assert all(len(why) > 40 for _, why in found)
        assert "opened, not logged?" in cards(page_of(client, "/?view=rows"))["soon"]


# --- how densely ------------------------------------------------------------------------------------------------------


def test_rows_are_chosen_by_a_plain_link_and_remembered(client: httpx.Client) -> None:
    with httpx.Client(base_url=client.base_url, timeout=None) as visitor:
        assert "stand " in page_of(visitor)
        link = re.search(r'<a href="([^"]*)">Rows</a>', page_of(visitor))
        assert link
        assert 'class="line ' in page_of(visitor, link[1])
        assert 'class="line ' in page_of(visitor), "as it was left"
        assert "stand " in page_of(visitor, "/?view=columns")
        assert "stand " in page_of(visitor)
        assert "Cookie" in visitor.get("/").headers["vary"]


def test_many_boxes_are_rows_unless_columns_are_asked_for(tmp_path: Path) -> None:
    with shown(tmp_path, many(25)) as client:
        assert 'class="line ' in page_of(client)
        assert "stand " in page_of(client, "/?view=columns")


def test_a_box_with_fresh_beads_says_from_when_on_it_has_a_forecast(tmp_path: Path) -> None:
    """Beads, walls and spools come to rest in a day and a half (judgement of `planning/due.py`)."""
    filled = replace(charge("fresh"), at=AS_OF - timedelta(hours=12))
    fresh = replace(over("fresh", 0.30), charge=filled)
    unsure = replace(assessment_of("unsure", None), charge=replace(filled, box="unsure"))
    with shown(tmp_path, [fresh, unsure, assessment_of("young", None)]) as client:
        there = cards(page_of(client, "/?view=rows"))
    assert ">forecast from 5 Mar<" in there["fresh"]
    assert ">forecast from 5 Mar<" in there["unsure"]
    assert "no forecast yet" in there["young"]


def test_no_line_ends_between_a_figure_and_its_unit(client: httpx.Client) -> None:
    text = html.unescape(client.get("/box/pc-clear").text)
    words = re.sub(r"<script.*?</script>|<[^>]*>", "|", text, flags=re.DOTALL)
    assert f"100{THIN}g" in words
    assert re.findall(r"\d (?:g|kg|%|°C|kPa)\b", words) == []


def test_bars_of_all_boxes_lie_on_one_line_of_time(client: httpx.Client) -> None:
    page = page_of(client, "/?view=rows")
    there = cards(page)
    bar = re.search(r'class="may" x1="([\d.]+)%" x2="([\d.]+)%".*?cx="([\d.]+)%"', there["pla-colors"], re.DOTALL)
    assert bar
    start, end, middle = map(float, bar.groups())
    assert 0.0 < start < middle < end <= 100.0
    assert 'class="may guess"' in there["tpu-bag"], "an estimate without readings is drawn as one"
    assert "over now" in there["pc-clear"]
    assert "no forecast yet" in there["petg-new"]
    labels = re.findall(r'<text x="([\d.]+)%">(.*?)</text>', page)
    assert len(labels) >= 3
    assert [float(x) for x, _ in labels] == sorted(float(x) for x, _ in labels)


# --- which of them ----------------------------------------------------------------------------------------------------


def test_calm_boxes_are_folded_into_one_line(client: httpx.Client) -> None:
    for density in Density:
        before, fold = re.split(r'<details class="calm">', page_of(client, f"/?view={density}"))
        assert re.search(r"<span>5 boxes hold until \d+ \w+( \d{4})?</span></summary>", fold)
        assert list(cards(fold)) == ["petg-stock", "pla-daily", "pa6-dry", "pva-support", "pla-white"]
        assert len(cards(before)) == 7


def test_where_all_is_calm_nothing_is_hidden_behind_a_fold(tmp_path: Path) -> None:
    with shown(tmp_path, [calm("a"), calm("b")]) as client:
        assert '<details class="calm" open>' in page_of(client)
    (tmp_path / "one").mkdir()
    with shown(tmp_path / "one", [over("a", 0.3), calm("b")]) as client:
        assert '<details class="calm"' not in page_of(client), "one box is no more than a fold"


@pytest.mark.parametrize(
    ("asked", "left"),
    [
        ("state=over", ["pc-clear", "petg-printer", "asa-rack"]),
        ("state=due", ["tpu-soft", "tpu-bag", "pla-colors"]),
        ("state=care", ["tpu-soft", "tpu-bag"]),
        ("state=unsure", ["petg-new"]),
        ("state=within&q=PLA", ["pla-daily", "pla-white"]),
        ("q=+tpu-", ["tpu-soft", "tpu-bag"]),
        ("q=nobody", []),
    ],
)
def test_boxes_are_found_without_scripts(client: httpx.Client, asked: str, left: list[str]) -> None:
    for density in Density:
        page = page_of(client, f"/?view={density}&{asked}")
        assert visible(page) == left
        assert (f"{len(left)} of 12 boxes" if left else "No box is like that.") in page
        assert '<details class="calm" open>' in page


def test_what_was_asked_stands_in_the_form_and_in_the_links(client: httpx.Client) -> None:
    page = page_of(client, "/?state=due&q=tpu&by=material&view=columns")
    assert 'name="q" value="tpu"' in page
    assert '<option value="due" selected>' in page
    assert '<option value="material" selected>' in page
    assert 'href="/?view=rows&state=due&q=tpu&by=material"' in page


def test_words_that_mean_nothing_here_ask_nothing(client: httpx.Client) -> None:
    assert visible(page_of(client, "/?state=wet&by=color&view=heap")) == [one.box.name for one in dozen()]
    answer = client.get("/", params={"q": HOSTILE * 20})
    assert answer.status_code == 200
    assert "<img" not in answer.text


def test_boxes_are_grouped_with_the_worst_group_first(tmp_path: Path) -> None:
    petg, pla = Spool("PETG", 800.0), Spool("PLA", 2000.0)
    answers = [
        renamed(over("a", 0.3), "a", pla, petg),
        renamed(over("b", 0.25), "b", petg, room="cellar"),
        renamed(calm("c"), "c", pla, room="cellar"),
        calm("d"),
        replace(assessment_of("stranger", None, BoxState.undeclared), charge=None),
    ]

    def groups(client: httpx.Client, by: str) -> dict[str, list[str]]:
        parts = page_of(client, f"/?by={by}").split('<h2 class="group-title">')[1:]
        return {part.partition(" <")[0]: list(cards(part)) for part in parts}

    with shown(tmp_path, answers) as client:
        assert groups(client, "material") == {
            "PLA": ["a", "c"],
            "PETG": ["b"],
            "no spools declared": ["d"],
            "not in shelf.toml": ["stranger"],
        }
        assert groups(client, "room") == {"room": ["a", "d"], "cellar": ["b", "c"], "not in shelf.toml": ["stranger"]}
        assert '<h3 class="name">' in client.get("/?by=room").text


def test_asked_for_nothing_every_box_is_wanted() -> None:
    assert Asked.of({}) == Asked(None, Kind.every, "", GroupBy.nothing)
    assert Asked.of({}).wants("any", ())
    assert Asked.of({"q": "Ä"}).wants("kÄse", ())
    assert Asked.of({}).address(Density.rows) == "/?view=rows"


# --- what it costs ----------------------------------------------------------------------------------------------------


def test_each_way_to_look_is_drawn_once_a_snapshot(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []
    page = Renderer.page

    def counted(self: Renderer, shelf: Any, template: str, **values: Any) -> Any:
        drawn.append(template)
        return page(self, shelf, template, **values)

    monkeypatch.setattr(Renderer, "page", counted)
    with shown(tmp_path, many(30)) as client:
        drawn.clear()
        for _ in range(3):
            for address in ("/", "/?view=rows", "/?view=columns", "/?by=room"):
                client.get(address)
        assert drawn == ["shelf.html"] * 2, "the first view was drawn before anybody asked"


def test_searches_keep_nobody_waiting_who_asks_for_what_is_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty ask at once for what takes long to draw: eight wait, twelve are sent away, what is drawn is answered."""
    page, held, drawing = Renderer.page, threading.Event(), threading.Event()

    def slow(self: Renderer, shelf: Any, template: str, **values: Any) -> Any:
        if template == "shelf.html" and values["view"].asked.find:
            drawing.set()
            held.wait(60)
        return page(self, shelf, template, **values)

    with shown(tmp_path, many(30)) as client, ThreadPoolExecutor(20) as visitors:
        monkeypatch.setattr(Renderer, "page", slow)
        asked = [visitors.submit(httpx.get, f"{client.base_url}?q={each}", timeout=None) for each in range(20)]
        assert drawing.wait(60)
        refused = [one.result() for one in islice(as_completed(asked), 12)]
        meanwhile = client.get("/").status_code
        held.set()
        statuses = [one.result().status_code for one in asked]
    assert meanwhile == 200
    assert {(one.status_code, one.headers.get("retry-after")) for one in refused} == {(503, "5")}
    assert (statuses.count(200), statuses.count(503)) == (8, 12)


@pytest.mark.parametrize(("count", "most_kb"), [(12, 60), (200, 150)])
def test_a_first_view_is_light(tmp_path: Path, count: int, most_kb: int) -> None:
    """All that a browser fetches for it, as it goes over the wire; kB are 1,000 bytes."""
    answers: list[Assessment] = dozen() if count == 12 else many(count)
    with shown(tmp_path, answers, planned(*(one.box.name for one in answers[:3])), lines=True) as client:
        page = client.get("/").text
        put_on_a_screen_only = r'<link rel="apple-touch-icon"[^>]*>'  # fetched when somebody keeps the page as an icon
        links = set(re.findall(r'(?:href|src)="(/assets/[^"]+)"', re.sub(put_on_a_screen_only, "", page)))
        links |= {f"/assets/{name}" for name in re.findall(r'url\("(.*?)"\)', client.get("/assets/siccast.css").text)}
        total = sum(on_the_wire(client, address) for address in ("/", *links))
    assert total <= 1000 * most_kb, f"{total / 1000:.1f} kB"


def on_the_wire(client: httpx.Client, address: str) -> int:
    with client.stream("GET", address, headers={"Accept-Encoding": "gzip"}) as answer:
        body = b"".join(answer.iter_raw())
    if answer.headers.get("content-encoding") == "gzip":
        assert gzip.decompress(body)
    return len(body)


def test_a_box_with_beads_that_have_just_gone_in_does_not_look_unheeded(tmp_path: Path) -> None:
    wet = over("rack", 0.243)
    dries = replace(wet, charge=replace(wet.charge, at=AS_OF - timedelta(hours=5))) if wet.charge else wet
    before, after = (card(answer, Wording(ZoneInfo("Europe/Vienna"))) for answer in (wet, dries))
    assert (before.sign, before.over != "", before.column.unknown) == ("over", True, "")
    assert (after.sign, after.state, after.over) == ("unsure", "fresh beads", "")
    assert after.column.unknown
    assert after.column.over is None
    assert after.glass.over_y is None
    with shown(tmp_path, [dries]) as client:
        page = client.get("/?view=rows").text
        wall = client.get("/wall").text
    assert "fresh beads" in page
    assert "look again tomorrow" in wall
    assert 'class="tile unsure"' in wall


def test_the_wall_says_the_sentence_of_the_shelf_and_a_number_for_silent_boxes(tmp_path: Path) -> None:
    answers = [over("rack", 0.243), silent("bag")]
    with shown(tmp_path, answers, planned("rack")) as client:
        wall, page = page_of(client, "/wall"), page_of(client)
    headline = re.search(r'<h1 id="headline">(.*?)</h1>', page)
    assert headline is not None
    assert headline[1] in wall
    assert "Dry the beads today" not in wall
    assert "about 17.6 %" in wall


def test_no_line_ends_within_a_name_or_before_a_sign(tmp_path: Path) -> None:
    long = "a-name-that-is-longer-than-a-line-of-a-phone"
    with shown(tmp_path, [renamed(calm("x"), "pc-clear"), renamed(calm("x"), long)]) as client:
        page = html.unescape(client.get("/").text)
    assert '<span class="whole">pc-clear</span></a>' in page
    assert f">{long}</a>" in page
    assert not re.search(r"\d[ \u2009]%", re.sub(r"<style.*?</style>", "", page))
