"""A box is declared by a form: of a sensor that was heard, or of none."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.responses import RedirectResponse

from monitor.errors import SiccastError, TypedError
from monitor.presentation import quantities
from monitor.presentation.amounts import sentence
from monitor.records.words import STYLES, is_style
from monitor.services import adoption
from monitor.settings.shelf_edit import change_box
from monitor.texts import say

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
    style: str
    problem: str = ""
    """Why it could not be saved as it was sent."""
    wrong: str = ""
    """The field that it is about."""

    def styles(self) -> dict[str, str]:
        """Return the styles to choose from, each with what it means; that of now may have more to it than a word."""
        now = {} if not self.style or self.style in STYLES else {self.style: self.style}
        return {**now, **{style: say(means) for style, means in STYLES.items()}}


def offered(folder: Path, names: Iterable[str]) -> dict[str, NewBox]:
    """Return what to offer for each sensor that is no box yet."""
    return {name: declared_as(box) for name, box in adoption.offered(folder, names).items()}


def without_sensor() -> NewBox:
    """Return what to offer for a box that no sensor sends for."""
    return declared_as(adoption.usual_box(""))


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
                volume_liter=volume, humidity_limit=limit, style=_style(form), unheard=unheard,
            )  # fmt: skip
    except SiccastError as error:
        return _refused(name, form, error, wrong)


def change(site: Site, box: Box, form: Mapping[str, str]) -> NewBox | None:
    """Change volume, limit and style of a declared box; where that can't be done, return the form with the reason."""
    wrong = "volume"
    try:
        volume = quantities.volume_liter(form.get("volume", ""))
        wrong = "limit"
        limit = quantities.limit(form.get("limit", ""))
        wrong = ""
        changed: dict[str, float | str] = {}
        if volume is not None and volume != box.volume_liter:
            changed["volume_l"] = volume
        if limit is not None and limit != box.humidity_limit:
            changed["limit_rh_pct"] = round(100.0 * limit, _DIGITS)
        if (style := _style(form)) is not None and style != box.style:
            changed["style"] = style
        change_box(site.shelf.folder, box.name, changed)
    except SiccastError as error:
        return _refused(box.name, form, error, wrong)
    return None


def declared_as(box: Box) -> NewBox:
    """Return what is declared of a box."""
    return NewBox(box.name, f"{box.volume_liter:.10g}", f"{100.0 * box.humidity_limit:.10g}", box.style)


def to_its_page(name: str) -> Response:
    """Lead to the page of a box that was just declared."""
    return RedirectResponse(f"/box/{quote(name, safe='')}?adopted=1", HTTPStatus.SEE_OTHER)


def _style(form: Mapping[str, str]) -> str | None:
    """Return the style that was chosen; None where none was sent."""
    style = form.get("style", "")
    if style and not is_style(style):
        raise TypedError(say("'{text}' is not a style of box", text=style))
    return style or None


def _refused(name: str, form: Mapping[str, str], error: SiccastError, wrong: str) -> NewBox:
    """Return the form as it was sent, with what is wrong."""
    volume, limit, style = (form.get(field, "") for field in ("volume", "limit", "style"))
    return NewBox(name, volume, limit, style, sentence(str(error)), wrong)
