"""What somebody who means ill can send: foreign names, foreign forms, guesses, and connections that never end."""

from __future__ import annotations

import re
import resource
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from urllib.parse import urlsplit

import httpx
import pytest
from in_process import InProcess, in_process
from shelf_on_page import got, keeper_by_hand, make_shelf, serving

from monitor.settings import Shelf
from monitor.web import connections
from monitor.web.app import App, create_app
from monitor.web.forms import changes
from monitor.web.guard import HEADERS, Served
from monitor.web.serving import uvicorn_settings


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return make_shelf(tmp_path_factory.mktemp("shelf"))


@pytest.fixture(scope="module")
def address(shelf: Shelf) -> Iterator[str]:
    with serving(shelf, keeper_by_hand(shelf), served=Served(("shelf.example",))) as address:
        yield address


def connected(address: str) -> socket.socket:
    place = urlsplit(address)
    return socket.create_connection((place.hostname or "", place.port or 0), timeout=30)


def sent(address: str, raw: bytes) -> tuple[int, dict[str, str], str]:
    """Send bytes as they are, and return status, headers and text of the answer; status 0 where there is none."""
    with connected(address) as connection:
        connection.sendall(raw)
        answer = b""
        while part := _part(connection):
            answer += part
    head, _, body = answer.decode("utf-8", "replace").partition("\r\n\r\n")
    first, *lines = head.split("\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    return int(first.split()[1]) if first else 0, headers, body


def _part(connection: socket.socket) -> bytes:
    try:
        return connection.recv(65_536)
    except ConnectionResetError:
        return b""


def get(target: str, *headers: str, method: str = "GET", version: str = "1.1") -> bytes:
    return "\r\n".join((f"{method} {target} HTTP/{version}", *headers, "Connection: close", "", "")).encode("latin-1")


def require_all_headers(headers: dict[str, str]) -> None:
    assert {name: headers.get(name.lower()) for name in HEADERS} == HEADERS


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:1", 200),
        ("LOCALHOST", 200),
        ("[::1]:8737", 200),
        ("shelf.example", 303),
        ("shelf.example.", 303),
        ("evil.example", 421),
        ("127.0.0.1.evil.example", 421),
        ("localhost.evil.example:8737", 421),
        ("192.0.2.7", 421),
        ("[::1", 400),
        ("[::1]evil.example", 400),
        ("127.0.0.1:80@evil.example", 400),
        ("127.0.0.1/evil", 400),
        ("127.0.0.1, evil.example", 400),
        ("", 400),
        ("bad host", 400),
        ("127.0.0.1:port", 400),
        ("\xfcber.example", 400),
    ],
)
def test_only_own_names_are_answered(address: str, host: str, status: int) -> None:
    answer, headers, _ = sent(address, get("/", f"Host: {host}"))
    assert answer == status
    require_all_headers(headers)


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        (get("http://127.0.0.1/", "Host: evil.example"), 200),
        (get("http://evil.example/", "Host: 127.0.0.1"), 421),
        (get("http://[::1/", "Host: 127.0.0.1"), 400),
        (get("http://127.0.0.1/box/soon?limit=", "Host: 127.0.0.1"), 200),
        (get("ftp://127.0.0.1/", "Host: 127.0.0.1"), 400),
        (get("/"), 400),
        (get("/", version="1.0"), 400),
        (get("/", "Host: 127.0.0.1", version="1.0"), 200),
        (get("/", "Host: 127.0.0.1", "Host: evil.example"), 400),
        (get("*", "Host: 127.0.0.1", method="OPTIONS"), 204),
        (get("*", "Host: 127.0.0.1"), 400),
        (get("/", "Host: 127.0.0.1", method="OPTIONS"), 405),
        (get("/", "Host: 127.0.0.1", method="TRACE"), 405),
        (get("/", "Host: 127.0.0.1", method="DELETE"), 405),
        (get("/enter", "Host: 127.0.0.1", method="PUT"), 405),
        (get("evil.example:443", "Host: 127.0.0.1", method="CONNECT"), 400),
        (get("/a%00b", "Host: 127.0.0.1"), 400),
        (get("/assets/..%2f..%2fpyproject.toml", "Host: 127.0.0.1"), 404),
        (get("/assets/%2e%2e/templates/base.html", "Host: 127.0.0.1"), 404),
        (get("/" + "a" * 5000, "Host: 127.0.0.1"), 404),
        (b"no request at all\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: a\r\n b\0\r\n\r\n", 400),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", 400),  # how TLS begins
    ],
)
def test_odd_requests_get_a_plain_answer_with_all_headers(address: str, raw: bytes, status: int) -> None:
    answer, headers, _ = sent(address, raw + b"\r\n\r\n")
    assert answer == status
    require_all_headers(headers)
    if status == 405:
        assert "GET" in headers["allow"]


