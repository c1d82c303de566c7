"""Who may see the pages: passwords, sessions, pairing links, and how often one may guess."""

from __future__ import annotations

import html
import json
import re
import socket
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from conftest import require_program
from in_process import InProcess, in_process
from shelf_on_page import keeper_by_hand, make_shelf
from starlette.responses import Response
from typer.testing import CliRunner

from monitor.cli.app import app as command
from monitor.errors import SettingsError, SiccastError
from monitor.settings import Shelf
from monitor.web import serving as web_serving
from monitor.web.access.attempts import Attempts
from monitor.web.access.password import hashed
from monitor.web.access.secret import SECRET_FILE, Secret, SecretFile
from monitor.web.access.who import Access, Pairing
from monitor.web.app import create_app
from monitor.web.guard import Served

PASSWORD = "four dry boxes"
PHONE = "192.168.7.20"


@dataclass
class Clock:
    now: float = 1_790_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return make_shelf(tmp_path_factory.mktemp("shelf"))


@pytest.fixture(scope="module")
def kept() -> str:
    return hashed(PASSWORD)


@dataclass
class Page:
    """A page, as one device sees it."""

    client: InProcess
    access: Access
    clock: Clock

    def get(self, path: str, **settings: object) -> httpx.Response:
        return self.client.get(path, **settings)

    def send(self, path: str = "/enter", *, sees: str = "/enter", **form: str) -> httpx.Response:
        """Send a form with the token of the page on which it stands."""
        token = re.search(r'name="token" value="(\w+)"', self.get(sees).text)
        assert token, sees
        return self.client.post(path, data={"token": token[1], **form})


@contextmanager
def opened(shelf: Shelf, folder: Path, kept: str = "", **settings: object) -> Iterator[Page]:
    clock, file = Clock(), SecretFile(folder)
    if kept or not (folder / SECRET_FILE).exists():
        file.keep(Secret(password_hash=kept))
    access = Access(file, attempts=Attempts(clock), pairing=Pairing(clock), clock=clock, **settings)  # type: ignore[arg-type]
    app = create_app(shelf, keeper_by_hand(shelf), access=access, served=Served((PHONE, "shelf.example"), "10.0.0.9"))
    with in_process(app, address=PHONE) as client:
        yield Page(client, access, clock)


@pytest.fixture
def page(shelf: Shelf, kept: str, tmp_path: Path) -> Iterator[Page]:
    with opened(shelf, tmp_path, kept) as page:
        yield page


@pytest.mark.parametrize("path", ["/", "/box/soon", "/box/nobody", "/drying.ics", "/nowhere", "//evil.example"])
def test_another_device_sees_nothing_before_it_signs_in(page: Page, path: str) -> None:
    answer = page.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/enter?to=/")
    assert "soon" not in answer.text
    assert page.get("/assets/siccast.css").status_code == 200


def test_the_password_opens_the_pages_and_leads_on_to_what_was_wanted(page: Page) -> None:
    answer = page.send(password=PASSWORD, to="/box/soon")
    assert (answer.status_code, answer.headers["location"]) == (303, "/box/soon")
    cookie = answer.headers["set-cookie"]
    for part in ("HttpOnly", "SameSite=strict", "Path=/", "Max-Age=2592000"):
        assert part in cookie
    assert "Secure" not in cookie
    assert page.get("/box/soon").status_code == 200
    assert "signed in" in page.get("/enter").text


@pytest.mark.parametrize("typed", ["", "four dry boxe", "FOUR DRY BOXES", "\0", "x" * 60_000, "\u00fc" * 9])
def test_a_wrong_password_opens_nothing(page: Page, typed: str) -> None:
    answer = page.send(password=typed)
    assert answer.status_code == 403
    assert "That is not the password" in answer.text
    assert "set-cookie" not in answer.headers
    assert page.get("/").status_code == 303


