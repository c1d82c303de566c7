"""Another language is one file: in an invented one, no page says an English word but names and what is listed here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import httpx
import pytest
from desk_on_page import MICROWAVE, Clock, Hand, make_desk
from desk_on_page import keeper_of as desk_keeper_of
from full_plan_by_hand import shelf_with_two_appliances, snapshot_with_full_plan
from invented_language import LANGUAGE, english_in, texts_of_page, write_language
from shelf_on_page import HOSTILE, make_shelf, serving, take_snapshot_by_hand

from monitor.records import Assessment
from monitor.records.names import hint
from monitor.settings import Shelf, load_shelf
from monitor.texts import say
from monitor.web.snapshot import Keeper, Snapshot

NAMES = {
    "siccast": "the tool's own name",
    "shelf.toml": "a file's name",
    "attic": "the site, named by the person",
    "Europe/Vienna": "a name of the time zones' table",
    "kPa": "a unit",
    "kWh": "a unit",
    "MiB": "a unit",
    "GiB": "a unit",
    "RH": "a unit of this trade",
    "NPS": "a source",
    "own": "the feed, named by the shelf file",
    "room": "a sensor, as it names itself in its topic",
    "127.0.0.1": "an address",
    "http": "a part of an address",
    "box": "a part of the address on a label",
    HOSTILE: "a box, named by the network",
    "<b>reel</b> & co": "a note that a person typed",
    "charge bowl": "a note that the desk wrote into the log, kept as it was written",
}
"""What stays as it is in every language, each with its reason; boxes, beads and appliances of a shelf beside these."""
BOXES = ("over", "soon", "far", "young", "empty", "oven")
THINGS = ("pa-dry", "pla", "autumn", "bowl", "bowl-1", "microwave", "oven", "warm-box")
PAGES = (
    "/",
    "/?view=rows",
    "/?by=material",
    "/?q=nothing",
    "/box/over",
    "/box/soon",
    "/box/young",
    "/box/empty",
    "/box/far",
    "/box/far?dry-mass=50&leak-times=2",
    "/box/soon?size-months=6",
    "/box/soon?size-mass=80",
    "/box/young?size-months=0.1&size-limit=60",
    "/box/soon/humidity.svg",
    "/plan",
    "/house",
    "/house/labels",
    "/wall",
    "/offline",
    "/offline/not-saved",
    "/nowhere",
    "/box/nobody",
)
EVIDENCE = (say("There is no sensor in the room. How humid it is there is assumed."),)
SHARPEN = say("Weigh the beads again. Use a scale that shows 0.1 g.")
REFUSAL = say(
    "no sensor has sent for this box yet. Log its beads, and there is a first forecast; a reading off any "
    "display makes it sharper: {by_hand}",
    by_hand=hint("log", "reading", "soon", then="RH TEMPERATURE"),
)


def said_by_us(answer: Assessment) -> Assessment:
    """Return an assessment with sentences as they come out of a kept outlook, in the place of made-up ones."""
    leak = answer.leak and replace(
        answer.leak,
        comparison=say("It is tighter than most boxes of its style."),
        grams_words=say("Amounts of water are measured: you weighed the beads."),
        change_words=say("It seals better now.") if answer.leak.change_words else "",
    )
    refusal = REFUSAL if answer.refusal else ""
    return replace(answer, leak=leak, evidence=EVIDENCE, sharpen=SHARPEN if answer.sharpen else "", refusal=refusal)


def in_our_words(snapshot: Snapshot) -> Snapshot:
    """Return a snapshot of which every sentence is one of ours."""
    plan = snapshot.plan
    if plan is not None:
        why = say("It is over its limit of {limit}.", limit="20 %")
        plan = replace(plan, days=tuple(replace(day, reasons=dict.fromkeys(day.reasons, why)) for day in plan.days))
    return replace(snapshot, answers=tuple(map(said_by_us, snapshot.answers)), plan=plan)


def in_that_language(folder: Path, shelf: Shelf) -> Shelf:
    """Return the shelf with the invented language, its file beside it."""
    write_language(folder)
    file = folder / "shelf.toml"
    file.write_text(f'language = "{LANGUAGE}"\n{file.read_text(encoding="utf-8")}', encoding="utf-8")
    return load_shelf(shelf.folder, {})


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    folder = tmp_path_factory.mktemp("shelf")
    shelf = in_that_language(folder, make_shelf(folder))

    def take(clock: object) -> Snapshot:
        return in_our_words(take_snapshot_by_hand(shelf, clock))  # type: ignore[arg-type]

    with serving(shelf, Keeper(take, lambda _: 1)) as address, httpx.Client(base_url=address, timeout=None) as client:
        yield client


@pytest.mark.parametrize("path", PAGES)
def test_no_english_word_is_left(client: httpx.Client, path: str) -> None:
    port = str(client.base_url.port)
    names = (*NAMES, *BOXES, port)
    page = client.get(path).text
    assert len(texts_of_page(page)) > 0
    assert "<html" not in page or f'<html lang="{LANGUAGE}"' in page
    assert list(english_in(page, names)) == []


def test_a_plan_with_all_it_can_have_says_no_english_word(tmp_path: Path) -> None:
    """Two appliances on a day, a box again, a swap, an announced day that moved, a box that is late, and the worth."""
    shelf = in_that_language(tmp_path, shelf_with_two_appliances(tmp_path))
    keeper = Keeper(partial(snapshot_with_full_plan, shelf), lambda _: 1)
    names = (*NAMES, *BOXES, "microwave", "jar", "EUR")
    with serving(shelf, keeper) as address, httpx.Client(base_url=address, timeout=None) as client:
        for path in ("/plan", "/box/far"):
            page = client.get(path).text
            assert list(english_in(page if path == "/plan" else page.split("</dl>")[0], names)) == [], path


SLIPS: tuple[Mapping[str, str], ...] = (
    {"deed": "weighing", "mass": "heavy"},
    {"deed": "weighing", "mass": ""},
    {"deed": "weighing", "mass": "90", "at": "2026-03-03 10:00"},
    {"deed": "weighing", "mass": "20"},
    {"deed": "weighing", "mass": "90", "holder": "95"},
    {"deed": "weighing", "mass": "90", "at": "then"},
    {"deed": "weighing", "mass": "90", "at": "2099-01-01 10:00"},
    {"deed": "charge", "dry-mass": "90000"},
    {"deed": "charge", "dry-mass": "500", "desiccant": "silica_gel", "method": "sunshine"},
    {"deed": "charge", "dry-mass": "100", "desiccant": "silica_gel", "at": "2026-01-05 13:00"},
    {"deed": "color", "color": "green"},
    {"deed": "reading", "humidity": "a", "temperature": "20"},
    {"deed": "reading", "humidity": "30", "temperature": "900"},
    {"deed": "note", "note": ""},
    {"deed": "dance"},
)


@pytest.mark.parametrize("query", ["size-months=heavy", "size-months=99", "size-mass=heavy"])
def test_a_refused_question_says_why_in_that_language(client: httpx.Client, query: str) -> None:
    answer = client.get(f"/box/soon?{query}")
    assert answer.status_code == 400
    assert list(english_in(answer.text, (*NAMES, *BOXES, "heavy"))) == []


@pytest.mark.parametrize("typed", SLIPS)
def test_a_refused_form_says_why_in_that_language(client: httpx.Client, typed: Mapping[str, str]) -> None:
    [token] = {text for text in [_token(client.get("/box/soon").text)] if text}
    answer = client.post("/box/soon/log", data={"token": token, **typed})
    assert answer.status_code in (400, 409), answer.status_code
    typed_by_hand = [value for value in typed.values() if value]
    assert list(english_in(answer.text, (*NAMES, *BOXES, *typed_by_hand))) == []


def _token(page: str) -> str:
    return page.partition('name="token" value="')[2].partition('"')[0]


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[Hand]:
    clock = Clock()
    shelf = in_that_language(tmp_path, make_desk(tmp_path))
    keeper = desk_keeper_of(shelf, clock)
    take = keeper._take
    keeper._take = lambda now: in_our_words(take(now))
    with serving(shelf, keeper) as address, httpx.Client(base_url=address, timeout=None) as client:
        yield Hand(client, shelf, clock)


def test_a_run_at_the_desk_says_no_english_word(hand: Hand) -> None:
    def is_said() -> None:
        assert list(english_in(hand.text, (*NAMES, *THINGS, "heavy", "soon"))) == []

    for path in ("/desk", "/desk/new", "/desk/new?box=pla", "/desk/charge/bowl"):
        hand.look(path)
        is_said()
    hand.send("/desk/charge/bowl/start", appliance="microwave")
    is_said()
    hand.weigh(*MICROWAVE[0])
    for weight, after in (("700", "4"), ("5", "4"), ("heavy", "4"), ("582", "400")):
        assert hand.weigh(weight, after).status_code in (400, 409), weight
        is_said()
    hand.weighed_before(*MICROWAVE[1:])
    run = "/desk/run/bowl-1"
    slips = {
        "timer": {"timer": "start", "minutes": "soon"},
        "rescale": {"unit": ""},
        "move": {"appliance": ""},
        "spilled": {"lost": "1000"},
        "put": {"box": "pla"},
    }
    for deed, form in slips.items():
        assert hand.send(f"{run}/{deed}", **form).status_code in (400, 409), deed
        is_said()
    hand.look(f"{run}?step=minutes")
    is_said()
    hand.send(f"{run}/finish")
    is_said()
    hand.send(f"{run}/put", box="pla", sure="1")
    for path in (run, "/desk", "/box/pla", "/house"):
        hand.look(path)
        is_said()
