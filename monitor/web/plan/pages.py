"""The addresses of the plan: the page itself, and what a person decides there."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.day_names import day_in_full
from monitor.errors import LedgerError, TypedError
from monitor.presentation import moments
from monitor.presentation.clock import utc_now
from monitor.presentation.plan_effort import effort_of
from monitor.presentation.plan_wording import HEAT_CAUTION, decision
from monitor.presentation.planned import Planned
from monitor.records import DecisionKind, PlanDecision
from monitor.texts import say
from monitor.web.access.who import HERE
from monitor.web.forms import changes
from monitor.web.plan.done import DonePage
from monitor.web.plan.feed import FEED
from monitor.web.plan.swaps import put_in_at
from monitor.web.plan.view import Slip, view
from monitor.web.snapshot import planned
from monitor.web.told import Told, told

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from starlette.datastructures import URL
    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.access.who import Access
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot

PLAN = "/plan"
_STANDS_S = 60  # seconds; judgement: a box is assessed anew in less
_MOST_DIGITS = 18  # digits; numbers of SQLite are below 2⁶³, by its definition


@dataclass(eq=False)
class PlanPages:
    """The page of the plan."""

    site: Site
    access: Access
    done: DonePage = field(init=False)
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.done = DonePage(self.site)

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        tokens = self.site.tokens
        deeds = {
            "move": self.move,
            "skip": self.skip,
            "not": self.not_that_day,
            "undo": self.undo,
        }
        return (
            Route(PLAN, self.plan, name="plan"),
            *(Route(f"{PLAN}/{name}", changes(tokens, deed), methods=["POST"]) for name, deed in deeds.items()),
            *self.done.routes(),
        )

    async def plan(self, request: Request) -> Response:
        """Show the days of drying, planned for what is decided now."""
        snapshot = await run_in_threadpool(self._as_decided)
        if snapshot is not None and snapshot.plan is None:
            snapshot = await self.site.work.run(self._planned_anew, snapshot.decisions)
        return await run_in_threadpool(self._page, request, snapshot=snapshot)

    def move(self, request: Request, form: Mapping[str, str]) -> Response:
        """Put a box on a day."""
        return self._decide(request, DecisionKind.moved, form, form.get("box", ""))

    def skip(self, request: Request, form: Mapping[str, str]) -> Response:
        """Leave a box out until a day."""
        return self._decide(request, DecisionKind.skip, form, form.get("box", ""))

    def not_that_day(self, request: Request, form: Mapping[str, str]) -> Response:
        """Leave a day out, or all from it to a last one."""
        return self._decide(request, DecisionKind.not_that_day, form)

    def undo(self, request: Request, form: Mapping[str, str]) -> Response:
        """Take a decision back."""
        number = form.get("number", "")
        if not (number.isascii() and number.isdecimal()) or len(number) > _MOST_DIGITS:
            return self._page(request, Slip(say("There is no such decision.")))
        try:
            with self.site.writing() as stores:
                stores.plan_decisions.undo(int(number), utc_now())
        except LedgerError:
            return self._page(request, Slip(say("That was undone already.")))
        return _to_page(took_back=number)

    def _decide(self, request: Request, kind: DecisionKind, form: Mapping[str, str], box: str = "") -> Response:
        """Keep a decision and show the plan that is made around it."""
        snapshot = self.site.keeper.newest
        if snapshot is None:
            return self.site.waiting()
        try:
            on, last = self._days(kind, form, self.site.words.local_day(snapshot.as_of))
        except TypedError as error:
            return self._page(request, Slip(f"{error}.", box, form))
        if kind is not DecisionKind.not_that_day and snapshot.answer(box) is None:
            return self._page(request, Slip(say("There is no box of this name.")))
        with self.site.writing_of(box) if box else self.site.writing() as stores:
            number = stores.plan_decisions.keep(PlanDecision(kind, on, box, last=last), utc_now())
        return _to_page(did=str(number))

    def _days(self, kind: DecisionKind, form: Mapping[str, str], today: date) -> tuple[date, date | None]:
        """Return the day that was chosen, and of several the last one."""
        on = form.get("on", "")
        if kind is DecisionKind.not_that_day:
            return moments.days_ahead(on, form.get("last"), today)
        ahead = None if kind is DecisionKind.skip else self.site.shelf.plan.horizon_days
        return moments.day_ahead(on, today, ahead), None

    def _page(self, request: Request, slip: Slip | None = None, *, snapshot: Snapshot | None = None) -> Response:
        snapshot = snapshot or self.site.keeper.newest
        if snapshot is not None and snapshot.plan is None:
            snapshot = self._planned_anew(snapshot.decisions)
        if snapshot is None or snapshot.plan is None:
            return self.site.waiting()
        with self.site.reading() as stores:
            words, now = self.site.words_of(snapshot), self.site.now()
            planned_days = Planned(
                snapshot.plan, snapshot.answers, self.site.shelf, words.local_day(snapshot.as_of), words
            )
            desk, full = self.site.desk(stores), snapshot.full_plan
            full = full if full is not None and full.plan is snapshot.plan else None
            shown = view(planned_days, effort_of(planned_days, desk, now), full, put_in_at(desk.inventory()))
        feed = self._feed(request)
        return self.site.page(
            "plan.html",
            snapshot=snapshot,
            status=HTTPStatus.BAD_REQUEST if slip else HTTPStatus.OK,
            view=shown,
            did=_did(request.query_params.get("did", ""), planned_days),
            undone="took_back" in request.query_params,
            has_new_key="new_key" in request.query_params,
            told=with_new_day(told(self.site, request), planned_days),
            slip=slip,
            caution=say(HEAT_CAUTION),
            feed=str(feed),
            subscribe=str(feed.replace(scheme="webcal")),
            has_key=bool(feed.query),
            loopback=request.url.hostname in ("localhost", "127.0.0.1", "::1"),
        )

    def _feed(self, request: Request) -> URL:
        """Return the address of the days for a calendar program, with the key it needs where people sign in."""
        key = "" if self.access.who(request.scope) == HERE else self.access.feed_key(FEED)
        return request.url.replace(path=FEED, query=urlencode({"key": key}) if key else "")

    def _as_decided(self) -> Snapshot | None:
        """Return the newest state with what is decided now, without a plan where it has none for that."""
        newest = self.site.keeper.newest
        if newest is None:
            return None
        with self.site.reading() as stores:
            decisions = tuple(stores.plan_decisions.counting())
        return newest if tuple(newest.decisions) == decisions else replace(newest, plan=None, decisions=decisions)

    def _planned_anew(self, decisions: Sequence[PlanDecision]) -> Snapshot | None:
        """Return the newest state with the plan for what is decided now, and let every page show that one."""
        keeper = self.site.keeper
        with self._one_at_a_time:
            newest = keeper.newest
            if newest is None or (newest.plan is not None and tuple(newest.decisions) == decisions):
                return newest
            renewed = planned(self.site.shelf, replace(newest, decisions=decisions))
            keeper.show_plan(renewed)
        if renewed.plan_is_due:
            keeper.plan_soon()
        return renewed


def _did(number: str, planned: Planned) -> tuple[str, str] | None:
    """Return what was just decided, with its number; nothing where it no longer counts."""
    made = (one for one in planned.plan.decided.in_force if str(one.decision_id) == number)
    return next(((number, decision(one, planned.today)) for one in made), None)


def with_new_day(told: Told | None, planned: Planned) -> Told | None:
    """Return what was just logged, with the day that its box has since, once that is known."""
    if told is None or told.what not in ("saved", "already") or told.late:
        return told
    answer = planned.answer(told.box)
    if answer is None or answer.charge is None or str(answer.charge.entry_id) != told.value:
        return replace(told, more=say("Its new day is being worked out."), seconds=_STANDS_S)
    on = planned.first_days.get(told.box)
    if on is not None:
        return replace(
            told,
            more=say("Its next day is {day}.", day=day_in_full(on, planned.today)),
            seconds=_STANDS_S,
        )
    return replace(told, more=planned.plan.left_out.get(told.box, ""), seconds=_STANDS_S)


def _to_page(**told: str) -> Response:
    return RedirectResponse(f"{PLAN}?{urlencode(told)}", status_code=HTTPStatus.SEE_OTHER)
