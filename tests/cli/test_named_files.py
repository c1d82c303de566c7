"""A file that somebody names may be a pipe, a device or without end: each is refused in a line, and nobody waits.

Whatever would wait here, waits for ever: the pipes have no writer, and a device of zeros has no end.
"""

from __future__ import annotations

import io
import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from monitor.errors import SettingsError
from monitor.named_files import MOST_BYTES, lines_of, require_file
from monitor.settings import load_shelf
from monitor.settings.shelf_append import declare_box
from monitor.web.serving import require_usable

Run = Callable[..., Result]

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes and devices have other names elsewhere")


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shelf.toml").write_text("[boxes.left]\n", encoding="utf-8")
    return tmp_path


@pytest.fixture
def pipe(tmp_path: Path) -> Path:
    place = tmp_path / "pipe"
    os.mkfifo(place)
    return place


def huge(folder: Path) -> Path:
    """Return a file that takes no room on the disk and would take all memory."""
    place = folder / "huge"
    with place.open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    return place


def test_what_is_no_file_is_named(tmp_path: Path, pipe: Path) -> None:
    with socket.socket(socket.AF_UNIX) as bound:
        here = Path.cwd()
        os.chdir(tmp_path)  # a socket's name may only be short
        try:
            bound.bind("socket")
        finally:
            os.chdir(here)
        for place, said in (
            (tmp_path, "it is a folder, not a file"),
            (pipe, "it is a pipe, not a file"),
            (tmp_path / "socket", "it is a socket, not a file"),
            (Path("/dev/zero"), "it is a device, not a file"),
            (huge(tmp_path), "it has 64 MiB, and at most 64 are read"),
            (tmp_path / "none", "No such file or directory"),
        ):
            with pytest.raises(OSError, match=r".") as refused:
                require_file(place)
            assert refused.value.strerror == said
    require_file(tmp_path / "huge", most_bytes=None)


def test_no_line_of_a_table_is_taken_in_whole_without_end() -> None:
    parts = list(lines_of(io.StringIO("a,b\n" + "x" * 1_000_000)))
    assert parts[0] == "a,b\n"
    assert "".join(parts[1:]) == "x" * 1_000_000
    assert max(map(len, parts)) < 1_000_000


@pytest.mark.parametrize(
    ("told", "of"),
    [
        ("[room]\nweather_file = '{file}'", r"\[room\]: weather_file"),
        ("[broker]\nhost = 'b'\ntls = true\nca_file = '{file}'", r"\[broker\]: ca_file"),
        ("[influx]\nurl = 'http://i'\norg = 'o'\nbucket = 'b'\ntoken_file = '{file}'", r"\[influx\]: token_file"),
    ],
)
@pytest.mark.parametrize("file", ["pipe", "/dev/zero", ".", "huge"])
def test_no_file_of_the_shelf_file_is_waited_for(told: str, of: str, file: str, shelf: Path, pipe: Path) -> None:
    huge(shelf).chmod(0o600)
    pipe.chmod(0o600)
    (shelf / "shelf.toml").write_text(told.format(file=file), encoding="utf-8")
    with pytest.raises(SettingsError, match=of) as refused:
        load_shelf(shelf, {})
    assert "\n" not in str(refused.value)
    assert "not a file" in str(refused.value) or "at most 64 are read" in str(refused.value)


def test_a_shelf_file_that_is_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "shelf.toml")
    with pytest.raises(SettingsError, match=r"it is a pipe, not a file\. It must be a UTF-8 text file"):
        load_shelf(tmp_path, {})
    with pytest.raises(SettingsError, match=r"it is a pipe, not a file\. Make it readable"):
        declare_box(tmp_path, "left", 10.0, 0.2)


def test_a_certificate_that_is_a_pipe_is_not_waited_for(pipe: Path) -> None:
    with pytest.raises(SettingsError, match=r"can't use the certificate .*: it is a pipe, not a file"):
        require_usable(pipe, pipe)


@pytest.mark.parametrize("file", ["pipe", "/dev/zero", "."])
@pytest.mark.parametrize(
    "command", [("readings", "import"), ("air", "--csv"), ("beads", "silica_gel", "--csv"), ("climate",)]
)
def test_no_file_of_a_command_is_waited_for(
    command: tuple[str, ...], file: str, shelf: Path, pipe: Path, run: Run
) -> None:
    told = run(*command, str(shelf / file), exit_code=1)
    assert pipe.exists()
    assert "not a file" in str(told.exception)


def test_a_recorded_set_of_pipes_is_not_waited_for(shelf: Path, run: Run) -> None:
    os.mkfifo(shelf / "boxes.json")
    told = run("backtest", str(shelf), "--out", str(shelf / "out.csv"), exit_code=1)
    assert "boxes.json: it is a pipe, not a file" in str(told.exception)


def test_a_table_that_is_one_endless_heading_is_refused_in_a_line(shelf: Path, run: Run) -> None:
    (shelf / "long.csv").write_text("a" * 500_000, encoding="utf-8")
    told = run("readings", "import", str(shelf / "long.csv"), exit_code=1)
    assert "line 1 has no headings of a table" in str(told.exception)


@pytest.mark.parametrize("kind", ["pipe", "folder", "device"])
def test_a_database_that_is_no_file_is_named_and_a_backup_takes_its_place(kind: str, shelf: Path, run: Run) -> None:
    path, backup = shelf / "siccast.sqlite3", shelf / "backup"
    run("log", "opening", "left")
    run("backup", str(backup))
    path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero")
    for words in (("boxes",), ("log", "opening", "left")):
        told = str(run(*words, exit_code=1).exception)
        assert "not a database. `siccast restore` moves it aside" in told
    assert "The old database is now" in run("restore", "--yes", str(backup)).output
    assert "opened" in run("log", "show").output
