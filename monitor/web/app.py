"""The web page: its addresses and what stands before them. Handlers are plain functions, which run in threads."""

from __future__ import annotations

from contextlib import asynccontextmanager
from http import HTTPStatus
from threading import Event
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect
from starlette.responses import Response
from starlette.routing import Mount

from monitor.errors import SiccastError, StoreError
from monitor.texts import say
from monitor.web.access.door import Door
from monitor.web.access.who import Access
from monitor.web.assets import ASSETS_PATH, Assets
from monitor.web.box.chart_pages import ChartPages
from monitor.web.box.leak_lines import LeakLines
from monitor.web.box.pages import BoxPages
from monitor.web.desk.pages import DeskPages
from monitor.web.enter.pages import EnterPages
from monitor.web.etag import Unchanged
from monitor.web.forms import FIELD, Tokens
from monitor.web.guard import Guard, Served
from monitor.web.help.pages import HelpPage
from monitor.web.house.pages import HousePages
from monitor.web.live import Subscribers
from monitor.web.look import LookPage
from monitor.web.metrics.pages import METRICS, MetricsPage
from monitor.web.offline import OfflinePages
from monitor.web.plan.feed import FEED, FeedPages
from monitor.web.plan.pages import PlanPages
from monitor.web.shelf.pages import ShelfPages
from monitor.web.site import ShelfFile, Site
from monitor.web.snapshot import Keeper, carry, plan_due, read_stamp, take_snapshot
from monitor.web.speaking import Speaking
from monitor.web.wall.pages import WallPages
from monitor.web.watcher import Watcher

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from starlette.requests import Request
    from starlette.types import ASGIApp

    from monitor.presentation.texts import Texts
    from monitor.settings import Shelf


_RETRY_AFTER_S = 10  # judgement: by then most that write have ended

FEEDS = (FEED,)
"""Addresses that programs read which can't sign in: a calendar has nothing but the address to bring its key in."""


class App(Starlette):
    """The application with its guard outermost, so that what goes wrong within carries our headers too."""

    def __init__(self, served: Served, texts: Texts, **settings: Any) -> None:
        super().__init__(**settings)
        self._served, self._texts = served, texts

    def build_middleware_stack(self) -> ASGIApp:
        """Return what a request passes through."""
        return Guard(Speaking(super().build_middleware_stack(), self._texts), self._served)


def create_app(
    shelf: Shelf, keeper: Keeper | None = None, *, access: Access | None = None, served: Served | None = None
) -> Starlette:
    """Return the application that shows one shelf; ``access`` decides who may see it."""
    file, access, over = ShelfFile(shelf), access or Access(), Event()
    keeper = keeper or Keeper(
        lambda clock: take_snapshot(file.now, clock, over.is_set),
        lambda clock: read_stamp(file.now, clock),
        carry=lambda snapshot, clock: carry(file.now, snapshot, clock),
        plan=lambda snapshot, make: plan_due(file.now, snapshot, over, make=make),
        leak_line=LeakLines(lambda: file.now),
    )
    site = Site(file, keeper, Tokens(access.file))
    front, subscribers = ShelfPages(site), Subscribers()
    keeper.prepare = site.in_its_language(front.front_page)
    app = App(
        served or Served(),
        site.texts,
        routes=[
            *front.routes(),
            *ChartPages(site).routes(),
            *BoxPages(site).routes(),
            *DeskPages(site).routes(),
            *PlanPages(site, access).routes(),
            *FeedPages(site, access).routes(),
            *MetricsPage(site).routes(),
            *HousePages(site).routes(),
            *HelpPage(site).routes(),
            *LookPage(site).routes(),
            *WallPages(site).routes(),
            *OfflinePages(site).routes(),
            *subscribers.routes(),
            *EnterPages(site, access).routes(),
            Mount(ASSETS_PATH, Assets(), name="assets"),
        ],
        middleware=[_door(site, access), _gzip(), Middleware(Unchanged)],
        exception_handlers={
            HTTPException: _refusal(site),
            StoreError: _later(site),
            SiccastError: _failure(site),
            ClientDisconnect: lambda _request, _error: Response(),  # to nobody
            Exception: _defect(site),
        },
        lifespan=lambda _: _running(keeper, Watcher(site, subscribers), over),
    )
    app.state.subscribers = subscribers
    return app


@asynccontextmanager
async def _running(keeper: Keeper, watcher: Watcher, over: Event) -> AsyncIterator[None]:
    """Keep the pages fresh while the body runs; then nothing is worked out for them any more."""
    try:
        async with watcher.running(), keeper.running():
            yield
    finally:
        over.set()


def _door(site: Site, access: Access) -> Middleware:
    def message(words: str, status: int) -> Response:
        return site.renderer.message(site.shelf, words, status=status)

    return Middleware(Door, access=access, feeds=FEEDS, by_header=(METRICS,), message=message)


def _gzip() -> Middleware:
    # bytes; judgement: a packet of the network holds as much. Level; measured: 2 % less than at 4 for 6 ms a megabyte,
    # and higher ones find no more
    return Middleware(GZipMiddleware, minimum_size=1024, compresslevel=5)


def _refusal(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows that something was asked for in vain."""

    def show(_request: Request, error: Exception) -> Response:
        failed = HTTPStatus.INTERNAL_SERVER_ERROR
        status, words = (error.status_code, error.detail) if isinstance(error, HTTPException) else (failed, str(error))
        if words == HTTPStatus.NOT_FOUND.phrase:  # the framework's, for an address that no route answers
            words = say("There is no such page.")
        if words == HTTPStatus.METHOD_NOT_ALLOWED.phrase:
            words = say("Method Not Allowed")
        answer = site.renderer.message(site.shelf, words, status=status)
        answer.headers.update(getattr(error, "headers", None) or {})
        return answer

    return show


def _failure(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows why the page can't be made just now."""
    return lambda _request, error: site.renderer.message(
        site.shelf, str(error), status=HTTPStatus.INTERNAL_SERVER_ERROR
    )


def _later(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows that the database can't be used just now; a form that was sent can be sent again from there."""

    def show(request: Request, error: Exception) -> Response:
        form = getattr(request.state, "form", None) or {}
        answer = site.page(
            "later.html",
            snapshot=None,
            status=HTTPStatus.SERVICE_UNAVAILABLE,
            why=str(error),
            address=str(request.url.replace(scheme="", netloc="")),
            is_form=request.method == "POST",
            fields=[(name, value) for name, value in form.items() if name != FIELD],
        )
        answer.headers.update({"Retry-After": str(_RETRY_AFTER_S), "Cache-Control": "no-store"})
        return answer

    return show


def _defect(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows a mistake of ours; the log has the rest."""
    words = say("siccast made a mistake here. What went wrong is in the log of `siccast serve`.")
    return lambda _request, _error: site.renderer.message(site.shelf, words, status=HTTPStatus.INTERNAL_SERVER_ERROR)
