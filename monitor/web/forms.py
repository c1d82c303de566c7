"""Forms that change something: read whole and bounded, and only from a page of this server."""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from starlette.requests import Request
    from starlette.responses import Response

FIELD = "token"
"""The hidden field that a form of ours carries."""
_MOST_BYTES = 65_536  # judgement: the longest note is far shorter
_MOST_FIELDS = 200  # a count; judgement: no form of ours has half as many
_TOKEN_BYTES = 24  # judgement: far more than can be guessed


@dataclass(frozen=True, slots=True)
class Tokens:
    """What a form must bring along, so that a foreign page can't send one in a person's name."""

    token: str = field(default_factory=lambda: secrets.token_urlsafe(_TOKEN_BYTES))

    def require(self, form: Mapping[str, str]) -> None:
        """Refuse a form that comes from elsewhere."""
        if not hmac.compare_digest(form.get(FIELD, "").encode(), self.token.encode()):
            raise HTTPException(HTTPStatus.FORBIDDEN, "This page was opened before the server started. Load it again.")


def changes(
    tokens: Tokens, handler: Callable[[Request, Mapping[str, str]], Response]
) -> Callable[[Request], Awaitable[Response]]:
    """Return an endpoint that reads the form, makes sure that it is ours, and hands it over in a thread."""

    async def endpoint(request: Request) -> Response:
        form = await _read(request)
        tokens.require(form)
        return await run_in_threadpool(handler, request, form)

    return endpoint


async def _read(request: Request) -> Mapping[str, str]:
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > _MOST_BYTES:
            raise HTTPException(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "That is more than a form of this page ever holds."
            )
    try:
        return dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=_MOST_FIELDS))
    except ValueError:
        raise HTTPException(HTTPStatus.BAD_REQUEST, "That is not a form of this page.") from None
