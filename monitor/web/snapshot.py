"""What the page shows, assessed once in a while in the background, so that every request is answered at once."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.errors import SiccastError
from monitor.planning.urgency import worst_first
from monitor.records import ROOM, Reading, ReadingSeries
from monitor.services import assess
from monitor.services.supposing import supposing
from monitor.store.opening import open_stores, open_to_read
from monitor.texts import say
from monitor.web.drawing import NEARLY_ALL
from monitor.web.planned import plan_beside, shown_plan

if TYPE_CHECKING:
    import threading
    from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence

    from monitor.planning.recharge import RechargePlan
    from monitor.records import Assessment, LeakLine, PlanDecision
    from monitor.services.recharge_plan import FullPlan
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
_PATIENCE_S = 2.0
"""So long the answer to a deed waits for the pages to have it. A judgement: they will have it soon all the same."""

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
    """The days on which drying is worth it."""
    full_plan: FullPlan | None = None
    """The same with what it is worth and can't meet; None where it is a quick plan that knows one appliance alone."""
    plan_is_due: bool = False
    """Whether another plan is to be made: this is the one before, or the quick one."""
    decisions: Sequence[PlanDecision] = ()
    """What people decided about the plan, as it was planned with."""
    reservation: str = ""
    """What this state does not rest on, though it should."""
    notice: str = ""
    """Why this is not the newest state, where it is not."""
    assessed_at: datetime | None = None
    """The instant of the answers, where newer readings were put in since."""
    logged: object = None
    """The stamp of the ledger from before the answers were made."""

    @property
    def has_doubts(self) -> bool:
        """Whether it is worth another look before there is anything new."""
        return bool(self.notice or self.reservation)

    def answer(self, box: str) -> Assessment | None:
        """Return the assessment of one box."""
        return next((answer for answer in self.answers if answer.box.name == box), None)


def take_snapshot(shelf: Shelf, clock: datetime, is_over: Callable[[], bool] = lambda: False) -> Snapshot:
    """Assess every box of a shelf; this is slow where no outlooks are kept, and given up between two boxes at the end.

    The end of a process waits for its threads.
    """

    def go_on(_share: float) -> None:
        if is_over():
            raise asyncio.CancelledError  # no Exception, after which each box would be asked alone

    as_of = shelf.now(clock)
    start = as_of - timedelta(days=HISTORY_DAYS)
    said: list[str] = []
    with open_stores(shelf.database_path, influx=shelf.influx, read_only=True, report=said.append) as stores:
        logged = stores.ledger.stamp()
        answers = assess.assess(
            stores.readings,
            stores.ledger,
            shelf.boxes,
            as_of,
            room_climate=shelf.room,
            kept=stores.outlooks,
            progress=go_on,
        )
        recent = {a.box.name: stores.readings.hourly(a.box.name, start, as_of) for a in answers}
        year = as_of - timedelta(days=_YEAR_DAYS)
        highest = max((_nearly_highest(stores.readings.hourly(a.box.name, year, as_of)) for a in answers), default=0.0)
        room = stores.readings.latest(before=as_of).get(ROOM)
        decisions = stores.plan_decisions.counting()
    ordered, reservation = tuple(worst_first(answers)), said[0] if said else ""
    taken = Snapshot(as_of, ordered, recent, highest, room, decisions=decisions, reservation=reservation, logged=logged)
    return planned(shelf, taken)


def carry(shelf: Shelf, snapshot: Snapshot, clock: datetime) -> tuple[Snapshot, bool]:
    """Return a snapshot with what was shown since, which costs little, and whether nothing has to be assessed anew."""
    as_of = shelf.now(clock)
    if as_of < snapshot.as_of:  # a clock that was set back
        return snapshot, True
    with open_stores(shelf.database_path, read_only=True) as stores:  # the newest of each box is there at any site
        latest = stores.readings.latest(before=as_of)
    answers, whole = assess.with_newest(snapshot.answers, latest, as_of)
    room = latest.get(ROOM)
    carried = replace(
        snapshot,
        as_of=as_of,
        answers=tuple(worst_first(answers)),
        room=room or snapshot.room,
        assessed_at=snapshot.assessed_at or snapshot.as_of,
    )
    is_as_before = (carried.as_of, carried.answers, carried.room) == (snapshot.as_of, snapshot.answers, snapshot.room)
    return snapshot if is_as_before else carried, whole


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
    return float(np.quantile(series.relative_humidity, NEARLY_ALL)) if len(series) else 0.0


def planned(shelf: Shelf, snapshot: Snapshot, *, make: bool = True) -> Snapshot:
    """Return a snapshot with the plan of its boxes; as it is, where none is kept and it is not to ``make`` one."""
    shown = shown_plan(
        shelf, snapshot.answers, snapshot.as_of, logged=snapshot.logged, decisions=snapshot.decisions, make=make
    )
    if shown is None:
        return snapshot
    return replace(snapshot, plan=shown.plan, full_plan=shown.full_plan, plan_is_due=shown.is_due)


