"""Words, weights, moments and completion as a person types them."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
import typer
from typer.testing import CliRunner

from monitor.cli import arguments
from monitor.cli.app import app
from monitor.cli.site.words import word_lists
from monitor.errors import SiccastError
from monitor.feed.formats import values
from monitor.inference.model import box_prior, contents
from monitor.presentation.bead_wording import METHODS as METHODS_SAID
from monitor.records import words
from monitor.settings import load_shelf

if TYPE_CHECKING:
    from pathlib import Path

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 3, 4, 11, 0, tzinfo=UTC)  # noon in Vienna


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("10:00", datetime(2026, 3, 4, 9, 0, tzinfo=UTC)),
        ("9:05", datetime(2026, 3, 4, 8, 5, tzinfo=UTC)),
        ("today 11:59", datetime(2026, 3, 4, 10, 59, tzinfo=UTC)),
        ("yesterday", datetime(2026, 3, 3, 11, 0, tzinfo=UTC)),
        ("Yesterday 18:30", datetime(2026, 3, 3, 17, 30, tzinfo=UTC)),
        ("2026-03-01", datetime(2026, 2, 28, 23, 0, tzinfo=UTC)),
        ("2026-03-01T07:30Z", datetime(2026, 3, 1, 7, 30, tzinfo=UTC)),
        ("this morning", datetime(2026, 3, 4, 7, 0, tzinfo=UTC)),
        ("This morning 8:30", datetime(2026, 3, 4, 7, 30, tzinfo=UTC)),
        ("8:30 this morning", datetime(2026, 3, 4, 7, 30, tzinfo=UTC)),
        ("18:30, yesterday", datetime(2026, 3, 3, 17, 30, tzinfo=UTC)),
        ("1.3. 8:00", datetime(2026, 3, 1, 7, 0, tzinfo=UTC)),
        ("1.3.2026 8:00", datetime(2026, 3, 1, 7, 0, tzinfo=UTC)),
        ("1 Mar 8:00", datetime(2026, 3, 1, 7, 0, tzinfo=UTC)),
        ("1 March 2026, 8:00", datetime(2026, 3, 1, 7, 0, tzinfo=UTC)),
        ("30 Dec 8:00", datetime(2025, 12, 30, 7, 0, tzinfo=UTC)),
    ],
)
def test_moments_as_people_write_them(text: str, at: datetime) -> None:
    assert arguments.instant(text, VIENNA, NOW) == at


def test_yesterday_is_the_person_s_own(tmp_path: Path) -> None:
    late = datetime(2026, 3, 3, 23, 30, tzinfo=UTC)  # the 4th in Vienna
    assert arguments.instant("yesterday 18:30", VIENNA, late) == datetime(2026, 3, 3, 17, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("18:30", "is in the future. Log only what has happened. For the day before, write 'yesterday 18:30'"),
        ("25:00", "'25:00' is not a time. Write it like 10:00"),
        ("today", "'today' is not a time"),
        ("this morning 13:00", "'this morning 13:00' is not a time"),
        ("3/4 8:00", "'3/4 8:00' is not a time"),
        ("3.4 8:00", "'3.4 8:00' is not a time"),
        ("31.2. 8:00", "'31.2. 8:00' is not a time"),
        ("1 Mai 8:00", "'1 Mai 8:00' is not a time"),
        ("5 Mar 8:00", "is in the future"),
        ("soon", "'soon' is not a time"),
        ("", "'' is not a time"),
    ],
)
def test_moments_that_won_t_do(text: str, told: str) -> None:
    with pytest.raises(typer.BadParameter, match=told):
        arguments.instant(text, VIENNA, NOW)


@pytest.mark.parametrize(
    ("text", "now", "at"),
    [
        ("2026-10-25T02:30+02:00", datetime(2026, 10, 25, 9, 0, tzinfo=UTC), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("2026-10-25T02:30+01:00", datetime(2026, 10, 25, 9, 0, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)),
        # During the first pass the second is still to come; before and after the hour all is plain.
        ("02:30", datetime(2026, 10, 25, 0, 40, tzinfo=UTC), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("2:30", datetime(2026, 10, 25, 1, 20, tzinfo=UTC), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("01:59", datetime(2026, 10, 25, 9, 0, tzinfo=UTC), datetime(2026, 10, 24, 23, 59, tzinfo=UTC)),
        ("03:00", datetime(2026, 10, 25, 9, 0, tzinfo=UTC), datetime(2026, 10, 25, 2, 0, tzinfo=UTC)),
    ],
)
def test_the_hours_when_clocks_are_changed(text: str, now: datetime, at: datetime) -> None:
    """Vienna's clocks go from +01:00 to +02:00 on 29 March 2026, and back on 25 October, both at 01:00 UTC."""
    assert arguments.instant(text, VIENNA, now) == at


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("2026-03-29T02:30", r"never was in Europe/Vienna.* not set yet, write 2026-03-29T02:30:00\+01:00"),
        ("29 Mar 2026 2:30", r"'29 Mar 2026 2:30' never was in Europe/Vienna"),
        ("2026-10-25T02:30", r"came twice .* 2026-10-25T02:30:00\+02:00 or 2026-10-25T02:30:00\+01:00"),
        ("25.10. 2:30", r"'25.10. 2:30' came twice in Europe/Vienna"),
        ("yesterday 02:30", "'yesterday 02:30' came twice in Europe/Vienna"),
    ],
)
def test_a_time_that_clocks_skipped_or_showed_twice_is_asked_about(text: str, told: str) -> None:
    now = datetime(2026, 10, 26, 11, 0, tzinfo=UTC)
    with pytest.raises(typer.BadParameter, match=told):
        arguments.instant(text, VIENNA, now)
    with pytest.raises(typer.BadParameter, match=told if text.startswith("2026") else "is not a time"):
        arguments.span_end(text, VIENNA, "--from")


