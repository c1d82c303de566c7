"""What no policy asks for isn't worked out, and what boxes of a room share is kept for more of them: no row changes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from unittest.mock import patch

from monitor.inference.fit import fit
from monitor.inference.shelf import answer

_ROOMS = 64  # as many instants as a site's boxes were dried at in the episodes that count


@contextmanager
def without_what_nobody_asks() -> Iterator[None]:
    """Leave out which measurement would help most."""
    for_more_boxes = lru_cache(maxsize=_ROOMS)(fit.room_before.__wrapped__)
    with (
        patch.object(answer, "most_useful", lambda *_: None),
        patch.object(fit, "room_before", for_more_boxes),
    ):
        yield
