"""The addresses of the shelf: all boxes, and the days of drying for a calendar."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from monitor.presentation.calendar import plan_calendar
from monitor.web.shelf import view
from monitor.web.told import beside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request

    from monitor.web.notices import Notice
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot


@dataclass(eq=False)
class ShelfPages:
    """The page of all boxes, made once for each snapshot."""

    site: Site
    _front: tuple[Snapshot, Sequence[Notice], bytes | memoryview] | None = None
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return Route("/", self.shelf, name="shelf"), Route("/drying.ics", self.calendar, name="calendar")

    def shelf(self, request: Request) -> Response:
        """Show every box, worst first."""
        snapshot = self.site.keeper.newest
        return self.site.waiting() if snapshot is None else beside(self.site, request, self.front_page(snapshot))

    def front_page(self, snapshot: Snapshot) -> HTMLResponse:
        """Return the page of all boxes at one instant."""
        with self._one_at_a_time:
            notices = self.site.standing
            if self._front is None or self._front[0] is not snapshot or self._front[1] is not notices:
                shown = view.view(snapshot, self.site.words)
                self._front = snapshot, notices, self.site.page("shelf.html", view=shown, snapshot=snapshot).body
            return HTMLResponse(self._front[2])

    def calendar(self, _request: Request) -> Response:
        """Hand the days of drying to a calendar program."""
        snapshot = self.site.keeper.newest
        if snapshot is None or snapshot.plan is None:
            raise HTTPException(
                HTTPStatus.SERVICE_UNAVAILABLE, "The boxes are still being worked out; try again in a minute."
            )
        days = plan_calendar(snapshot.plan, self.site.shelf.site, snapshot.assessed_at or snapshot.as_of)
        return Response(days, media_type="text/calendar")
