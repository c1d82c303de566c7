"""Styles, scripts, pictures and the typeface: handed out under addresses that change with what they hold.

So a browser asks for each once and keeps it: a page is one request, and nothing on it waits for a second answer.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from typing import TYPE_CHECKING

from starlette.staticfiles import StaticFiles

from monitor.presentation.shipped import shipped

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.responses import Response
    from starlette.types import Scope

ASSETS_PATH = "/assets"
_FOREVER = "public, max-age=31536000, immutable"  # a year, in seconds: judgement, for ever; RFC 8246
_LETTERS = 10  # of the digest; judgement: two states of a file share 40 bits once in a million million


def asset(name: str) -> str:
    """Return the address of a file of the assets, with a mark of its content."""
    path = _folder() / name
    held = path.stat()
    return f"{ASSETS_PATH}/{name}?{_digest(path, held.st_mtime_ns, held.st_size)}"


class Assets(StaticFiles):
    """The files; one that is asked for by the content it has is kept by whoever asks."""

    def __init__(self) -> None:
        super().__init__(directory=_folder())

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Return a file."""
        answer = await super().get_response(path, scope)
        if scope["query_string"].decode("latin-1") == asset(path).partition("?")[2]:
            answer.headers["Cache-Control"] = _FOREVER
        return answer


def _folder() -> Path:
    return shipped("dashboards") / "assets"


@lru_cache(maxsize=256)  # how many files; judgement: more than there are
def _digest(path: Path, _changed_ns: int, _size: int) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:_LETTERS]
