"""Tables in terminals of every width: whatever is narrow, no cell is cut, and no column gone."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from command_line import Run

from monitor.cli.output import show_notes, show_table

if TYPE_CHECKING:
    from collections.abc import Sequence

HEADINGS = ("box", "state", "what to do", "RH", "last\nreading")
ROWS = (
    ("petg-printer", "over limit", "dry beads now (next drying day: Sat 3 Oct)", "30.2 %", "27 min ago"),
    ("tpu-bag", "due by 9 Oct", "check its sensor (battery, radio)", "12.9 %\n(old)", "40 days ago"),
    ("", "within limit", "nothing before 2028", "9.1 %", "24 min ago"),
)


@pytest.fixture(autouse=True)
def _is_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")


def shown(text: str) -> list[str]:
    return re.sub(r"\x1b\[[0-9;]*m", "", text).splitlines()


def letters(texts: Sequence[str]) -> str:
    return re.sub(r"[\s─]", "", "".join(texts))


@pytest.mark.parametrize("columns", [30, 40, 50, 60, 70, 80, 100, 200])
@pytest.mark.parametrize("wrap", [None, {0: 24, 1: 13, 2: None}], ids=["all fold", "some fold"])
def test_every_cell_is_there_whole_in_any_width(
    columns: int,
    wrap: dict[int, int | None] | None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    show_table(HEADINGS, ROWS, right=(3, 4), wrap=wrap)
    lines = shown(capsys.readouterr().out)
    assert max(map(len, lines)) <= columns
    for row in ROWS:
        for cell in row:
            assert all(any(word in line for line in lines) for word in cell.split()), cell


def test_a_terminal_too_narrow_for_the_columns_has_a_line_for_each_cell(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    show_table(HEADINGS, ROWS[1:], right=(3, 4), wrap={0: 24, 1: 13, 2: None})
    assert [line.rstrip() for line in shown(capsys.readouterr().out)] == [
        "",
        "box           tpu-bag",
        "state         due by 9 Oct",
        "what to do    check its sensor (battery,",
        "              radio)",
        "RH            12.9 % (old)",
        "last reading  40 days ago",
        "",
        "state         within limit",
        "what to do    nothing before 2028",
        "RH            9.1 %",
        "last reading  24 min ago",
        "",
    ]


@pytest.mark.parametrize("columns", [30, 40, 60, 80, 200])
def test_a_long_name_leaves_what_is_said_of_it_room(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    name, text = "a name of " + "sixty-four " * 5, "It has no day in this plan; by its end it is over its limit."
    show_notes("Not in time", [(name, text), ("a", "Well.")])
    lines = shown(capsys.readouterr().out)
    assert max(map(len, lines)) <= columns
    assert all(any(word in line for line in lines) for word in f"{name} {text} Well.".split())


def test_letters_that_take_two_places_are_counted_as_two(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    show_table(("box", "state"), [("容" * 12, "over")], wrap={})
    lines = shown(capsys.readouterr().out)
    assert not any("─" in line for line in lines), "twice 12, two between them and five letters are 31"
    assert lines[-2].split() == ["state", "over"]


def test_what_a_terminal_would_obey_is_shown_as_a_sign(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A note can come from any device that may open the page."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("FORCE_COLOR")
    show_table(("box", "note"), [("left", "\x1b[31mred\x07 \u202eback\ttab [red]x[/red] :door: שלום 👩\u200d🔧")])
    last = capsys.readouterr().out.splitlines()[-2].rstrip()
    assert last == "left  �[31mred� �back tab [red]x[/red] :door: שלום 👩\u200d🔧"


@pytest.mark.parametrize("columns", [40, 60, 80])
@pytest.mark.parametrize("command", ["boxes", "forecast", "leak", "plan"])
def test_an_answer_in_a_narrow_terminal_lacks_no_word(
    siccast: Run, command: str, columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    wide = set(re.findall(r"[\w.-]{3,}", "\n".join(shown(siccast(command).stdout))))
    monkeypatch.setenv("COLUMNS", str(columns))
    narrow = letters(shown(siccast(command).stdout))
    assert [word for word in sorted(wide) if word not in narrow] == []
