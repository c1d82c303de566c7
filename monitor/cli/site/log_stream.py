"""The listener's own log: a full disk or a closed pipe behind it costs lines, never the listener."""

from __future__ import annotations

import contextlib
import io
import os
import select
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_TAKEN_WITHIN_S = 0.5
"""A reader who takes nothing for so long (a terminal that is held, a program that hangs) misses what is said (a
judgement)."""


class _ForgivingFile(io.RawIOBase):
    """Writes to a file descriptor, and counts what could not be written instead of failing."""

    def __init__(self, number: int) -> None:
        self._number = number
        self._missed = 0

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._number

    def isatty(self) -> bool:
        return os.isatty(self._number)

    def write(self, text: object) -> int:
        whole = bytes(text)  # type: ignore[call-overload]
        missed = f"siccast: {self._missed} messages to this log could not be written\n" if self._missed else ""
        try:
            self._write(missed.encode())
            self._missed = 0
            self._write(whole)
        except OSError:
            self._missed += 1
        return len(whole)

    def _write(self, left: bytes) -> None:
        while left:
            if os.name == "posix" and not select.select([], [self._number], [], _TAKEN_WITHIN_S)[1]:
                raise BlockingIOError
            left = left[os.write(self._number, left) :]


@contextmanager
def forgiving_stderr() -> Iterator[None]:
    """Let nothing that is written to stderr in the body raise, whoever writes it and whatever is behind it."""
    usual = sys.stderr
    try:
        number = usual.fileno()
    except (AttributeError, OSError, ValueError):  # none, or one that a test put there
        yield
        return
    with contextlib.suppress(OSError):
        usual.flush()
    sys.stderr = io.TextIOWrapper(_ForgivingFile(number), usual.encoding, "replace", write_through=True)
    try:
        yield
    finally:
        sys.stderr = usual
