"""From a template and its values to an answer: every page is whole, so that it is readable without scripts."""

from __future__ import annotations

from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import jinja2
from starlette.responses import HTMLResponse

from monitor import __version__
from monitor.presentation.shipped import shipped
from monitor.presentation.wording import Wording

if TYPE_CHECKING:
    from monitor.settings import Shelf
    from monitor.web.forms import Tokens
    from monitor.web.snapshot import Snapshot


def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(shipped("dashboards") / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.install_null_translations(newstyle=True)  # type: ignore[attr-defined]
    return environment


@dataclass(frozen=True, slots=True)
class Renderer:
    """Fills templates for one shelf."""

    tokens: Tokens
    _templates: jinja2.Environment = field(default_factory=_templates)

    def page(
        self, shelf: Shelf, template: str, *, snapshot: Snapshot | None, status: int = HTTPStatus.OK, **values: Any
    ) -> HTMLResponse:
        """Return a whole page; ``snapshot`` says which instant it speaks of, where it speaks of one."""
        words = Wording.of(shelf)
        text = self._templates.get_template(template).render(
            **values,
            site=shelf.site,
            zone=str(shelf.timezone),
            as_of=words.moment(snapshot.as_of) if snapshot else "",
            recorded=shelf.recorded_until is not None,
            reservation=snapshot.reservation if snapshot else "",
            notice=snapshot.notice if snapshot else "",
            token=self.tokens.token,
            version=__version__,
        )
        return HTMLResponse(text, status_code=status)

    def part(self, template: str, **values: Any) -> str:
        """Return a part of a page."""
        return self._templates.get_template(template).render(**values, token=self.tokens.token)

    def drawing(self, template: str, **values: Any) -> str:
        """Return a drawing that stands for itself."""
        return self._templates.get_template(template).render(**values)

    def message(
        self, shelf: Shelf, heading: str, *, status: int = HTTPStatus.OK, waiting: bool = False, trouble: bool = False
    ) -> HTMLResponse:
        """Return a page that says one thing."""
        return self.page(
            shelf, "message.html", status=status, snapshot=None, heading=heading, waiting=waiting, trouble=trouble
        )
