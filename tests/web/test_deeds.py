"""What is logged from the page: kept as the command line keeps it, asked about in place, said, undone, kept once."""

from __future__ import annotations

import html
import re
import shutil
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from answers_by_hand import AS_OF
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf, serving
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.desk.questions import about_entry
from monitor.desk.traps import TrapError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry, ReadingSource
from monitor.records.alerts import Alert, AlertKind, StandingAlert
from monitor.records.desk_events import ChargeMoved, ChargePortioned, LotBought
from monitor.settings import Shelf, load_shelf, load_shelf_again, shelf_stamp
from monitor.store.opening import open_stores
from monitor.web import site as web_site
from monitor.web.box.deeds import in_page_words
from monitor.web.site import ShelfFile, Site

AT = "2026-03-03T10:00"
"""Before the readings of the made-up shelf end."""


class Web:
    """A page that is served, and what it keeps."""

    def __init__(self, shelf: Shelf, client: httpx.Client) -> None:
        self.shelf, self.client = shelf, client
        self.token = re.search(r'name="token" value="([^"]+)"', client.get("/box/soon").text)[1]  # type: ignore[index]

    def send(self, deed: str, box: str = "soon", **typed: str) -> httpx.Response:
        typed = {name.replace("_", "-"): text for name, text in typed.items()}
        return self.client.post(f"/box/{box}/log", data={"token": self.token, "deed": deed, **typed})

    def undo(self, box: str = "soon", **what: str) -> httpx.Response:
        return self.client.post(f"/box/{box}/undo", data={"token": self.token, **what})

    def entries(self, box: str = "soon") -> list[LedgerEntry]:
        return entries(self.shelf, box)


def entries(shelf: Shelf, box: str = "soon") -> list[LedgerEntry]:
    with open_stores(shelf.database_path, read_only=True) as stores:
        return list(stores.ledger.entries(box))


def said(answer: httpx.Response) -> str:
    """Return the words of a page."""
    words = re.sub(r"<[^>]*>", "", answer.text)
    return html.unescape(re.sub(r"\s+", " ", words)).replace("\N{NARROW NO-BREAK SPACE}", " ")


@contextmanager
def serving_web(shelf: Shelf) -> Iterator[Web]:
    with (
        serving(shelf, keeper_by_hand(shelf)) as address,
        httpx.Client(base_url=address, timeout=None, follow_redirects=True) as client,
    ):
        yield Web(shelf, client)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a shelf to copy; to fill one takes longer than most of what is asked of it."""
    return make_shelf(tmp_path_factory.mktemp("made")).folder


def copy_of(made: Path, folder: Path) -> Shelf:
    shutil.copytree(made, folder)
    return load_shelf(folder, {})


@pytest.fixture
def web(made: Path, tmp_path: Path) -> Iterator[Web]:
    """Give a page for tests that look at all entries."""
    with serving_web(copy_of(made, tmp_path / "shelf")) as web:
        yield web


@pytest.fixture(scope="module")
def shared(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    """Give one page to all tests that log nothing, or don't mind what others log."""
    with serving_web(copy_of(made, tmp_path_factory.mktemp("shared") / "shelf")) as web:
        yield web


def orange(shelf: Shelf) -> None:
    """Put beads with a dye into a box."""
    kind, at = "silica_gel_orange_indicating", AS_OF - timedelta(days=30)
    beads = LedgerEntry(EntryKind.recharge, "soon", at, desiccant=kind, dry_mass_g=100.0, method="microwave")
    with open_stores(shelf.database_path) as stores:
        stores.ledger.log(beads, utc_now())


