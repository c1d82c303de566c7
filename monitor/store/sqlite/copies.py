"""Copies of a database in one file each, which only its owner can read."""

from __future__ import annotations

import contextlib
import itertools
import os
import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


def create_privately(path: Path) -> None:
    """Make an empty file that only its owner can read, where there is none; SQLite makes its log alike."""
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))


def write_copy(source: sqlite3.Connection, copy: Path) -> None:
    """Copy a database with what its log holds into one file that needs no log."""
    create_privately(copy)
    with contextlib.closing(sqlite3.connect(copy)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")


def faults_of(path: Path) -> list[str]:
    """Return what SQLite finds wrong with a file that nobody has open."""
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        return [row[0] for row in connection.execute("PRAGMA integrity_check(10)") if row[0] != "ok"]


def new_name(path: Path, when: str) -> Path:
    """Return a name for a copy beside a database: of an empty file that is new, so that no other process takes it."""
    for number in itertools.count(1):
        copy = path.with_name(f"{path.stem}.{when}-{number}{path.suffix}")
        with contextlib.suppress(FileExistsError):
            os.close(os.open(copy, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            return copy
    raise AssertionError


@contextlib.contextmanager
def beside(target: Path) -> Iterator[Path]:
    """Hand out an empty file in the folder of another that only its owner can read; at the end it is gone."""
    handle, name = tempfile.mkstemp(prefix=".unfinished-", suffix=target.suffix, dir=target.parent)
    os.close(handle)
    try:
        yield Path(name)
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            with contextlib.suppress(OSError):
                os.unlink(name + ending)  # noqa: PTH108
