"""Routes by which alerts go out: `[routes.NAME]`, with secrets from the environment or files only their owner reads."""

from __future__ import annotations

import re
from datetime import time, timedelta
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from monitor.errors import SettingsError
from monitor.records.alerts import (
    AlertKind,
    AppriseUrls,
    Digest,
    MailAddress,
    QuietHours,
    Route,
    WebhookAddress,
)
from monitor.records.declared import LARGEST_PORT
from monitor.records.names import tidy
from monitor.settings.connections import read_secret
from monitor.settings.plan_rules import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from monitor.settings.toml_table import TomlTable

SUBMISSION_PORT, SUBMISSIONS_PORT, SMTP_PORT = 587, 465, 25
"""Ports for mail that is handed in with STARTTLS and with TLS (RFC 8314, section 3), and plain (RFC 5321)."""
_LONGEST_H = 24.0 * 90.0  # hours; judgement: a season, after which nobody waits for an alert
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


def read_route(name: str, table: TomlTable, folder: Path, environment: Mapping[str, str]) -> Route:
    kind = table.choice("kind", ("mqtt", *_TARGETS), default="")
    secrets = _Secrets(name, table, folder, environment)
    again_h = table.number("again_after_h", 1.0, _LONGEST_H, default=0.0)
    route = Route(
        name=name,
        kind=kind,
        target=_TARGETS[kind](table, secrets) if kind in _TARGETS else None,
        kinds=tuple(map(AlertKind, table.texts("matters", [kind.value for kind in AlertKind], "all"))),
        boxes=tuple(map(tidy, table.list_of_texts("boxes", "all"))),
        quiet=_read_quiet(table),
        digest=_read_digest(table, kind),
        urgent_passes=table.flag("urgent_passes", default=False),
        after=timedelta(hours=table.number("after_h", 0.0, _LONGEST_H, default=0.0)),
        again_after=timedelta(hours=again_h) if again_h else None,
        says_end=table.flag("says_end", default=kind == "mqtt"),
        without_secret=secrets.missing,
    )
    table.refuse_leftovers()
    return route


class _Secrets:
    """Reads the secrets of one route, and remembers why one can't be: looking at boxes needs no route."""

    def __init__(self, name: str, table: TomlTable, folder: Path, environment: Mapping[str, str]) -> None:
        self._start = "SICCAST_ROUTE_" + re.sub(r"\W", "_", name.upper())
        self._table, self.folder, self._environment = table, folder, environment
        self.missing = ""

    def read(self, key: str) -> str | None:
        """Return the secret of which ``key`` names the file, or that the environment has."""
        variable = f"{self._start}_{key.removesuffix('_file').upper()}"
        try:
            return read_secret(self._table, key, variable, self.folder, self._environment)
        except SettingsError as error:
            self.missing = str(error)
            return None

    def need(self, key: str, value: str | None) -> str:
        """Return a value that must be there, or note that it is not."""
        if not value and not self.missing:
            what = key.removesuffix("_file")
            self.missing = str(self._table.error(key, "", f"a file with the {what}, or {self._start}_{what.upper()}"))
        return value or ""


def _read_mail(table: TomlTable, secrets: _Secrets) -> MailAddress:
    security = table.choice("security", ("starttls", "tls", "none"), default="starttls")
    usual = {"starttls": SUBMISSION_PORT, "tls": SUBMISSIONS_PORT, "none": SMTP_PORT}[security]
    host, to = table.host("host"), table.list_of_texts("to")
    address = MailAddress(
        host=host,
        port=table.whole("port", 1, LARGEST_PORT, default=usual),
        security=security,
        sender=table.text("from"),
        to=to,
        username=table.text("username", default=""),
        password=secrets.read("password_file"),
        ca_file=table.file("ca_file", secrets.folder),
    )
    for who in (address.sender, *to):
        if "@" not in who or any(sign.isspace() or sign == "," for sign in who):
            raise table.error("to" if who in to else "from", who, "an address like 'me@example.org'")
    if not to:
        raise table.error("to", [], "a list of addresses, like ['me@example.org']")
    if address.username:
        secrets.need("password_file", address.password)
    if security == "none" and address.username and host not in _LOOPBACK:
        raise table.error("security", security, "'starttls' or 'tls': the password would go out for all to read")
    return address


def _read_webhook(table: TomlTable, secrets: _Secrets) -> WebhookAddress:
    url = table.text("url", default="") or secrets.need("url_file", secrets.read("url_file"))
    if url and (urlsplit(url).scheme not in ("http", "https") or not urlsplit(url).hostname):
        raise table.error("url", url.partition("://")[0] + "://…", "an address like 'https://192.168.1.20:8080/hook'")
    secret = secrets.read("secret_file")
    return WebhookAddress(url, secret, table.file("ca_file", secrets.folder))


def _read_apprise(_: TomlTable, secrets: _Secrets) -> AppriseUrls:
    given = secrets.need("urls_file", secrets.read("urls_file"))
    lines = (line.strip() for line in given.splitlines())
    return AppriseUrls(tuple(line for line in lines if line and not line.startswith("#")))


_TARGETS: dict[str, Callable[[TomlTable, _Secrets], MailAddress | WebhookAddress | AppriseUrls]] = {
    "email": _read_mail,
    "webhook": _read_webhook,
    "apprise": _read_apprise,
}


def _read_quiet(table: TomlTable) -> QuietHours | None:
    text = table.text("quiet", default="")
    if not text:
        return None
    start, _, end = (part.strip() for part in text.partition("-"))
    times = [_clock(start), _clock(end)]
    if times[0] is None or times[1] is None or times[0] == times[1]:
        raise table.error("quiet", text, "two times of day, like '22:00-07:00'")
    return QuietHours(times[0], times[1])


def _read_digest(table: TomlTable, kind: str) -> Digest | None:
    text = table.text("digest", default="")
    if not text:
        return None
    if kind == "mqtt":
        raise table.error("digest", text, "left out for kind 'mqtt': the broker keeps one message an alert")
    day, _, clock = text.strip().lower().partition(" ")
    at = _clock(clock.strip())
    if at is None or day not in ("daily", *WEEKDAYS):
        raise table.error("digest", text, "a day and a time, like 'daily 18:00' or 'friday 17:00'")
    return Digest(at, None if day == "daily" else WEEKDAYS.index(day))


def _clock(text: str) -> time | None:
    found = _CLOCK.fullmatch(text)
    return time(int(found[1]), int(found[2])) if found else None