@pytest.mark.parametrize(
    ("zone", "day", "hour"), [("Africa/Cairo", "2026-04-24", 22), ("America/Havana", "2026-11-01", 4)]
)
def test_a_day_begins_also_where_clocks_skip_or_repeat_its_midnight(zone: str, day: str, hour: int) -> None:
    """Cairo (+02:00) goes from 00:00 to 01:00 that day, Havana (-04:00) back from 01:00 to 00:00."""
    began = datetime.fromisoformat(day).replace(tzinfo=UTC)
    began += timedelta(hours=hour if hour < 12 else hour - 24)
    assert arguments.instant(day, ZoneInfo(zone), datetime(2026, 12, 1, tzinfo=UTC)) == began
    assert arguments.span_end(day, ZoneInfo(zone), "--from") == began


def run(shelf: Path, *line: str) -> Any:
    result = CliRunner().invoke(app, ["--shelf", str(shelf), *line])
    if isinstance(result.exception, SiccastError):
        result.exit_code = result.exception.exit_code
    return result


@pytest.mark.parametrize(("unit", "bare_g"), [("g", 150.0), ("oz", 150.0 * 28.349523125)])
def test_log_takes_weights_as_the_desk_does(tmp_path: Path, unit: str, bare_g: float) -> None:
    (tmp_path / "shelf.toml").write_text(f'mass_unit = "{unit}"\n[boxes.one]\nvolume_l = 9\n')
    assert run(tmp_path, "log", "charge", "one", "--dry-mass", "150").exit_code == 0
    again = ("log", "charge", "one", "--dry-mass", "5.3oz", "--mass", "0,2kg", "--holder", "40g", "--sure")
    assert run(tmp_path, *again).exit_code == 0
    assert run(tmp_path, "log", "weighing", "one", "161.5g", "--resolution", "0.1g").exit_code == 0
    entries = json.loads(run(tmp_path, "log", "show", "--json").stdout)["entries"]
    assert entries[0]["dry_mass_g"] == pytest.approx(bare_g)
    assert entries[1]["dry_mass_g"] == pytest.approx(5.3 * 28.349523125)
    assert entries[1]["mass_g"] == pytest.approx(160.0)
    assert (entries[2]["mass_g"], entries[2]["scale_resolution_g"]) == (161.5, 0.1)
    refused = run(tmp_path, "log", "weighing", "one", "heavy")
    assert refused.exit_code == 2
    assert "'heavy' is not a weight. Write it like 180" in str(refused.exception)


