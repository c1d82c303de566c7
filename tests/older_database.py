"""A database as a siccast of some steps ago left it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from monitor.store.sqlite.migrations import MIGRATIONS, applied_steps, migrate

STEPS_THEN = 9


def make_older_file(path: Path) -> Path:
    """Make a database with one reading of one box, and return its path."""
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        old.execute("PRAGMA journal_mode = WAL")
        migrate(old, MIGRATIONS[:STEPS_THEN])
        old.execute("INSERT INTO boxes VALUES (1, 'box1')")
        old.execute("INSERT INTO readings VALUES (1, 1772323200000, 2140, 1720, 2980, 7, 0)")
    return path


def is_as_it_was(path: Path) -> bool:
    """Return whether no step was made since."""
    return steps_of(path) == {name for name, _ in MIGRATIONS[:STEPS_THEN]}


def steps_of(path: Path) -> set[str]:
    """Return the names of the steps that a database has been through."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return applied_steps(connection)
