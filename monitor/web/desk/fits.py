"""Curves of runs, fitted once for each state of the log: a fit costs a quarter of a second, and pages ask often."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from monitor.desk import run_curve
from monitor.records.desk_events import HeatTimed

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from monitor.desk import Desk, RunCurve
    from monitor.desk.inventory import Inventory, Run
    from monitor.records.desk_events import LoggedEvent

_KEPT = 32  # a count; judgement: more runs than anybody looks at in an evening


@dataclass(eq=False)
class Fits:
    """Remembers the newest curves; one is fitted at a time, so that many readers cost no more than one."""

    _kept: OrderedDict[Hashable, RunCurve] = field(default_factory=OrderedDict)
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def curve(self, desk: Desk, inventory: Inventory, run: Run, events: Sequence[LoggedEvent]) -> RunCurve:
        """Return the curve of a run that has a weighing."""
        numbers = tuple(logged.event_id for logged in events if not isinstance(logged.event, HeatTimed))
        key = (run.name, len(numbers), max(numbers, default=0), tuple(desk.boxes), tuple(desk.appliances))
        with self._one_at_a_time:
            if key not in self._kept:
                self._kept[key] = run_curve(inventory, run, desk.boxes, desk.appliances)
            self._kept.move_to_end(key)
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
            return self._kept[key]