@pytest.mark.parametrize("how", ["one packet", "without an end", "a long address"])
def test_a_head_over_16_kb_is_refused(address: str, how: str) -> None:
    host = b"Host: 127.0.0.1\r\n"
    raw = {
        "one packet": b"GET / HTTP/1.1\r\n" + host + b"Connection: close\r\nX: " + b"a" * 16_400 + b"\r\n\r\n",
        "without an end": b"GET / HTTP/1.1\r\n" + host + b"X: " + b"a" * 20_000,
        "a long address": b"GET /?" + b"a" * 16_400 + b" HTTP/1.1\r\n" + host + b"Connection: close\r\n\r\n",
    }[how]
    status, headers, _ = sent(address, raw)
    assert status == 431
    require_all_headers(headers)


@pytest.mark.parametrize("path", ["//evil.example/", "/box//evil.example/", "/enter/", "/\\evil.example/", "/leave/"])
def test_no_redirect_leads_away(address: str, path: str) -> None:
    status, headers, _ = sent(address, get(path, "Host: localhost"))
    assert status in (200, 307, 400, 404)
    if status == 307:
        assert urlsplit(headers["location"]).netloc == "localhost"


def test_web_sockets_and_other_upgrades_are_answered_as_pages(address: str) -> None:
    asked = ("Host: 127.0.0.1", "Upgrade: websocket", "Sec-WebSocket-Key: eA==", "Sec-WebSocket-Version: 13")
    status, headers, _ = sent(address, get("/", *asked, "Connection: Upgrade"))
    assert status == 200
    require_all_headers(headers)


def test_a_mistake_of_ours_carries_all_headers_and_tells_nothing(shelf: Shelf) -> None:
    app = create_app(shelf, keeper_by_hand(shelf))

    def fail(_request: object) -> None:
        raise ZeroDivisionError("the inside of siccast")

    app.add_route("/mistake", fail)
    with in_process(app) as client:
        answer = client.get("/mistake")
    assert answer.status_code == 500
    assert "siccast made a mistake here" in answer.text
    assert "the inside" not in answer.text
    require_all_headers(dict(answer.headers))


# Forms


@pytest.fixture(scope="module")
def told(shelf: Shelf) -> Iterator[tuple[InProcess, list[str]]]:
    """A page with one form more, and what it was told."""
    told: list[str] = []
    app = create_app(shelf, keeper_by_hand(shelf))
    assert isinstance(app, App)
    tokens = next(route.endpoint.__self__ for route in app.routes if route.name == "enter").site.tokens  # type: ignore[attr-defined]
    page = app.routes[0].endpoint.__self__.site  # type: ignore[attr-defined]

    def tell(_request: object, form: dict[str, str]) -> object:
        told.append(form["word"])
        return page.renderer.message(page.shelf, "told")

    app.add_route("/tell", changes(tokens, tell), methods=["POST"])
    app.add_route("/token", lambda _: page.renderer.message(page.shelf, f"token={tokens.token}."))
    with in_process(app) as client:
        yield client, told