@pytest.mark.parametrize("to", ["https://evil.example/", "//evil.example", "/\\evil.example", "evil", "/a\r\nX: y", ""])
def test_signing_in_never_leads_away(page: Page, to: str) -> None:
    assert page.send(password=PASSWORD, to=to).headers["location"] == "/"


def test_a_session_ends_after_30_days_and_when_signed_out(page: Page) -> None:
    page.send(password=PASSWORD)
    cookies = dict(page.client.cookies)
    page.clock.now += 29 * 86_400
    assert page.get("/").status_code == 200
    left = page.send("/leave")
    assert left.status_code == 303
    assert not page.client.cookies
    for name, value in cookies.items():  # somebody copied it
        assert page.get("/", headers={"cookie": f"{name}={value}"}).status_code == 303
    page.send(password=PASSWORD)
    page.clock.now += 30 * 86_400 + 1
    assert page.get("/").status_code == 303


def test_a_session_and_an_open_form_outlive_a_restart_and_end_with_a_new_password(
    shelf: Shelf, kept: str, tmp_path: Path
) -> None:
    with opened(shelf, tmp_path, kept) as page:
        page.send(password=PASSWORD)
        cookies = dict(page.client.cookies)
        token = re.search(r'name="token" value="(\w+)"', page.get("/enter").text)
    (cookie,) = cookies.items()
    headers = {"cookie": "=".join(cookie)}
    with opened(shelf, tmp_path) as again:
        assert again.get("/", headers=headers).status_code == 200
        page_of_it = again.get("/enter", headers=headers).text
        assert token
        assert token[1] in page_of_it
        again.access.file.keep(Secret(password_hash=hashed("another password")))
        assert again.get("/", headers=headers).status_code == 303
        gone = again.client.post("/leave", data={"token": token[1]}, headers=headers)
        assert gone.status_code == 401


@pytest.mark.parametrize("how", ["one letter", "later end", "another name", "no signature", "nonsense"])
def test_a_session_can_t_be_made_up(page: Page, how: str) -> None:
    page.send(password=PASSWORD)
    ((name, value),) = page.client.cookies.items()
    session, until, signature = value.split(".")
    forged = {
        "one letter": f"{session}.{until}.{signature[:-1]}{'0' if signature[-1] != '0' else '1'}",
        "later end": f"{session}.{int(until) + 9}.{signature}",
        "another name": f"here.{until}.{signature}",
        "no signature": f"{session}.{until}.",
        "nonsense": "...\u00ff",
    }[how]
    page.client.cookies.clear()
    assert page.get("/", headers={"cookie": f"{name}={forged}".encode("latin-1")}).status_code == 303


def test_a_form_of_one_session_is_none_of_another(page: Page) -> None:
    outside = re.search(r'name="token" value="(\w+)"', page.get("/enter").text)
    page.send(password=PASSWORD)
    assert outside
    assert page.client.post("/leave", data={"token": outside[1]}).status_code == 403
    assert page.get("/").status_code == 200


def test_under_tls_the_session_travels_only_encrypted(page: Page) -> None:
    token = re.search(r'name="token" value="(\w+)"', page.get("/enter").text)
    assert token
    answer = page.client.post("https://127.0.0.1/enter", data={"token": token[1], "password": PASSWORD})
    assert "Secure" in answer.headers["set-cookie"]
    assert answer.headers["set-cookie"].startswith("__Host-")


def test_after_five_failures_one_waits_two_minutes_and_is_told(page: Page) -> None:
    for _ in range(4):
        assert page.send(password="guess").status_code == 403
    locked = page.send(password="guess")
    assert locked.status_code == 429
    assert "Locked for 2 minutes" in locked.text
    assert locked.headers["retry-after"] == "120"
    assert page.send(password=PASSWORD).status_code == 429
    page.clock.now += 61
    assert "Locked for 1 minute;" in page.send(password=PASSWORD).text
    page.clock.now += 60
    assert page.send(password=PASSWORD).status_code == 303


