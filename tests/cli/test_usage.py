"""Wrong usage and failures of the answering commands, as the installed command says them: one line and an exit code."""

from __future__ import annotations

import io
import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple, Protocol

import pytest

from monitor.cli.app import main

PROGRAM = "from monitor.cli.app import main; main()"


class Done(NamedTuple):
    """How a command ended."""

    returncode: int
    stdout: str
    stderr: str


class Run(Protocol):
    """Asks the command line of a shelf."""

    def __call__(self, shelf: Path, *words: str) -> Done: ...


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Give the installed command within this process; whatever it lets through fails the test."""
    monkeypatch.setattr(sys, "stdin", io.StringIO())

    def call(shelf: Path, *words: str) -> Done:
        monkeypatch.setattr(sys, "argv", ["siccast", "--shelf", str(shelf), *words])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return Done(int(ended.value.code or 0), said.out, said.err)

    return call


def in_a_process(shelf: Path, *words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", PROGRAM, "--shelf", str(shelf), *words],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **environment},
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["forecast", "nobox"],
            "there is no box 'nobox': it is not declared, and it never sent a reading. Declared: pa6-dry",
        ),
        (["forecast", "--as-of", "yesterday"], "'yesterday' is not a time. Write it in UTC"),
        (["forecast", "--as-of", "2026-02-30"], "'2026-02-30' is not a time"),
        (["forecast", "--as-of", "9999-12-31T23:59-12:00"], "is not a time"),
        (["plan", "--as-of", "2098-01-01"], "'2098-01-01' is still to come: the newest that can be asked about is"),
        (["leak", "--as-of", "1970-01-01"], "Choose a time from 2000 to 2099"),
        (["forecast", "--limit", "0"], "0 is not valid: a limit is from 1 to 95 %"),
        (["forecast", "--limit", "120"], "120 is not valid"),
        (["forecast", "--limit", "nan"], "nan is not valid"),
        (["plan", "--days", "3"], "3 won't do; a plan covers 7 to 365 days"),
        (["plan", "--appliance", "wok"], "'wok' is not an appliance in"),
        (["forecast", "room"], "'room' is the room sensor, not a box"),
        (["adopt", "room"], "'room' is the room sensor, not a box"),
        (["log", "opening", "pa6-dyr"], "there is no box 'pa6-dyr'. Did you mean 'pa6-dry'?"),
        (["log", "show", "nobox"], "there is no box 'nobox': it is not declared, and it never sent a reading"),
        (["log", "weighing", "pa6-dry", "--", "-3"], "-3"),
        (["log", "opening", "room"], "'room' is the room sensor, not a box"),
        (["log", "charge", "room", "--dry-mass", "100g"], "'room' is the room sensor, not a box"),
        (["log", "weighing", "pa6-dry", "heavy"], "'heavy'"),
        (["log", "opening", "pa6-dry", "--at", "soon"], "'--at': 'soon' is not a time. Write it like"),
        (
            ["log", "charge", "pa6-dry", "--dry-mass", "9", "--desiccant", "sugar"],
            "'sugar' is not a known desiccant. Known:",
        ),
        (["leak-test", "pa6-dry", "--from", "soon"], "'--from': 'soon' is not a time"),
        (["forcast"], "No such command 'forcast'"),
        (["boxes", "--colour"], "No such option"),
        (["boxes", "--jsn"], "No such option: --jsn. Did you mean --json?"),
        (["what-if", "--beads", "orange_gell"], "'orange_gell' is not a known desiccant. Did you mean 'orange_gel'?"),
        (["log", "reading", "pa6-dry", "45;5", "21.3"], "'45;5' is not a humidity. Write it in %, 0 to 100"),
        (["log", "reading", "pa6-dry", "145", "21.3"], "'145' is not a humidity. Write it in %, 0 to 100"),
        (["log", "reading", "pa6-dry", "45", "warm"], "'warm' is not a temperature. Write it like 65"),
        (["size", "--volume", "3,5"], "'3,5' is not a number. Write it like 21.5"),
        (["readings", "import", "a.csv", "--delimiter", ";;"], "';;' won't do; it is one character"),
        (["plan", "--days", "1e3"], "'1e3' is not a whole number. Write it like 21"),
        (["plan", "move", "pa6-dry", "9999-12-31"], "'9999-12-31' is too far ahead. Choose a day before 2100"),
        (["log", "undo"], "Missing argument 'NUMBER': number of the entry in `siccast log show` (see"),
        (
            ["plan", "skip", "saturday"],
            "'saturday' is a day, not a box. `siccast plan not saturday` leaves that day out",
        ),
        (["log", "note", "pa6-dry", os.fsdecode(b"\xff\xfe bad")], "'?? bad' is not UTF-8 text"),
    ],
)
def test_wrong_usage_is_one_line_and_2(site: Path, run: Run, words: list[str], said: str) -> None:
    done = run(site, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert done.stderr.startswith("siccast: ")
    assert done.stderr.count("\n") == 1


@pytest.fixture
def desk_site(site: Path, run: Run) -> Path:
    """Give the shelf with one lot, one charge of it, and a run in progress."""
    for line in (
        "lot buy march orange_gel 1kg",
        "charge weigh-out cup march 100g --sure",
        "charge weigh-out spare march 100g --sure",
        "recharge start cup oven --kind oven --temperature 110 --weight 100g --sure",
    ):
        done = run(site, *line.split())
        assert done.returncode == 0, done.stderr
    return site


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("lot buy x sawdust 1kg", "'sawdust' is not a known kind of beads. `siccast words beads` lists them"),
        ("lot buy x orange_gel 1kg --at 1066-01-01", "'1066-01-01' is too long ago. Choose a time from 2000 on"),
        ("lot log nobody", "there is no charge 'nobody'. Known: cup, spare"),
        ("lot ageing nobody", "there is no lot 'nobody'. Known: march"),
        ("lot undo 999", "there is no number 999 in the log"),
        ("log undo 999", "there is no entry 999 in the log"),
        ("plan undo 999", "there is no decision 999 about the plan"),
        ("charge weigh-out x nolot 10g", "there is no lot 'nolot'. Known: march"),
        ("charge show nobody", "there is no charge 'nobody'"),
        ("charge put nobody pa6-dry", "there is no charge 'nobody'"),
        ("charge take-out nobody", "there is no charge 'nobody'"),
        ("charge split nobody x 10g", "there is no charge 'nobody'"),
        ("charge merge spare nobody", "there is no charge 'nobody'"),
        ("charge top-up nobody 10g", "there is no charge 'nobody'"),
        ("charge retire nobody", "there is no charge 'nobody'"),
        ("charge saturated nobody", "there is no charge 'nobody'"),
        ("recharge start nobody oven", "there is no charge 'nobody'"),
        ("recharge start spare grill", "appliance 'grill' is not in the shelf file"),
        ("recharge weigh 90g --run nobody", "no run of 'nobody' is in progress"),
        ("recharge stir --run nobody", "no run of 'nobody' is in progress"),
        ("recharge status nobody", "no run of 'nobody' is in progress"),
        ("recharge finish --run nobody", "no run of 'nobody' is in progress"),
        ("recharge jar-check 5 21 --charge nobody", "there is no charge 'nobody'"),
        ("recharge first-days nobody", "there is no charge 'nobody'"),
        ("recharge color green --charge nobody", "there is no charge 'nobody'"),
        ("recharge compare nobody", "there is no run 'nobody'. Known: cup-1"),
        ("recharge reach nobody", "'nobody' is neither a charge nor a known kind of beads"),
        ("recharge guide --room x", "'x' is not valid: write the room as temperature/humidity, like 20/50"),
        ("readings withdraw --import 99", "there is no import 99"),
        ("readings restore 99", "there is no import 99"),
        ("readings export --set-aside 99", "there is no import 99"),
        ("readings export --start 2026-03-02 --end 2026-03-01", "'--end': the span ends before it begins"),
        ("readings withdraw --box pa6-dry --from 2026-03-02 --to 2026-03-01", "'--to': the span ends before it begins"),
        ("readings export --start x", "'--start': 'x' is not a time. Write it like 2026-03-01T07:30 or 2026-03-01"),
        ("log charge pa6-dry --dry-mass 100 --at 1066-01-01", "'1066-01-01' is too long ago"),
        ("log note pa6-dry ''", "there is nothing to note"),
        ("size pa6-dry --beads sawdust", "'--beads': 'sawdust' is not a known desiccant"),
        ("recharge start spare oven --power-w 0", "'--power-w': 0 is not valid. Write a number from 5 to 20000"),
        ("rejected --newest 0", "'--newest': 0 is not valid. Write a number from 1 to 100000"),
        ("what-if --dry-mass 0", "'--dry-mass': 0 is not valid. Write a number of at least 0.1"),
    ],
)
def test_what_there_is_not_was_written_wrong(desk_site: Path, run: Run, line: str, said: str) -> None:
    """As DEVELOPERS.md has it: 1 is a failure, 2 wrong usage."""
    done = run(desk_site, *shlex.split(line))
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("named", [("--shelf", ""), ("--shelf=",)])
def test_an_empty_name_of_a_shelf_is_not_the_folder_of_now(tmp_path: Path, named: tuple[str, ...]) -> None:
    """As of a variable that is not set; the database would be made wherever somebody happens to be."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *named, "log", "note", "one", "x"],
        capture_output=True, text=True, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "siccast: --shelf is empty. Name a folder; . is the one you are in\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("lot buy march orange_gel 1kg", "lot 'march' exists already"),
        ("charge weigh-out cup march 10g", "charge 'cup' exists already"),
        ("charge take-out spare", "'spare' is already spare"),
        ("charge split spare x 10kg", "it has only 100 g"),
        ("recharge jar-check 5 21", "no run is finished yet"),
    ],
)
def test_what_the_log_contradicts_is_a_failure(desk_site: Path, run: Run, line: str, said: str) -> None:
    done = run(desk_site, *line.split())
    assert (done.returncode, done.stdout) == (1, "")
    assert said in done.stderr


