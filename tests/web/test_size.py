"""How many beads, asked on the page of a box: the numbers of `siccast size`, every slip, and one answer a question."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from browsing import PHONE, opened
from in_process import InProcess, in_process
from playwright.sync_api import Browser
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf, serving
from typer.testing import CliRunner

from monitor.cli.app import app as command
from monitor.settings import Shelf
from monitor.web.app import create_app
from monitor.web.box import sizing as page_sizing
from monitor.web.work import Work

KIND = "silica_gel_regular_density"
"""What is in the box: `silica_gel` is another name of it."""


@dataclass
class Asked:
    shelf: Shelf
    ask: InProcess

    def page(self, box: str = "soon", status: int = 200, **typed: str) -> str:
        fields = {f"size-{name}": value for name, value in typed.items()}
        answer = self.ask.get(f"/box/{box}?{urlencode(fields)}")
        assert answer.status_code == status, answer.text
        return " ".join(html.unescape(answer.text).replace("\N{NARROW NO-BREAK SPACE}", " ").split())

    def told(self, *words: str) -> Any:
        run = CliRunner().invoke(
            command, ["--shelf", str(self.shelf.folder), "size", "soon", "--beads", KIND, *words, "--json"]
        )
        return json.loads(run.output)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    shelf = make_shelf(tmp_path_factory.mktemp("sized"))
    with in_process(create_app(shelf, keeper_by_hand(shelf))) as ask:
        yield Asked(shelf, ask)


def test_the_page_says_what_the_command_says(asked: Asked) -> None:
    said = asked.told("--mass", "80", "--limit", "25")["said"]
    page = asked.page(mass="80", limit="25")
    assert said.replace("\N{NARROW NO-BREAK SPACE}", " ") in page
    assert "keep it under 25 % RH for" in said.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert "another limit, 35 %" in page
    assert "from memory" in page
    assert "It takes the film's transmission" in page


def test_without_a_question_there_is_a_form_and_nothing_is_worked_out(
    asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_sizing, "sizing", lambda *_, **__: pytest.fail("nobody asked"))
    page = asked.page()
    assert 'name="size-months" value="6"' in page
    assert 'name="size-limit" value="20"' in page
    assert re.search(r'<option value="silica_gel_regular_density" selected>', page)
    assert 'id="size-answer"' not in page
    assert 'id="size"' not in asked.page(quote(HOSTILE, safe=""))


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"months": "soon"}, "'soon' won't do; write a number, such as 6"),
        ({"months": "99"}, "99 is not valid: write a number from 0.1 to 24"),
        ({"months": "nan"}, "nan is not valid: write a number from 0.1 to 24"),
        ({"mass": "heavy"}, "'heavy' is not a weight"),
        ({"mass": "10", "limit": "0"}, "0 is not valid: write a number from 1 to 95"),
        ({"months": "3", "beads": "rice"}, "'rice' is not a known desiccant"),
    ],
)
def test_a_slip_is_said_beside_its_field_and_what_was_typed_stays(
    asked: Asked, typed: dict[str, str], said: str
) -> None:
    page = asked.page(status=400, **typed)
    assert said in page
    assert 'id="size-answer"' not in page
    wrong = list(typed)[-1]
    if wrong != "beads":
        assert re.search(rf'name="size-{wrong}" value="{typed[wrong]}"[^>]*aria-invalid="true"', page)


def test_a_question_is_worked_out_once_and_where_slow_work_is_done(
    asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = asked.page("young", months="4")
    assert "The usual leak of boxes of" in page, "too little is known of its own"
    assert "There is no estimate of its leak yet:" in page
    monkeypatch.setattr(page_sizing, "sizing", lambda *_, **__: pytest.fail("it was answered already"))
    bounded: list[object] = []
    run = Work.run

    async def counted(self: Work, function: Any, *arguments: Any) -> Any:
        bounded.append(function)
        return await run(self, function, *arguments)

    monkeypatch.setattr(Work, "run", counted)
    assert "For 4 months under" in asked.page("young", months="4")
    assert len(bounded) == 1
    asked.page("young")
    assert len(bounded) == 1


@pytest.mark.browser
def test_with_scripts_the_answer_comes_in_place_and_its_address_keeps_it(browser: Browser, asked: Asked) -> None:
    with (
        serving(asked.shelf, keeper_by_hand(asked.shelf)) as address,
        opened(browser, f"{address}/box/soon", PHONE) as page,
    ):
        page.evaluate("window.same = true")
        page.fill("#size-months", "4")
        page.locator("#size .button.main").click()
        page.wait_for_selector("#size-answer")
        assert page.evaluate("window.same")
        assert "size-months=4" in page.url
        assert page.evaluate("document.activeElement.id") == "size-answer"
