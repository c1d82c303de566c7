"""What the page shows, assessed once in a while in the background, so that every request is answered at once."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.errors import SiccastError
from monitor.records import ROOM, Reading, ReadingSeries
from monitor.services import assess
from monitor.services.supposing import supposing
from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping, Sequence

    from monitor.records import Assessment, PlanDecision
    from monitor.services.assess import RechargePlan
    from monitor.services.supposing import Supposing
    from monitor.settings import Shelf

HISTORY_DAYS = 30
"""How far back the small charts of the shelf reach. A judgement: a month shows a slope."""

_YEAR_DAYS = 365  # judgement: one scale for all charts shows every season, and no more is read of a box of ten years
_LOOK_EVERY_S = 30.0  # judgement: one look costs next to nothing
_FIRST_WITHIN_S = 3.0
"""So long the page waits for its first snapshot before it answers at all. A judgement: where outlooks are kept,
hundreds of boxes take a second."""
_SHARE_OF_TIME = 20.0
"""Times: assessing takes at most one part in so many of a core (a judgement)."""
_NEARLY_ALL = 0.995  # share of the hours; judgement: a spike sets no axis

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole shelf at one instant."""

    as_of: datetime
    answers: tuple[Assessment, ...]
    """Worst first."""
    recent: Mapping[str, ReadingSeries] = field(default_factory=dict)
    """The last weeks of each box, by the hour."""
    highest: float = 0.0
    """Nearly the highest humidity any box showed in a year, so that the charts of all boxes can share one scale."""
    room: Reading | None = None
    plan: RechargePlan | None = None
    """The days on which drying is worth it, with the shelf's first appliance."""
    decisions: Sequence[PlanDecision] = ()
    """What people decided about the plan, as it was planned with."""
    reservation: str = ""
    """What this state does not rest on, though it should."""
    notice: str = ""
    """Why this is not the newest state, where it is not."""

    @property
    def has_doubts(self) -> bool:
        """Whether it is worth another look before there is anything new."""
        return bool(self.notice or self.reservation)

    def answer(self, box: str) -> Assessment | None:
        """Return the assessment of one box."""
        return next((answer for answer in self.answers if answer.box.name == box), None)


def take_snapshot(shelf: Shelf, clock: datetime) -> Snapshot:
    """Assess every box of a shelf; this is slow where no outlooks are kept."""
    as_of = shelf.now(clock)
    start = as_of - timedelta(days=HISTORY_DAYS)
    said: list[str] = []
    with open_stores(shelf.database_path, influx=shelf.influx, read_only=True, report=said.append) as stores:
        answers = assess.assess(
            stores.readings, stores.ledger, shelf.boxes, as_of, room_climate=shelf.room, kept=stores.outlooks
        )
        recent = {a.box.name: stores.readings.hourly(a.box.name, start, as_of) for a in answers}
        year = as_of - timedelta(days=_YEAR_DAYS)
        highest = max((_nearly_highest(stores.readings.hourly(a.box.name, year, as_of)) for a in answers), default=0.0)
        room = stores.readings.latest(before=as_of).get(ROOM)
        decisions = stores.plan_decisions.counting()
    plan = plan_of(shelf, answers, as_of, decisions)
    ordered = tuple(assess.worst_first(answers))
    return Snapshot(as_of, ordered, recent, highest, room, plan, decisions, reservation=said[0] if said else "")


def suppose(shelf: Shelf, as_of: datetime, box: str) -> Supposing | str:
    """Return a box to suppose things about, with its fit at hand; or why there is no forecast of it."""
    if box not in {declared.name for declared in shelf.boxes}:
        return ""
    with open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
        return supposing(
            stores.readings, stores.ledger, shelf.boxes, box, as_of, room_climate=shelf.room, kept=stores.outlooks
        )


