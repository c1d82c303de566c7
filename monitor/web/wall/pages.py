"""The address of the screen that nobody operates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.routing import Route

from monitor.web.wall import view

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.site import Site


@dataclass(eq=False)
class WallPages:
    """The wall."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (Route("/wall", self.wall, name="wall"),)

    def wall(self, _request: Request) -> Response:
        """Show the boxes that need something, large."""
        snapshot = self.site.keeper.newest
        if snapshot is None:
            return self.site.waiting()
        shown = view.view(snapshot, self.site.words, recorded=self.site.shelf.recorded_until is not None)
        return self.site.page("wall.html", view=shown, snapshot=snapshot)
