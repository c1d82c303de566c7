"""The addresses of the recharge desk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.routing import Route

from monitor.web.desk.begin import BeginPages
from monitor.web.desk.charges import desk_view
from monitor.web.desk.new_beads import NewBeadsPages
from monitor.web.desk.run import RunPages

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.site import Site


@dataclass(eq=False)
class DeskPages:
    """The desk at a glance, and the pages behind it."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            Route("/desk", self.desk, name="desk"),
            *NewBeadsPages(self.site).routes(),
            *BeginPages(self.site).routes(),
            *RunPages(self.site).routes(),
        )

    def desk(self, _request: Request) -> Response:
        """Show the desk at a glance."""
        site = self.site
        with site.reading() as stores:
            inventory = site.desk(stores).inventory()
        view = desk_view(inventory, site.keeper.newest, site.now(), site.keeper.clock(), site.words)
        return site.page("desk.html", snapshot=site.keeper.newest, view=view)
