"""`readings import`, `imports`, `withdraw`, `restore` as a person types them: any kind of file, and second thoughts."""

from __future__ import annotations

import gzip
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from typer.testing import Result

from monitor.records import Reading
from monitor.records.readings import ROWS_AT_ONCE
from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

START = datetime(2026, 3, 1, 7, 30, tzinfo=UTC)


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    folder = tmp_path / "shelf"
    folder.mkdir()
    (folder / "shelf.toml").write_text('site = "attic"\ntimezone = "Europe/Vienna"\n[boxes.box1]\nvolume_l = 12\n')
    return folder


def table(
    temperature: float = 21.4, humidity: float = 17.2, rows: int = 10, headings: str = "t,temperature_c,rh_pct"
) -> str:
    return "\n".join([headings, *(f"2026-03-01T07:{k:02d}:00Z,{temperature},{humidity}" for k in range(rows))]) + "\n"


def written(tmp_path: Path, content: str | bytes, name: str = "x.csv") -> str:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return str(path)


def taken_in(shelf: Path) -> list[Reading]:
    if not (shelf / "siccast.sqlite3").exists():
        return []
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        return [reading for box in sorted(stores.readings.latest()) for reading in stores.readings.each(box)]


FOREIGN = table(headings="Zeit,Temperatur (°C),Feuchte").encode("cp1252")


@pytest.mark.parametrize(
    ("content", "name", "encoding"),
    [
        (table().encode(), "x.csv", "utf-8"),
        (table().encode("utf-8-sig"), "x.csv", "utf-8"),
        (gzip.compress(table().encode("utf-8-sig"), mtime=0), "x.csv.gz", "utf-8"),
        (gzip.compress(table().encode(), mtime=0), "x.csv", "utf-8"),
        (FOREIGN, "x.csv", "cp1252"),
        (table().encode("utf-16"), "x.csv", "utf-16"),
        (gzip.compress(table().encode("utf-16"), mtime=0), "x.csv.gz", "utf-16"),
        (table().encode("utf-16-le"), "x.csv", "utf-16-le"),
    ],
)
def test_any_encoding_and_gzip(
    run: Callable[..., Result], tmp_path: Path, content: bytes, name: str, encoding: str
) -> None:
    words = () if encoding == "utf-8" else ("--encoding", encoding)
    done = run("readings", "import", written(tmp_path, content, name), "--box", "box1", *words)
    assert "10 new readings, 0 already stored, 0 differing, 0 rejected" in done.stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (FOREIGN, "line 1: this is not UTF-8 text. Nothing was saved. It is probably cp1252, which reads 'Zeit,Tem"),
        (
            table().encode("utf-16"),
            "It is probably utf-16, which reads 't,temperature_c,rh_pct'. If so, add --encoding utf-16",
        ),
        (table().encode("utf-16-le"), "It is probably utf-16-le, which reads 't,temperature_c,rh_pct'"),
        (table().encode("utf-16-be"), "It is probably utf-16-be, which reads 't,temperature_c,rh_pct'"),
        (table(rows=59).encode() + b"caf\xe9,21,17\n", "line 61: this is not UTF-8 text"),
        (b"\x81" + FOREIGN, "It is probably latin-1"),
        (gzip.compress(table(rows=59).encode(), mtime=0)[:-20], "can't be read"),
        (b"\x1f\x8b" + b"junk" * 20, "can't be read"),
    ],
)
def test_a_file_in_another_encoding_is_refused_whole_and_the_likely_one_named(
    run: Callable[..., Result], shelf: Path, tmp_path: Path, content: bytes, said: str
) -> None:
    refusal = str(run("readings", "import", written(tmp_path, content), "--box", "box1", exit_code=1).exception)
    assert said in refusal
    assert "\n" not in refusal
    assert taken_in(shelf) == []


def test_an_encoding_that_there_is_not(run: Callable[..., Result], tmp_path: Path) -> None:
    for name in ("utf-9", "hex", "rot13"):
        shown = run("readings", "import", written(tmp_path, table()), "--encoding", name, exit_code=2).output
        assert f"'{name}' is not a text encoding" in shown


