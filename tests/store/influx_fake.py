"""A stand-in for the two InfluxDB 2 addresses that siccast uses, with the faults a real server and its network have.

It stores what `/api/v2/write` brings and answers the two questions of `monitor/store/influx/wire.py` in annotated CSV
(https://docs.influxdata.com/influxdb/v2/reference/syntax/annotated-csv/). It knows no Flux beyond those two.
"""

from __future__ import annotations

import re
import socket
import threading
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlparse

_LINE = re.compile(r"(?P<measurement>[^,]+),box=(?P<box>(?:\\.|[^ ])+) (?P<fields>.*) (?P<at>\d+)$")
_FIELD = re.compile(r'(\w+)=("(?:\\.|[^"])*"|[^,]+)')


@dataclass
class InfluxFake:
    """Holds points and the faults to show next."""

    token: str = "secret"
    points: dict[tuple[str, int], dict[str, Any]] = field(default_factory=dict)
    faults: deque[str] = field(default_factory=deque)
    """What the next writes meet: a status such as '503', '429:1' with Retry-After, 'hang' or 'half-close'."""
    writes: int = 0
    largest_lines: int = 10_000
    refused_box: str | None = None
    hang_s: float = 0.5

    def __enter__(self) -> InfluxFake:
        fake = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                fake.answer(self)

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.server_address[1]}"

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers.get("Content-Length", 0)))
        address = urlparse(request.path)
        if address.path == "/api/v2/write":
            self.writes += 1
            self.answer_write(request, body.decode(), parse_qs(address.query))
        elif address.path == "/api/v2/query" and request.headers["Authorization"] != f"Token {self.token}":
            reply(request, 401)
        elif address.path == "/api/v2/query":
            self.answer_query(request, body)
        else:
            reply(request, 404)

    def answer_write(self, request: BaseHTTPRequestHandler, lines: str, query: dict[str, list[str]]) -> None:
        fault = self.faults.popleft() if self.faults else ""
        if fault == "hang":
            threading.Event().wait(self.hang_s)
        elif fault == "half-close":
            request.connection.shutdown(socket.SHUT_RDWR)
        elif fault:
            status, _, retry_after = fault.partition(":")
            reply(request, int(status), headers={"Retry-After": retry_after} if retry_after else {})
        elif request.headers["Authorization"] != f"Token {self.token}":
            reply(request, 401)
        elif lines.count("\n") >= self.largest_lines:
            reply(request, 413)
        elif self.refused_box is not None and f"box={self.refused_box} " in lines:
            reply(request, 400)
        else:
            assert query["precision"] == ["ms"]
            self.store(lines)
            reply(request, 204)

    def store(self, lines: str) -> None:
        for line in lines.splitlines():
            found = _LINE.fullmatch(line)
            assert found, f"no line protocol: {line}"
            assert found["measurement"] == "reading"
            box = re.sub(r"\\(.)", r"\1", found["box"])
            point = self.points.setdefault((box, int(found["at"])), {})
            point |= {name: _value(text) for name, text in _FIELD.findall(found["fields"])}

    def answer_query(self, request: BaseHTTPRequestHandler, body: bytes) -> None:
        import json

        flux = json.loads(body)["query"]
        box = re.sub(r"\\(.)", r"\1", re.search(r'r\.box == "((?:\\.|[^"])*)"', flux)[1])  # type: ignore[index]
        start, stop = re.search(r"range\(start: (\S+), stop: (\S+)\)", flux).groups()  # type: ignore[union-attr]
        rows = [
            (at_ms, fields)
            for (name, at_ms), fields in sorted(self.points.items())
            if name == box and _ms(start) <= at_ms < _ms(stop)
        ]
        reply(request, 200, annotated(_hourly(rows) if "aggregateWindow" in flux else rows))


def reply(
    request: BaseHTTPRequestHandler, status: int, body: bytes = b"", headers: dict[str, str] | None = None
) -> None:
    request.send_response(status)
    for name, value in (headers or {}).items():
        request.send_header(name, value)
    request.send_header("Content-Length", str(len(body)))
    request.end_headers()
    request.wfile.write(body)


def annotated(rows: list[tuple[int, dict[str, Any]]]) -> bytes:
    """Return rows as one table of annotated CSV."""
    columns = sorted({name for _, fields in rows for name in fields})
    kinds = {float: "double", int: "long", str: "string", bool: "boolean"}
    kind_of = {name: kinds[type(next(f[name] for _, f in rows if name in f))] for name in columns}
    if not rows:
        return b"\r\n"
    lines = [
        "#datatype,string,long,dateTime:RFC3339," + ",".join(kind_of[name] for name in columns),
        "#group" + ",false" * (3 + len(columns)),
        "#default,_result,," + "," * len(columns),
        ",result,table,_time," + ",".join(columns),
    ]
    for at_ms, fields in rows:
        at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        cells = (
            ""
            if name not in fields
            else str(fields[name]).lower()
            if isinstance(fields[name], bool)
            else str(fields[name])
            for name in columns
        )
        lines.append(f",,0,{at}," + ",".join(cells))
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def _hourly(rows: list[tuple[int, dict[str, Any]]]) -> list[tuple[int, dict[str, Any]]]:
    hours: dict[int, list[dict[str, Any]]] = {}
    for at_ms, fields in rows:
        hours.setdefault(at_ms // 3_600_000 * 3_600_000, []).append(fields)
    names = ("temperature_c", "rh_pct")
    return [(at, {n: sum(f[n] for f in told) / len(told) for n in names}) for at, told in sorted(hours.items())]


def _value(text: str) -> Any:
    if text.startswith('"'):
        return re.sub(r"\\(.)", r"\1", text[1:-1])
    if text in {"true", "false"}:
        return text == "true"
    return int(text[:-1]) if text.endswith("i") else float(text)


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)