SAME = {
    "opened": (["opening", "soon"], ("opening", {})),
    "opened, with a note": (["opening", "soon", "--note", "left lid"], ("opening", {"note": "left lid"})),
    "spool": (["spool", "soon"], ("spool", {})),
    "sensor": (["sensor", "soon"], ("sensor", {})),
    "note": (["note", "soon", "a <b>crack</b>"], ("note", {"note": "a <b>crack</b>"})),
    "weighed": (["weighing", "soon", "113.5"], ("weighing", {"mass": "113.5"})),
    "weighed with its holder": (
        ["weighing", "soon", "425,4g", "--holder", "312"],
        ("weighing", {"mass": "425,4g", "holder": "312"}),
    ),
    "weighed in ounces": (["weighing", "soon", "4.1oz"], ("weighing", {"mass": "4.1oz"})),
    "dried": (["recharge", "soon", "--method", "oven_120C_3h"], ("recharge", {"method": "oven_120C_3h"})),
    "dried and weighed": (
        ["recharge", "soon", "--mass", "101.2", "--holder", "0"],
        ("recharge", {"mass": "101.2", "holder": "0", "method": "", "desiccant": "", "dry_mass": ""}),
    ),
    "other beads": (
        ["recharge", "soon", "--desiccant", "clay", "--dry-mass", "150", "--method", "new"],
        ("recharge", {"desiccant": "clay", "dry_mass": "150", "method": "new"}),
    ),
    "beads put in": (
        ["charge", "soon", "--dry-mass", "120", "--desiccant", "silica_gel"],
        ("charge", {"dry_mass": "120", "desiccant": "silica_gel"}),
    ),
    "beads beside": (
        ["charge", "soon", "--dry-mass", "50", "--desiccant", "clay", "--method", "new", "--beside"],
        ("charge", {"dry_mass": "50", "desiccant": "clay", "method": "new", "beside": "1"}),
    ),
    "color": (["color", "soon", "Orange"], ("color", {"color": "Orange"})),
    "lighter, and sure of it": (["weighing", "soon", "80", "--sure"], ("weighing", {"mass": "80", "sure": "1"})),
}


@pytest.mark.parametrize("typed", SAME)
def test_the_page_keeps_what_the_command_line_keeps(made: Path, tmp_path: Path, web: Web, typed: str) -> None:
    command, (deed, fields) = SAME[typed]
    there = tmp_path / "other"
    other = copy_of(made, there)
    orange(other)
    orange(web.shelf)
    told = CliRunner().invoke(app, ["--shelf", str(there), "log", *command, "--at", AT])
    assert told.exit_code == 0, told.output
    answer = web.send(deed, at=AT, **fields)
    assert answer.status_code == 200
    assert entries(other)[-1].at == entries(web.shelf)[-1].at
    kept = [[replace(one, logged_at=None) for one in entries(shelf)] for shelf in (other, web.shelf)]
    assert kept[0] == kept[1]
    assert len(kept[0]) == 5
    understood = told.output.split(": ", 1)[1].split(". To undo")[0].replace("\n", " ")
    if typed == "beads beside":  # the page repeats what the box holds now
        understood = "150.0 g dry orange indicating gel (67 %) and montmorillonite clay (33 %)"
    assert understood in said(answer)
    if deed == "color":
        assert "means less than about" in said(answer)


def test_a_reading_of_a_display_is_kept_as_the_command_line_keeps_it(made: Path, tmp_path: Path, web: Web) -> None:
    there = tmp_path / "other"
    other = copy_of(made, there)
    at = "2026-03-03T10:07:31"
    CliRunner().invoke(app, ["--shelf", str(there), "log", "reading", "soon", "29", "21.4", "--at", at])
    answer = web.send("reading", humidity="29 %", temperature="21,4", at=at)
    assert "Saved: reading of soon, 3 Mar 2026, 10:07; 29.0 %, 21.4 °C." in said(answer)
    kept = []
    for shelf in (other, web.shelf):
        with open_stores(shelf.database_path, read_only=True) as stores:
            kept.append([r for r in stores.readings.each("soon") if r.source is ReadingSource.hand])
    assert kept[0] == kept[1]
    assert len(kept[0]) == 1
    web.undo(unread=re.search(r'name="unread" value="(\d+)"', answer.text)[1])  # type: ignore[index]
    with open_stores(web.shelf.database_path, read_only=True) as stores:
        assert [r for r in stores.readings.each("soon") if r.source is ReadingSource.hand] == []


