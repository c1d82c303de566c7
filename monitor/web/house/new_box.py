"""A box is declared by a form: of a sensor that was heard, or of none."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.responses import RedirectResponse

from monitor.errors import SiccastError
from monitor.presentation import quantities
from monitor.presentation.amounts import sentence
from monitor.records.declared import USUAL_LIMIT, USUAL_VOLUME_LITER
from monitor.services import adoption
from monitor.settings.shelf_edit import change_box

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from starlette.responses import Response

    from monitor.records import Box
    from monitor.web.site import Site

_DIGITS = 6  # after the point of a limit in %; judgement: a fraction times 100 is off by less, and nobody types more


@dataclass(frozen=True, slots=True)
class NewBox:
    """What stands in the form of a box that is to be declared."""

    name: str
    volume: str
    limit: str
    problem: str = ""
    """Why it could not be saved as it was sent."""
    wrong: str = ""
    """The field that it is about."""


def offered(folder: Path, names: Iterable[str]) -> dict[str, NewBox]:
    """Return what to offer for each sensor that is no box yet."""
    found = adoption.offered(folder, names)
    return {name: _form(name, volume, limit) for name, (volume, limit) in found.items()}


def without_sensor() -> NewBox:
    """Return what to offer for a box that no sensor sends for."""
    return _form("", USUAL_VOLUME_LITER, USUAL_LIMIT)


def declare(site: Site, name: str, form: Mapping[str, str], *, unheard: bool) -> adoption.Adopted | NewBox:
    """Declare a box as a form says it; where that can't be done, return the form with the reason."""
    shelf, wrong = site.shelf, "volume"
    try:
        with site.writing() as stores:
            volume = quantities.volume_liter(form.get("volume", ""))
            wrong = "limit"
            limit = quantities.limit(form.get("limit", ""))
            wrong = "box" if unheard else ""
            return adoption.adopt(
                shelf.folder, stores.readings, stores.boxes, shelf.boxes, name,
                volume_liter=volume, humidity_limit=limit, unheard=unheard,
            )  # fmt: skip
    except SiccastError as error:
        return NewBox(name, form.get("volume", ""), form.get("limit", ""), sentence(str(error)), wrong)


def change(site: Site, box: Box, form: Mapping[str, str]) -> NewBox | None:
    """Change volume and limit of a declared box; where that can't be done, return the form with the reason."""
    wrong = "volume"
    try:
        volume = quantities.volume_liter(form.get("volume", ""))
        wrong = "limit"
        limit = quantities.limit(form.get("limit", ""))
        wrong = ""
        changed = {}
        if volume is not None and volume != box.volume_liter:
            changed["volume_l"] = volume
        if limit is not None and limit != box.humidity_limit:
            changed["limit_rh_pct"] = round(100.0 * limit, _DIGITS)
        change_box(site.shelf.folder, box.name, changed)
    except SiccastError as error:
        return NewBox(box.name, form.get("volume", ""), form.get("limit", ""), sentence(str(error)), wrong)
    return None


def declared_as(box: Box) -> NewBox:
    """Return what is declared of a box."""
    return _form(box.name, box.volume_liter, box.humidity_limit)


def to_its_page(name: str) -> Response:
    """Lead to the page of a box that was just declared."""
    return RedirectResponse(f"/box/{quote(name, safe='')}?adopted=1", HTTPStatus.SEE_OTHER)


def _form(name: str, volume_liter: float, limit: float) -> NewBox:
    return NewBox(name, f"{volume_liter:.10g}", f"{100.0 * limit:.10g}")
