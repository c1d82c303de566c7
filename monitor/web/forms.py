"""Forms that change something: read whole and bounded, and only from a page of this server."""

from __future__ import annotations

import hmac
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Protocol
from urllib.parse import parse_qsl, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from monitor.presentation.amounts import NARROW
from monitor.texts import say
from monitor.web.access.secret import SecretFile
from monitor.web.access.who import WHO

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from starlette.requests import Request
    from starlette.responses import Response

FIELD = "token"
"""The hidden field that a form of ours carries."""
_MOST_BYTES = 65_536  # judgement: the longest note is far shorter
_MOST_FIELDS = 200  # a count; judgement: no form of ours has half as many


@dataclass(frozen=True, slots=True)
class Tokens:
    """What a form must bring along, so that a foreign page can't send one in a person's name.

    Each session has its own, and keeps it when the server is started again.
    """

    file: SecretFile = field(default_factory=SecretFile)

    @property
    def token(self) -> str:
        """Return the token of whoever is being answered."""
        return self.file.now.sign("form", WHO.get())

    def require(self, form: Mapping[str, str]) -> None:
        """Refuse a form that comes from elsewhere."""
        if not hmac.compare_digest(form.get(FIELD, "").encode(errors="replace"), self.token.encode()):
            raise HTTPException(
                HTTPStatus.FORBIDDEN,
                say("This page is from an earlier session, so nothing was changed. Load it again."),
            )


class Runner(Protocol):
    """Runs a function in a thread."""

    async def __call__(
        self, function: Callable[..., Response], request: Request, form: Mapping[str, str], /
    ) -> Response:
        """Return what the function answers."""


def changes(
    tokens: Tokens,
    handler: Callable[[Request, Mapping[str, str]], Response],
    run: Runner = run_in_threadpool,
) -> Callable[[Request], Awaitable[Response]]:
    """Return an endpoint that reads the form, makes sure that it is ours, and hands it over in a thread.

    Where the handler can't answer for now, what was typed is found in ``request.state.form``.
    """

    async def endpoint(request: Request) -> Response:
        _require_own_page(request)
        form = await _read(request)
        tokens.require(form)
        request.state.form = form
        return await run(handler, request, form)

    return endpoint


def _require_own_page(request: Request) -> None:
    """Refuse what another site sends; old browsers don't say so by Sec-Fetch-Site, only by where the form stood."""
    site = request.headers.get("sec-fetch-site")
    stood = request.headers.get("origin") or request.headers.get("referer")
    own = stood is None or _is_of(request, stood) if site is None else site in ("same-origin", "none")
    if not own:
        raise HTTPException(HTTPStatus.FORBIDDEN, say("This form was sent by another site, so nothing was changed."))


def _is_of(request: Request, address: str) -> bool:
    try:
        return urlsplit(address)[:2] == (request.url.scheme, request.url.netloc)
    except ValueError:  # such as an unclosed bracket
        return False


async def _read(request: Request) -> Mapping[str, str]:
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > _MOST_BYTES:
            raise HTTPException(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE, say("That is more than a form of this page ever holds.")
            )
    try:
        fields = parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=_MOST_FIELDS)
        # what was typed and shown once more stands with unbreakable spaces before units: it is kept as it was typed
        return {name: value.replace(NARROW, " ") for name, value in fields}
    except ValueError:
        raise HTTPException(HTTPStatus.BAD_REQUEST, say("That is not a form of this page.")) from None