def test_a_reading_that_was_undone_is_put_back(web: Web) -> None:
    web.send("reading", humidity="29", temperature="21.4", at="2026-03-03T10:07:31")
    undone = web.undo(unread="1772528851000")
    assert "Undone: reading of soon" in said(undone)
    back = web.undo(reread=re.search(r'name="reread" value="(\d+)"', undone.text)[1])  # type: ignore[index]
    assert "Saved: reading of soon" in said(back)


def test_readings_of_a_sensor_are_not_undone_here(shared: Web) -> None:
    at_ms = int((AS_OF - timedelta(hours=5)).timestamp() * 1000)
    answer = shared.undo(unread=str(at_ms))
    assert answer.status_code == 400
    assert "no reading of yours at that time" in answer.text


@pytest.mark.parametrize(
    ("deed", "typed", "field", "words"),
    [
        ("weighing", {"mass": "heavy"}, "mass", "'heavy' is not a weight"),
        ("weighing", {"mass": ""}, "mass", "Type what the scale shows"),
        ("weighing", {"mass": "113", "holder": "200"}, "holder", "can't weigh as much as holder and beads together"),
        ("weighing", {"mass": "113", "at": "soonish"}, "at", "'soonish' is not a time"),
        ("opening", {"at": "2031-01-01"}, "at", "is in the future"),
        ("opening", {"on": "2031-01-01T10:00"}, "at", "is in the future"),
        ("opening", {"on": "2025-03-30T02:30"}, "at", "never was in"),
        ("opening", {"on": "2025-10-26T02:30"}, "at", "Write 2025-10-26T02:30:00+02:00 or 2025-10-26T02:30:00+01:00"),
        ("opening", {"at": "10:00", "on": "2026-03-01T10:00"}, "at", "Two times are given"),
        ("opening", {"when": "whenever"}, "at", "'whenever' is not a time"),
        ("charge", {"dry-mass": "100", "desiccant": "sugar"}, "desiccant", "'sugar' is not a known desiccant"),
        ("charge", {"dry-mass": "1e99"}, "dry-mass", "is not a weight"),
        ("recharge", {"dry-mass": "-5"}, "dry-mass", "is not a weight"),
        ("reading", {"humidity": "140", "temperature": "20"}, "humidity", "is not a humidity"),
        ("reading", {"humidity": "40", "temperature": "400"}, "temperature", "a hygrometer works from -40 to 85 °C"),
        ("note", {"note": " "}, "note", "Write something"),
    ],
)
def test_a_slip_is_said_at_its_field_and_what_was_typed_stays(
    shared: Web, deed: str, typed: Mapping[str, str], field: str, words: str
) -> None:
    before = shared.entries()
    answer = shared.client.post("/box/soon/log", data={"token": shared.token, "deed": deed, **typed})
    assert answer.status_code == 400
    page = html.unescape(answer.text).replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert words in page
    assert re.search(rf'name="{field}"[^>]*aria-invalid="true" aria-describedby="{deed}-problem"', page)
    assert page.count('<details class="deed" open>') == 1
    for name, text in typed.items():
        if name not in ("when", "desiccant"):
            assert re.search(rf'name="{name}"[^>]*value="{re.escape(text)}"', page), name
    assert shared.entries() == before


def test_a_color_that_such_beads_never_show_is_a_slip(web: Web) -> None:
    orange(web.shelf)
    answer = web.send("color", color="blue", at=AT)
    assert answer.status_code == 400
    assert "looks orange, green or turning" in said(answer)


