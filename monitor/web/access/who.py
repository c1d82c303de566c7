"""Who may see the pages: whoever sits at this machine, whoever has a session, nobody else."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import time
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from starlette.requests import HTTPConnection

from monitor.web.access.attempts import Attempts
from monitor.web.access.password import is_right
from monitor.web.access.secret import Secret, SecretFile

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.responses import Response
    from starlette.types import Scope

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
HERE, NOBODY = "here", "nobody"
WHO: ContextVar[str] = ContextVar("WHO", default=NOBODY)
"""Who is being answered: a session, `HERE` for who sits at this machine, or `NOBODY`. Set for each request."""

_SESSION_S = 30 * 86_400  # judgement: a phone in the workshop signs in once a month
_PAIRING_S = 600.0  # judgement: time to fetch the phone
_BYTES = 12  # of a session's name and a pairing code; judgement: far more than can be guessed
_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip", "via")


@dataclass(eq=False)
class Pairing:
    """A link that makes one device known, once, within ten minutes."""

    clock: Callable[[], float] = time.monotonic
    _code: str = ""
    _until: float = 0.0

    def begin(self) -> str:
        """Return the code of a new link; the one before holds no more."""
        self._code, self._until = secrets.token_urlsafe(_BYTES), self.clock() + _PAIRING_S
        return self._code

    def take(self, code: str) -> bool:
        """Use the link up; return whether this was its code."""
        holds = bool(self._code) and self.clock() < self._until
        right = hmac.compare_digest(code.encode(), self._code.encode()) and holds
        if right:
            self._code = ""
        return right


@dataclass(eq=False)
class Access:
    """Decides who may see the pages."""

    file: SecretFile = field(default_factory=SecretFile)
    is_behind_proxy: bool = False
    """Then everybody signs in: who sits at this machine can't be told from the proxy."""
    attempts: Attempts = field(default_factory=Attempts)
    pairing: Pairing = field(default_factory=Pairing)
    clock: Callable[[], float] = time.time

    def who(self, scope: Scope) -> str:
        """Return the session of a request, `HERE` or `NOBODY`."""
        secret, request = self.file.now, HTTPConnection(scope)
        if session := self._session(secret, request):
            return session
        return HERE if self._is_here(secret, request) else NOBODY

    def _is_here(self, secret: Secret, request: HTTPConnection) -> bool:
        """A proxy that nobody told us of, or a foreign name for this machine, is not somebody who sits here."""
        asked = self.is_behind_proxy or (secret.asked_here and secret.password_hash)
        if asked or any(name in request.headers for name in _FORWARDED):
            return False
        return _is_loopback(address_of(request)) and host_name(request.headers.get("host", "")) in LOOPBACK

    def _session(self, secret: Secret, request: HTTPConnection) -> str:
        """Return the name of the session that a request belongs to, where it holds."""
        for name in (_cookie_name(secret, secure=secure) for secure in (True, False)):
            session, _, rest = request.cookies.get(name, "").partition(".")
            until, _, signature = rest.partition(".")
            right = hmac.compare_digest(secret.sign("session", f"{session}.{until}").encode(), signature.encode())
            if right and self.clock() < int(until) and session not in secret.ended:
                return session
        return ""

    def let_in(self, response: Response, *, secure: bool) -> None:
        """Give a session to whoever gets this answer."""
        secret, session = self.file.now, secrets.token_urlsafe(_BYTES)
        until = int(self.clock()) + _SESSION_S
        signed = f"{session}.{until}." + secret.sign("session", f"{session}.{until}")
        response.set_cookie(
            _cookie_name(secret, secure=secure), signed, _SESSION_S, httponly=True, samesite="strict", secure=secure
        )

    def end(self, session: str, response: Response) -> None:
        """End a session, also for whoever copied its cookie."""
        secret, now_s = self.file.now, self.clock()
        self.file.change(lambda kept: kept.without_session(session, int(now_s) + _SESSION_S, now_s))
        for secure in (True, False):
            response.delete_cookie(_cookie_name(secret, secure=secure), httponly=True, samesite="strict", secure=secure)

    def is_password(self, typed: str) -> bool:
        """Return whether this is the password; slow on purpose."""
        return is_right(typed, self.file.now.password_hash)

    def feed_key(self, path: str) -> str:
        """Return what a program that can't sign in, such as a calendar, brings along as ``key`` to read one address."""
        return self.file.now.key_of(path)

    def renew_feed_key(self, path: str) -> None:
        """Make the key of an address another one; whoever has the one before reads no more."""
        self.file.change(lambda kept: kept.with_another_key_of(path))


def _cookie_name(secret: Secret, *, secure: bool) -> str:
    """One a shelf: browsers share cookies between the ports of a machine. The prefix keeps others from setting it."""
    return ("__Host-" if secure else "") + "siccast-" + secret.sign("cookie", "name")[:8]


def host_name(host: str) -> str:
    """Return the name in a Host header, without its port and brackets; nothing where that is none."""
    name, colon, port = host.rpartition(":")
    if not colon or port.endswith("]"):
        name, port = host, "0"
    if name.startswith("[") and name.endswith("]"):
        try:
            name = str(ipaddress.IPv6Address(name[1:-1]))
        except ValueError:
            return ""
    elif not name or not all(part.replace("-", "").replace("_", "").isalnum() for part in name.rstrip(".").split(".")):
        return ""
    return name.lower().rstrip(".") if name.isascii() and port.isascii() and (not port or port.isdigit()) else ""


def address_of(request: HTTPConnection) -> str:
    """Return the address that a request came from; nothing where it has none."""
    return plain_address(request.client.host) if request.client else ""


def plain_address(address: str) -> str:
    """Return an address as people write it; a socket of both families writes 10.0.0.9 as ::ffff:10.0.0.9."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(getattr(parsed, "ipv4_mapped", None) or parsed)


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