OWN, FOREIGN = "http://127.0.0.1", "https://evil.example"


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"sec-fetch-site": "same-origin"}, 200),
        ({"sec-fetch-site": "none"}, 200),
        ({"sec-fetch-site": "same-origin", "origin": OWN}, 200),
        ({"origin": OWN}, 200),
        ({"referer": f"{OWN}/box/soon"}, 200),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"sec-fetch-site": ""}, 403),
        ({"sec-fetch-site": "cross-site", "origin": OWN}, 403),
        ({"origin": FOREIGN}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://["}, 403),
        ({"origin": "http://127.0.0.1:9"}, 403),
        ({"referer": f"{FOREIGN}/?{OWN}"}, 403),
    ],
)
def test_forms_of_other_sites_change_nothing_even_with_the_token(
    told: tuple[InProcess, list[str]], headers: dict[str, str], status: int
) -> None:
    client, heard = told
    heard.clear()
    token = re.search(r"token=(\w+)\.", client.get("/token").text)
    assert token
    answer = client.post("/tell", data={"token": token[1], "word": "hello"}, headers=headers)
    assert answer.status_code == status
    assert heard == (["hello"] if status == 200 else [])


@pytest.mark.parametrize("token", [None, "", "x", "0" * 64, "\u00fc", "\0"])
def test_forms_without_the_token_change_nothing(told: tuple[InProcess, list[str]], token: str | None) -> None:
    client, heard = told
    heard.clear()
    answer = client.post("/tell", data={"word": "hello"} | ({} if token is None else {"token": token}))
    assert answer.status_code == 403
    assert "nothing was changed" in answer.text
    assert heard == []


@pytest.mark.parametrize(
    ("body", "status"),
    [(b"a" * 70_000, 413), (b"&".join(b"a=1" for _ in range(300)), 400), (b"\xff\xfe=\xff", 400), (b"", 403)],
)
def test_bodies_that_are_no_form_change_nothing(told: tuple[InProcess, list[str]], body: bytes, status: int) -> None:
    client, heard = told
    heard.clear()
    assert client.post("/tell", content=body).status_code == status
    assert heard == []


# Connections


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """What takes 10 and 30 seconds in truth is waited for a moment only."""
    monkeypatch.setattr(connections, "_PATIENCE_S", dict.fromkeys(connections._PATIENCE_S, 0.3))


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize(
    ("begun", "status"),
    [
        (b"", 408),
        (b"GET / HT", 408),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ", 408),
        (b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\ntoken=", 0),
        (b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nab", 0),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET / HT", 200),
    ],
)
def test_a_request_that_never_becomes_whole_ends(address: str, begun: bytes, status: int) -> None:
    answer, headers, _ = sent(address, begun)
    assert answer == status
    if status:
        require_all_headers(headers)


@pytest.mark.usefixtures("impatient")
def test_a_request_in_drops_ends_all_the_same(address: str) -> None:
    with connected(address) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")
        connection.settimeout(0.05)
        for _ in range(200):
            try:
                connection.sendall(b"X: y\r\n")
                if not connection.recv(100).startswith(b"HTTP/1.1 408"):
                    continue
            except TimeoutError:
                continue
            except ConnectionError:
                pass
            return
    raise AssertionError("the connection was still open")


def test_pages_answer_beside_300_half_open_connections(address: str) -> None:
    with ExitStack() as held:
        for count in range(300):
            connection = held.enter_context(connected(address))
            connection.sendall(b"GET / HTTP/1.1\r\nHost: 127" if count % 2 else b"")
            if count % 60 == 0:
                assert got(address).status_code == 200
        assert got(address).status_code == 200
        assert httpx.post(f"{address}/enter", data={"token": "x"}).status_code == 403


def test_no_more_connections_are_held_than_there_is_room_for(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "MOST_OF_ONE", 1000)
    monkeypatch.setattr(connections, "MOST", 20)
    with serving(shelf, keeper_by_hand(shelf)) as address, ExitStack() as held:
        opened = [held.enter_context(connected(address)) for _ in range(60)]
        assert got(address).status_code == 200
        still = 0
        for connection in opened:
            connection.settimeout(0.01)
            try:
                still += bool(connection.recv(1))
            except TimeoutError:
                still += 1
            except ConnectionResetError:
                pass
    assert still <= 20


@pytest.fixture
def room_for_2500_sockets() -> Iterator[None]:
    usual, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if most != resource.RLIM_INFINITY and most < 2500:
        pytest.skip(f"this system allows {most} open files (ulimit -Hn), and both ends of 1,500 connections are here")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(usual, 2500), most))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (usual, most))


