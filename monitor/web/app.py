"""The web page: its addresses and what stands before them. Handlers are plain functions, which run in threads."""

from __future__ import annotations

from contextlib import asynccontextmanager
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
from monitor.web.etag import Unchanged
from monitor.web.guard import Guard
from monitor.web.live import Subscribers
from monitor.web.offline import OfflinePages
from monitor.web.shelf.pages import ShelfPages
from monitor.web.site import ShelfFile, Site
from monitor.web.snapshot import Keeper, carry, read_stamp, take_snapshot
from monitor.web.wall.pages import WallPages
from monitor.web.watcher import Watcher

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.settings import Shelf


def create_app(shelf: Shelf, host: str = "127.0.0.1", keeper: Keeper | None = None) -> Starlette:
    """Return the application that shows one shelf."""
    file = ShelfFile(shelf)
    keeper = keeper or Keeper(
        lambda clock: take_snapshot(file.now, clock),
        lambda clock: read_stamp(file.now, clock),
        carry=lambda snapshot, clock: carry(file.now, snapshot, clock),
    )
    site = Site(file, keeper)
    front, subscribers = ShelfPages(site), Subscribers()
    keeper.prepare = front.front_page
    app = Starlette(
        routes=[
            *front.routes(),
            *BoxPages(site).routes(),
            *WallPages(site).routes(),
            *OfflinePages(site).routes(),
            *subscribers.routes(),
            Mount("/assets", StaticFiles(directory=shipped("dashboards") / "assets"), name="assets"),
        ],
        middleware=[Middleware(Guard, host=host), _gzip(), Middleware(Unchanged)],
        exception_handlers={HTTPException: _refusal(site), SiccastError: _failure(site)},
        lifespan=lambda _: _running(keeper, Watcher(site, subscribers)),
    )
    app.state.subscribers = subscribers
    return app


@asynccontextmanager
async def _running(keeper: Keeper, watcher: Watcher) -> AsyncIterator[None]:
    """Keep the pages fresh while the body runs."""
    async with watcher.running(), keeper.running():
        yield


def _gzip() -> Middleware:
    # bytes; judgement: a packet of the network holds as much. Level; judgement: a quarter of the time of the highest
    return Middleware(GZipMiddleware, minimum_size=1024, compresslevel=4)


def _refusal(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows that something was asked for in vain."""

    def show(_request: Request, error: Exception) -> Response:
        failed = HTTPStatus.INTERNAL_SERVER_ERROR
        status, words = (error.status_code, error.detail) if isinstance(error, HTTPException) else (failed, str(error))
        headers = error.headers if isinstance(error, HTTPException) else None
        if words == HTTPStatus.NOT_FOUND.phrase:  # the framework's, for an address that no route answers
            words = "There is no such page."
        answer = site.renderer.message(site.shelf, words, status=status)
        answer.headers.update(headers or {})
        return answer

    return show


def _failure(site: Site) -> Callable[[Request, Exception], Response]:
    """Return what shows why the page can't be made just now."""
    return lambda _request, error: site.renderer.message(
        site.shelf, str(error), status=HTTPStatus.INTERNAL_SERVER_ERROR
    )
