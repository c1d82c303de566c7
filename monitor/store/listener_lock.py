"""One listener a shelf, one that sends alerts: a lock that the system lets go of when its process ends.

The file of the lock also says which process has it and, where that could still say so, why the last one ended.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from monitor.errors import ShelfHeldError, StoreBusyError
from monitor.records import Listener, ListenerCounts

try:
    import fcntl
except ImportError:  # a system without POSIX locks: nothing keeps two listeners apart there
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_TRIES = 5  # judgement: less than a second in all
_SENDING = "watch.lock"
_BETWEEN_TRIES_S = 0.2
"""A judgement. A look at who has the lock holds it for an instant, and a listener that is being replaced takes a moment
to go."""


class ListenerLock:
    """The lock of a listener that is at work."""

    def __init__(self, file: int, since: datetime, part: str = "") -> None:
        self._file = file
        self._words: dict[str, object] = {
            "process": os.getpid(),
            "machine": socket.gethostname(),
            "since": since.isoformat(),
            "part": part,
        }
        self.counted(0, 0, 0)

    def counted(self, messages: int, new: int, rejected: int) -> None:
        """Leave word of how much came in since the listener started."""
        self._words |= {"messages": messages, "new": new, "rejected": rejected}
        self._note()

    def ended(self, why: str) -> None:
        """Leave a word about why the listener ends."""
        self._words["ended"] = why
        self._note()

    def _note(self) -> None:
        """Write down who has the lock; on a full disk the lock alone has to do.

        In one go, blanks over what was longer before, so that nobody reads half of it.
        """
        with contextlib.suppress(OSError):
            text = json.dumps(self._words).encode()
            os.pwrite(self._file, text.ljust(os.fstat(self._file).st_size), 0)


@contextmanager
def lock_shelf(folder: Path, now: datetime, part: str = "") -> Iterator[ListenerLock]:
    """Be the only listener of a shelf while the body runs, or the only one of this part where listeners share it.

    Raises
    ------
    ShelfHeldError
        When another process has it.
    StoreBusyError
        When the folder can't be written for now.
    """
    with _held(_path(folder, part), now, "listens on", part) as hold:
        yield hold


@contextmanager
def lock_sending(folder: Path, now: datetime) -> Iterator[ListenerLock]:
    """Be the only one that sends alerts for a shelf while the body runs.

    Raises
    ------
    ShelfHeldError, StoreBusyError
        As ``lock_shelf`` does.
    """
    with _held(folder / _SENDING, now, "sends alerts for") as hold:
        yield hold


@contextmanager
def _held(path: Path, now: datetime, does: str, part: str = "") -> Iterator[ListenerLock]:
    folder = path.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StoreBusyError(
            f"{path}: can't open it ({error.strerror}). The folder must exist and be writable"
        ) from error
    try:
        if not _locked_at_last(file):
            raise ShelfHeldError(_who_has_it(folder, _read(path), does))
        hold = ListenerLock(file, now, part)
        try:
            yield hold
        except Exception as error:
            hold.ended(str(error) or type(error).__name__)
            raise
    finally:
        os.close(file)


def is_sent_for(folder: Path) -> bool:
    """Return whether some process sends alerts for a shelf; looking changes nothing."""
    path = folder / _SENDING
    with contextlib.suppress(OSError):
        return _is_held(path)
    return False


def listeners(folder: Path) -> list[Listener]:
    """Return who listens on a shelf, or did so last; looking changes nothing."""
    found = []
    for path in sorted(folder.glob("listener*.lock")):
        with contextlib.suppress(OSError):
            noted = _read(path)
            found.append(noted or Listener(_is_held(path), 0, "", datetime.fromtimestamp(path.stat().st_mtime, UTC)))
    return found


def listener_counts(folder: Path) -> list[ListenerCounts]:
    """Return what went through each listener of a shelf, the one at work or the last one; looking changes nothing."""
    found = []
    for path in sorted(folder.glob("listener*.lock")):
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            words = json.loads(path.read_bytes())
            counts = (int(words[name]) for name in ("messages", "new", "rejected"))
            found.append(ListenerCounts(str(words["part"]), datetime.fromisoformat(words["since"]), *counts))
    return found


def _path(folder: Path, part: str) -> Path:
    plain = "".join(sign if sign.isalnum() else f"%{ord(sign):x}" for sign in part)
    return folder / (f"listener-{plain}.lock" if part else "listener.lock")


def _locked_at_last(file: int) -> bool:
    for left in reversed(range(_TRIES)):
        if _lock(file):
            return True
        if left:
            time.sleep(_BETWEEN_TRIES_S)
    return False


def _lock(file: int, *, shared: bool = False) -> bool:
    if fcntl is None:
        return True
    try:
        fcntl.flock(file, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # a file system without locks: better two listeners than none
    return True


def _is_held(path: Path) -> bool:
    file = os.open(path, os.O_RDONLY)
    try:
        return not _lock(file, shared=True)
    finally:
        os.close(file)


def _read(path: Path) -> Listener | None:
    """Return what the file of a lock says, or None where it says nothing that can be read."""
    try:
        held = _is_held(path)
        words = json.loads(path.read_bytes())
        since = datetime.fromisoformat(words["since"])
        return Listener(held, int(words["process"]), str(words["machine"]), since, str(words.get("ended", "")))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _who_has_it(folder: Path, other: Listener | None, does: str) -> str:
    if other is None:
        return f"another process already {does} {folder}. Stop that one first, or let it run"
    here = other.machine == socket.gethostname()
    where, how = ("", f" (kill {other.process})") if here else (f" on {other.machine}", "")
    return (
        f"process {other.process}{where} already {does} {folder}, since {other.since:%Y-%m-%d %H:%M} UTC."
        f" Stop that one first{how}, or let it run"
    )
