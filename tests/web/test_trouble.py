"""A database that vanished or is locked is said on the page, and what somebody typed is not lost."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from answers_by_hand import AS_OF
from in_process import InProcess, in_process
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf
from starlette.responses import PlainTextResponse, Response

from monitor.errors import StoreBusyError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry
from monitor.web.app import create_app
from monitor.web.box.pages import BoxPages
from monitor.web.forms import changes
from monitor.web.site import Site

NOTE = f"ü {HOSTILE}\nsecond line"


@dataclass
class Noting:
    """A page with one form more, which keeps a note of a box."""

    client: InProcess
    folder: Path
    before: Callable[[], None] = lambda: None

    def send(self, path: str = "/note?of=soon") -> httpx.Response:
        token = self.client.get("/token").text
        return self.client.post(path, data={"token": token, "note": NOTE, "empty": ""})


@pytest.fixture
def noting(tmp_path: Path) -> Iterator[Noting]:
    shelf = make_shelf(tmp_path)
    app = create_app(shelf, keeper_by_hand(shelf))
    site = next(site for route in app.routes if (site := _site_of(route)) is not None)

    def note(_request: object, form: dict[str, str]) -> Response:
        noting.before()
        with site.writing() as stores:
            stores.ledger.log(LedgerEntry(EntryKind.opening, "soon", AS_OF, note=form["note"]), utc_now())
        return PlainTextResponse("kept")

    app.add_route("/note", changes(site.tokens, note), methods=["POST"])
    app.add_route("/token", lambda _: PlainTextResponse(site.tokens.token))
    with in_process(app) as client:
        noting = Noting(client, tmp_path)
        yield noting


def _site_of(route: object) -> Site | None:
    pages = getattr(getattr(route, "endpoint", None), "__self__", None)
    return pages.site if isinstance(pages, BoxPages) else None


def form_of(page: str) -> dict[str, str]:
    """Return what the form of a page would send."""
    fields = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page)
    return {name: html.unescape(value) for name, value in fields}


def test_a_locked_database_loses_nothing_that_was_typed(noting: Noting) -> None:
    def be_busy() -> None:
        raise StoreBusyError("the database is locked by another program")

    noting.before = be_busy
    refused = noting.send()
    assert refused.status_code == 503
    assert refused.headers["retry-after"] == "10"
    assert "This was not saved" in refused.text
    assert "the database is locked by another program" in refused.text
    assert "<img" not in refused.text
    assert 'action="/note?of=soon"' in refused.text
    again = form_of(refused.text)
    assert {"note": NOTE, "empty": ""}.items() <= again.items()
    noting.before = lambda: None
    assert noting.client.post("/note?of=soon", data=again).text == "kept"


def test_a_vanished_database_is_said_and_loses_nothing_that_was_typed(noting: Noting) -> None:
    for file in noting.folder.glob("siccast.sqlite3*"):
        file.unlink()
    refused = noting.send()
    assert refused.status_code == 503, refused.text
    assert form_of(refused.text)["note"] == NOTE
    assert not list(noting.folder.glob("siccast.sqlite3*")), "an empty database is not put in its place"


def test_a_page_that_can_t_be_read_now_offers_itself_again(noting: Noting) -> None:
    for file in noting.folder.glob("siccast.sqlite3*"):
        file.write_bytes(b"no database at all" * 500)
    answer = noting.client.get("/box/soon?limit=")
    assert answer.status_code == 503
    assert "can&#39;t be shown now" in answer.text or "can't be shown now" in answer.text
    assert 'href="/box/soon?limit="' in answer.text
    assert noting.client.get("/").status_code == 200
