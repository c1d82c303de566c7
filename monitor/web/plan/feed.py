"""The days of drying for calendar programs that look again and again."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from monitor.presentation.calendar import MEDIA_TYPE
from monitor.presentation.plan_calendar import calendar_of
from monitor.web.forms import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request

    from monitor.planning.recharge import RechargePlan
    from monitor.web.access.who import Access
    from monitor.web.site import Site
    from monitor.web.snapshot import Snapshot

FEED = "/drying.ics"


@dataclass(eq=False)
class FeedPages:
    """The feed, and another key for it."""

    site: Site
    access: Access
    _made: tuple[object, bytes] | None = None
    """The calendar that was made last, and of what."""
    _one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        renew = changes(self.site.tokens, self.renew)
        return Route(FEED, self.feed, name="calendar"), Route("/plan/feed-key", renew, methods=["POST"])

    def feed(self, _request: Request) -> Response:
        """Hand the days of drying to a calendar program."""
        snapshot = self.site.keeper.newest
        if snapshot is None or snapshot.plan is None:
            raise HTTPException(
                HTTPStatus.SERVICE_UNAVAILABLE, "The boxes are still being worked out; try again in a minute."
            )
        with self._one_at_a_time:
            return Response(self._calendar(snapshot, snapshot.plan), media_type=MEDIA_TYPE)

    def _calendar(self, snapshot: Snapshot, plan: RechargePlan) -> bytes:
        shelf = self.site.shelf
        made_of = plan, shelf, snapshot.as_of.astimezone(shelf.timezone).date()
        if self._made is None or self._made[0] != made_of:
            with self.site.reading() as stores:
                now = self.site.keeper.clock()
                made = calendar_of(stores, shelf, plan, answers=snapshot.answers, as_of=snapshot.as_of, now=now)
            self._made = made_of, made
        return self._made[1]

    def renew(self, _request: Request, _form: Mapping[str, str]) -> Response:
        """Make another address of the feed; whoever has the one before sees nothing any more."""
        self.access.renew_feed_key(FEED)
        return RedirectResponse("/plan?new_key=1#feed", status_code=HTTPStatus.SEE_OTHER)
