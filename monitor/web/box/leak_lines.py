"""Leak lines of the boxes that somebody looks at: each is worked out when it is first shown, from the kept fit."""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

from monitor.errors import SiccastError
from monitor.services.supposing import leak_line
from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.records import Assessment, LeakEstimate, LeakLine
    from monitor.settings import Shelf
    from monitor.web.snapshot import Snapshot

_AT_HAND = 32  # boxes; judgement: more than people look at between two assessments; 25 kB each
_log = logging.getLogger(__name__)


class LeakLines:
    """Lines of one shelf; those that were looked at lately stay at hand until their box is assessed anew."""

    def __init__(self, shelf: Callable[[], Shelf]) -> None:
        self._shelf = shelf
        self._at_hand: OrderedDict[str, tuple[LeakEstimate, LeakLine | None]] = OrderedDict()
        """Of each box, with the estimate that it belongs to."""
        self._one_at_a_time = threading.Lock()

    def __call__(self, snapshot: Snapshot, answer: Assessment) -> LeakLine | None:
        """Return what the leak of a box was read from; None where it can't be drawn, which is logged if it is ours."""
        if answer.leak is None:
            return None
        name = answer.box.name
        with self._one_at_a_time:
            of_leak, there = self._at_hand.get(name, (None, None))
        if of_leak is answer.leak:
            return there
        found = self._worked_out(snapshot, name, answer.leak)
        with self._one_at_a_time:
            self._at_hand[name] = answer.leak, found
            self._at_hand.move_to_end(name)
            while len(self._at_hand) > _AT_HAND:
                self._at_hand.popitem(last=False)
        return found

    def _worked_out(self, snapshot: Snapshot, name: str, leak: LeakEstimate) -> LeakLine | None:
        shelf = self._shelf()
        box = next((box for box in shelf.boxes if box.name == name), None)
        if box is None:
            return None
        try:
            with open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
                return leak_line(
                    stores.readings, stores.ledger, box, snapshot.as_of,
                    leak=leak, kept=stores.outlooks, room_climate=shelf.room,
                )  # fmt: skip
        except SiccastError:
            raise
        except Exception:
            _log.exception("the leak line of box %s can't be drawn", name)
            return None
