"""The address of all boxes."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse
from starlette.routing import Route

from monitor.texts import say
from monitor.web.shelf import view
from monitor.web.shelf.asked import Asked
from monitor.web.told import beside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.notices import Notice
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot


_MOST_KEPT = 12  # how many pages; judgement: both densities with the groups and states that are asked for often
_MOST_WAITING = 8  # how many at once; judgement: far fewer than there are threads, which pages that are drawn need
_AGAIN_AFTER_S = 5  # judgement: those that wait are drawn by then
_REMEMBERED_S = 31_536_000  # judgement: a year is as good as for ever
_COOKIE = "view"
_NOTHING_SAID = Asked()


@dataclass
class _Pages:
    """What one snapshot looks like, and its pages that were asked for, by what was asked."""

    shelved: view.Shelved
    notices: Sequence[Notice]
    made: dict[Asked, bytes | memoryview] = field(default_factory=dict)


@dataclass(eq=False)
class ShelfPages:
    """The page of all boxes; each way to look at a snapshot is drawn once."""

    site: Site
    _pages: _Pages | None = None
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)
    _turns: threading.BoundedSemaphore = field(default_factory=lambda: threading.BoundedSemaphore(_MOST_WAITING))

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (Route("/", self.shelf, name="shelf"),)

    def shelf(self, request: Request) -> Response:
        """Show every box, worst first, as it was asked for; how densely is remembered."""
        snapshot = self.site.keeper.newest
        if snapshot is None:
            return self.site.waiting()
        asked = Asked.of(request.query_params)
        chosen = asked.density
        if chosen is None:
            asked = replace(asked, density=Asked.of({"view": request.cookies.get(_COOKIE, "")}).density)
        page = beside(self.site, request, self.front_page(snapshot, asked))
        if chosen is not None:
            page.set_cookie(_COOKIE, chosen, max_age=_REMEMBERED_S, httponly=True, samesite="strict")
        page.headers.append("Vary", "Cookie")
        return page

    def front_page(self, snapshot: Snapshot, asked: Asked = _NOTHING_SAID) -> HTMLResponse:
        """Return the page of all boxes at one instant; where it is drawn already, at once.

        Raises
        ------
        HTTPException
            503, where many wait for pages that nobody asked for before.
        """
        drawn = self._drawn(snapshot, asked)
        if drawn is None:
            if not self._turns.acquire(blocking=False):
                busy = say("Many searches are being drawn just now. Try again in a few seconds.")
                raise HTTPException(HTTPStatus.SERVICE_UNAVAILABLE, busy, {"Retry-After": str(_AGAIN_AFTER_S)})
            try:
                with self._one_at_a_time:
                    drawn = self._drawn(snapshot, asked) or self._draw(snapshot, asked)
            finally:
                self._turns.release()
        return HTMLResponse(drawn)

    def _drawn(self, snapshot: Snapshot, asked: Asked) -> bytes | memoryview | None:
        pages = self._pages
        if pages is None or not self._are_of(pages, snapshot):
            return None
        return pages.made.get(pages.shelved.outspoken(asked))

    def _are_of(self, pages: _Pages, snapshot: Snapshot) -> bool:
        """Return whether these pages show this snapshot beside what is wrong with the site now."""
        return pages.shelved.snapshot is snapshot and pages.notices is self.site.standing

    def _draw(self, snapshot: Snapshot, asked: Asked) -> bytes | memoryview:
        """Draw a page, and keep it; a search by name is not asked for twice."""
        words = self.site.words_of(snapshot)
        if self._pages is None or not self._are_of(self._pages, snapshot):
            self._pages = _Pages(view.Shelved.of(snapshot, words), self.site.standing)
        pages = self._pages
        asked = pages.shelved.outspoken(asked)
        shown = view.view(pages.shelved, asked, words)
        body = self.site.page("shelf.html", view=shown, snapshot=snapshot).body
        if not asked.find and len(pages.made) < _MOST_KEPT:
            pages.made[asked] = body
        return body