@pytest.mark.parametrize("between", [";", "\t"])
def test_a_table_as_an_office_program_writes_it_needs_no_option(
    run: Callable[..., Result], shelf: Path, tmp_path: Path, between: str
) -> None:
    """The same table as CSV with points and commas is the expected value."""
    lines = ("Date;Time;Temp (°C);Humidity (%)", "28.02.2026;08:00;21,4;17,2", "01.03.2026;08:00:30;21;17,25")
    content = "\n".join(lines).replace(";", between) + "\n"
    done = run("readings", "import", written(tmp_path, content), "--box", "box1")
    assert "2 new readings, 0 already stored, 0 differing, 0 rejected" in done.stdout
    found = taken_in(shelf)
    plain = "t,temperature_c,rh_pct\n2026-02-28 08:00,21.4,17.2\n2026-03-01 08:00:30,21,17.25\n"
    again = run("readings", "import", written(tmp_path, plain), "--box", "box1")
    assert "0 new readings, 2 already stored, 0 differing, 0 rejected" in again.stdout
    assert taken_in(shelf) == found


def test_a_date_with_slashes_could_be_two_days_and_is_asked_for(run: Callable[..., Result], tmp_path: Path) -> None:
    content = "t;temperature_c;rh_pct\n03/04/2026 08:00;21,4;17,2\n"
    refused = run("readings", "import", written(tmp_path, content), "--box", "box1", exit_code=1)
    assert "--time-format" in str(refused.exception)


def test_a_bad_cell_costs_its_row_only(run: Callable[..., Result], shelf: Path, tmp_path: Path) -> None:
    bad = (
        "2026-03-01T08:00:00Z,21,17,nan,1\n2026-03-01T08:01:00Z,21,17,1e300,1\n2026-03-01T08:02:00Z,21,17,3,1"
        + "0" * 22
    )
    content = table(headings="t,temperature_c,rh_pct,battery_v,seq") + bad + "\n"
    done = run("readings", "import", written(tmp_path, content), "--box", "box1")
    assert "import 1: 10 new readings, 0 already stored, 0 differing, 3 rejected" in done.stdout
    assert "first rejected: line 12: battery_v is nan" in done.stderr
    assert len(taken_in(shelf)) == 10


def test_a_file_of_which_no_row_can_be_used_is_a_failure(run: Callable[..., Result], tmp_path: Path) -> None:
    content = table().replace("2026-03-01T", "1 March ")
    refused = run("readings", "import", written(tmp_path, content), "--box", "box1", exit_code=1)
    assert str(refused.exception).startswith("no row of x.csv could be used: line 2: t is '1 March 07:00:00Z'")
    assert "rejected so far" in run("rejected").stdout, "the rows can still be looked at"
    assert (
        "has no rows under its headings"
        in run("readings", "import", written(tmp_path, table(rows=0)), "--box", "b").stdout
    )


def test_a_slip_in_the_name_of_a_box_is_said_with_how_to_take_it_back(
    run: Callable[..., Result], tmp_path: Path
) -> None:
    """Readings of any name are kept, so only a word can tell that nobody watches what came in."""
    said = run("readings", "import", written(tmp_path, table()), "--box", "bxo1").stderr
    assert said == (
        "not in shelf.toml: bxo1. `siccast adopt bxo1` adds it. If it is a slip:"
        " `siccast readings withdraw --import 1`\n"
    )
    for declared in ("box1", "room"):
        assert not run("readings", "import", written(tmp_path, table()), "--box", declared).stderr


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("2026-03-01T07:00:00Z,21.4,17.2\n", "x.csv begins with values. Its first line has to name the columns"),
        ("", "x.csv is empty"),
        ("Tag,Wert\n", "x.csv has no column 't' for t. It has Tag, Wert. Choose the right one with --column t=NAME"),
    ],
)
def test_a_file_without_headings_is_told_what_its_first_line_must_be(
    run: Callable[..., Result], tmp_path: Path, content: str, said: str
) -> None:
    failed = run("readings", "import", written(tmp_path, content), "--box", "box1", exit_code=1)
    assert said in str(failed.exception)