def plan_due(shelf: Shelf, snapshot: Snapshot, over: threading.Event, *, make: bool) -> Snapshot:
    """Return a snapshot with the plan of now, for whoever has time; that of many boxes is made beside us."""
    found = planned(shelf, snapshot, make=make)
    if not make or not found.plan_is_due:
        return found
    plan_beside(shelf, over)
    return planned(shelf, found, make=False)


def read_stamp(shelf: Shelf, clock: datetime) -> object:
    """Return something cheap that changes when there is something new to assess, and every hour all the same.

    Nothing is read before it, so after an upgrade of siccast the database is brought up to date here.
    """
    with open_to_read(shelf.database_path, influx=shelf.influx, tell=_log.warning, now=clock) as stores:
        newest = tuple(sorted((name, reading.at) for name, reading in stores.readings.latest().items()))
        return f"{shelf.now(clock):%Y-%m-%dT%H}", newest, stores.ledger.stamp(), stores.plan_decisions.stamp()


def _plan_of(snapshot: Snapshot) -> dict[str, Any]:
    return {name: getattr(snapshot, name) for name in ("plan", "full_plan", "plan_is_due", "decisions")}


class _Wanted(Enum):
    soon = "soon"
    when_rested = "when rested"


class Keeper:
    """Holds the newest snapshot, puts new readings into it, and has all assessed anew where there is reason to.

    That takes a while, so it is done at most every few minutes, and at once where something was done.
    """

    def __init__(
        self,
        take: Callable[[datetime], Snapshot],
        stamp: Callable[[datetime], object],
        *,
        carry: Callable[[Snapshot, datetime], tuple[Snapshot, bool]] = lambda snapshot, _: (snapshot, True),
        renew_s: float = 300.0,  # judgement: humidity moves in hours
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        plan: Callable[[Snapshot, bool], Snapshot] = lambda snapshot, _: snapshot,
        leak_line: Callable[[Snapshot, Assessment], LeakLine | None] = lambda *_: None,
    ) -> None:
        """Begin with nothing.

        ``plan`` returns one with the plan that is kept, or, where the second argument says so, makes what is due of it.
        ``leak_line`` returns what the leak of a box in it was read from.
        """
        self.newest: Snapshot | None = None
        self.failure = ""
        """Why there is no snapshot yet, where the first one failed."""
        self.clock = clock
        self.prepare: Callable[[Snapshot], object] = lambda _: None
        """Given each snapshot before anybody sees it."""
        self.leak_line = leak_line
        self.changed: Callable[[], object] = lambda: None
        """Called where all was assessed anew, or could not be."""
        self.is_assessing = False
        self.assessments = 0
        """How often all was assessed."""
        self.carrying_took_s = 0.0
        """Processor time of putting new readings in, the last time."""
        self._take, self._stamp, self._carry, self._renew_s, self._plan = take, stamp, carry, renew_s, plan
        self._planning: asyncio.Task[None] | None = None
        self._plan_again: bool | None = None
        """Whether another plan was asked for meanwhile, and if it is to be made; None where none was."""
        self._first = asyncio.Event()
        """Set once there is a snapshot, or none could be taken."""
        self._one_at_a_time = asyncio.Lock()
        """Held while the newest snapshot is replaced by one that is made of it."""
        self._asked = asyncio.Event()
        self._wanted: _Wanted | None = None
        """How soon the next look is asked for; None after the usual pause."""
        self._ended_s = 0.0
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
                async with asyncio.timeout(_FIRST_WITHIN_S):
                    await self._first.wait()
            yield
        finally:
            for each in filter(None, (task, self._planning)):
                each.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await each

    async def renew(self) -> None:
        """Take a new snapshot now if there is anything new; a failure keeps the old one and is said beside it."""
        with self._remembering_failures():
            clock = self.clock()
            stamp = await asyncio.to_thread(self._stamp, clock)
            if self.newest is not None and stamp == self._seen and not self.newest.has_doubts:
                return
            self._seen = stamp
            await self._assess(clock)
            self.changed()

    async def _assess(self, clock: datetime) -> None:
        begun, before = time.monotonic(), self.newest
        self.is_assessing = True
        try:
            taken = await asyncio.to_thread(self._take, clock)
            async with self._one_at_a_time:
                taken = self._as_decided_meanwhile(taken, before)
                self.newest = await asyncio.to_thread(self._carried, taken)
        except BaseException:
            self._seen = None
            raise
        finally:
            self.is_assessing = False
            self.assessments += 1
        self._took_s = time.monotonic() - begun
        if taken.plan_is_due:
            self.plan_soon()

    def plan_soon(self, *, make: bool = True) -> None:
        """Show the plan of now as soon as it is there, and ``make`` it where nobody else did; from any thread."""
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._begin_planning, make)

    def _begin_planning(self, make: bool) -> None:
        if self._planning is not None and not self._planning.done():
            self._plan_again = make or bool(self._plan_again)
        else:
            self._planning = asyncio.create_task(self._plan_anew(make))

    async def _plan_anew(self, make: bool) -> None:
        with self._remembering_failures():
            wanted: bool | None = make
            while wanted is not None and self.newest is not None:
                self._plan_again = None
                made = await asyncio.to_thread(self._plan, self.newest, wanted)
                await self._show_plan(made, is_new_decision=False)
                wanted = self._plan_again

    def show_plan(self, made: Snapshot) -> None:
        """Show the plan of a snapshot, and what was decided before it was made; from a thread."""
        if self._loop is not None:
            with contextlib.suppress(TimeoutError):
                asyncio.run_coroutine_threadsafe(self._show_plan(made), self._loop).result(_PATIENCE_S)

    async def _show_plan(self, made: Snapshot, *, is_new_decision: bool = True) -> None:
        async with self._one_at_a_time:
            before = self.newest
            if before is not None and (is_new_decision or tuple(before.decisions) == tuple(made.decisions)):
                self.newest = await asyncio.to_thread(self._with_plan, before, made)
        if self.newest is not before:
            self.changed()

    def _with_plan(self, snapshot: Snapshot, made: Snapshot) -> Snapshot:
        """Return what was learned meanwhile with a plan that was made beside it."""
        other = _plan_of(made)
        if other == _plan_of(snapshot):
            return snapshot
        with_plan = replace(snapshot, **other)
        self.prepare(with_plan)
        return with_plan

    def _as_decided_meanwhile(self, taken: Snapshot, before: Snapshot | None) -> Snapshot:
        """Return what was assessed, with the plan of what was decided after that had begun, until it is in a look."""
        newest = self.newest
        if newest is None or before is None or tuple(taken.decisions) != tuple(before.decisions):
            return taken
        return taken if tuple(newest.decisions) == tuple(before.decisions) else replace(taken, **_plan_of(newest))

    async def carry_on(self) -> None:
        """Put what was shown since into the newest snapshot, and see to it that what says more is assessed."""
        with self._remembering_failures():
            async with self._one_at_a_time:
                if self.newest is not None:
                    self.newest = await asyncio.to_thread(self._carried, self.newest)

    def carry_on_now(self) -> None:
        """Do so before returning, for a thread that did something which the next page is to show."""
        if self._loop is not None:
            with contextlib.suppress(TimeoutError):
                asyncio.run_coroutine_threadsafe(self.carry_on(), self._loop).result(_PATIENCE_S)

    def _carried(self, snapshot: Snapshot) -> Snapshot:
        begun = time.thread_time()
        carried, whole = self._carry(snapshot, self.clock())
        if carried is not self.newest:
            self.prepare(carried)
        self.carrying_took_s = time.thread_time() - begun
        if not whole:
            self.look_when_rested()
        return carried

    @contextlib.contextmanager
    def _remembering_failures(self) -> Iterator[None]:
        try:
            yield
        except SiccastError as error:
            self.remember(str(error))
        except Exception as error:
            _log.exception("the shelf can't be assessed")
            self.remember(say("the shelf can't be assessed ({error})", error=type(error).__name__))

    def remember(self, failure: str) -> None:
        """Keep the newest snapshot, and say beside it why there is no newer one."""
        self.failure = failure
        if self.newest is not None and self.newest.notice != failure:
            self.newest = replace(self.newest, notice=failure)
            self.changed()

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            self._wanted = None
            await self.renew()
            self._first.set()
            self._ended_s = loop.time()
            while (left_s := self._ended_s + self._rest_s - loop.time()) > 0.0:
                self._asked.clear()
                # no wait_for: in Python 3.11 it loses an end that comes with what is waited for, and runs on for ever
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(left_s):
                        await self._asked.wait()

    @property
    def _rest_s(self) -> float:
        """How long to rest after the last look: as long as it took at least, were somebody to log day and night."""
        if self._wanted is None:
            return self.pause_s
        return self._took_s if self._wanted is _Wanted.soon else _SHARE_OF_TIME * self._took_s

    def look_soon(self, *, anew: bool = False) -> None:
        """Look now instead of after the pause, from any thread; ``anew`` even where the stores hold nothing new."""
        self._ask(_Wanted.soon, anew=anew)

    def look_when_rested(self) -> None:
        """Assess all anew as soon as that takes no more than its share of the time; from any thread."""
        self._ask(_Wanted.when_rested, anew=True)

    def _ask(self, wanted: _Wanted, *, anew: bool) -> None:
        def ask() -> None:
            if anew:
                self._seen = None
            if self._wanted is not _Wanted.soon:
                self._wanted = wanted
            self._asked.set()

        if self._loop is not None:
            self._loop.call_soon_threadsafe(ask)

    @property
    def pause_s(self) -> float:
        """Return how long to wait before looking again: on a slow machine longer, so that it has time for the rest."""
        return max(self._renew_s, _SHARE_OF_TIME * self._took_s) if self.newest else _LOOK_EVERY_S
