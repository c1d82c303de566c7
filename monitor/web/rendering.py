"""From a template and its values to an answer: every page is whole, so that it is readable without scripts."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import jinja2
import orjson
from markupsafe import Markup, escape
from starlette.responses import HTMLResponse

from monitor import __version__
from monitor.presentation.amounts import NARROW, ages_for_scripts
from monitor.presentation.log_wording import called
from monitor.presentation.shipped import shipped
from monitor.presentation.wording import Wording
from monitor.texts import say
from monitor.web.assets import asset
from monitor.web.notices import of_the_snapshot, said_anew

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.presentation.texts import Texts
    from monitor.settings import Shelf
    from monitor.web.forms import Tokens
    from monitor.web.notices import Notice
    from monitor.web.snapshot import Snapshot


_COMMAND = re.compile(r"`([^`]+)`")
_UNIT = re.compile(r"(?<=\d) (?=(?:%|g|kg|oz|°C|°F|kPa|g/m³)(?!\w))")
_HYPHENATED = re.compile(r"[\w.]+(?:-[\w.]+)+")
_MOST_UNBROKEN = 18  # letters; judgement: what fits a line of a headline on the narrowest phone


def _templates(texts: Texts) -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(shipped("dashboards") / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_with_its_sign,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.globals["said"] = say
    environment.globals["asset"] = asset
    environment.globals["called"] = called
    environment.filters["code"] = _with_commands
    environment.filters["unbroken"] = _unbroken
    environment.install_gettext_callables(texts.gettext, texts.ngettext, newstyle=True)  # type: ignore[attr-defined]
    return environment


def _with_commands(text: str) -> Markup:
    """Return a text whose commands, written between backticks, stand out."""
    return Markup(_COMMAND.sub(r"<code>\1</code>", str(escape(text))))


def _with_its_sign(value: Any) -> Any:
    """Return what is written into a page; no line ends between a number and its unit."""
    if isinstance(value, str) and " " in value:
        return (Markup if isinstance(value, Markup) else str)(_UNIT.sub(NARROW, value))
    return value


def _unbroken(text: str) -> Markup:
    """Return a text in which no line ends within a name, unless a line could not hold that name."""

    def whole(found: re.Match[str]) -> str:
        name = found.group()
        return name if len(name) > _MOST_UNBROKEN else f'<span class="whole">{name}</span>'

    return Markup(_HYPHENATED.sub(whole, str(escape(text))))


@dataclass(frozen=True, slots=True)
class HeardBy:
    """Where a sensor has to send to be heard."""

    broker: str
    """Its address; empty for siccast's own."""
    feeds: Sequence[tuple[str, str]]
    """Name and topic."""

    @classmethod
    def of(cls, shelf: Shelf) -> HeardBy:
        """Return it as a shelf declares it."""
        feeds = [(feed.name, feed.topic.replace("{site}", shelf.site)) for feed in shelf.feeds]
        return cls(f"{shelf.broker.host}:{shelf.broker.port}" if shelf.broker else "", feeds)


@dataclass(slots=True)
class Explained:
    """The terms that a page has explained already, so that it does so once."""

    _names: set[str] = field(default_factory=set)

    def first(self, name: str) -> bool:
        """Return whether a term stands on the page for the first time."""
        if name in self._names:
            return False
        self._names.add(name)
        return True


@dataclass(eq=False)
class Renderer:
    """Fills templates for one shelf."""

    tokens: Tokens
    texts: Texts
    _templates: jinja2.Environment = field(init=False)
    _ages: str = field(init=False)

    def __post_init__(self) -> None:
        self._templates = _templates(self.texts)
        with self.texts.speaking():
            self._ages = orjson.dumps(ages_for_scripts()).decode()

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
            ages=self._ages,
            heard_by=HeardBy.of(shelf),
            notices=(*of_the_snapshot(snapshot), *map(said_anew, notices)),
            token=self.tokens.token,
            explained=Explained(),
            language=self.texts.language,
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
