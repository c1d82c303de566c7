"""`/look`: type, colors, spacing and signs on one sheet, for whoever changes the look."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.routing import Route

from monitor.presentation.shipped import shipped

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.site import Site

_TOKEN = re.compile(r"^  (--[a-z-]+): ([^;]+); *(?:/\* (.*?) \*/)?$", re.MULTILINE)
_SIGN = re.compile(r'name == "([a-z]+)"')


@dataclass(frozen=True, slots=True)
class LookPage:
    """The sheet, read from the style and the shapes themselves, so that it can't fall behind them."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the address."""
        return (Route("/look", self.look, name="look"),)

    def look(self, _request: Request) -> Response:
        """Show the sheet."""
        folder = shipped("dashboards")
        tokens = _TOKEN.findall((folder / "assets" / "siccast.css").read_text(encoding="utf-8"))
        signs = _SIGN.findall((folder / "templates" / "shapes.html").read_text(encoding="utf-8"))
        return self.site.page(
            "look.html",
            snapshot=None,
            colors=[(name, value, use) for name, value, use in tokens if value.startswith("#")],
            sizes=[(name, value, use) for name, value, use in tokens if "rem" in value],
            signs=list(dict.fromkeys(signs)),
        )
