"""Whether the names of a database and of its log still lead to the files that a connection holds open.

A file that somebody deletes lives on without a name for whoever holds it: what is committed into it then is gone with
the process. That a file of the name exists says nothing, because the next reader makes a new log.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

Identity = tuple[int, int]
_BEGIN_OF_A_LOG = b"\x37\x7f\x06"
"""SQLite, 'WAL-Mode File Format', 2: the magic number is 0x377f0682 or 0x377f0683."""


class HeldFiles:
    """The database and the log as they were when a connection opened them."""

    def __init__(self, database: Path, log: Path) -> None:
        self._database, self._log = database, log
        self._database_was = _identity(os.stat(database))  # noqa: PTH116 -- at every commit: half the time of a Path's
        self._log_handle = os.open(log, os.O_RDONLY)
        self._index = database.with_name(database.name + "-shm")
        self._index_was = _identity_of(self._index)

    def let_go(self) -> None:
        """Close the handle; some systems delete no file that is open."""
        os.close(self._log_handle)

    def database_is_another(self) -> bool:
        """Return whether the database was deleted, or another file put in its place."""
        return _identity_of(self._database) != self._database_was

    def log_is_another(self) -> bool:
        """Return whether the log was deleted, whoever made a new one since."""
        return _identity_of(self._log) != _identity(os.fstat(self._log_handle))

    def log_was_folded(self) -> bool:
        """Return whether all that stood in our log is in the database: only then is it emptied, or begun anew."""
        return os.fstat(self._log_handle).st_size == 0 or self._log_was_recreated()

    def log_was_continued_elsewhere(self) -> bool:
        """Return whether somebody wrote on in another log, as if that held what only ours does."""
        return bool(self._begin_of_the_other_log()) and not self._log_was_recreated()

    def _log_was_recreated(self) -> bool:
        """Return whether somebody who shares our index of the log, and so knew what it held, began another."""
        return (
            self._begin_of_the_other_log().startswith(_BEGIN_OF_A_LOG) and _identity_of(self._index) == self._index_was
        )

    def _begin_of_the_other_log(self) -> bytes:
        try:
            with self._log.open("rb") as other:
                return other.read(4)  # bytes: SQLite, file format, section 4.1: the magic number of a log
        except OSError:
            return b""


def _identity_of(path: Path) -> Identity | None:
    try:
        return _identity(os.stat(path))  # noqa: PTH116
    except OSError:
        return None


def _identity(given: os.stat_result) -> Identity:
    return given.st_dev, given.st_ino