def test_headings_that_were_taken_are_said_and_ours_are_listed(run: Callable[..., Result], tmp_path: Path) -> None:
    content = table(70.52, headings="Time,Temperature (°F),Humidity")
    shown = run("readings", "import", written(tmp_path, content), "--box", "box1").stdout
    assert "read as: Time → t, Temperature (°F) → temperature_c in F, Humidity → rh_pct" in shown
    help_text = " ".join(run("readings", "import", "--help").output.split())
    for column in ("box", "t", "temperature_c", "rh_pct", "battery_v", "seq", "origin"):
        assert column in help_text


def test_fahrenheit_taken_for_celsius_is_withdrawn_and_imported_again(
    run: Callable[..., Result], shelf: Path, tmp_path: Path
) -> None:
    file = written(tmp_path, table(45.0))
    words = ("readings", "import", file, "--box", "box1")
    assert "Are they in °F?" in str(run(*words, exit_code=3).exception)
    assert taken_in(shelf) == []
    run(*words, "--sure")
    again = run(*words, "--temperature-unit", "F", exit_code=3)
    assert "import 2: 0 new readings, 0 already stored, 10 differing, 0 rejected" in again.stdout
    assert (
        "The stored ones are from import 1. If the new rows are right: `siccast readings withdraw --import 1`"
        in again.stderr
    )
    withdrawn = run("readings", "withdraw", "--import", "1").stdout
    assert "withdrew 10 readings (import 1). `siccast readings restore 3` puts them back" in withdrawn
    assert "10 new readings" in run(*words, "--temperature-unit", "F").stdout
    assert {round(reading.temperature_degc, 1) for reading in taken_in(shelf)} == {7.2}
    shown = run("readings", "imports").stdout
    for word in ("x.csv", "withdrawn: import 1", "withdrawn"):
        assert word in shown
    listed = json.loads(run("readings", "imports", "--json").stdout)["imports"]
    assert [(each["number"], each["new"], each["set_aside"], each["withdrawn"]) for each in listed] == [
        (1, 10, 0, 10), (2, 0, 10, 0), (3, 10, 10, 0), (4, 10, 0, 0)
    ]  # fmt: skip
    aside = run("readings", "export", "--set-aside", "3").stdout.splitlines()
    assert len(aside) == 11
    assert aside[1] == "box1,2026-03-01T07:00:00.000Z,45.00,17.20,,,imported"
    assert "put back 0 readings. 10 stay set aside" in run("readings", "restore", "3", exit_code=3).stdout


def test_a_span_is_withdrawn_in_the_zone_of_the_shelf_and_put_back(
    run: Callable[..., Result], shelf: Path, tmp_path: Path
) -> None:
    """08:05 in Vienna in March is 07:05 UTC."""
    run("readings", "import", written(tmp_path, table()), "--box", "box1")
    run("readings", "withdraw", "--box", "box1", "--from", "2026-03-01T08:05")
    assert [reading.at.minute for reading in taken_in(shelf)] == [0, 1, 2, 3, 4]
    assert "put back 5 readings" in run("readings", "restore", "2").stdout
    assert len(taken_in(shelf)) == 10
    for words in ((), ("--box", "box1"), ("--import", "1", "--box", "box1"), ("--import", "1", "--to", "2026-03-01")):
        run("readings", "withdraw", *words, exit_code=2)
    assert "there is no import 7" in str(run("readings", "withdraw", "--import", "7", exit_code=2).exception)


@pytest.mark.parametrize(
    ("told", "unit", "asked"),
    [
        ((70.0, 17.2), "C", "box 'box1' at 70.0 °C is too warm for stored filament. Are they in °F?"),
        ((45.0, 17.2), "C", "box 'box1' at 45.0 °C is too warm for stored filament. Are they in °F?"),
        ((21.4, 0.22), "C", "box 'box1' never passes 0.22 % relative humidity. Is that a fraction, 0.22 of 1?"),
        ((21.4, 17.2), "F", "box 'box1' at no more than 21.4 °F is cold. Is it in °C?"),
    ],
)
def test_numbers_that_a_box_hardly_has_are_asked_about(
    run: Callable[..., Result], tmp_path: Path, told: tuple[float, float], unit: str, asked: str
) -> None:
    file = written(tmp_path, table(*told))
    words = ("readings", "import", file, "--box", "box1", "--temperature-unit", unit)
    refusal = str(run(*words, exit_code=3).exception)
    assert refusal == f"x.csv: {asked} Nothing was saved. If it is right, repeat it with --sure"
    assert "Nothing was imported" in run("readings", "imports").stdout
    assert "10 new readings" in run(*words, "--sure").stdout


