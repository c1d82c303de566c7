"""A failed estimate is said everywhere and logged; a box that shows too much is over its limit without any estimate."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from answers_by_hand import AS_OF, GOOD, StubInference

from monitor.cli.session import ask
from monitor.presentation.answers import outlook_messages
from monitor.presentation.headline import headline
from monitor.records import BoxHistory, Outlook, Reading
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores
from monitor.web.shelf.view import card
from monitor.web.snapshot import take_snapshot

Run = Callable[..., Any]
FAILED = Outlook(refusal="the estimate failed (IndexError: index 9); please report it", trace="Traceback: index 9")


@pytest.fixture
def shelf(site: Path, stub: StubInference) -> Shelf:
    """Two estimates fail: of petg-new, which shows 47.5 % over its limit of 20, and of pla-white, which is dry."""
    stub.answer = lambda history, limit: GOOD if history.box.name == "pa6-dry" else FAILED
    with open_stores(site / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.readings.add([Reading("petg-new", AS_OF - timedelta(minutes=5), 21.0, 0.475)])
    return load_shelf(site, {})


def test_the_table_says_both(shelf: Shelf, siccast: Run) -> None:
    lines = {line.split()[0]: line for line in siccast("boxes").stdout.splitlines() if line}
    assert "over limit" in lines["petg-new"]
    assert "log its beads or put some in now" in lines["petg-new"]
    assert "estimate" in lines["pla-white"]
    assert siccast("boxes").stdout.index("petg-new") < siccast("boxes").stdout.index("pla-white")


def test_no_leak_is_not_told_by_the_limit(shelf: Shelf, siccast: Run) -> None:
    told = siccast("leak").stdout
    assert "over limit" not in told
    assert told.count("estimate failed") >= 2


def test_today_needs_the_person(shelf: Shelf, siccast: Run) -> None:
    told = siccast("today")
    assert told.exit_code == 3
    assert "petg-new: log its beads or put some in now. It is over its limit of 20 %.\n" in told.stdout
    assert f"petg-new: {FAILED.refusal}.\n" in told.stdout
    assert f"pla-white: {FAILED.refusal}.\n" in told.stdout
    words = json.loads(siccast("today", "--json").stdout)["words"]
    assert [word["matter"] for word in words if word["box"] == "petg-new"] == ["over limit", "estimate failed"]


def test_check_does_not_say_that_all_is_well(shelf: Shelf, siccast: Run) -> None:
    told = siccast("check")
    assert told.exit_code == 3
    assert "petg-new: over its limit of 20 %" in told.stdout
    assert f"pla-white: {FAILED.refusal}" in told.stdout
    assert "estimates: " not in siccast("check", "--all").stdout


def test_what_is_published_says_so_too(shelf: Shelf) -> None:
    asked = ask(shelf)
    sent = dict(outlook_messages(asked.assessments, shelf.site, asked.wording))
    there = sent["siccast/1/attic/petg-new/outlook"]
    assert (there["state"], there["evidence"]) == ("over limit", [FAILED.refusal[0].upper() + FAILED.refusal[1:] + "."])
    assert sent["siccast/1/attic/pla-white/outlook"]["state"] == "estimate failed"


def test_the_page_says_so_too(shelf: Shelf) -> None:
    snapshot = take_snapshot(shelf, AS_OF)
    said = headline(snapshot.answers, snapshot.plan, ask(shelf).wording)
    assert said.main == "Log the beads of petg-new or put some in now; pa6-dry holds until 9 June."
    assert "The estimate of petg-new, pla-white and empty failed; please report it." in said.beside
    worst = card(snapshot.answers[0], ask(shelf).wording)
    assert (worst.name, worst.sign, worst.state) == ("petg-new", "over", "over limit")
    assert "please report it" in worst.why_not


def test_a_trace_is_logged(shelf: Shelf, caplog: pytest.LogCaptureFixture) -> None:
    ask(shelf)
    logged = [record.getMessage() for record in caplog.records if record.levelname == "ERROR"]
    assert [box for box in ("petg-new", "pla-white") for line in logged if box in line and FAILED.trace in line] == [
        "petg-new", "pla-white",
    ]  # fmt: skip


def test_a_defect_where_boxes_meet_is_said_of_the_shelf(shelf: Shelf, stub: StubInference, siccast: Run) -> None:
    def answer(history: BoxHistory, limit: float) -> Outlook:
        if len(stub.asked[-1]) > 1:
            raise IndexError("no such box")
        return GOOD

    stub.answer = answer
    told = siccast("today")
    assert told.exit_code == 3
    assert told.stdout.startswith("shelf: the boxes could not be looked at together (IndexError: no such box)")
    assert "estimates: the boxes could not be looked at together" in siccast("check").stdout
    assert "could not be looked at together" in siccast("forecast").stdout
