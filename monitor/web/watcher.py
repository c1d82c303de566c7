"""Watches the shelf beside the pages: who writes into its file, shelf.toml, the listener; and tells open pages."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.errors import SiccastError
from monitor.records.readings import ReadingSource
from monitor.series.usual_interval import patience_with
from monitor.settings import shelf_stamp
from monitor.store.listener_lock import listeners
from monitor.store.opening import open_stores, watch
from monitor.web import notices
from monitor.web.live import DEED, LISTENER, OUTLOOK, READINGS, Subscribers

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from datetime import datetime

    from monitor.settings import Shelf
    from monitor.store.opening import Marks, Watch
    from monitor.web.site import Site

_LOOK_EVERY_S = 0.5  # judgement: what happens is seen within two seconds; a look takes some 0.1 ms
_SHARE_OF_TIME = 20.0
"""Times: putting readings in takes at most one part in so many of a core (a judgement)."""
_STANDS_FOR = timedelta(minutes=1)  # judgement: ages on a page are told in minutes
_LISTENER_EVERY_S = 2.0  # judgement: a listener that died is said before anybody wonders; a look takes some 2 ms
_HABITS = timedelta(days=1)  # judgement: enough readings to know how often a sensor sends
_REJECTED_EVERY_S = 10.0  # judgement: a broken node sends many, and each would have all pages load again

_log = logging.getLogger(__name__)


@dataclass(eq=False)
class Watcher:
    """Looks every half second, and does what a look asks for."""

    site: Site
    subscribers: Subscribers
    _watch: Watch = field(init=False)
    _marks: Marks | None = None
    _declared: object = None
    _assessments: int = 0
    """How often all had been assessed at the last look: outlooks that were kept by that are no news."""
    _trouble: str = ""
    _waiting: set[str] = field(default_factory=set)
    """Kinds that pages are not told of yet."""
    _not_before_s: float = 0.0
    _listener_at_s: float = 0.0
    _rejected_at_s: float = 0.0
    _heard: notices.Heard = notices.Heard()  # noqa: RUF009 -- frozen

    def __post_init__(self) -> None:
        self._watch = watch(self.site.shelf.database_path)
        self._declared = shelf_stamp(self.site.shelf.folder)
        self.site.keeper.changed = lambda: self.subscribers.tell(OUTLOOK)

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Watch while the body runs."""
        task = asyncio.create_task(self._run())
        try:
            yield
        finally:
            self.subscribers.end()
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            self._watch.close()

    async def _run(self) -> None:
        while True:
            try:
                await self._look()
            except Exception:
                _log.exception("the shelf can't be watched")
            await asyncio.sleep(_LOOK_EVERY_S)

    async def _look(self) -> None:
        now_s = asyncio.get_running_loop().time()
        await self._look_at_the_file(now_s)
        self._look_at_the_declarations()
        await self._look_at_the_listener(now_s)
        is_rested = now_s >= self._not_before_s
        if DEED in self._waiting or (is_rested and (READINGS in self._waiting or self._stands_too_long())):
            await self.site.keeper.carry_on()
            self._not_before_s = now_s + _SHARE_OF_TIME * self.site.keeper.carrying_took_s
            self._tell()
        elif READINGS not in self._waiting:
            self._tell()

    def _tell(self) -> None:
        self.subscribers.tell(*self._waiting)
        self._waiting.clear()

    def _stands_too_long(self) -> bool:
        newest = self.site.keeper.newest
        return newest is not None and self.site.now() - newest.as_of >= _STANDS_FOR

    # --- the database -------------------------------------------------------------------------------------------------

    async def _look_at_the_file(self, now_s: float) -> None:
        keeper = self.site.keeper
        try:
            marks = await asyncio.to_thread(self._watch.look)
        except SiccastError as error:
            self._trouble = str(error)
            keeper.remember(self._trouble)
            return
        if self._trouble:
            self._trouble = ""
            keeper.look_soon(anew=True)
        by_ourselves = keeper.is_assessing or keeper.assessments != self._assessments
        self._assessments = keeper.assessments
        if marks is not None and self._marks is not None:
            self._compare(self._marks, marks, by_ourselves=by_ourselves, now_s=now_s)
        self._marks = marks or self._marks

    def _compare(self, before: Marks, after: Marks, *, by_ourselves: bool, now_s: float) -> None:
        keeper = self.site.keeper
        if after.readings != before.readings:
            self._waiting.add(READINGS)
        if (after.ledger, after.plan) != (before.ledger, before.plan):
            self._waiting.add(DEED)
            keeper.look_soon()
        if after.desk != before.desk:
            self._waiting.add(DEED)
            keeper.plan_soon()
        if after.kept_plan != before.kept_plan:
            keeper.plan_soon(make=False)
        if after.outlooks != before.outlooks and not by_ourselves:
            keeper.look_when_rested()
        if after.rejected != before.rejected and now_s >= self._rejected_at_s:
            self._waiting.add(LISTENER)
            self._rejected_at_s = now_s + _REJECTED_EVERY_S

    # --- shelf.toml and the listener ----------------------------------------------------------------------------------

    def _look_at_the_declarations(self) -> None:
        stamp = shelf_stamp(self.site.shelf.folder)
        if stamp != self._declared:
            self._declared = stamp
            self._waiting.add(LISTENER)
            self.site.keeper.look_soon(anew=True)

    async def _look_at_the_listener(self, now_s: float) -> None:
        shelf = self.site.shelf
        if now_s >= self._listener_at_s and shelf.recorded_until is None:
            self._listener_at_s = now_s + _LISTENER_EVERY_S
            with contextlib.suppress(SiccastError):  # said already, where the file was looked at
                self._heard = await asyncio.to_thread(heard_of, shelf, self.site.now(), self._heard)
        standing = (
            *notices.of_the_file(self.site.file.fault),
            *notices.of_the_listener(self._heard, shelf, self.site.now(), self.site.words),
            *notices.of_first_messages(self._heard),
            *notices.of_the_routes(self._heard, shelf, self.site.now(), self.site.words),
        )
        if standing != self.site.standing:
            self.site.standing = standing
            self._waiting.add(LISTENER)


def heard_of(shelf: Shelf, now: datetime, before: notices.Heard) -> notices.Heard:
    """Look who listens, what was heard last, and how routes do."""
    there = tuple(listeners(shelf.folder))
    with open_stores(shelf.database_path, read_only=True) as stores:
        routes = tuple(stores.alerts.routes().values())
        newest = stores.readings.latest().values()
        latest = [reading for reading in newest if reading.at <= now and reading.source is ReadingSource.sensor]
        if not latest:
            return notices.Heard(there, routes=routes, rejected=stores.ledger.rejected_count())
        last = max(latest, key=lambda reading: reading.at)
        if last.at == before.at:
            return notices.Heard(there, before.at, before.patience, routes)
        habits = stores.readings.series(last.box, last.at - _HABITS, now)
    return notices.Heard(there, last.at, patience_with(habits), routes)
