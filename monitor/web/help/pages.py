"""`/help`: what siccast tells and how, what each sign means, and where to look; made of the tables the pages use."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.routing import Route

from monitor.desk import cautions
from monitor.planning.due import SILENT_AFTER_DAYS, rule_of_days
from monitor.presentation.amounts import sentence
from monitor.presentation.shipped import shipped
from monitor.records import BoxState
from monitor.series.usual_interval import INTERVALS_MISSED
from monitor.units import HOURS_PER_DAY
from monitor.web.box.course import SIGNS as LOG_SIGNS
from monitor.web.help.worth import worth_table
from monitor.web.shelf.view import SIGNS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.site import Site

PICTURES = ("shelf", "box", "run", "plan", "wall")
"""Those of the README."""
_SIZE = struct.Struct(">16x2I")  # bytes; PNG (ISO/IEC 15948), 5.2 and 11.2.2: pixels across and down begin the image
_CAREFUL = (
    cautions.HOT_SPOTS,
    cautions.STEAM,
    cautions.HOT_GLASS,
    cautions.FOOD,
    cautions.COOLING,
    cautions.WEIGH_COLD,
    cautions.DUST,
)


@dataclass(frozen=True, slots=True)
class HelpPage:
    """The page."""

    site: Site

    def routes(self) -> Sequence[Route]:
        """Return the address."""
        return (Route("/help", self.look, name="help"),)

    def look(self, _request: Request) -> Response:
        """Show the page."""
        words = self.site.words
        return self.site.page(
            "help.html",
            snapshot=None,
            pictures={name: _size(name) for name in PICTURES},
            states=[(SIGNS.get(state, "silent"), state.value) for state in BoxState],
            kinds=[(sign, kind.value) for kind, sign in LOG_SIGNS.items()],
            rule_of_days=rule_of_days(),
            silent_hours=round(HOURS_PER_DAY * SILENT_AFTER_DAYS),
            silent_times=round(INTERVALS_MISSED),
            careful=[words.in_own_units(caution.text) for caution in _CAREFUL],
            dyes=[words.in_own_units(sentence(text)) for text in cautions.of_dyes()],
            sheet=cautions.SHEET,
            worth=worth_table(),
        )


def _size(name: str) -> tuple[int, int]:
    """Return the pixels of a picture across and down, so that nothing moves when it comes."""
    with (shipped("dashboards") / "assets" / "pictures" / f"{name}.png").open("rb") as file:
        across, down = _SIZE.unpack(file.read(_SIZE.size))
    return across, down
