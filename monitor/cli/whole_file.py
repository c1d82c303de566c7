"""Files that a command writes: there whole or not at all, whatever ends the command in between."""

from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.errors import UnwritableError

if TYPE_CHECKING:
    from collections.abc import Iterator

_LONGEST_STEM = 80  # letters; judgement: with what is added, far below the 255 bytes of a file name


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Hand out a name beside the file to write to; at the end that takes the file's place, else nothing of it stays.

    Raises
    ------
    UnwritableError
        When the file can't be made or written; said before anything else is done where that is known then.
    """
    try:
        place = path.resolve()  # a link stays a link
        if place.exists() and not place.is_file():  # a pipe or a device takes what comes
            yield place
            return
        beside = place.with_name(f"{place.stem[:_LONGEST_STEM]}.unfinished-{os.getpid()}{place.suffix}")
        mode = place.stat().st_mode & 0o777 if place.exists() else 0o666
        os.close(os.open(beside, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, mode))
        try:
            yield beside
            beside.replace(place)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise UnwritableError(
            f"can't write {path}: {error.strerror or error}. Choose a file that you may write"
        ) from error
