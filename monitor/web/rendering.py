"""From a template and its values to an answer: every page is whole, so that it is readable without scripts."""

from __future__ import annotations

from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import jinja2
import orjson
from starlette.responses import HTMLResponse

from monitor import __version__
from monitor.presentation.shipped import shipped
from monitor.presentation.wording import AGE_STEPS, JUST_NOW, Wording
from monitor.web.notices import of_the_snapshot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.settings import Shelf
    from monitor.web.forms import Tokens
    from monitor.web.notices import Notice
    from monitor.web.snapshot import Snapshot

_AGES = orjson.dumps({"now": JUST_NOW, "steps": AGE_STEPS}).decode()
"""How ages are said, for the script that keeps them right while a page is open."""


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
        self,
        shelf: Shelf,
        template: str,
        *,
        snapshot: Snapshot | None,
        notices: Sequence[Notice] = (),
        status: int = HTTPStatus.OK,
        **values: Any,
    ) -> HTMLResponse:
        """Return a whole page; ``snapshot`` says which instant it speaks of, where it speaks of one."""
        words = Wording.of(shelf)
        text = self._templates.get_template(template).render(
            **values,
            site=shelf.site,
            zone=str(shelf.timezone),
            as_of=words.moment(snapshot.as_of) if snapshot else "",
            recorded=shelf.recorded_until is not None,
            ages=_AGES,
            notices=(*of_the_snapshot(snapshot), *notices),
            token=self.tokens.token,
            version=__version__,
        )
        return HTMLResponse(text, status_code=status)

    def message(
        self, shelf: Shelf, heading: str, *, status: int = HTTPStatus.OK, waiting: bool = False, trouble: bool = False
    ) -> HTMLResponse:
        """Return a page that says one thing."""
        return self.page(
            shelf, "message.html", status=status, snapshot=None, heading=heading, waiting=waiting, trouble=trouble
        )
