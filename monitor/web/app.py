"""The web page: its addresses, templates and files. Handlers are plain functions, which Starlette runs in threads."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import jinja2
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import HTMLResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from monitor import __version__
from monitor.errors import SiccastError
from monitor.presentation.calendar import plan_calendar
from monitor.presentation.shipped import shipped
from monitor.presentation.wording import Wording
from monitor.web import box_page, shelf_page
from monitor.web.guard import Guard
from monitor.web.question import Asker
from monitor.web.snapshot import (
    Keeper,
    Snapshot,
    read_box,
    read_stamp,
    take_snapshot,
)

if TYPE_CHECKING:
    from starlette.requests import Request

    from monitor.settings import Shelf


def create_app(shelf: Shelf, host: str = "127.0.0.1", keeper: Keeper | None = None) -> Starlette:
    """Return the application that shows one shelf."""
    keeper = keeper or Keeper(partial(take_snapshot, shelf), partial(read_stamp, shelf))
    pages = Pages(shelf, keeper, _templates(), Asker(shelf))
    keeper.prepare = pages.front_page
    return Starlette(
        routes=[
            Route("/", pages.shelf, name="shelf"),
            Route("/box/{name:path}", pages.box, name="box"),
            Route("/drying.ics", pages.calendar, name="calendar"),
            Mount("/assets", StaticFiles(directory=shipped("dashboards") / "assets"), name="assets"),
        ],
        middleware=[Middleware(Guard, host=host), _gzip()],
        exception_handlers={HTTPException: pages.refusal, SiccastError: pages.failure},
        lifespan=lambda _: keeper.running(),
    )


def _gzip() -> Middleware:
    # bytes; judgement: a packet of the network holds as much. Level; judgement: a quarter of the time of the highest
    return Middleware(GZipMiddleware, minimum_size=1024, compresslevel=4)


def _templates() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(shipped("dashboards") / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@dataclass(eq=False)
class Pages:
    """The pages of one shelf."""

    site: Shelf
    keeper: Keeper
    templates: jinja2.Environment
    asker: Asker
    _front: tuple[Snapshot, bytes | memoryview] | None = None
    """The page of all boxes, made once for each snapshot."""
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def shelf(self, _request: Request) -> Response:
        """Show every box, worst first."""
        snapshot = self.keeper.newest
        if snapshot is None:
            return self._waiting()
        return self.front_page(snapshot)

    def front_page(self, snapshot: Snapshot) -> Response:
        """Return the page of all boxes at one instant."""
        with self._one_at_a_time:
            if self._front is None or self._front[0] is not snapshot:
                view = shelf_page.view(snapshot, self._wording)
                self._front = snapshot, self._page("shelf.html", view=view, snapshot=snapshot).body
            return HTMLResponse(self._front[1])

    def box(self, request: Request) -> Response:
        """Show one box."""
        snapshot = self.keeper.newest
        if snapshot is None:
            return self._waiting()
        answer = snapshot.answer(request.path_params["name"])
        if answer is None:
            raise HTTPException(404, "There is no box of this name.")  # HTTP status (RFC 9110)
        history, entries = read_box(self.site, answer.box.name, snapshot.as_of)
        view = box_page.view(snapshot, answer, history, entries, self._wording)
        now = self.site.now(self.keeper.clock())
        asked = self.asker.view(request.query_params, answer.box.name, now, self._wording)
        return self._page(
            # HTTP status (RFC 9110)
            "box.html",
            status=400 if asked.problem_at else 200,
            view=view,
            asked=asked,
            snapshot=snapshot,
        )

    def calendar(self, _request: Request) -> Response:
        """Hand the days of drying to a calendar program."""
        snapshot = self.keeper.newest
        if snapshot is None or snapshot.plan is None:
            raise HTTPException(
                503, "The boxes are still being worked out; try again in a minute."
            )  # HTTP status (RFC 9110)
        days = plan_calendar(snapshot.plan, self.site.site, snapshot.as_of)
        return Response(days, media_type="text/calendar")

    def refusal(self, _request: Request, error: Exception) -> Response:
        """Show what was asked for in vain."""
        # HTTP status (RFC 9110)
        status, words = (error.status_code, error.detail) if isinstance(error, HTTPException) else (500, str(error))
        if words == HTTPStatus.NOT_FOUND.phrase:  # the framework's, for an address that no route answers
            words = "There is no such page."
        return self._page("message.html", status=status, heading=words, snapshot=None, waiting=False)

    def failure(self, _request: Request, error: Exception) -> Response:
        """Show why the page can't be made just now."""
        # HTTP status (RFC 9110)
        return self._page("message.html", status=500, heading=str(error), snapshot=None, waiting=False)

    def _waiting(self) -> Response:
        heading = self.keeper.failure or "Working out the boxes"
        return self._page(
            "message.html", heading=heading, snapshot=None, waiting=True, trouble=bool(self.keeper.failure)
        )

    # HTTP status (RFC 9110)
    def _page(self, template: str, *, status: int = 200, snapshot: Snapshot | None, **values: Any) -> Response:
        words = self._wording
        page = self.templates.get_template(template).render(
            **values,
            site=self.site.site,
            zone=str(self.site.timezone),
            as_of=words.moment(snapshot.as_of) if snapshot else "",
            recorded=self.site.recorded_until is not None,
            reservation=snapshot.reservation if snapshot else "",
            notice=snapshot.notice if snapshot else "",
            version=__version__,
        )
        return HTMLResponse(page, status_code=status)

    @property
    def _wording(self) -> Wording:
        return Wording.of(self.site)
