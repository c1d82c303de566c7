"""What the answering commands share: their options, and the one way to an answer."""

from __future__ import annotations

from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.errors import UnknownBoxError
from monitor.presentation.clock import utc_now
from monitor.records import ROOM
from monitor.records.declared import LIMIT_RANGE_PCT
from monitor.records.names import hint
from monitor.settings import SHELF_FILE, load_shelf, shelf_as_it_is, shelf_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from monitor.planning.decisions import PlanConstraints
    from monitor.planning.recharge import RechargePlan
    from monitor.presentation.wording import Wording
    from monitor.records import Assessment, InfluxAddress, PlanDecision, WhatIf
    from monitor.records.alerts import Alert
    from monitor.services.recharge_plan import FullPlan
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

BoxName = Annotated[str, typer.Argument(metavar="BOX", help="Name of the box.", autocompletion=arguments.box_names)]
BoxNames = Annotated[
    list[str] | None,
    typer.Argument(metavar="BOX", help="Boxes to show. Default: all.", autocompletion=arguments.box_names),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of",
        metavar="UTC",
        help="Show it as it was then, like 2026-03-01T07:30 (UTC), not later than now. Default: now.",
    ),
]
Fresh = Annotated[
    bool,
    typer.Option("--fresh", help="Calculate everything anew, also what was kept from the last question."),
]
Dask = Annotated[
    str | None,
    typer.Option(
        "--dask",
        envvar="SICCAST_DASK",
        metavar="ADDRESS",
        help="Calculate on the Dask cluster of this address, like tcp://10.0.0.5:8786; 'local' starts one here.",
    ),
]
Limit = Annotated[
    float | None,
    typer.Option(metavar="RH", help="Use this humidity limit, 1 to 95 %, instead of each box's own."),
]


@dataclass(frozen=True, slots=True)
class Assessed:
    """What was asked of the boxes, with the answer."""

    shelf: Shelf
    as_of: datetime
    assessments: Sequence[Assessment]
    """In the order in which the boxes are declared."""
    decisions: Sequence[PlanDecision] = ()
    """What people decided about the plan."""
    of_the_past: bool = False
    """A person asked how it was then: nothing of it is kept or announced."""
    fresh: bool = False
    """Nothing is answered from what was kept."""
    logged: object = None
    """The stamp of the ledger from before the answers were made."""

    @property
    def decided(self) -> PlanConstraints:
        """What of that asks something of a plan made today."""
        from monitor.planning.decisions import constraints_of

        today = self.as_of.astimezone(self.shelf.timezone).date()
        return constraints_of(self.decisions, self.assessments, today, self.shelf.plan.days_off(today))

    @property
    def wording(self) -> Wording:
        """How this shelf wants things said."""
        from monitor.presentation.wording import Wording

        return Wording.of(self.shelf, self.decided)

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Today's alerts: `today` says them, and the routes of the shelf send them."""
        from monitor.planning.alerts import alerts_for_today

        wording = self.wording
        return alerts_for_today(
            self.worst_first,
            wording.local_day(self.as_of),
            zone=wording.zone,
            oven_day=wording.oven_day(self.as_of),
            decided=self.decided,
            plan=self._plan_soon(),
        )

    def plan(self) -> FullPlan:
        """Return the plan that every face shows, made and kept where none is; that of the past is made anew."""
        from monitor.services.kept_plan import plan_apart, plan_asked, plan_now

        shelf = self.shelf
        with open_to_read(shelf, shelf.influx) as stores:
            asked = plan_asked(
                stores, shelf, self.as_of, self.assessments, logged=self.logged, decisions=self.decisions
            )
            return plan_apart(asked, of_the_past=True) if self.of_the_past else plan_now(asked, fresh=self.fresh)

    def _plan_soon(self) -> RechargePlan | None:
        """Return the plan where it can have something for today or tomorrow."""
        today = self.as_of.astimezone(self.shelf.timezone).date()
        soon = (today, today + timedelta(days=1))
        usual = self.shelf.plan.weekdays
        weekdays = {day for tool in self.shelf.appliances for day in tool.weekdays or usual}
        may_be = any(day.weekday() in weekdays for day in soon) or any(one.on in soon for one in self.decisions)
        if not may_be or not self.assessments:
            return None
        if self.of_the_past or self.fresh:
            return self.plan().plan
        from monitor.services.kept_plan import plan_asked
        from monitor.services.plan_to_show import plan_to_show

        shelf = self.shelf
        with open_to_read(shelf, shelf.influx) as stores:
            asked = plan_asked(
                stores, shelf, self.as_of, self.assessments, logged=self.logged, decisions=self.decisions
            )
            shown = plan_to_show(asked)  # many boxes don't make one wait
        return shown.plan if shown else None

    @property
    def worst_first(self) -> list[Assessment]:
        """The answers with what needs a person most at the top."""
        from monitor.planning.urgency import worst_first

        return worst_first(self.assessments)