def test_failures_of_many_addresses_count_together_and_cost_little_memory() -> None:
    clock = Clock()
    attempts = Attempts(clock)
    for count in range(29):
        attempts.add(f"192.168.1.{count}")
    assert attempts.wait_s("192.168.2.1") == 0
    attempts.add("192.168.1.200")
    assert attempts.wait_s("192.168.2.1") == 120
    for count in range(5000):
        clock.now += 100
        attempts.add(f"2001:db8:{count:x}::1")
    assert len(attempts._by_address) <= 1000


def test_a_host_with_many_ipv6_addresses_is_one() -> None:
    attempts = Attempts(Clock())
    for count in range(5):
        attempts.add(f"2001:db8::{count:x}")
    assert attempts.wait_s("2001:db8::ffff") == 120
    assert attempts.wait_s("2001:db8:1::ffff") == 0


def test_who_gets_it_right_is_forgiven() -> None:
    attempts = Attempts(Clock())
    for _ in range(100):
        attempts.add(PHONE)
        attempts.succeeded(PHONE)
    assert attempts.wait_s(PHONE) == 0


def test_a_pairing_link_signs_one_device_in_once(page: Page) -> None:
    code = page.access.pairing.begin()
    shown = page.get(f"/enter?code={code}")
    assert shown.status_code == 200
    assert page.get("/").status_code == 303, "looking at the link changes nothing"
    assert page.send(sees=f"/enter?code={code}", code=code).headers["location"] == "/"
    assert page.get("/").status_code == 200
    page.client.cookies.clear()
    again = page.send(code=code)
    assert again.status_code == 403
    assert "This link was used already" in again.text


def test_a_pairing_link_holds_for_ten_minutes(page: Page) -> None:
    code = page.access.pairing.begin()
    page.clock.now += 601
    assert page.send(code=code).status_code == 403
    assert page.send(code="\u00fc").status_code == 403


def test_without_a_password_none_is_right(shelf: Shelf, tmp_path: Path) -> None:
    with opened(shelf, tmp_path) as page:
        text = page.get("/enter").text
        assert "There is no password" in html.unescape(text)
        assert page.access.is_password("") is False


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"host": "localhost:8737"}, 200),
        ({"host": "shelf.example"}, 303),  # a name of this machine, by which others come too
        ({"x-forwarded-for": PHONE}, 303),  # a proxy that nobody told us of
        ({"via": "1.1 proxy"}, 303),
        ({"forwarded": "for=127.0.0.1"}, 303),
    ],
)
@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "::ffff:127.0.0.1"])
def test_who_sits_at_the_machine_is_not_asked(
    shelf: Shelf, tmp_path: Path, headers: dict[str, str], status: int, address: str
) -> None:
    SecretFile(tmp_path).keep(Secret(password_hash="any"))
    access, served = Access(SecretFile(tmp_path)), Served(("shelf.example",))
    with in_process(create_app(shelf, keeper_by_hand(shelf), access=access, served=served), address) as client:
        assert client.get("/", headers=headers).status_code == status


def test_who_sits_at_the_machine_is_asked_where_that_is_set(shelf: Shelf, kept: str, tmp_path: Path) -> None:
    SecretFile(tmp_path).keep(Secret(password_hash=kept, asked_here=True))
    app = create_app(shelf, keeper_by_hand(shelf), access=Access(SecretFile(tmp_path)))
    with in_process(app) as client:
        assert client.get("/").status_code == 303


def test_a_proxy_that_was_named_is_believed_and_no_other(shelf: Shelf, kept: str, tmp_path: Path) -> None:
    said = {"x-forwarded-proto": "https", "x-forwarded-host": "shelf.example", "x-forwarded-for": "127.0.0.1, 10.1.1.1"}
    SecretFile(tmp_path).keep(Secret(password_hash=kept))
    for address, secure in (("10.0.0.9", True), ("10.0.0.8", False)):
        access = Access(SecretFile(tmp_path), is_behind_proxy=True)
        app = create_app(shelf, keeper_by_hand(shelf), access=access, served=Served(("shelf.example",), "10.0.0.9"))
        with in_process(app, address=address) as client:
            assert client.get("/", headers=said).status_code == 303
            token = re.search(r'name="token" value="(\w+)"', client.get("/enter", headers=said).text)
            assert token
            form = {"token": token[1], "password": PASSWORD}
            origin = {"origin": "https://shelf.example" if secure else "http://127.0.0.1"}
            answer = client.post("/enter", data=form, headers=said | origin)
            assert ("Secure" in answer.headers["set-cookie"]) is secure