@pytest.mark.parametrize(
    ("deed", "typed", "words"),
    [
        ("weighing", {"mass": "80"}, "lighter than at the last weighing"),
        ("weighing", {"mass": "412"}, "Is the holder included?"),
        ("recharge", {"method": "sun"}, "'sun' is not a known method of drying"),
        ("recharge", {"dry_mass": "900", "desiccant": "silica_gel"}, "900 g of dry beads, but 100 g were in soon"),
        ("reading", {"humidity": "0.29", "temperature": "21"}, "Is that a fraction, 0.29 of 1?"),
        ("reading", {"humidity": "29", "temperature": "70"}, "Are they in °F?"),
    ],
)
def test_what_is_doubted_is_asked_in_place_and_saved_where_it_is_right(
    web: Web, deed: str, typed: dict[str, str], words: str
) -> None:
    before = len(web.entries())
    at = "2026-03-03T10:07"
    answer = web.send(deed, at=at, once="x", **typed)
    assert answer.status_code == 409
    assert words in said(answer)
    assert "Save it all the same" in answer.text
    assert len(web.entries()) == before
    sure = web.send(deed, at=at, once="x", sure="1", **typed)
    assert sure.status_code == 200
    assert "Saved:" in sure.text


def test_options_of_the_command_line_are_not_what_the_page_asks_for(shared: Web) -> None:
    wrong = shared.send("recharge", desiccant="clay", at=AT)
    assert wrong.status_code == 400
    [words] = re.findall(r'role="alert">([^<]+)<', wrong.text)
    assert "--" not in words
    assert "Weight when fully dry" in words


def test_an_entry_is_undone_and_logged_again(web: Web) -> None:
    saved = web.send("opening", at=AT)
    number = re.search(r'name="undo" value="(\d+)"', saved.text)[1]  # type: ignore[index]
    undone = web.undo(undo=number)
    assert "Undone: opened, soon, 3 Mar 2026, 10:00." in said(undone)
    assert not [one for one in web.entries() if str(one.entry_id) == number]
    assert "Undone: opened" in said(web.undo(undo=number)), "a second tap on Undo says the same"
    again = web.undo(redo=number)
    assert "Saved: opened, soon, 3 Mar 2026, 10:00." in said(again)
    assert "saved already" in said(web.undo(redo=number))
    assert sum(one.kind is EntryKind.opening and one.note == "" for one in web.entries()) == 1


def test_every_entry_of_the_list_is_undone_there(web: Web) -> None:
    page = web.client.get("/box/soon").text
    numbers = re.findall(r'<button class="button quiet" name="undo" value="(\d+)"', page)
    assert len(numbers) == len(web.entries()) == 3
    for number in numbers:
        web.undo(undo=number)
    assert web.entries() == []


def test_what_the_desk_wrote_says_where_it_is_undone(web: Web) -> None:
    at = AS_OF - timedelta(days=10)
    with open_stores(web.shelf.database_path) as stores:
        bought = LotBought("bag", "silica_gel", 500.0)
        stores.events.log(bought, at, utc_now())
        stores.events.log(ChargePortioned("c1", "bag", 100.0), at, utc_now())
        entry = LedgerEntry(EntryKind.recharge, "soon", at, desiccant="silica_gel", dry_mass_g=98.0)
        moved = stores.events.log(ChargeMoved("c1", "box:soon"), at, utc_now(), entry)
        number = stores.ledger.entries("soon")[-3].entry_id
    page = web.client.get("/box/soon").text
    assert f"siccast lot undo {moved.event_id}" in page
    assert f'name="undo" value="{number}"' not in page
    answer = web.undo(undo=str(number))
    assert answer.status_code == 400
    assert "came from the recharge desk" in said(answer)


def test_entries_of_other_boxes_are_not_undone_here(web: Web) -> None:
    number = entries(web.shelf, "far")[0].entry_id
    assert web.undo(undo=str(number)).status_code == 400
    assert len(entries(web.shelf, "far")) == 1


