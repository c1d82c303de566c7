"""The pages behind a real reverse proxy with TLS, set up as the README says: sign-in, pages, forms and live events."""

from __future__ import annotations

import os
import re
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from conftest import free_port, require_program
from living_shelf import Told, living_shelf
from shelf_on_page import serving

from monitor.presentation.clock import utc_now
from monitor.records import EntryKind
from monitor.settings import Shelf
from monitor.store.opening import open_stores
from monitor.web.access.password import hashed
from monitor.web.access.secret import Secret, SecretFile
from monitor.web.access.who import Access
from monitor.web.guard import Served

README = Path(__file__).resolve().parents[2] / "README.md"
NAME, PASSWORD = "shelf.example", "four dry boxes"
AROUND = """
daemon off;
pid {folder}/pid;
error_log {folder}/errors;
events {{}}
http {{
access_log off;
client_body_temp_path {folder}/body;
proxy_temp_path {folder}/proxy;
fastcgi_temp_path {folder}/fastcgi;
uwsgi_temp_path {folder}/uwsgi;
scgi_temp_path {folder}/scgi;
{server}
}}
"""


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    shelf = living_shelf(tmp_path_factory.mktemp("shelf"))
    SecretFile(shelf.folder).keep(Secret(password_hash=hashed(PASSWORD)))
    return shelf


@pytest.fixture(scope="module")
def client(shelf: Shelf, tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """Somebody elsewhere, who knows the proxy alone."""
    folder, port = tmp_path_factory.mktemp("proxy"), free_port()
    certificate = self_signed(folder)
    access = Access(SecretFile(shelf.folder), is_behind_proxy=True)
    with serving(shelf, wait_for="", access=access, served=Served((NAME,), "127.0.0.1")) as address:
        proxy = start(folder, as_documented(address, port, folder), port)
        headers = {"Host": f"{NAME}:{port}", "Origin": f"https://{NAME}:{port}", "X-Forwarded-Host": "evil.example"}
        trust = ssl.create_default_context(cafile=certificate)
        base = f"https://127.0.0.1:{port}"
        with httpx.Client(base_url=base, verify=trust, headers=headers, timeout=None) as client:
            yield client
        proxy.terminate()
        proxy.wait(30)


def self_signed(folder: Path) -> Path:
    program = require_program("openssl")
    kind = ["-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    about = ["-subj", f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME},IP:127.0.0.1"]
    files = ["-keyout", str(folder / "page.key"), "-out", str(folder / "page.pem")]
    subprocess.run([program, "req", *kind, *about, *files], check=True, capture_output=True)
    return folder / "page.pem"


def as_documented(address: str, port: int, folder: Path) -> str:
    """Return the server of the README with the ports and files of this test."""
    found = re.search(r"```nginx\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert found
    server = found[1].replace("http://127.0.0.1:8737", address).replace("443 ssl", f"127.0.0.1:{port} ssl")
    return server.replace("/etc/ssl/", f"{folder}/")


def start(folder: Path, server: str, port: int) -> subprocess.Popen[bytes]:
    settings = folder / "nginx.conf"
    user = "user root;\n" if os.getuid() == 0 else ""
    settings.write_text(user + AROUND.format(folder=folder, server=server), encoding="utf-8")
    program = require_program("nginx")
    proxy = subprocess.Popen([program, "-p", str(folder), "-c", str(settings), "-e", str(folder / "errors")])
    while proxy.poll() is None:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return proxy
        time.sleep(0.02)
    pytest.fail(f"nginx ended: {(folder / 'errors').read_text(encoding='utf-8')}")


def send(client: httpx.Client, path: str, *, sees: str, **form: str) -> httpx.Response:
    token = re.search(r'name="token" value="(\w+)"', client.get(sees).text)
    assert token
    return client.post(path, data={"token": token[1], **form})


def test_sign_in_pages_forms_and_live_events_work_behind_it(client: httpx.Client, shelf: Shelf) -> None:
    asked = client.get("/box/left")
    assert (asked.status_code, asked.headers["location"]) == (303, "/enter?to=/box/left")
    assert client.get("/assets/siccast.css").status_code == 200
    entered = send(client, "/enter", sees="/enter", password=PASSWORD, to="/box/left")
    assert (entered.status_code, entered.headers["location"]) == (303, "/box/left")
    assert "Secure" in entered.headers["set-cookie"]
    for path in ("/", "/box/left", "/plan", "/desk", "/house", "/help"):
        assert client.get(path).status_code == 200, path
    with client.stream("GET", "/live") as stream:
        lines = stream.iter_lines()
        assert next(lines).startswith("retry: ")
        logged = send(client, "/box/left/log", sees="/box/left", deed="opening", when="now", note="by the proxy")
        assert logged.status_code == 303
        Told(lines).of("deed")
    with open_stores(shelf.database_path, read_only=True) as stores:
        [entry] = stores.ledger.entries("left", before=utc_now())
    assert (entry.kind, entry.note) == (EntryKind.opening, "by the proxy")


def test_what_a_foreign_page_sends_through_it_is_refused(client: httpx.Client) -> None:
    assert (
        client.post("/enter", data={"password": PASSWORD}, headers={"Origin": "https://evil.example"}).status_code
        == 403
    )
    wrong = client.get("/enter", headers={"Host": "evil.example"})
    assert wrong.status_code == 421
