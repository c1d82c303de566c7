"""Real servers that alerts are sent to: SMTP (aiosmtpd) and HTTP, each told how to answer."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any

from aiosmtpd.controller import Controller

from monitor.records.alerts import Message, MessageKind, Told

if TYPE_CHECKING:
    from email.message import EmailMessage

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
TOLD = Told("left", "over limit", "left: dry beads now.", "word", True, "2026-03-04T11:00:00Z")
MESSAGE = Message("5f3c", "route", MessageKind.first, NOW, "siccast attic: left: over limit", "Grüße", (TOLD,), 7)


@dataclass
class Mails:
    """An SMTP handler that keeps mail, and refuses with an answer where one is set."""

    taken: list[EmailMessage] = field(default_factory=list)
    refuse_data: str = ""
    refuse_who: str = ""

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if self.refuse_who:
            return self.refuse_who
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.refuse_data:
            return self.refuse_data
        self.taken.append(message_from_bytes(envelope.original_content, policy=policy.default))  # type: ignore[arg-type]
        return "250 OK"


class MailServer(Controller):
    """An SMTP server on a port of loopback, until it is stopped."""

    def __init__(self, port: int, **how: Any) -> None:
        self.mails = Mails()
        super().__init__(self.mails, hostname="127.0.0.1", port=port, **how)


@dataclass
class Post:
    """One request as it came in."""

    headers: dict[str, str]
    body: bytes

    @property
    def content(self) -> dict[str, Any]:
        return json.loads(self.body)


class Hook:
    """An HTTP server that keeps what is posted, and answers as it is told."""

    def __init__(self, port: int = 0) -> None:
        hook = self
        self.posts: list[Post] = []
        self.asked = 0
        self.status = 204
        self.hangs = threading.Event()
        self.hangs.set()

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                hook.asked += 1
                hook.hangs.wait()
                if hook.status < 300:
                    hook.posts.append(Post({key.lower(): value for key, value in self.headers.items()}, body))
                self.send_response(hook.status)
                self.send_header("Location", "/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        self.url = f"http://127.0.0.1:{self.port}/hook"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    @property
    def alerts(self) -> list[tuple[str, str, str]]:
        """What was told, in order: kind of message, box and matter."""
        return [(w["kind"], w["box"], w["matter"]) for post in self.posts for w in post.content["words"]]

    def stop(self) -> None:
        self.hangs.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)