def test_a_form_that_comes_twice_is_saved_once(web: Web) -> None:
    before = len(web.entries())
    first = web.send("note", note="a crack", once="n1", at=AT)
    second = web.send("note", note="a crack", once="n1", at=AT)
    assert "Saved:" in first.text
    assert "It is saved already" in second.text
    assert len(web.entries()) == before + 1
    web.send("note", note="another crack", once="n1", at=AT)
    assert len(web.entries()) == before + 2


def test_two_taps_at_once_make_one_entry(web: Web) -> None:
    def tap(_: int) -> str:
        return web.send("opening", box="far", quick="1", back="/").text

    with ThreadPoolExecutor(4) as pool:
        pages = list(pool.map(tap, range(4)))
    assert sum("It is saved already" in page for page in pages) == 3
    assert len(entries(web.shelf, "far")) == 2
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: web.send("weighing", mass="114", once="w", at=AT), range(4)))
    assert sum(one.mass_g == 114.0 for one in web.entries()) == 1


@pytest.mark.parametrize(
    ("typed", "at"),
    [
        ({}, "2026-03-04T12:00+00:00"),
        ({"when": "10min"}, "2026-03-04T11:50+00:00"),
        ({"when": "1h"}, "2026-03-04T11:00+00:00"),
        ({"when": "morning"}, "2026-03-04T08:00+01:00"),
        ({"when": "evening"}, "2026-03-03T20:00+01:00"),
        ({"on": "2026-03-02T21:15"}, "2026-03-02T21:15+01:00"),
        ({"at": "yesterday 18:30", "when": "10min"}, "2026-03-03T18:30+01:00"),
    ],
)
def test_a_time_is_put_back(web: Web, typed: dict[str, str], at: str) -> None:
    web.send("spool", **typed)
    [entry] = [one for one in web.entries() if one.kind is EntryKind.spool_swap]
    assert entry.at == type(entry.at).fromisoformat(at)


def test_the_shelf_says_what_was_logged_from_a_card(web: Web) -> None:
    page = web.client.get("/").text
    assert page.count('name="deed" value="opening"') == 5  # the boxes that are declared
    assert set(re.findall(r'name="token" value="([^"]+)"', page)) == {web.token}, "drawn before, for whoever reads it"
    answer = web.send("opening", quick="1", back="/", box="over")
    assert answer.url.path == "/"
    assert "Saved: opened, over" in said(answer)
    assert 'id="headline"' in answer.text
    number = re.search(r'name="undo" value="(\d+)"', answer.text)[1]  # type: ignore[index]
    undone = web.undo(box="over", undo=number, back="/")
    assert undone.url.path == "/"
    assert "Undone: opened, over" in said(undone)
    assert "Saved:" not in said(web.client.get("/", params={"saved": number}))


@pytest.mark.parametrize(
    "back", ["//evil.example", "https://evil.example/", "/\\evil", "/plan/../x", "javascript:1", "/?a=b#c"]
)
def test_no_form_leads_elsewhere(shared: Web, back: str) -> None:
    answer = shared.client.post(
        "/box/soon/log", data={"token": shared.token, "deed": "note", "note": "x", "back": back}, follow_redirects=False
    )
    assert answer.headers["location"].startswith("/box/soon?saved=")


@pytest.mark.parametrize("number", ["", "0", "999", "9" * 400, "-1", "1.5", "x", "١", "1;drop table ledger"])
def test_an_address_that_tells_of_nothing_says_nothing(shared: Web, number: str) -> None:
    for path in ("/", "/box/soon"):
        for key in ("saved", "undone", "read", "unread"):
            answer = shared.client.get(path, params={key: number, "of": HOSTILE})
            assert answer.status_code == 200
            assert 'class="told"' not in answer.text


def test_a_form_from_elsewhere_is_refused(shared: Web) -> None:
    for address in ("/box/over/log", "/box/over/undo"):
        assert shared.client.post(address, data={"deed": "opening", "undo": "1"}).status_code == 403
    assert len(entries(shared.shelf, "over")) == 1


