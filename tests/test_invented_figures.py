"""What people read shows an invented evening: none of the check values of common practice stands in it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import click
import common_practice
import pytest
import typer
from typer.testing import CliRunner

from monitor.cli.app import app

ROOT = Path(__file__).resolve().parent.parent
READ_BY_PEOPLE = sorted(
    path
    for pattern in ("README.md", "DEVELOPERS.md", "demo_feeds/**/*", "firmware_notes/**/*", "dashboards/**/*.html")
    for path in ROOT.glob(pattern)
    if path.is_file() and path.suffix in {".md", ".toml", ".json", ".jsonl", ".py", ".conf", ".html"}
)
SERIES = (common_practice.MICROWAVE_LOSSES, common_practice.WARM_BOX_LOSSES)


def measured_weights() -> set[int]:
    """Return what a scale showed: the beads at the start, with their bowl, and all of it in milliliters of milk."""
    wet_g, tare_g = common_practice.WET_G, common_practice.TARE_G
    at_the_end_g = wet_g - common_practice.MICROWAVE_LOSSES[-1][1]
    after_the_first_g = wet_g - common_practice.MICROWAVE_LOSSES[1][1]
    shown = {tare_g, wet_g, *(tare_g + mass_g for mass_g in (wet_g, after_the_first_g, at_the_end_g))}
    return {round(mass) for mass_g in shown for mass in (mass_g, mass_g / common_practice.MILK_G_PER_ML)}


def forbidden() -> Iterator[re.Pattern[str]]:
    weights = "|".join(str(weight) for weight in sorted(measured_weights()))
    # Decimals, thousands, clocks, and numbers with another unit than grams are something else.
    other = r"[\d_]|[.:]\d| ?(?:W|kW|Pa|hPa|s|ms|ml|°C|%)(?![a-z])"
    yield re.compile(rf"(?<![\w.,:\-])(?:{weights})(?:\.0)?(?!{other})")
    for series in SERIES:
        losses = [str(loss_g) for _, loss_g in series[1:]]
        for one, other in pairwise(losses):
            yield re.compile(rf"(?<![\d.]){one}(?:\.0)?(?:\s*g)?\s*[,/;|]\s*{other}(?![\d.]|:)")


def found_in(text: str) -> list[str]:
    return [match.group() for pattern in forbidden() for match in pattern.finditer(text)]


def helps() -> Iterator[tuple[str, ...]]:
    def below(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        yield path
        for name in command.list_commands(None) if hasattr(command, "list_commands") else ():
            yield from below(command.get_command(None, name), (*path, name))

    return below(typer.main.get_command(app), ())


@pytest.mark.parametrize("path", READ_BY_PEOPLE, ids=lambda path: str(path.relative_to(ROOT)))
def test_documents_and_demo_are_free_of_the_check_values(path: Path) -> None:
    assert found_in(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("words", list(helps()), ids=" ".join)
def test_help_is_free_of_the_check_values(words: tuple[str, ...]) -> None:
    shown = CliRunner().invoke(app, [*words, "--help"], env={"COLUMNS": "200"})
    assert shown.exit_code == 0
    assert found_in(shown.output) == []


@pytest.mark.parametrize(
    "text",
    [
        "siccast charge weigh-out bowl autumn {wet:.0f} --state room",
        "siccast recharge weigh {after:.0f}\n",
        "an empty bowl of {tare:.0f} g",
        "As in {wet:.0f}, 0.3kg or 11oz",
        "lost {one}, {other} and so on",
        "{one}/{other}",
    ],
)
def test_the_guard_finds_what_it_looks_for(text: str) -> None:
    (_, one), (_, other) = common_practice.MICROWAVE_LOSSES[1:3]
    wet, tare = common_practice.WET_G, common_practice.TARE_G
    assert found_in(text.format(wet=wet, after=wet + tare - one, tare=tare, one=one, other=other))


def test_general_tests_use_other_figures() -> None:
    """Only the marked place and the checks that import it know the measured weights."""
    weights = "|".join(str(weight) for weight in sorted({round(common_practice.WET_G), round(common_practice.TARE_G)}))
    number = re.compile(rf"(?<![\d.\-])(?:{weights})(?:\.0)?(?![\d.])")
    for folder in ("desk", "cli", "web", "store", "inference"):
        for path in (ROOT / "tests" / folder).rglob("*.py"):
            assert not number.search(path.read_text(encoding="utf-8")), path
