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


class HeldFiles:
    """The database and the log as they were when a connection opened them."""

    def __init__(self, database: Path, log: Path) -> None:
        self._database, self._log = database, log
        self._database_was = _identity(os.stat(database))  # noqa: PTH116 -- at every commit: half the time of a Path's
        self._log_handle = os.open(log, os.O_RDONLY)

    def let_go(self) -> None:
        """Close the handle; some systems delete no file that is open."""
        os.close(self._log_handle)

    def database_is_another(self) -> bool:
        """Return whether the database was deleted, or another file put in its place."""
        return _identity_of(self._database) != self._database_was

    def log_is_another(self) -> bool:
        """Return whether the log was deleted, whoever made a new one since."""
        return _identity_of(self._log) != _identity(os.fstat(self._log_handle))

    def log_is_empty(self) -> bool:
        """Return whether all that stood in our log has been folded into the database."""
        return os.fstat(self._log_handle).st_size == 0


def _identity_of(path: Path) -> Identity | None:
    try:
        return _identity(os.stat(path))  # noqa: PTH116
    except OSError:
        return None


def _identity(told: os.stat_result) -> Identity:
    return told.st_dev, told.st_ino