def test_a_calendar_reads_its_feed_by_a_key_and_nothing_else(page: Page) -> None:
    key = page.access.feed_key("/drying.ics")
    assert page.get(f"/drying.ics?key={key}").status_code == 200
    assert page.get(f"/?key={key}").status_code == 303
    assert page.get("/drying.ics?key=x").status_code == 303


# The command line


def run(shelf: Path, *words: str, typed: str = "") -> tuple[int, str]:
    result = CliRunner().invoke(command, ["--shelf", str(shelf), *words], input=typed)
    if isinstance(result.exception, SiccastError):
        return result.exception.exit_code, str(result.exception)
    return result.exit_code, result.output


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_shelf(tmp_path)
    return tmp_path


def test_the_password_is_asked_for_twice_and_kept_as_a_hash_for_its_owner_alone(folder: Path) -> None:
    code, said = run(folder, "page-password", typed=f"{PASSWORD}\nfour wet boxes\n{PASSWORD}\n{PASSWORD}\n")
    assert code == 0
    assert said.count("The same again") == 2
    assert PASSWORD not in said
    file = folder / SECRET_FILE
    assert file.stat().st_mode & 0o777 == 0o600
    assert PASSWORD not in file.read_text()
    assert "argon2id" in file.read_text()
    before = SecretFile(folder).read()
    assert run(folder, "page-password", "--here-too", typed=f"{PASSWORD}\n{PASSWORD}\n")[0] == 0
    after = SecretFile(folder).read()
    assert (before.asked_here, after.asked_here) == (False, True)
    assert before.key != after.key
    assert run(folder, "page-password", "--remove")[0] == 0
    assert SecretFile(folder).read().password_hash == ""
    assert [path.name for path in folder.glob("page.secret*")] == [SECRET_FILE]


def test_a_short_password_is_refused(folder: Path) -> None:
    code, said = run(folder, "page-password", typed="short\nshort\n")
    assert code == 2
    assert "use 8 to 1000" in said
    assert not (folder / SECRET_FILE).exists()


@pytest.mark.parametrize("where", [("--host", "0.0.0.0"), ("--host", "::"), ("--behind", "127.0.0.1")])
def test_on_the_network_only_with_a_password_or_a_link(folder: Path, where: tuple[str, str]) -> None:
    code, said = run(folder, "serve", "--port", "0", *where)
    assert code == 1
    assert "run `siccast page-password` first, or add --pair" in said
    assert "\n" not in said


@pytest.mark.parametrize("content", ["{", "[]", '{"key": "x", "color": 1}'])
def test_a_damaged_secret_is_one_line(folder: Path, content: str) -> None:
    (folder / SECRET_FILE).write_text(content)
    (folder / SECRET_FILE).chmod(0o600)
    code, said = run(folder, "serve", "--port", "0")
    assert code == 1
    assert "Delete it and run `siccast page-password` again" in said


def test_all_who_sign_out_at_once_are_signed_out(folder: Path) -> None:
    """Each on a page process of its own; a session that is forgotten to be ended would hold for its month."""
    SecretFile(folder).keep(Secret())
    sessions, begin = [f"session{number}" for number in range(8)], threading.Barrier(8)

    def sign_out(session: str) -> None:
        access = Access(SecretFile(folder))
        begin.wait()
        access.end(session, Response())

    threads = [threading.Thread(target=sign_out, args=(session,)) for session in sessions]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert set(SecretFile(folder).read().ended) == set(sessions)


