"""``--help`` of every command: words of a person, no type of ours, nothing cut."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import CliRunner

from monitor.cli.app import app
from monitor.cli.commands import COMMANDS, commands_of

if TYPE_CHECKING:
    from collections.abc import Iterator


def within(path: tuple[str, ...], command: Any) -> Iterator[tuple[str, ...]]:
    yield path
    for name, each in getattr(command, "commands", {}).items():
        yield from within((*path, name), each)


EVERY = [path for name, entry in COMMANDS.items() for path in within((name,), commands_of(entry.module)[name])]


@pytest.mark.parametrize("path", [(), *EVERY], ids=" ".join)
def test_help_has_no_word_of_a_parser_and_no_sentence_cut(path: tuple[str, ...]) -> None:
    shown = CliRunner().invoke(app, [*path, "--help"], env={"COLUMNS": "80"}, catch_exceptions=False).output
    assert max(map(len, shown.splitlines())) <= 80
    assert not re.search(r"<(?:str|int|float|path|uuid|text)\b|<=|>=|\{[a-zA-Z]", shown), "types and ranges of a parser"
    listed = shown.partition("Commands:")[2]
    assert "..." not in listed, "the first sentence of each command has room"
    arguments = re.findall(r"^  (\S+) ", shown.partition("Arguments:")[2].partition("\n\n")[0], flags=re.MULTILINE)
    assert all(word == word.upper() for word in arguments)


def test_values_are_named_alike_and_may_be_left_out_in_brackets() -> None:
    shown = CliRunner().invoke(app, ["plan", "not", "--help"]).output
    assert "not [OPTIONS] DAY [LAST]\n" in shown
    assert "boxes [OPTIONS] [BOX]...\n" in CliRunner().invoke(app, ["boxes", "--help"]).output
    for path in (("log", "opening"), ("recharge", "weigh"), ("charge", "put")):
        assert "--at TIME" in CliRunner().invoke(app, [*path, "--help"]).output, path
