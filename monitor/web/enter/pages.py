"""The page on which one signs in, by the password or by a pairing link, and out again."""

from __future__ import annotations

import math
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse
from starlette.routing import Route

from monitor.texts import say, say_many
from monitor.web.access.door import ENTER
from monitor.web.access.who import HERE, NOBODY, WHO, Access, address_of
from monitor.web.forms import changes
from monitor.web.offline import forget_kept

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from monitor.web.site import Site


@dataclass(eq=False)
class EnterPages:
    """Signing in and out."""

    site: Site
    access: Access

    def routes(self) -> Sequence[Route]:
        """Return the addresses; a password is hashed where slow work is done."""
        enter = changes(self.site.tokens, self.enter, run=self.site.work.run)
        return (
            Route(ENTER, self.show, name="enter"),
            Route(ENTER, enter, methods=["POST"]),
            Route("/leave", changes(self.site.tokens, self.leave), methods=["POST"], name="leave"),
        )

    def show(self, request: Request) -> Response:
        """Show how to sign in, or that one is."""
        return self._page(request.query_params)

    def enter(self, request: Request, form: Mapping[str, str]) -> Response:
        """Give a session to whoever knows the password or brings a link that holds."""
        address, attempts = address_of(request), self.access.attempts
        if wait_s := attempts.wait_s(address):
            return self._locked(form, wait_s)
        attempts.add(address)
        code = form.get("code", "")
        if not (self.access.pairing.take(code) if code else self.access.is_password(form.get("password", ""))):
            if wait_s := attempts.wait_s(address):
                return self._locked(form, wait_s)
            wrong = (
                say("This link was used already, or is older than ten minutes. Ask for a new one.")
                if code
                else say("That is not the password. Try again.")
            )
            return self._page({"to": form.get("to", "")}, status=HTTPStatus.FORBIDDEN, wrong=wrong)
        attempts.succeeded(address)
        answer = RedirectResponse(_own_path(form.get("to", "")), status_code=HTTPStatus.SEE_OTHER)
        self.access.let_in(answer, secure=request.url.scheme == "https")
        return answer

    def leave(self, _request: Request, _form: Mapping[str, str]) -> Response:
        """End the session of this device."""
        answer = RedirectResponse(ENTER, status_code=HTTPStatus.SEE_OTHER)
        if (session := WHO.get()) not in (HERE, NOBODY):
            self.access.end(session, answer)
        return forget_kept(answer)

    def _locked(self, form: Mapping[str, str], wait_s: float) -> Response:
        minutes = math.ceil(wait_s / 60.0)
        wrong = say_many(
            "Too many wrong tries. Locked for {count} minute; then try again.",
            "Too many wrong tries. Locked for {count} minutes; then try again.",
            minutes,
        )
        answer = self._page({"to": form.get("to", "")}, status=HTTPStatus.TOO_MANY_REQUESTS, wrong=wrong)
        answer.headers["Retry-After"] = str(math.ceil(wait_s))
        return answer

    def _page(self, typed: Mapping[str, str], *, status: int = HTTPStatus.OK, wrong: str = "") -> Response:
        answer = self.site.renderer.page(
            self.site.shelf,
            "enter.html",
            snapshot=None,
            status=status,
            who={HERE: HERE, NOBODY: NOBODY}.get(WHO.get(), "signed in"),
            has_password=bool(self.access.file.now.password_hash),
            code=typed.get("code", ""),
            to=_own_path(typed.get("to", "")),
            wrong=wrong,
        )
        answer.headers["Cache-Control"] = "no-store"
        return answer


def _own_path(path: str) -> str:
    """Return a path of this server; never an address elsewhere, as '//' or a backslash would begin."""
    safe = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if safe else "/"