def test_the_holder_is_remembered_for_its_box(web: Web) -> None:
    web.send("weighing", mass="425.5", holder="312", at=AT)
    assert re.search(r'name="holder" value="312"', web.client.get("/box/soon").text)
    assert not re.search(r'name="holder" value="312"', web.client.get("/box/far").text)


def test_a_box_without_beads_is_not_asked_about_them(shared: Web) -> None:
    page = shared.client.get("/box/young").text
    assert 'value="weighing"' not in page
    assert 'value="charge"' in page
    assert 'name="color"' not in page


def test_a_card_leads_to_the_forms_that_its_box_can_have(shared: Web) -> None:
    def links(box: str) -> list[str]:
        return re.findall(rf'href="/box/{box}\?log=(\w+)', page)

    page = shared.client.get("/").text
    assert links("soon") == ["recharge", "weighing"]
    assert links("young") in (["charge"], ["recharge", "weighing"])
    for deed in ("recharge", "weighing"):
        opened = re.findall(
            r'<details class="deed" open>\s*<summary id="log-(\w+)">', shared.client.get(f"/box/soon?log={deed}").text
        )
        assert opened == [deed]
    assert (
        " open>"
        not in shared.client.get('/box/soon?log="><script>').text.split('class="deeds"')[1].split("</section")[0]
    )


@pytest.mark.parametrize("address", ["/box/soon/log", "/box/soon/undo"])
def test_the_address_of_a_form_leads_to_its_page(shared: Web, address: str) -> None:
    assert shared.client.get(address).url.path == "/box/soon"
    assert shared.client.get(address.replace("soon", "nobody")).status_code == 404


FIELDS = {
    "opening": ("at", "on", "when", "once", "back", "quick", "note"),
    "weighing": ("mass", "holder", "sure"),
    "charge": ("dry-mass", "desiccant", "method", "mass"),
    "reading": ("humidity", "temperature", "at"),
    "color": ("color",),
    "nonsense": ("deed",),
}
RIGHT = {"mass": "113", "dry-mass": "100", "desiccant": "silica_gel", "humidity": "40", "temperature": "20"}


@pytest.mark.parametrize(
    "text", ["\0", "\ufffe", "9" * 5000, "1e400", "nan", "<script>", "'; --", "0001-01-01", "9999-12-31", "%", "٣"]
)
def test_whatever_is_typed_is_answered(shared: Web, text: str) -> None:
    for deed, fields in FIELDS.items():
        for field in fields:
            typed = {"token": shared.token, "deed": deed, **RIGHT, field: text}
            answer = shared.client.post("/box/far/log", data=typed, follow_redirects=False)
            assert answer.status_code in (303, 400, 409), (deed, field, answer.status_code)
    for key in ("undo", "redo", "unread", "reread"):
        assert shared.client.post("/box/far/undo", data={"token": shared.token, key: text}).status_code == 400
    assert shared.client.get("/box/far").status_code == 200


def test_a_doubt_names_the_forms_of_the_page_and_ends_with_a_full_stop() -> None:
    before = LedgerEntry(EntryKind.charge, "pla", AS_OF, mass_g=109.0)
    lighter = LedgerEntry(EntryKind.weighing, "pla", AS_OF + timedelta(days=1), mass_g=100.0)
    asked = TrapError(list(about_entry(lighter, [before])))
    assert in_page_words(str(asked)).endswith(" Did you dry them? Then use “Dried or swapped the beads”.")
    assert in_page_words("Not saved: is it 900 g?") == "Not saved: is it 900 g?"


