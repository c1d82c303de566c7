"""The one rule for names: what a feed can store, a person can declare, log, see, and copy into a shell."""

from __future__ import annotations

import json
import shlex
import unicodedata
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from urllib.parse import quote

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shelf_on_page import got, serving
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.presentation import quantities
from monitor.records import Reading
from monitor.records.names import (
    command,
    is_name,
    tidy,
)
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime.now(tz=UTC).replace(microsecond=0)
FIT = ["box1", "Kühlbox 3", "links oben", "box.two-a", "_shelf", "สีขาว", "коробка", "नमी-1", "箱", "٣", "x" * 64]
UNFIT = ["", " a", "a ", ".", "..", "-a", "a/b", "a+b", "a#", "a(b)", "'; drop table boxes;--", "a\u202eb", "a\tb",
         "a\u00a0b", "\u0301a", "x" * 65, "a\u3164", "a\ufe0f", "₂", "½", "🙂", "Ku\u0308hl"]  # fmt: skip


@pytest.mark.parametrize("name", FIT)
def test_names_that_fit(name: str) -> None:
    assert is_name(name)


@pytest.mark.parametrize("name", UNFIT)
def test_names_that_do_not(name: str) -> None:
    assert not is_name(name)


@given(st.text())
def test_tidying_twice_changes_nothing_and_a_name_is_tidy(text: str) -> None:
    assert tidy(tidy(text)) == tidy(text)
    if is_name(text):
        assert tidy(text) == text
        assert text.isprintable()


@given(st.text(min_size=1))
def test_a_name_in_a_command_stays_one_word_of_it(text: str) -> None:
    words = shlex.split(command("adopt", text))
    assert words[:2] == ["siccast", "adopt"]
    assert len(words) == (4 if text.startswith("-") else 3)
    assert words[-1] == "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def test_what_a_feed_can_store_is_declared_logged_and_seen(tmp_path: Path) -> None:
    def run(*words: str) -> str:
        result = CliRunner().invoke(app, ["--shelf", str(tmp_path), *words])
        assert result.exit_code == 0, (result.output, result.exception)
        return result.stdout

    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        for name in FIT:
            stores.readings.add(Reading(name, NOW - timedelta(minutes=10 * k), 21.4, 0.172) for k in range(5))
    for name in FIT:
        typed_apart = unicodedata.normalize("NFD", name)
        assert f"{name} is a box now" in run("adopt", typed_apart)
        assert "saved as entry" in run("log", "opening", typed_apart)
        assert quantities.name(typed_apart) == name
    shelf = load_shelf(tmp_path)
    assert [box.name for box in shelf.boxes] == FIT
    assert {entry["box"] for entry in json.loads(run("log", "show", "--json"))["entries"]} == set(FIT)
    with serving(shelf) as address:
        shown = got(f"{address}/").text
        for name in FIT:
            assert f'href="/box/{quote(name)}"' in shown
            assert got(f"{address}/box/{quote(name)}").status_code == 200


def test_a_stored_name_that_does_not_fit_is_quoted_and_readable(tmp_path: Path) -> None:
    odd = "'; drop table boxes;--"
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.readings.add([Reading(odd, NOW, 21.4, 0.172)])
    checked = CliRunner().invoke(app, ["--shelf", str(tmp_path), "check"])
    hint = checked.stdout.partition("`")[2].partition("`")[0]
    assert shlex.split(hint) == ["siccast", "adopt", odd]
    assert odd in CliRunner().invoke(app, ["--shelf", str(tmp_path), "readings", "export"]).stdout
