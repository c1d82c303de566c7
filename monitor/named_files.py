"""Files that a person named: a pipe, a device or a huge file is refused before anybody waits for its end.

And what helps where one can't be written.
"""

from __future__ import annotations

import errno
import os
import stat
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import TextIO

MOST_BYTES = 64 * 2**20
"""Of a file that is read whole: settings, secrets, certificates, texts, a year of weather. A judgement: a year of hours
as EPW has 2 MB, and nothing else of these is as large."""
_LONGEST_LINE = 200_000
"""Letters that are read at once of a table. A judgement, and above the 131,072 that Python's csv takes for a field, so
that a longer one is refused by that."""
_KINDS = (
    (stat.S_ISDIR, errno.EISDIR, "it is a folder, not a file"),
    (stat.S_ISFIFO, errno.EINVAL, "it is a pipe, not a file"),
    (stat.S_ISSOCK, errno.EINVAL, "it is a socket, not a file"),
    (lambda mode: not stat.S_ISREG(mode), errno.EINVAL, "it is a device, not a file"),
)


def require_file(path: Path | str, most_bytes: int | None = MOST_BYTES) -> None:
    """Refuse what is no regular file, or holds more than so many bytes; None: however many.

    Raises
    ------
    OSError
        With the reason as its ``strerror``; also where the file is missing or may not be looked at.
    """
    held = os.stat(path)  # noqa: PTH116 -- of a text too
    for is_such, number, reason in _KINDS:
        if is_such(held.st_mode):
            raise OSError(number, reason, str(path))
    if most_bytes is not None and held.st_size > most_bytes:
        size, most = held.st_size / 2**20, most_bytes / 2**20
        raise OSError(errno.EFBIG, f"it has {size:,.0f} MiB, and at most {most:,.0f} are read", str(path))


def remedy(error: OSError, usual: str) -> str:
    """Return what helps where a file can't be written: room, where that is missing, else the usual."""
    return "Free some space" if error.errno in (errno.ENOSPC, errno.EDQUOT) else usual


def lines_of(text: TextIO) -> Iterator[str]:
    """Yield the lines of a table; what is longer than any row comes in parts, which the reader of rows refuses."""
    while line := text.readline(_LONGEST_LINE):
        yield line
