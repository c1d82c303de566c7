"""Writing what can be made again, over a connection of its own that waits for nobody: for those who only look."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING

from monitor.store.listener_lock import listeners

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_WAIT_S = 0.25  # judgement: nobody notices it, and a listener's commit is through by then


@contextlib.contextmanager
def writing_beside(path: Path) -> Iterator[sqlite3.Connection]:
    """Everything written in the body lands, or nothing does; an ``sqlite3.Error`` where it can't be done at once."""
    address = f"{path.absolute().as_uri()}?mode=rw"
    with contextlib.closing(sqlite3.connect(address, uri=True, isolation_level=None, timeout=_WAIT_S)) as connection:
        connection.execute("PRAGMA synchronous = NORMAL")  # what a power cut takes is made again
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise


def log_was_taken_away(path: Path) -> bool:
    """True where a listener is at work and its log is gone: writing now would begin another beside it."""
    log = path.with_name(path.name + "-wal")
    return not log.exists() and any(listener.at_work for listener in listeners(path.parent))
