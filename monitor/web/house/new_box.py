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

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from starlette.responses import Response

    from monitor.web.site import Site


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


def to_its_page(name: str) -> Response:
    """Lead to the page of a box that was just declared."""
    return RedirectResponse(f"/box/{quote(name, safe='')}?adopted=1", HTTPStatus.SEE_OTHER)


def _form(name: str, volume_liter: float, limit: float) -> NewBox:
    return NewBox(name, f"{volume_liter:.10g}", f"{100.0 * limit:.10g}")
