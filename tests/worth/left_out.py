"""What no policy asks for isn't worked out, and what boxes of a room share is kept for more of them: no row changes."""

from __future__ import annotations

from functools import lru_cache

from monitor.inference.fit import fit
from monitor.inference.shelf import answer

_ROOMS = 64  # as many instants as a site's boxes were dried at in the episodes that count


def leave_out() -> None:
    """Leave out which measurement would help most, and the points of the chart of the leak."""
    answer.most_useful = lambda *_: None  # type: ignore[assignment]
    answer.leak_line_of = lambda *_: None  # type: ignore[assignment]
    if fit.room_before.cache_parameters()["maxsize"] != _ROOMS:
        fit.room_before = lru_cache(maxsize=_ROOMS)(fit.room_before.__wrapped__)