def test_a_doubt_that_comes_late_takes_back_what_was_brought(
    run: Callable[..., Result], shelf: Path, tmp_path: Path
) -> None:
    """Rows are stored some thousand at a time; the doubtful one stands behind them."""
    rows = [f"{(START + timedelta(minutes=k)).isoformat()},21.4,17.2" for k in range(12_000)]
    rows.append("2026-03-20T00:00:00Z,72,17.2")
    file = written(tmp_path, "\n".join(["t,temperature_c,rh_pct", *rows]))
    refusal = str(run("readings", "import", file, "--box", "box1", exit_code=3).exception)
    assert "The readings that import 1 had added so far are withdrawn (2)." in refusal
    assert taken_in(shelf) == []
    assert "12001 new readings" in run("readings", "import", file, "--box", "box1", "--sure").stdout


def test_a_reading_off_a_display_is_asked_about_and_taken_back(run: Callable[..., Result], shelf: Path) -> None:
    at = ("--at", "2026-03-01T08:30")
    assert "Are they in °F?" in str(run("log", "reading", "box1", "17.2", "70", *at, exit_code=3).exception)
    assert "Is that a fraction, 0.22 of 1?" in str(
        run("log", "reading", "box1", "0.22", "21", *at, exit_code=3).exception
    )
    assert taken_in(shelf) == []
    shown = run("log", "reading", "box1", "17,2", "21,4C", *at).stdout
    command = "readings withdraw --box box1 --from 2026-03-01T07:30:00.000Z --to 2026-03-01T07:30:00.001Z"
    assert f"saved a reading of box1: 17.2 % RH, 21.4 °C. To undo: `siccast {command}`" in shown
    assert "already has that reading" in run("log", "reading", "box1", "17.2", "21.4", *at).stdout
    contested = str(run("log", "reading", "box1", "18", "21.4", *at, exit_code=1).exception)
    assert "Not saved: box1 already has 21.40 °C and 17.20 % for that time" in contested
    run(*command.split())
    run("log", "reading", "box1", "18", "21.4", *at)
    assert [reading.relative_humidity for reading in taken_in(shelf)] == [0.18]


def test_an_import_killed_again_and_again_ends_exact(shelf: Path, tmp_path: Path) -> None:
    """Killed as soon as another of seven portions has landed, five times over; then one goes through."""
    minutes = 7 * ROWS_AT_ONCE // 10
    rows = [f"box{b},{(START + timedelta(minutes=k)).isoformat()},21.4,17.2" for k in range(minutes) for b in range(10)]
    file = written(tmp_path, "\n".join(["box,t,temperature_c,rh_pct", *rows]))
    words = [sys.executable, "-m", "monitor.cli.app", "--shelf", str(shelf), "readings", "import", file]
    held = 0
    for _ in range(5):
        with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
            while process.poll() is None and count(shelf) <= held:
                time.sleep(0.01)
            if process.poll() is None:
                os.kill(process.pid, signal.SIGKILL)
        held = count(shelf)
    subprocess.run(words, check=True, capture_output=True)
    assert count(shelf) == len(rows)
    with open_stores(shelf / "siccast.sqlite3") as stores:
        listed = stores.imports.listed()
        assert sum(each.new for each in listed) == len(rows)
        assert listed[-1].finished_at is not None
        for each in listed:
            if each.new:
                assert stores.imports.withdraw_import(each.number, START).new == each.new
        assert stores.readings.count() == 0


def count(shelf: Path) -> int:
    try:
        connection = sqlite3.connect(f"file:{shelf / 'siccast.sqlite3'}?mode=ro", uri=True)
        try:
            return int(connection.execute("SELECT count(*) FROM readings").fetchone()[0])
        finally:
            connection.close()
    except sqlite3.OperationalError:
        return 0  # not begun yet