def test_a_secret_that_others_may_read_is_refused(folder: Path) -> None:
    SecretFile(folder).keep(Secret())
    (folder / SECRET_FILE).chmod(0o644)
    with pytest.raises(SettingsError, match="chmod 600"):
        SecretFile(folder).read()


@pytest.mark.parametrize("key", ["absent.pem", "page.secret"])
def test_wrong_files_of_tls_are_one_line(folder: Path, key: str) -> None:
    SecretFile(folder).keep(Secret())
    code, said = run(folder, "serve", "--certificate", str(folder / key), "--key", str(folder / key))
    assert code == 1
    assert "can't use the certificate" in said
    assert "\n" not in said
    assert run(folder, "serve", "--certificate", str(folder / key))[0] == 2


def test_a_damaged_secret_lets_nobody_in_while_the_page_runs(page: Page, tmp_path: Path) -> None:
    page.send(password=PASSWORD)
    assert page.get("/").status_code == 200
    (tmp_path / SECRET_FILE).write_text("{")
    assert page.get("/").status_code == 303


def test_serving_the_network_names_addresses_and_a_link_that_works(folder: Path) -> None:
    program = [sys.executable, "-c", "from monitor.cli.app import main; main()", "--shelf", str(folder)]
    command = [*program, "serve", "--port", "0", "--host", "0.0.0.0", "--pair"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            first, others, link = (process.stdout.readline() for _ in range(3))
            here = re.search(r"http://127\.0\.0\.1:(\d+)/", first)
            code = re.search(r"/enter\?code=(\S+)", link)
            assert here
            assert code
            assert "0.0.0.0" not in first + others + link
            assert f":{here[1]}/" in others or "no network" in others
            asked = {"Host": "localhost", "Via": "1.1 somebody"}  # so that this counts as another device
            with httpx.Client(base_url=here[0], headers=asked, timeout=100) as phone:
                assert phone.get("/").status_code == 303
                token = re.search(r'name="token" value="(\w+)"', phone.get(f"/enter?code={code[1]}").text)
                assert token
                assert phone.post("/enter", data={"token": token[1], "code": code[1]}).status_code == 303
                assert phone.get("/").status_code == 200
        finally:
            process.kill()
    assert json.loads((folder / SECRET_FILE).read_text())["password_hash"] == ""


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Give a certificate for localhost and its key."""
    made = tmp_path_factory.mktemp("tls")
    certificate, key = made / "page.pem", made / "page.key"
    kind = ("-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    subject = ("-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost")
    make = [require_program("openssl"), "req", *kind, *subject, "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(make, check=True, capture_output=True)
    return certificate, key


def test_under_tls_pages_come_encrypted(folder: Path, tls: tuple[Path, Path]) -> None:
    certificate, key = tls
    program = [sys.executable, "-c", "from monitor.cli.app import main; main()", "--shelf", str(folder)]
    command = [*program, "serve", "--port", "0", "--certificate", str(certificate), "--key", str(key)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            said = re.search(r"https://127\.0\.0\.1:(\d+)/", process.stdout.readline())
            assert said
            trusted = ssl.create_default_context(cafile=certificate)
            assert httpx.get(f"https://localhost:{said[1]}/", verify=trusted, timeout=100).status_code == 200
            with pytest.raises(httpx.TransportError):
                httpx.get(f"http://localhost:{said[1]}/", timeout=100)
        finally:
            process.kill()


def test_a_handshake_that_never_comes_is_not_waited_for(
    shelf: Shelf, tls: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web_serving, "_HANDSHAKE_S", 0.3)
    certificate, key = tls
    listener = web_serving.listen_at("127.0.0.1", 0)
    settings = web_serving.uvicorn_settings(create_app(shelf, keeper_by_hand(shelf)), certificate=certificate, key=key)
    server = web_serving.Server(settings)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    try:
        with socket.create_connection(listener.getsockname(), timeout=40) as silent:  # s, less than the usual 60
            assert silent.recv(1) == b""
    finally:
        server.should_exit = True
        thread.join(20)