def test_a_word_is_heard_on_the_page_of_its_box(made: Path, tmp_path: Path) -> None:
    shelf = copy_of(made, tmp_path / "shelf")
    with (shelf.folder / "shelf.toml").open("a", encoding="utf-8") as text:
        text.write('\n[routes.house]\nkind = "mqtt"\n')
    shelf = load_shelf(shelf.folder, {})
    alerts = [Alert(box, AlertKind.due, f"{box}: dry <beads> by Monday.") for box in ("soon", "later")]
    with open_stores(shelf.database_path) as stores:
        stores.alerts.keep([StandingAlert(one, AS_OF) for one in alerts])
    with serving_web(shelf) as web:
        client = web.client
        page = client.get("/box/soon").text
        assert "Dry &lt;beads&gt; by Monday." in page
        assert "I know" in page
        assert client.post("/box/soon/heard", data={"token": "of another"}).status_code == 403
        assert "I know" in client.get("/box/soon/heard").text, "to look changes nothing"
        after = client.post("/box/soon/heard", data={"token": web.token})
        assert (after.status_code, after.url.path) == (200, "/box/soon")
        assert "I know" not in after.text
    with open_stores(shelf.database_path, read_only=True) as stores:
        assert {one.alert.box: one.heard_at is not None for one in stores.alerts.standing()} == {
            "soon": True, "later": False,
        }  # fmt: skip


@pytest.mark.parametrize(
    ("address", "form"),
    [
        ("/box/soon/log", {"deed": "opening", "when": "now"}),
        ("/box/soon/log", {"deed": "reading", "when": "now", "humidity": "20", "temperature": "21"}),
        ("/plan/skip", {"box": "soon", "on": "2026-03-20"}),
        ("/plan/done/later", {"box": "soon", "on": "2026-03-04"}),
    ],
)
def test_a_deed_on_a_box_that_is_renamed_just_then_is_refused_and_not_kept_under_its_old_name(
    web: Web, address: str, form: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another command renames it once the form is read and before the deed has the database for itself."""
    usual, left = Site.writing, [("box", "rename", "soon", "later")]

    def writing(site: Site) -> Any:
        while left:
            words = ["--shelf", str(web.shelf.folder), *left.pop()]
            assert CliRunner().invoke(app, words).exit_code == 0
        return usual(site)

    before = everything_kept(web.shelf)
    monkeypatch.setattr(Site, "writing", writing)
    answer = web.client.post(address, data={"token": web.token, **form})
    assert (left, answer.status_code) == ([], 404), said(answer)
    assert "There is no box of this name." in said(answer)
    assert everything_kept(web.shelf) == {tuple("later" if word == "soon" else word for word in row) for row in before}


def everything_kept(shelf: Shelf) -> set[tuple[object, ...]]:
    """Return the boxes of all entries but notes, readings and decisions, each with what tells one from another."""
    with closing(sqlite3.connect(f"file:{shelf.database_path}?mode=ro", uri=True)) as connection:
        return {
            row
            for question in (
                "SELECT box, entry_id, kind FROM ledger WHERE kind <> 'note'",
                "SELECT name, at_ms FROM readings JOIN boxes USING (box_id)",
                "SELECT box, decision_id, kind FROM plan_decisions",
            )
            for row in connection.execute(question)
        }


def test_who_asks_while_the_shelf_file_is_read_anew_gets_what_it_says_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not what it said before; and what was read last is what stays."""
    (tmp_path / "shelf.toml").write_text("[boxes.old]\n", encoding="utf-8")
    file, usual = ShelfFile(load_shelf(tmp_path, {})), load_shelf_again
    reading, asked, go_on = threading.Event(), threading.Event(), threading.Event()

    def slowly(before: Shelf) -> Shelf:
        reading.set()
        go_on.wait()
        return usual(before)

    def noticed(folder: Path) -> object:
        if reading.is_set():
            asked.set()
        return shelf_stamp(folder)

    monkeypatch.setattr(web_site, "load_shelf_again", slowly)
    monkeypatch.setattr(web_site, "shelf_stamp", noticed)
    (tmp_path / "shelf.toml").write_text("[boxes.another]\n", encoding="utf-8")
    with ThreadPoolExecutor(2) as threads:
        first = threads.submit(lambda: file.now)
        reading.wait()
        second = threads.submit(lambda: file.now)
        asked.wait()
        go_on.set()
    assert [[box.name for box in each.result().boxes] for each in (first, second)] == [["another"], ["another"]]