def _nearly_highest(series: ReadingSeries) -> float:
    """Return a humidity that all but the odd spike stay under."""
    return float(np.quantile(series.relative_humidity, _NEARLY_ALL)) if len(series) else 0.0


def plan_of(
    shelf: Shelf, answers: Sequence[Assessment], as_of: datetime, decisions: Sequence[PlanDecision]
) -> RechargePlan:
    """Return the plan that all pages show, with the shelf's first appliance."""
    today = as_of.astimezone(shelf.timezone).date()
    rules = shelf.plan
    return assess.plan_recharges(
        answers, shelf.appliances[0], today, rules.weekdays, decisions=decisions, horizon_days=rules.horizon_days
    )


def read_stamp(shelf: Shelf, clock: datetime) -> object:
    """Return something cheap that changes when there is something new to assess, and every hour all the same."""
    with open_stores(shelf.database_path, influx=shelf.influx, read_only=True) as stores:
        newest = tuple(sorted((name, reading.at) for name, reading in stores.readings.latest().items()))
        return f"{shelf.now(clock):%Y-%m-%dT%H}", newest, stores.ledger.stamp(), stores.plan_decisions.stamp()


class Keeper:
    """Holds the newest snapshot and renews it when there is something new, at most every few minutes."""

    def __init__(
        self,
        take: Callable[[datetime], Snapshot],
        stamp: Callable[[datetime], object],
        *,
        renew_s: float = 300.0,  # judgement: humidity moves in hours
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        prepare: Callable[[Snapshot], object] = lambda _: None,
    ) -> None:
        """``prepare`` is given each snapshot before anybody sees it."""
        self.newest: Snapshot | None = None
        self.failure = ""
        """Why there is no snapshot yet, where the first one failed."""
        self.clock = clock
        self.prepare = prepare
        self._take, self._stamp, self._renew_s = take, stamp, renew_s
        self._first = asyncio.Event()
        """Set once there is a snapshot, or none could be taken."""
        self._soon = asyncio.Event()
        """Set where something was done that is to be seen at once."""
        self._loop: asyncio.AbstractEventLoop | None = None
        self._seen: object = None
        self._took_s = 0.0

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Keep the snapshot fresh while the body runs, which begins with one where that doesn't take long."""
        self._loop = asyncio.get_running_loop()
        task = asyncio.create_task(self._run())
        try:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._first.wait(), _FIRST_WITHIN_S)
            yield
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    async def renew(self) -> None:
        """Take a new snapshot now if there is anything new; a failure keeps the old one and is said beside it."""
        try:
            clock = self.clock()
            stamp = await asyncio.to_thread(self._stamp, clock)
            if self.newest is not None and stamp == self._seen and not self.newest.has_doubts:
                return
            begun = time.monotonic()
            self.newest = await asyncio.to_thread(self._taken, clock)
            self._took_s = time.monotonic() - begun
            self._seen = stamp
        except SiccastError as error:
            self._remember(str(error))
        except Exception as error:
            _log.exception("the shelf can't be assessed")
            self._remember(f"the shelf can't be assessed ({type(error).__name__})")

    def _taken(self, clock: datetime) -> Snapshot:
        snapshot = self._take(clock)
        self.prepare(snapshot)
        return snapshot

    def _remember(self, failure: str) -> None:
        self.failure = failure
        if self.newest is not None:
            self.newest = replace(self.newest, notice=failure)

    async def _run(self) -> None:
        while True:
            self._soon.clear()  # a deed while the snapshot is taken is looked at right after it
            await self.renew()
            self._first.set()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._soon.wait(), self.pause_s)

    def look_soon(self) -> None:
        """Look now instead of after the pause; from any thread."""
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._soon.set)

    @property
    def pause_s(self) -> float:
        """Return how long to wait before looking again: on a slow machine longer, so that it has time for the rest."""
        return max(self._renew_s, _SHARE_OF_TIME * self._took_s) if self.newest else _LOOK_EVERY_S
