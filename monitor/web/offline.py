"""Pages as they were seen last, for a phone out of reach: the worker that keeps them, the manifest, and forgetting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.responses import FileResponse, JSONResponse
from starlette.routing import Route

from monitor.presentation.shipped import shipped
from monitor.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.site import Site

_DARK, _LIGHT = "#17323d", "#f3f5f4"  # the ground of icon.svg, and --paper of siccast.css
_ICONS = (
    {"src": "/assets/icon.svg", "sizes": "any", "type": "image/svg+xml"},
    {"src": "/assets/icon-192.png", "sizes": "192x192", "type": "image/png"},
    {"src": "/assets/icon-512.png", "sizes": "512x512", "type": "image/png"},
    {"src": "/assets/icon-512.png", "sizes": "512x512", "type": "image/png", "purpose": "maskable"},
)


def forget_kept(response: Response) -> Response:
    """Let the browser forget every page it keeps, with the worker that keeps them: for the answer to a logout.

    The worker also forgets them by itself where it is asked to sign in, or refused with 401 or 403.
    """
    response.headers["Clear-Site-Data"] = '"cache", "storage"'
    return response


@dataclass(eq=False)
class OfflinePages:
    """What makes the page one that a phone can keep."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            Route("/offline.js", self.worker, name="offline-worker"),
            Route("/offline", self.nothing_kept, name="offline"),
            Route("/offline/not-saved", self.not_saved, name="offline-not-saved"),
            Route("/manifest.webmanifest", self.manifest, name="manifest"),
        )

    def worker(self, _request: Request) -> Response:
        """Hand out the worker, which may look after every page."""
        headers = {"Service-Worker-Allowed": "/", "Cache-Control": "no-cache"}
        path = shipped("dashboards") / "assets" / "offline.js"
        return FileResponse(path, media_type="text/javascript", headers=headers)

    def nothing_kept(self, _request: Request) -> Response:
        """Show what stands in for a page that was never opened; the worker keeps it."""
        return self.site.renderer.message(
            self.site.shelf, say("siccast can't be reached, and this page was not opened here before.")
        )

    def not_saved(self, _request: Request) -> Response:
        """Show what stands in for the answer to a form; the worker keeps it."""
        return self.site.renderer.message(
            self.site.shelf, say("siccast can't be reached. Nothing was saved; go back and send it again later.")
        )

    def manifest(self, _request: Request) -> Response:
        """Say what a phone needs to know to put the page on its home screen."""
        site = self.site.shelf.site
        told = {
            "id": "/",
            "name": f"siccast, {site}",
            "short_name": site,
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": _LIGHT,
            "theme_color": _DARK,
            "icons": _ICONS,
        }
        return JSONResponse(told, media_type="application/manifest+json")