def ask(
    shelf: Shelf,
    names: Sequence[str] | None = None,
    as_of: str | None = None,
    limit_pct: float | None = None,
    *,
    change: WhatIf | None = None,
    fresh: bool = False,
    dask: str | None = None,
    beside_other_work: bool = False,
) -> Assessed:
    """Assess a shelf; boxes inform each other, so all are assessed even where a few are shown.

    ``change`` asks for the forecast of each box with something changed, too. ``fresh`` answers nothing from what was
    kept. ``dask`` is the address of a cluster. ``beside_other_work`` is for one who asks again and again: nothing is
    shown then, and one core has to do.
    """
    instant = arguments.utc_instant(as_of, shelf.now(datetime.now(tz=UTC)))
    if limit_pct is not None and not LIMIT_RANGE_PCT[0] <= limit_pct <= LIMIT_RANGE_PCT[1]:
        raise typer.BadParameter(f"{limit_pct:g} is not valid: a limit is from 1 to 95 %", param_hint="'--limit'")
    from monitor.cli.output import working
    from monitor.services.assess import assess

    boxes = "1 box" if len(shelf.boxes) == 1 else f"{len(shelf.boxes)} boxes"
    busy = working(f"calculating {boxes}") if not beside_other_work else nullcontext(lambda _share: None)
    opened = open_to_read(shelf, shelf.influx, tell)
    with opened as stores, busy as progress:
        names, logged = [arguments.known_box(name, shelf, stores) for name in names or ()], stores.ledger.stamp()
        assessments = assess(
            stores.readings,
            stores.ledger,
            shelf.boxes,
            instant,
            room_climate=shelf.room,
            humidity_limit=None if limit_pct is None else limit_pct / 100.0,
            change=change,
            kept=stores.outlooks,
            asked=names or None,
            of_the_past=as_of is not None,
            fresh=fresh,
            workers=1 if beside_other_work else None,
            dask=dask,
            progress=progress,
        )
        if unanswered := set(names) - {assessment.box.name for assessment in assessments}:
            raise UnknownBoxError(_why_unanswered(min(unanswered), shelf, stores))
        decisions = stores.plan_decisions.counting(None if as_of is None else instant)
    answers = [a for a in assessments if not names or a.box.name in names]
    return Assessed(shelf, instant, answers, decisions, of_the_past=as_of is not None, fresh=fresh, logged=logged)


def _why_unanswered(name: str, shelf: Shelf, stores: Stores) -> str:
    """Return why nothing can be said of a name that is known: a room, a box off the shelf, or one heard only later."""
    if name == ROOM or any(name == box.room for box in shelf.boxes):
        return f"'{name}' is the room sensor, not a box. `siccast boxes` lists the boxes"
    if name not in stores.readings.latest():
        return f"box '{name}' was taken off the shelf. {hint('adopt', name)} brings it back"
    return f"box '{name}' is not in {SHELF_FILE}, and all its readings are dated later. {hint('adopt', name)} adds it"


def open_to_write(shelf: Shelf) -> AbstractContextManager[Stores]:
    """Open the stores of a shelf for writing; only a folder that nobody named is made, since a name may be misspelt."""
    from monitor.store.opening import open_stores

    begin = not shelf.folder.is_dir() and shelf.is_in_the_usual_place
    return open_stores(shelf.database_path, influx=shelf.influx, begin=begin, report=tell, now=utc_now())


@contextmanager
def alone(shelf: Shelf, stores: Stores) -> Iterator[Shelf]:
    """Be the only one who writes to the stores of a shelf in the body, and get the shelf as it is declared then.

    Another command may have renamed a box while this one waited: what names a box is looked up in here.
    """
    with stores.events.transaction():
        yield shelf_as_it_is(shelf)


def open_to_read(
    shelf: Shelf, influx: InfluxAddress | None = None, report: Callable[[str], None] = lambda _: None
) -> AbstractContextManager[Stores]:
    """Open the stores of a shelf to look; after an upgrade of siccast the database is brought up to date first."""
    from monitor.store import opening

    return opening.open_to_read(shelf.database_path, influx=influx, report=report, tell=tell, now=utc_now())


def tell(line: str) -> None:
    """Print a line about the work itself, beside the answer."""
    typer.echo(f"siccast: {line}", err=True)


def shelf_of(context: typer.Context) -> Shelf:
    """Read the shelf file that this command is about."""
    return load_shelf(shelf_folder(context.obj))


def say_as_of(asked: Assessed) -> bool:
    """Say what instant the answer holds for; return whether there is any box to answer about."""
    typer.echo(f"As of {asked.wording.moment(asked.as_of)} ({asked.shelf.timezone})")
    return has_boxes(asked)


def has_boxes(asked: Assessed) -> bool:
    """Return whether there is any box; where there is none, say what to do."""
    if asked.assessments or asked.shelf.boxes:
        return True
    from monitor.cli.output import say

    say(
        "There are no boxes yet. Leave `siccast listen` running and switch a sensor on: once it has sent a reading, "
        "`siccast adopt NAME` makes it a box"
    )
    return False
