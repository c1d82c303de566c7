"""Alerts about a box that nobody has heard yet, and the form by which somebody says that they know."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.routing import Route

from monitor.presentation.amounts import sentence
from monitor.presentation.clock import utc_now
from monitor.web.box.deeds import to_box
from monitor.web.forms import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.store.opening import Stores
    from monitor.web.site import Site


def unheard(stores: Stores, name: str) -> list[str]:
    """Return the alerts about a box that stand and that nobody has heard."""
    unheard = (one for one in stores.alerts.standing() if one.heard_at is None and one.alert.box == name)
    return [sentence(one.alert.text.removeprefix(f"{name}: ")) for one in unheard]


@dataclass(eq=False)
class HeardForm:
    """Takes the form."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the addresses."""
        return (
            Route("/box/{name:path}/heard", changes(self.site.tokens, self.hear), methods=["POST"]),
            Route("/box/{name:path}/heard", to_box, methods=["GET"]),
        )

    def hear(self, request: Request, _form: Mapping[str, str]) -> Response:
        """Note that somebody knows what stands of a box, and lead back to its page."""
        with self.site.writing() as stores:
            stores.alerts.hear(utc_now(), request.path_params["name"])
        return to_box(request)
