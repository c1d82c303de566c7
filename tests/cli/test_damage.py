"""Damaged files, full disks and Ctrl-C: each command says one line and ends with its code, and keeps no part."""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import typer
from answers_by_hand import AS_OF, week_of_readings
from command_line import SHELF

from monitor.cli.app import app, main
from monitor.errors import StoreError
from monitor.presentation.clock import utc_now
from monitor.records import EntryKind, LedgerEntry
from monitor.store.opening import open_stores
from tests.reliability.trouble import fill, small_disk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

RUNS_ON = {("demo",), ("listen",), ("serve",), ("page-password",)}
"""They go on until stopped, or ask somebody at a terminal, and are tried elsewhere."""


FITTING = {
    **dict.fromkeys(("source", "file", "weather_file", "set_folder"), "a-file.csv"),
    **dict.fromkeys(("target", "out"), "new-file.csv"),
    **dict.fromkeys(("number", "keep_every_minutes"), "1"),
    **dict.fromkeys(("mass", "dry_mass", "weight", "older_than_days"), "60"),
    **dict.fromkeys(("humidity", "temperature"), "21"),
    **{"kind": "orange_gel", "seen": "green", "unit": "milk"},
}
"""What a command would take for what it requires; the name of a box for anything else."""
EVIDENT = {"temperature_c": "20", "rh_pct": "40", "leak_times": "0.5"}
"""Options without one of which some commands do nothing."""


