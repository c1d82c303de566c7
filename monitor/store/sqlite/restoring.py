"""A backup put in the place of the database, while others may have it open; what was there is kept beside it."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from monitor.errors import StoreBusyError, StoreError
from monitor.store.sqlite.connection import BUSY_TIMEOUT_S, Database, explain
from monitor.store.sqlite.copies import beside, faults_of, new_name, write_copy
from monitor.store.sqlite.schema import require_begun


def restore(path: Path, source: Path) -> Path | None:
    """Put a backup in the place of a database, and return where what was there is now.

    The backup itself is only read: a copy of it is checked and brought up to date. Where the database can be read, its
    content changes in one transaction and a listener goes on in what was restored; a damaged one is moved aside.

    Raises
    ------
    StoreError
        When the backup is none, is damaged or of a newer siccast, or can't be put there; then nothing has changed.
    """
    try:
        with beside(path) as ready:
            _make_ready(source, ready)
            if path.is_file():
                with contextlib.suppress(_Damaged):
                    return _replace_content(path, ready)
            kept = _move_aside(path)
            ready.replace(path)
            return kept
    except OSError as error:
        raise StoreError(f"{path} can't be replaced: {error.strerror}. Make its folder writable") from error


class _Damaged(Exception):  # noqa: N818 -- never leaves this module
    """The database can't even be copied."""


def _make_ready(source: Path, ready: Path) -> None:
    """Copy a backup, bring the copy up to date and check it."""
    if not source.is_file():
        raise StoreError(f"there is no file {source}. Choose one that `siccast backup` wrote")
    try:
        with contextlib.closing(_connect(source, "ro")) as backup:
            write_copy(backup, ready)
            require_begun(source, backup)
    except sqlite3.Error as error:
        raise StoreError(f"{source} is damaged, or not a backup of siccast ({error}). Choose another") from error
    if faults := faults_of(ready):
        raise StoreError(f"{source} is damaged ({faults[0]}). Choose another backup")
    Database(ready).close()


def _replace_content(path: Path, ready: Path) -> Path:
    kept = new_name(path, "before-restore")
    try:
        try:
            with contextlib.closing(_connect(path, "ro")) as live:  # which leaves the log of a damaged one alone
                seen = _version(live)
                write_copy(live, kept)
                with contextlib.closing(_connect(path, "rw")) as held, contextlib.closing(_connect(ready, "ro")) as new:
                    held.execute("BEGIN IMMEDIATE")  # says within seconds whether another process holds it
                    if _version(live) != seen:  # a listener goes on, and what came meanwhile is to be kept, too
                        write_copy(live, kept)
                    held.execute("ROLLBACK")
                    new.backup(held)
        except BaseException:
            kept.unlink(missing_ok=True)
            raise
    except sqlite3.Error as error:
        explained = explain(path, error)
        raise (explained if isinstance(explained, StoreBusyError) else _Damaged) from error
    return kept


def _move_aside(path: Path) -> Path | None:
    """Rename a damaged database with its log, which would be taken for the log of what comes in its place."""
    kept = new_name(path, "damaged")
    was_there = path.exists()
    if path.is_dir():  # which can't be renamed to the name of a file
        kept.unlink()
    for ending in ("-wal", "-shm", ""):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{path}{ending}").replace(Path(f"{kept}{ending}"))
    if not was_there:
        kept.unlink()
        return None
    return kept


def _version(live: sqlite3.Connection) -> int:
    """Return another number once another connection has written."""
    return int(live.execute("PRAGMA data_version").fetchone()[0])


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode={mode}"
    return sqlite3.connect(address, uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S)
