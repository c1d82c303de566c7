"""The web page: its addresses and what stands before them. Handlers are plain functions, which run in threads."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from monitor.errors import SiccastError
from monitor.presentation.shipped import shipped
from monitor.web.box.pages import BoxPages
from monitor.web.desk.pages import DeskPages
from monitor.web.guard import Guard
from monitor.web.house.pages import HousePages
from monitor.web.look import LookPage
from monitor.web.shelf.pages import ShelfPages
from monitor.web.site import ShelfFile, Site
from monitor.web.snapshot import Keeper, read_stamp, take_snapshot

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.settings import Shelf


def create_app(shelf: Shelf, host: str = "127.0.0.1", keeper: Keeper | None = None) -> Starlette:
    """Return the application that shows one shelf."""
    file = ShelfFile(shelf)
    keeper = keeper or Keeper(lambda clock: take_snapshot(file.now, clock), lambda clock: read_stamp(file.now, clock))
    site = Site(file, keeper)
    front = ShelfPages(site)
    keeper.prepare = front.front_page
    return Starlette(
        routes=[
            *front.routes(),
            *BoxPages(site).routes(),
            *DeskPages(site).routes(),
            *HousePages(site).routes(),
            *LookPage(site).routes(),
            Mount("/assets", StaticFiles(directory=shipped("dashboards") / "assets"), name="assets"),
        ],
        middleware=[Middleware(Guard, host=host), _gzip()],
        exception_handlers={HTTPException: _refusal(site), SiccastError: _failure(site)},
        lifespan=lambda _: keeper.running(),
    )


def _gzip() -> Middleware:
    # bytes; judgement: a packet of the network holds as much. Level; judgement: a quarter of the time of the highest
    return Middleware(GZipMiddleware, minimum_size=1024, compresslevel=4)


def _refusal(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows that something was asked for in vain."""

    def show(_request: Request, error: Exception) -> Response:
        failed = HTTPStatus.INTERNAL_SERVER_ERROR
        status, words = (error.status_code, error.detail) if isinstance(error, HTTPException) else (failed, str(error))
        if words == HTTPStatus.NOT_FOUND.phrase:  # the framework's, for an address that no route answers
            words = "There is no such page."
        return site.renderer.message(site.shelf, words, status=status)

    return show


def _failure(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows why the page can't be made just now."""
    return lambda _request, error: site.renderer.message(
        site.shelf, str(error), status=HTTPStatus.INTERNAL_SERVER_ERROR
    )