@pytest.mark.parametrize(
    "line",
    [
        "air --csv {none}",
        "backtest {none} --out out.csv",
        "climate {none}",
        "restore {none}",
        "readings import {none} --box pa6-dry",
        "leak-test pa6-dry --csv {none}",
    ],
)
def test_a_file_that_is_not_there_is_said_as_a_person_would(site: Path, run: Run, line: str) -> None:
    none = site / "none"
    done = run(site, *line.format(none=none).split())
    assert (done.returncode, done.stdout) == (1, "")
    assert str(none) in done.stderr
    assert "No such file or directory" in done.stderr or "there is no file" in done.stderr
    assert "Errno" not in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_shelf_that_is_a_file_is_said_as_a_person_would(site: Path, run: Run) -> None:
    done = run(site / "shelf.toml", "boxes")
    assert (done.returncode, done.stdout) == (1, "")
    assert "is a file, not a folder" in done.stderr
    assert "Errno" not in done.stderr


@pytest.mark.parametrize(
    ("words", "code"), [(["boxes"], 1), (["forecast", "--limit", "0"], 2)], ids=["a failure", "wrong usage"]
)
def test_a_process_ends_as_it_does_in_this_one(site: Path, run: Run, words: list[str], code: int) -> None:
    """What the other tests of this file ask within their own process holds of the command that a person starts."""
    (site / "siccast.sqlite3").write_bytes(b"this is no database, and it is long enough to be looked at" * 20)
    done = in_a_process(site, *words)
    assert done.returncode == code
    here = run(site, *words)
    assert (done.stdout, done.stderr.split(" (see")[0]) == (here.stdout, here.stderr.split(" (see")[0])