@pytest.mark.usefixtures("room_for_2500_sockets")
def test_1500_half_open_connections_of_25_addresses_are_neither_held_nor_in_the_way(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each address wants more than it may have, and all of them more than there is; the page answers all the while."""
    monkeypatch.setattr(connections, "_PATIENCE_S", dict.fromkeys(connections._PATIENCE_S, 3.0))
    place = urlsplit(address)
    here, held = (place.hostname or "", place.port or 0), dict[str, list[socket.socket]]()
    with ExitStack() as stack:
        for count in range(1500):
            theirs = f"127.0.0.{2 + count % 25}"
            connection = socket.create_connection(here, timeout=30, source_address=(theirs, 0))
            held.setdefault(theirs, []).append(stack.enter_context(connection))
            with suppress(ConnectionError):
                connection.sendall(b"GET / HTTP/1.1\r\nHost: 127" if count % 2 else b"")
            if count % 300 == 299:
                assert httpx.get(address, timeout=30).status_code == 200
        open_still = {theirs: sum(map(is_open, opened)) for theirs, opened in held.items()}
        assert max(open_still.values()) <= connections.MOST_OF_ONE
        assert sum(open_still.values()) <= connections.MOST
        for connection in (one for opened in held.values() for one in opened):
            while _part(connection):
                pass
        assert got(address).status_code == 200


def test_one_of_several_addresses_gets_its_share_and_no_more(address: str) -> None:
    place = urlsplit(address)
    here = (place.hostname or "", place.port or 0)
    with ExitStack() as stack:
        opened = [
            stack.enter_context(socket.create_connection(here, timeout=30, source_address=(f"127.0.0.{which}", 0)))
            for which in [60] * (2 * connections.MOST_OF_ONE) + [61] * 10
        ]
        assert got(address).status_code == 200
        assert sum(map(is_open, opened[:-10])) == connections.MOST_OF_ONE
        assert all(map(is_open, opened[-10:]))


def is_open(connection: socket.socket) -> bool:
    """Return whether the server still waits for the rest of a request; it says nothing before it ends a connection."""
    connection.setblocking(False)
    try:
        connection.recv(1, socket.MSG_PEEK)
    except BlockingIOError:
        return True
    except ConnectionResetError:
        pass
    finally:
        connection.settimeout(30)
    return False


def test_who_takes_nothing_of_the_answers_is_left(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_READ_S", 0.2)
    lost = threading.Event()
    usual = connections.Connection.connection_lost

    def connection_lost(self: connections.Connection, error: Exception | None) -> None:
        usual(self, error)
        lost.set()

    monkeypatch.setattr(connections.Connection, "connection_lost", connection_lost)
    place = urlsplit(address)
    with socket.socket() as reader:
        reader.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        reader.connect((place.hostname, place.port))
        reader.settimeout(1)
        ask = b"GET /assets/vendor/uPlot.iife.min.js HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        try:
            for _ in range(400):
                reader.sendall(ask)
        except OSError:
            pass  # the server reads no more, or has left already
        assert lost.wait(60)


def test_the_server_believes_no_header_of_a_proxy_and_names_itself_nowhere(shelf: Shelf, address: str) -> None:
    settings = uvicorn_settings(create_app(shelf))
    assert not settings.proxy_headers
    assert "server" not in got(address).headers
