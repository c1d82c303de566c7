"""The plan of a shelf as its pages show it: the one that every face shows, or the one before until that is made."""

from __future__ import annotations

import logging
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from monitor.records import Assessment, PlanDecision
    from monitor.services.assess import RechargePlan
    from monitor.services.kept_plan import FullPlan, PlanAsked
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

MANY_BOXES = 100
"""From so many boxes on a plan is made in a process of its own. [boxes] Judgement: some ten seconds, in which pages
would be slow."""
_LOOK_EVERY_S = 0.2  # judgement: an end that comes meanwhile is hardly delayed, and a look costs next to nothing
_ONE_AT_A_TIME = threading.Lock()
"""What several threads want to know is made once."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class ShownPlan:
    """What pages show for now."""

    plan: RechargePlan
    full_plan: FullPlan | None
    """The same with what it is worth and can't meet; None where it is a quick one."""
    is_due: bool
    """Whether another plan is to be made."""


def plan_asked(
    stores: Stores,
    shelf: Shelf,
    as_of: datetime,
    assessments: Sequence[Assessment],
    decisions: Sequence[PlanDecision],
) -> PlanAsked:
    """Return the question for the plan of a shelf as it is declared."""
    from monitor.services.kept_plan import PlanAsked  # noqa: PLC0415 -- for those who ask for a plan

    today = as_of.astimezone(shelf.timezone).date()
    return PlanAsked(
        stores, shelf.boxes, shelf.appliances, shelf.plan, as_of, today, assessments, decisions, shelf.room
    )


def shown_plan(
    shelf: Shelf,
    answers: Sequence[Assessment],
    as_of: datetime,
    decisions: Sequence[PlanDecision],
    *,
    make: bool = True,
) -> ShownPlan | None:
    """Return the plan of now, where that is kept, or few boxes let it be made at once.

    Of many boxes it is the one before where only outlooks moved since, and else a quick one that knows a single
    appliance and visit; ``is_due`` says so. Unless it is to ``make`` one, None where none of now is kept.
    """
    try:
        whole, is_of_now = _whole(shelf, answers, as_of, decisions, make=make)
    except Exception:  # a defect in the plan takes no page away
        _log.exception("the plan can't be made")
        whole, is_of_now = None, True
    if whole is None:
        return ShownPlan(_quick(shelf, answers, as_of, decisions), None, not is_of_now) if make else None
    return ShownPlan(whole.plan, whole, not is_of_now) if make or is_of_now else None


def _whole(
    shelf: Shelf,
    answers: Sequence[Assessment],
    as_of: datetime,
    decisions: Sequence[PlanDecision],
    *,
    make: bool,
) -> tuple[FullPlan | None, bool]:
    from monitor.services.kept_plan import plan_at_hand, plan_now  # noqa: PLC0415 -- as above

    with _ONE_AT_A_TIME, open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
        asked = plan_asked(stores, shelf, as_of, answers, decisions)
        found, is_of_now = plan_at_hand(asked)
        if make and not is_of_now and len(shelf.boxes) < MANY_BOXES:
            return plan_now(asked), True
        return found, is_of_now


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


def _quick(
    shelf: Shelf, answers: Sequence[Assessment], as_of: datetime, decisions: Sequence[PlanDecision]
) -> RechargePlan:
    """Return a plan by forecasts alone, with the shelf's first appliance and one visit a box."""
    from monitor.services import assess  # noqa: PLC0415 -- as above

    today, rules = as_of.astimezone(shelf.timezone).date(), shelf.plan
    return assess.plan_recharges(
        answers, shelf.appliances[0], today, rules.weekdays, decisions=decisions, horizon_days=rules.horizon_days
    )