def test_no_terminal_obeys_a_note_that_is_repeated(tmp_path: Path) -> None:
    """It may come from the page of somebody else."""
    (tmp_path / "shelf.toml").write_text("[boxes.one]\nvolume_l = 9\n")
    note, harmless = "a\x1b[2Jb\nc\u202e", "a\ufffd[2Jb c\ufffd"
    for line in (
        ("log", "note", "one", note),
        ("log", "undo", "1"),
        ("lot", "buy", "gel", "orange_gel", "1kg", "--note", note),
        ("lot", "undo", "1"),
    ):
        said = CliRunner().invoke(app, ["--shelf", str(tmp_path), *line], color=True).stdout  # as at a terminal
        assert said.count("\n") == 1
        assert said[:-1].isprintable()
        assert harmless in said or "buy" in line


def test_the_log_lists_a_deed_in_the_words_that_repeated_it(tmp_path: Path) -> None:
    """Not in those of the database: 'spool swap' is neither the command that was typed nor what siccast answered."""
    (tmp_path / "shelf.toml").write_text("[boxes.left]\n")
    run(tmp_path, "log", "charge", "left", "--dry-mass", "100")
    for deed in (("spool", "left"), ("recharge", "left"), ("opening", "left"), ("sensor", "left")):
        run(tmp_path, "log", *deed)
    listed = run(tmp_path, "log", "show").stdout
    for called in ("beads put in", "spool swapped", "beads dried or swapped", "opened", "sensor swapped"):
        assert called in listed
    assert "spool swap " not in listed


def test_every_word_is_listed_with_a_line_and_is_one_that_the_code_uses() -> None:
    lists = word_lists()
    assert set(words.STYLES) - {"unknown"} == set(box_prior._AIR_CHANGES)
    assert set(words.METHODS) == set(box_prior._START_HUMIDITY)
    assert all(any(word in method for word in words.METHODS) for method in METHODS_SAID)
    assert set(words.SPOOL_STATES) - {"unknown"} <= set(contents._SPOOL_HUMIDITY)
    assert set(words.TEMPERATURE_UNITS) == {"C", *values._TO_DEGC} == set(values._TEMPERATURES_SAID)
    assert set(words.HUMIDITY_UNITS) == set(values._HUMIDITY_UNITS)
    assert set(words.TIME_UNITS) == {"iso8601", *values._EPOCH_UNITS}
    assert "orange" in lists["beads (--desiccant, --beads, lot buy)"]["silica_gel_orange_indicating"]
    assert {"orange", "green", "blue", "pink"} <= set(lists["color (log color, recharge color)"])


def test_the_listed_words_are_taken(tmp_path: Path) -> None:
    lists = word_lists()
    boxes = [f'[boxes."style {word}"]\nstyle = "{word}"' for word in lists["style (boxes)"]]
    boxes += [f'[boxes."wall {word}"]\nwall_material = "{word}"' for word in lists["wall_material (boxes)"]]
    boxes += [
        f'[boxes."spool {word}"]\nspools = [{{material = "{word}"}}]' for word in lists["filament (spools: material)"]
    ]
    tools = [f'[appliances."{word}"]\nkind = "{word}"' for word in lists["appliance (appliances: kind, --kind)"]]
    (tmp_path / "shelf.toml").write_text("\n".join([*boxes, *tools]))
    assert len(load_shelf(tmp_path).boxes) == len(boxes)


def test_words_are_shown_all_or_one_list(tmp_path: Path) -> None:
    shown = run(tmp_path, "words").stdout
    assert "style (boxes)" in shown
    assert "gasket" in shown
    assert "yellow" not in run(tmp_path, "words", "style").stdout
    assert list(json.loads(run(tmp_path, "words", "style", "--json").stdout)) == ["style (boxes)"]
    assert "there is no list 'tea'. The lists are: names of boxes" in run(tmp_path, "words", "tea").output


@pytest.mark.parametrize(("typed", "offered"), [("log opening l", ["left", "links"]), ("forecast ri", ["right"])])
def test_a_shell_completes_boxes(tmp_path: Path, typed: str, offered: list[str]) -> None:
    (tmp_path / "shelf.toml").write_text("".join(f"[boxes.{name}]\n" for name in ("left", "links", "right")))
    line = f"siccast --shelf {tmp_path} {typed}"
    asked = {"_SICCAST_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(line.split()) - 1)}
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'siccast'; from monitor.cli.app import main; main()"],
        env=asked, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.split() == offered, done.stderr
