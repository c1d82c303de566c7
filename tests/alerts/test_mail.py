"""Alerts as mail, through a real SMTP server: plain, STARTTLS and TLS, refused in each way, and away."""

from __future__ import annotations

import ssl
import subprocess
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from socket import create_server
from typing import Any

import pytest
from aiosmtpd.smtp import AuthResult
from alert_servers import MESSAGE, MailServer

from monitor.alerts.mail import MailRoute, mail_of
from monitor.errors import MessageRefusedError, RouteError
from monitor.records.alerts import MailAddress
from tests.conftest import free_port, require_program


@pytest.fixture(scope="module")
def plain() -> Iterator[MailServer]:
    server = MailServer(free_port())
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ssl.SSLContext]:
    made = tmp_path_factory.mktemp("tls")
    pem, key = made / "mail.pem", made / "mail.key"
    kind = ["-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    subject = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"]
    make = [require_program("openssl"), "req", *kind, *subject, "-keyout", str(key), "-out", str(pem)]
    subprocess.run(make, check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pem, key)
    return pem, context


def address(server: MailServer, **more: Any) -> MailAddress:
    plain: dict[str, Any] = {"security": "none", "sender": "boxes@example.org", "to": ("me@example.org",)}
    return MailAddress("127.0.0.1", server.port, **plain | more)


def test_mail_arrives_whole_with_what_marks_it(plain: MailServer) -> None:
    MailRoute(address(plain, to=("me@example.org", "you@example.org"))).send(MESSAGE)
    mail = plain.mails.taken.pop()
    assert mail["Subject"] == "siccast attic: left: over limit"
    assert (mail["From"], mail["To"]) == ("boxes@example.org", "me@example.org, you@example.org")
    assert mail["Message-ID"] == "<5f3c@example.org>"
    assert mail["Date"] == "Wed, 04 Mar 2026 12:00:00 +0000"
    assert (mail["Auto-Submitted"], mail["Importance"]) == ("auto-generated", "high")
    assert mail.get_content().strip() == "Grüße"


def test_the_same_message_is_the_same_mail_at_every_try(plain: MailServer) -> None:
    """A receiver can tell a repeat by its Message-ID."""
    assert mail_of(MESSAGE, address(plain)).as_bytes() == mail_of(MESSAGE, address(plain)).as_bytes()


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")  # it takes implicit TLS for none
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_goes_encrypted_and_with_a_password(security: str, certificate: tuple[Path, ssl.SSLContext]) -> None:
    pem, context = certificate

    def knows(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        return AuthResult(success=(data.login, data.password) == (b"me", b"hush"), handled=False)

    how = {"ssl_context": context} if security == "tls" else {"tls_context": context, "require_starttls": True}
    server = MailServer(free_port(), authenticator=knows, auth_required=True, auth_require_tls=security != "tls", **how)
    server.start()
    try:
        there = address(server, security=security, ca_file=str(pem), username="me", password="hush")
        MailRoute(there).send(MESSAGE)
        assert len(server.mails.taken) == 1
        with pytest.raises(RouteError, match=r"refused user 'me'. Check user and password"):
            MailRoute(replace(there, password="wrong")).send(MESSAGE)
        with pytest.raises(RouteError, match=r"no encrypted connection .*Check 'security'"):
            MailRoute(replace(there, ca_file=None)).send(MESSAGE)
    finally:
        server.stop()


def test_a_server_without_encryption_gets_no_mail_that_wants_it(plain: MailServer) -> None:
    with pytest.raises(RouteError, match=r"STARTTLS.*Choose another 'security'"):
        MailRoute(address(plain, security="starttls")).send(MESSAGE)
    assert plain.mails.taken == []


def test_what_a_server_refuses_is_said(plain: MailServer) -> None:
    plain.mails.refuse_who = "550 no such user"
    with pytest.raises(RouteError, match=r"takes no mail for me@example.org \(550 no such user\). Correct 'to'"):
        MailRoute(address(plain)).send(MESSAGE)
    plain.mails.refuse_who, plain.mails.refuse_data = "", "554 looks like spam"
    with pytest.raises(MessageRefusedError, match=r"refused this mail \(554 looks like spam\)"):
        MailRoute(address(plain)).send(MESSAGE)
    plain.mails.refuse_data = ""
    MailRoute(address(plain)).send(MESSAGE)
    assert len(plain.mails.taken) == 1
    plain.mails.taken.clear()


def test_a_server_that_is_away_or_says_nothing_is_said(plain: MailServer) -> None:
    away = replace(address(plain), port=free_port())
    with pytest.raises(RouteError, match=r"can't be reached .*Is it on, and are host and port right"):
        MailRoute(away).send(MESSAGE)
    with closing(create_server(("127.0.0.1", 0))) as dumb:
        silent = replace(away, port=dumb.getsockname()[1])
        with pytest.raises(RouteError, match=r"gave no answer within 0.05 s"):
            MailRoute(silent, answered_within_s=0.05).send(MESSAGE)
