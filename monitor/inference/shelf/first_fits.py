"""First fits between the two passes over a shelf: few are held as they are, of many the draws lie in a file."""

from __future__ import annotations

import os
import pickle
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO

from monitor.inference.fit.pooling import LeakObservation
from monitor.inference.shelf.first_fit import FirstFit

HELD_UP_TO = 200
"""Up to so many first fits are held in memory. [boxes] Judgement: of some 300 kB each, they take 60 MB."""
_ON_DISK = Path("/var/tmp")
"""What stands in /tmp takes memory on many systems; this is on the disk, by the Filesystem Hierarchy Standard."""


@contextmanager
def first_fits(boxes: int) -> Iterator[FirstFits]:
    """Make room for the first fits of so many boxes, until the body ends.

    Parameters
    ----------
    boxes : int
        How many are to be expected.

    Yields
    ------
    FirstFits
        Without any yet.
    """
    if boxes <= HELD_UP_TO:
        yield FirstFits(None)
        return
    with tempfile.TemporaryFile(dir=_folder()) as file:  # without a name: nothing is left, however the process ends
        yield FirstFits(file)


class FirstFits:
    """Takes first fits in order, and gives them back in the same order, once what all of them teach is known."""

    def __init__(self, file: IO[bytes] | None) -> None:
        self._held: list[FirstFit] = []
        self._file = file

    def add(self, first: FirstFit) -> None:
        """Take the first fit of the next box.

        Parameters
        ----------
        first : FirstFit
            Without a posterior where there is none.
        """
        if self._file is not None:
            pickle.dump(first.posterior, self._file, pickle.HIGHEST_PROTOCOL)
            first = replace(first, posterior=None)
        self._held.append(first)

    def observations(self) -> Iterator[LeakObservation]:
        """Yield what all of them teach of leaks.

        Yields
        ------
        LeakObservation
            Box by box.
        """
        for first in self._held:
            yield from first.observations

    def __iter__(self) -> Iterator[FirstFit]:
        """Give them back, one at a time."""
        if self._file is not None:
            self._file.seek(0)
        for first in self._held:
            yield first if self._file is None else replace(first, posterior=pickle.load(self._file))


def _folder() -> str | None:
    return str(_ON_DISK) if "TMPDIR" not in os.environ and os.access(_ON_DISK, os.W_OK) else None