def commands(group: typer.core.TyperGroup, words: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield every command there is, with something in the place of all that it requires."""
    for name in group.list_commands(None):
        command, here = group.get_command(None, name), (*words, name)
        if hasattr(command, "commands"):
            yield from commands(command, here)
        elif here not in RUNS_ON:
            yield (*here, *filled_in(command))


def filled_in(command: typer.core.TyperCommand) -> Iterator[str]:
    for parameter in command.params:
        if "--yes" in parameter.opts:
            yield "--yes"
        elif "--sure" in parameter.opts:
            yield "--sure"
        elif "--from" in parameter.opts:
            yield from ("--from", "2026-03-01")
        elif parameter.name in EVIDENT:
            yield from (parameter.opts[-1], EVIDENT[parameter.name])
        elif parameter.required:
            if parameter.param_type_name == "option":
                yield parameter.opts[-1]
            yield FITTING.get(parameter.name, "pa6-dry")


ALL = list(commands(typer.main.get_command(app)))  # type: ignore[arg-type]


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])


def garbage(path: Path) -> None:
    path.write_bytes(b"this is no database, and long enough to be looked at" * 400)


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def of_something_else(path: Path) -> None:
    path.unlink()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipes (name)")
    other.close()


def without_its_tables(path: Path) -> None:
    connection = sqlite3.connect(path, isolation_level=None)
    for (table,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT IN ('migrations', 'sqlite_sequence')"
    ).fetchall():
        connection.execute(f"DROP TABLE {table}")
    connection.close()


def torn(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 : len(content) // 2] = b"\xa5" * (len(content) // 2 - 4096)
    path.write_bytes(content)


def readings_torn(path: Path) -> None:
    """Tear what holds the readings and nothing else; SQLite finds that only when they are read."""
    with closing(sqlite3.connect(path)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        tables = "SELECT rootpage FROM sqlite_master WHERE name IN ('readings', 'hourly')"
        pages = [page for (page,) in connection.execute(tables)]
    assert pages
    content = bytearray(path.read_bytes())
    for page in pages:
        content[(page - 1) * size : page * size] = b"\xa5" * size
    path.write_bytes(content)


SHELF_FILES = {
    "a folder of zones": 'timezone = "Europe"',
    "a zone of a thousand letters": f'timezone = "{"a" * 1000}"',
    "deep": "x = " + "[" * 5000 + "]" * 5000,
    "deep tables": "x = " + "{a = " * 5000 + "1" + "}" * 5000,
    "a number of 5000 digits": "x = " + "1" * 5000,
    "a volume of 4000 digits": "[boxes.a]\nvolume_l = " + "1" * 4000,
    "half a line": "[boxes",
    "bytes that are no text": "\udc80",
    "a zero byte": "\x00",
}

Said = tuple[int, str, str]


@pytest.fixture(scope="module")
def a_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a shelf folder to copy, with some readings and two entries."""
    folder = tmp_path_factory.mktemp("site")
    (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    with open_stores(folder / "siccast.sqlite3", synchronous="OFF") as stores:
        for box in ("room", "pa6-dry"):
            stores.readings.add(week_of_readings(box))
        stores.ledger.log(
            LedgerEntry(EntryKind.charge, "pa6-dry", AS_OF - timedelta(days=7), dry_mass_g=100.0), utc_now()
        )
    return folder


@pytest.fixture
def site(a_site: Path, tmp_path: Path) -> Path:
    return shutil.copytree(a_site, tmp_path / "site")


@pytest.fixture
def run(site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    """Give the command line as the person runs it; whatever main() lets through fails the test."""
    monkeypatch.chdir(site)
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    monkeypatch.setattr(os, "nice", lambda _: 0)  # or keep-ready would slow all tests that this process runs after it
    (site / "a-file.csv").write_text("t,temperature_c,rh_pct\n2026-03-01T00:00:00Z,20,20\n")

    def run(*words: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["siccast", "--shelf", str(site), *words])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out, said.err

    return run


def assert_told_in_a_line(said: Said) -> None:
    code, _, err = said
    assert code in {0, 1, 2, 3} or (code, err) == (130, "siccast: stopped\n"), err  # nobody answers a question
    assert err.count("\n") <= 1, err
    assert code in {0, 3} or err.startswith("siccast: "), err
    assert len(err) < 600, err


def damaged(site: Path, damage: Callable[[Path], None]) -> set[str]:
    """Damage the database, and return the names of files that may be there after a command that failed."""
    damage(site / "siccast.sqlite3")
    return {path.name for path in site.iterdir()} | {"siccast.sqlite3-wal", "siccast.sqlite3-shm"}


@pytest.mark.parametrize("damage", [truncated, garbage, emptied, without_its_tables], ids=lambda d: d.__name__)
@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_a_damaged_database_is_one_line(
    words: tuple[str, ...], damage: Callable[[Path], None], site: Path, run: Callable[..., Said]
) -> None:
    allowed = damaged(site, damage)
    said = run(*words)
    assert_told_in_a_line(said)
    if said[0] == 1:
        assert {path.name for path in site.iterdir()} <= allowed, "a command that fails leaves no file"


@pytest.mark.parametrize("damage", [truncated, garbage, emptied, of_something_else, without_its_tables, torn])
@pytest.mark.parametrize("words", [("boxes",), ("log", "show"), ("log", "note", "pa6-dry", "x"), ("lot", "list")])
def test_a_damaged_database_is_named_with_what_to_do(
    words: tuple[str, ...], damage: Callable[[Path], None], site: Path, run: Callable[..., Said]
) -> None:
    damaged(site, damage)
    code, _, err = run(*words)
    if damage is emptied and "note" in words:
        assert code == 0, "nothing is lost by beginning it"
        return
    if damage is torn and code == 0:
        return  # what was asked for lies on pages that are whole
    assert code == 1
    assert "siccast.sqlite3" in err
    assert "ut a backup in its place" in err or "puts a backup in its place" in err


@pytest.mark.parametrize("words", [("boxes",), ("today",), ("forecast",), ("leak",), ("plan",), ("size", "pa6-dry")])
def test_readings_that_can_no_longer_be_read_are_no_defect_to_report(
    words: tuple[str, ...], site: Path, run: Callable[..., Said], caplog: pytest.LogCaptureFixture
) -> None:
    readings_torn(site / "siccast.sqlite3")
    code, _, err = run(*words)
    assert code == 1
    assert "siccast.sqlite3 is damaged, or not a database of siccast" in err
    assert err.count("\n") == 1
    assert not caplog.records


def some_of_a_box_torn(path: Path, box: str) -> None:
    """Tear a page of older readings of one box; its newest readings, and other boxes, can still be read."""
    whole = path.read_bytes()
    for page in range(4096, len(whole), 4096):
        path.write_bytes(whole[:page] + b"\xa5" * 4096 + whole[page + 4096 :])
        try:
            with open_stores(path, read_only=True) as stores:
                assert len(stores.readings.series(box, AS_OF - timedelta(days=7), AS_OF)) == 28
                assert len(stores.readings.evidence("room", AS_OF)) == 28
                assert len(stores.ledger.entries()) == 1
                assert stores.readings.latest(removed=True).keys() == {"room", "pa6-dry", box}
        except (StoreError, AssertionError):
            continue
        try:
            with open_stores(path, read_only=True) as stores:
                stores.readings.evidence(box, AS_OF)
        except StoreError:
            return
    pytest.fail("no page holds older readings of this box alone")


def test_readings_of_one_box_that_can_not_be_read_are_told_in_a_line(
    site: Path, run: Callable[..., Said], caplog: pytest.LogCaptureFixture
) -> None:
    with open_stores(site / "siccast.sqlite3") as stores:
        for week in range(40):
            stores.readings.add(week_of_readings("pla-white", AS_OF - timedelta(days=7 * week)))
    some_of_a_box_torn(site / "siccast.sqlite3", "pla-white")
    code, said, _ = run("boxes", "--json")
    (box,) = [each for each in json.loads(said)["boxes"] if each["box"] == "pla-white"]
    assert (code, box["state"]) == (0, "estimate failed")
    (told,) = caplog.messages
    assert told.startswith("box pla-white: ")
    assert "siccast.sqlite3 is damaged" in told
    assert "\n" not in told


@pytest.mark.parametrize("words", [*ALL, ("listen",), ("serve",)], ids=" ".join)
def test_a_shelf_file_of_brackets_in_brackets_is_one_line(
    words: tuple[str, ...], site: Path, run: Callable[..., Said]
) -> None:
    (site / "shelf.toml").write_text(SHELF_FILES["deep"])
    assert_told_in_a_line(run(*words))


@pytest.mark.parametrize("text", SHELF_FILES.values(), ids=SHELF_FILES)
@pytest.mark.parametrize("words", [("boxes",), ("log", "note", "pa6-dry", "x"), ("listen",), ("serve",)], ids=" ".join)
def test_a_damaged_shelf_file_is_one_line(
    words: tuple[str, ...], text: str, site: Path, run: Callable[..., Said]
) -> None:
    (site / "shelf.toml").write_text(text, encoding="utf-8", errors="surrogateescape")
    said = run(*words)
    assert said[0] == 1
    assert "shelf.toml" in said[2]
    assert_told_in_a_line(said)


def test_the_listener_ends_where_the_database_is_damaged(site: Path, run: Callable[..., Said]) -> None:
    garbage(site / "siccast.sqlite3")
    code, _, err = run("listen")
    assert code == 1
    assert "siccast.sqlite3 is damaged" in err
    assert err.count("\n") == 1


def test_a_backup_of_three_hundred_letters_names_the_target(site: Path, run: Callable[..., Said]) -> None:
    said = run("backup", "b" * 300)
    assert said[0] == 1
    assert_told_in_a_line(said)
    assert said[2].startswith("siccast: can't write " + "b" * 300 + ": File name too long")


def test_a_backup_of_two_hundred_and_fifty_letters_is_written(site: Path, run: Callable[..., Said]) -> None:
    assert run("backup", "b" * 250)[0] == 0
    assert (site / ("b" * 250)).stat().st_mode & 0o777 == 0o600


def test_a_backup_onto_a_full_disk_names_the_target(tmp_path: Path, run: Callable[..., Said]) -> None:
    with small_disk(tmp_path / "disk", megabytes=1) as disk:
        fill(disk)
        code, _, err = run("backup", str(disk / "backup.sqlite3"))
        assert [path.name for path in disk.iterdir()] == ["filler"]
    assert code == 1
    assert err.startswith(f"siccast: {disk / 'backup.sqlite3'}: the disk is full")


@pytest.mark.parametrize("words", [("readings", "export"), ("plan", "--calendar")], ids=" ".join)
@pytest.mark.parametrize("ours", ["shelf.toml", "siccast.sqlite3"])
def test_no_answer_takes_the_place_of_what_the_shelf_is_made_of(
    words: tuple[str, ...], ours: str, site: Path, run: Callable[..., Said]
) -> None:
    """A slip of the completing shell is enough; a person's own words in shelf.toml have no copy."""
    (site / "link.csv").symlink_to(site / ours)
    for target in (ours, "link.csv"):
        before = (site / ours).read_bytes()
        code, _, err = run(*words, str(site / target))
        assert code == 1
        assert f"{site / target} belongs to the shelf. Choose another file" in err
        assert (site / ours).read_bytes() == before


def test_an_export_onto_a_full_disk_leaves_no_part(site: Path, tmp_path: Path, run: Callable[..., Said]) -> None:
    with small_disk(tmp_path / "disk", megabytes=1) as disk:
        (disk / "before.csv").write_text("what was there")
        fill(disk)
        said = run("readings", "export", str(disk / "before.csv"))
        assert {path.name for path in disk.iterdir()} == {"filler", "before.csv"}
        assert (disk / "before.csv").read_text() == "what was there"
    assert said[0] == 1
    assert_told_in_a_line(said)
    assert "before.csv: No space left on device" in said[2]


def test_an_interrupted_export_leaves_no_part(
    site: Path, run: Callable[..., Said], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> Iterator[object]:
        yield from ()
        assert list(site.glob("*.unfinished-*")), "it is written beside"
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.store.sqlite.readings.SqliteReadings.each", interrupted)
    before = {path.name for path in site.iterdir()}
    assert run("readings", "export", "new.csv") == (130, "", "siccast: stopped\n")
    assert {path.name for path in site.iterdir()} - {"siccast.sqlite3-wal", "siccast.sqlite3-shm"} == before


def test_an_export_goes_where_a_link_leads_and_into_a_pipe(site: Path, run: Callable[..., Said]) -> None:
    (site / "link.csv").symlink_to("real.csv")
    assert run("readings", "export", "link.csv")[0] == 0
    assert (site / "link.csv").is_symlink()
    assert (site / "real.csv").read_text().startswith("box,t,")
    said = run("readings", "export", "/dev/full")
    assert "can't write /dev/full: No space left on device" in said[2]
    assert Path("/dev/full").is_char_device()


def program(*words: str, **how: Any) -> subprocess.Popen[str]:
    lines = "from monitor.cli.start import main; main()"
    return subprocess.Popen([sys.executable, "-c", lines, *words], stderr=subprocess.PIPE, text=True, **how)


@pytest.mark.parametrize("words", [("log", "show"), ("readings", "export"), ("boxes", "--json"), ("--help",)])
def test_a_full_disk_behind_the_answer_is_one_line(words: tuple[str, ...], site: Path) -> None:
    with Path("/dev/full").open("w") as full, program("--shelf", str(site), *words, stdout=full) as done:
        _, err = done.communicate()
    assert done.returncode == 1
    assert err == "siccast: can't write or read the answer: No space left on device. Check the disk it is on\n"


def test_a_full_disk_behind_the_errors_too_is_only_an_exit_code(site: Path) -> None:
    garbage(site / "siccast.sqlite3")
    command = [sys.executable, "-c", "from monitor.cli.start import main; main()", "--shelf", str(site), "boxes"]
    with Path("/dev/full").open("w") as full:
        assert subprocess.run(command, stdout=full, stderr=full, check=False).returncode == 1


@pytest.mark.parametrize("words", [("boxes",), ("forecast",), ("--help",), ("log", "show")])
@pytest.mark.parametrize(
    "after", ["typer", "monitor.errors", "orjson", "rich.table", "numpy", "monitor.services.assess"]
)
def test_ctrl_c_while_it_is_still_starting_is_one_line(after: str, words: tuple[str, ...], site: Path) -> None:
    """Interrupted in the very moment in which a module is about to be imported, however quick the machine is."""
    lines = (
        "import os, signal, sys\n"
        "class Interrupt:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == {after!r}: os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Interrupt())\n"
        "from monitor.cli.start import main; main()"
    )
    command = [sys.executable, "-c", lines, "--shelf", str(site), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode == 0:
        assert after not in {"typer", "monitor.errors"}, "every command needs these"
    else:
        assert (done.returncode, done.stderr) == (130, "siccast: stopped\n")


def test_ctrl_c_that_is_to_be_ignored_is_ignored(site: Path) -> None:
    command = 'trap \'\' INT; exec "$0" "$@"'
    lines = "import os, signal\nfrom monitor.cli import start\nos.kill(os.getpid(), signal.SIGINT)\nstart.main()"
    done = subprocess.run(
        ["sh", "-c", command, sys.executable, "-c", lines, "--shelf", str(site), "log", "show"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", "<&- >&- 2>&-"])
def test_standard_streams_that_are_closed_stop_nothing(closed: str, site: Path) -> None:
    words = [sys.executable, "-m", "monitor.cli.start", "--shelf", str(site), "log", "opening", "pa6-dry"]
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {closed}', "sh", *words], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert ("saved as entry 2" in done.stdout) == (">&-" not in closed or closed == "2>&-")
    with open_stores(site / "siccast.sqlite3", read_only=True) as stores:
        assert [entry.kind for entry in stores.ledger.entries()] == [EntryKind.charge, EntryKind.opening]
