"""Messages as mail, handed to a server by SMTP."""

from __future__ import annotations

import smtplib
import ssl
from email.message import EmailMessage
from email.utils import format_datetime
from typing import TYPE_CHECKING

from monitor.errors import MessageRefusedError, RouteError

if TYPE_CHECKING:
    from monitor.records.alerts import MailAddress, Message

ANSWERED_WITHIN_S = 20.0  # judgement: servers keep strangers waiting for some seconds on purpose


class MailRoute:
    """Sends mail by one server."""

    def __init__(self, address: MailAddress, answered_within_s: float = ANSWERED_WITHIN_S) -> None:
        self._address = address
        self._answered_within_s = answered_within_s

    def send(self, message: Message) -> None:
        """Hand a message in; it counts as sent once the server took it for at least one of those it is for."""
        where = f"{self._address.host}:{self._address.port}"
        try:
            with self._connected() as server:
                if self._address.username and self._address.password is not None:
                    server.login(self._address.username, self._address.password)
                server.send_message(mail_of(message, self._address))
        except smtplib.SMTPAuthenticationError:
            raise RouteError(f"{where} refused user '{self._address.username}'. Check user and password") from None
        except smtplib.SMTPRecipientsRefused as error:
            said = "; ".join(f"{who} ({_said(code, text)})" for who, (code, text) in error.recipients.items())
            raise RouteError(f"{where} takes no mail for {said}. Correct 'to'") from None
        except smtplib.SMTPDataError as error:
            raise MessageRefusedError(
                f"{where} refused this mail ({_said(error.smtp_code, error.smtp_error)})"
            ) from None
        except smtplib.SMTPResponseException as error:
            raise RouteError(f"{where} answered {_said(error.smtp_code, error.smtp_error)}") from None
        except smtplib.SMTPNotSupportedError as error:
            raise RouteError(f"{where}: {error} Choose another 'security' or no user") from None
        except ssl.SSLError as error:
            raise RouteError(f"{where}: no encrypted connection ({error.reason or error}). Check 'security'") from None
        except TimeoutError:
            raise RouteError(f"{where} gave no answer within {self._answered_within_s:g} s") from None
        except (smtplib.SMTPException, OSError) as error:
            if isinstance(error.__context__, TimeoutError):  # smtplib says it is a lost connection
                raise RouteError(f"{where} gave no answer within {self._answered_within_s:g} s") from None
            why = getattr(error, "strerror", None) or str(error)
            raise RouteError(f"{where} can't be reached ({why}). Is it on, and are host and port right?") from None

    def _connected(self) -> smtplib.SMTP:
        address, context = self._address, ssl.create_default_context(cafile=self._address.ca_file)
        if address.security == "tls":
            return smtplib.SMTP_SSL(address.host, address.port, timeout=self._answered_within_s, context=context)
        server = smtplib.SMTP(address.host, address.port, timeout=self._answered_within_s)
        if address.security == "starttls":
            try:
                server.starttls(context=context)
            except BaseException:
                server.close()
                raise
        return server


def mail_of(message: Message, address: MailAddress) -> EmailMessage:
    """Return a message as mail; the same message always makes the same Message-ID (RFC 5322, section 3.6.4)."""
    mail = EmailMessage()
    mail["From"] = address.sender
    mail["To"] = ", ".join(address.to)
    mail["Subject"] = message.subject
    mail["Date"] = format_datetime(message.made_at)
    mail["Message-ID"] = f"<{message.uid}@{address.sender.rpartition('@')[2].strip('> ')}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834, section 5: absence notes stay away
    if message.urgent:
        mail["Importance"] = "high"  # RFC 2156, section 5.3.4
    mail.set_content(message.text + "\n")
    return mail


def _said(code: int, text: bytes | str) -> str:
    plain = text.decode(errors="replace") if isinstance(text, bytes) else text
    return f"{code} {' '.join(plain.split())}".strip()