@pytest.mark.parametrize("words", [("log", "undo"), ("lot", "undo"), ("plan", "undo")], ids=" ".join)
def test_a_number_of_an_entry_without_end_is_one_line(site: Path, run: Run, words: tuple[str, ...]) -> None:
    done = run(site, *words, "9" * 30)
    assert done.returncode == 2
    assert done.stderr.endswith("siccast.sqlite3 holds no number that is so long. Check the number that you gave\n")


def test_a_failure_is_one_line_and_1(site: Path, run: Run) -> None:
    (site / "siccast.sqlite3").write_bytes(b"this is no database, and it is long enough to be looked at" * 20)
    done = run(site, "boxes")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "siccast.sqlite3" in done.stderr


def test_a_shelf_file_of_another_encoding_is_told_by_its_line(site: Path, run: Run) -> None:
    """0xF6 is 'ö' in ISO 8859-1, and begins no letter of UTF-8 (RFC 3629)."""
    (site / "shelf.toml").write_bytes(b'# the attic\nsite = "K\xf6ln"\n')
    done = run(site, "boxes")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.endswith("shelf.toml is not UTF-8 text: line 2 has the byte 0xf6. Save it as UTF-8\n")


def test_a_wrong_shelf_file_is_one_line_and_1(site: Path, run: Run) -> None:
    (site / "shelf.toml").write_text("[boxes.left]\nlimit_rh_pct = 120")
    done = run(site, "forecast", "--json")
    assert (done.returncode, done.stdout) == (1, "")
    assert "a number from 1 to 95" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_reader_that_stops_listening_is_no_traceback(site: Path) -> None:
    command = [sys.executable, "-c", PROGRAM, "--shelf", str(site), "log", "show"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        assert program.stderr is not None
        program.stdout.close()
        assert (program.stderr.read(), program.wait(60)) == ("", 1)


def test_a_terminal_that_knows_few_letters_still_gets_its_table(site: Path) -> None:
    (site / "shelf.toml").write_text("[boxes.left]\n", encoding="utf-8")
    done = in_a_process(site, "boxes", PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr) == (0, "")
    assert "no readings" in done.stdout


def test_help_names_every_answer(tmp_path: Path, run: Run) -> None:
    done = run(tmp_path, "--help")
    assert done.returncode == 0
    for command in ("boxes", "forecast", "leak", "plan", "today"):
        assert f"\n  {command} " in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ["boxes"],
        ["leak", "--json"],
        ["plan"],
        ["rejected"],
        ["log", "show"],
        ["lot", "list"],
        ["serve"],
        ["log", "note", "pa6-dry", "a slip in --shelf"],
        ["lot", "buy", "autumn", "orange_gel", "1kg"],
        ["readings", "screen"],
        ["backup", "copy.sqlite3"],
        ["restore", "copy.sqlite3", "--yes"],
    ],
)
def test_a_shelf_nobody_began_is_said_and_not_made(words: list[str], tmp_path: Path, run: Run) -> None:
    done = run(tmp_path / "none", *words)
    assert (done.returncode, done.stdout) == (1, "")
    assert f"there is no shelf in {tmp_path / 'none'}. `siccast listen` starts one" in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("words", [["boxes"], ["log", "show"], ["today"], ["recharge", "reach"]])
def test_looking_where_the_database_is_gone_says_so_and_makes_none(words: list[str], site: Path, run: Run) -> None:
    for file in site.glob("siccast.sqlite3*"):
        file.unlink()
    done = run(site, *words)
    assert (done.returncode, done.stdout) == (1, "")
    assert (
        f"there is no database {site / 'siccast.sqlite3'}. `siccast listen` starts one. If there was one" in done.stderr
    )
    assert [path.name for path in site.iterdir()] == ["shelf.toml"]


def test_the_usual_folder_is_made_by_the_first_command_that_writes(tmp_path: Path) -> None:
    """A recharge desk needs no listener; nobody can have misspelt a folder that nobody named."""
    environment = {name: value for name, value in os.environ.items() if name != "SICCAST_SHELF"}
    environment |= {"HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path / "data")}
    command = [sys.executable, "-c", PROGRAM, "lot", "buy", "autumn", "orange_gel", "1kg"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    assert (done.returncode, done.stderr) == (0, "")
    assert list(tmp_path.rglob("siccast.sqlite3"))
