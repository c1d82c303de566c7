"""The plan of a shelf as its pages show it, and the process that makes it where there are many boxes."""

from __future__ import annotations

import subprocess
import sys
import threading
from typing import TYPE_CHECKING

from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.records import Assessment, PlanDecision
    from monitor.services.plan_to_show import ShownPlan
    from monitor.settings import Shelf

_LOOK_EVERY_S = 0.2  # judgement: an end that comes meanwhile is hardly delayed, and a look costs next to nothing
_ONE_AT_A_TIME = threading.Lock()
"""What several threads want to know is made once."""


def shown_plan(
    shelf: Shelf,
    answers: Sequence[Assessment],
    as_of: datetime,
    *,
    logged: object,
    decisions: Sequence[PlanDecision],
    make: bool = True,
) -> ShownPlan | None:
    """Return ``plan_to_show`` of a shelf."""
    from monitor.services.kept_plan import plan_asked  # noqa: PLC0415 -- for those who ask for a plan
    from monitor.services.plan_to_show import plan_to_show  # noqa: PLC0415 -- as above

    with _ONE_AT_A_TIME, open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
        return plan_to_show(plan_asked(stores, shelf, as_of, answers, logged=logged, decisions=decisions), make=make)


def plan_beside(shelf: Shelf, over: threading.Event) -> None:
    """Let a process of its own make the plan of many boxes and keep it; given up where all is over."""
    command = [sys.executable, "-m", "monitor.cli.start", "--shelf", str(shelf.folder), "keep-ready", "--plan-only"]
    silent = subprocess.DEVNULL
    with subprocess.Popen(command, stdin=silent, stdout=silent, start_new_session=True) as work:
        try:
            while work.poll() is None and not over.wait(_LOOK_EVERY_S):
                pass
        finally:
            work.terminate()
