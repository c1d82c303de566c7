"""Every address and form of the page, asked with values that nobody should send: `python -m tests.fuzz_page 20000`.

What there is to ask, it reads from the routes and from the forms of the pages themselves, so that a new form joins by
itself. Whatever is answered has to carry all headers, come within a minute, and not be a mistake of ours (500), nor may
work beside the answers fail. The number after the count is the seed; a failure names its request.
"""

from __future__ import annotations

import logging
import random
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote, urlencode, urljoin, urlsplit

import httpx
from starlette.routing import Route

if __package__:  # as a module of its own, the helpers beside it are found as the tests find them
    sys.path.insert(0, str(Path(__file__).parent))

from in_process import InProcess, in_process
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf

from monitor.presentation.clock import utc_now
from monitor.settings import load_shelf
from monitor.store.opening import open_stores
from monitor.web.access.password import hashed
from monitor.web.access.secret import Secret
from monitor.web.access.who import Access
from monitor.web.app import create_app
from monitor.web.guard import HEADERS

METHODS = ("GET", "POST", "HEAD", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND", "get")
VALUES = (
    "", " ", "0", "-0", "-1", "1", "12", "50", "99.9", "100", "1e309", "-1e309", "nan", "inf", "-inf", "1e-320", "0x10",
    "1,5", "1.5", "1.5.5", "12g", "12 oz", "-12g", "1_000", "٣", "½", "10:00", "25:61", "yesterday", "today", "soon",
    "2026-03-01", "2026-02-30", "0001-01-01", "9999-12-31T23:59:59.999999", "2026-03-01T07:30+99:00", "10000-01-01",
    "true", "on", "null", "None", "[]", "{}", "soon", "over", "young", "room", HOSTILE, "silica_gel", "orange_gel",
    "oven", "microwave", "white", "../../etc/passwd", "..\\..\\x", "/", "//evil.example", "http://evil.example/",
    "<script>alert(1)</script>", "'; DROP TABLE reading; --", "{{ 7*7 }}", "%s%n", "%00", "\0", "\r\nX: y", "\ud800",
    "\u202e", "\ufeff", "e\u0301", "😀", "\uffff", "a" * 1000, "9" * 400, "ж" * 300, "\n", "\t", "\x7f", "\x1b[31m",
)  # fmt: skip
LETTERS = "aZ09 .,:;-+%&=#?/\\'\"<>{}[]()\0\n\x7f\x80\u00e9\u0301\u202e\u2028\ud800\uffff\U0001f600"
HEADER_VALUES = (
    ("Accept-Encoding", "gzip;q=x, br"), ("Cookie", "siccast-0=a.b.c; =; ;;"), ("Cookie", "\xff=\xfe"),
    ("Range", "bytes=9-1"),
    ("If-None-Match", '"\xff'), ("If-Modified-Since", "yesterday"), ("Content-Type", "multipart/form-data; boundary="),
    ("Content-Type", "application/json"), ("Content-Encoding", "gzip"), ("Origin", "http://["), ("Referer", "http://["),
    ("Sec-Fetch-Site", "cross-site"), ("X-Forwarded-Host", "[::1"), ("Accept-Language", "x" * 500),
    ("X-HTTP-Method-Override", "DELETE"), ("Host", "[::1"), ("Host", "evil.example"), ("Last-Event-ID", "-1"),
    ("Accept", "text/event-stream"), ("Accept", "\xff"), ("Expect", "100-continue"),
)  # fmt: skip
ENDS = ("/", "//", "/..", "/%2e%2e/", "%", "%zz", "%ff%fe", "%00", ";a=b", "/" + "a" * 3000)
"""Of paths."""
STREAMS = re.compile(r"/(live|events)\b")
"""Addresses that answer as long as somebody listens; asked by tests of their own."""


@dataclass
class Form:
    """A form as it stands on a page: where it goes, and each field with what may be chosen there."""

    action: str
    method: str = "GET"
    fields: dict[str, list[str]] = field(default_factory=dict)


class Forms(HTMLParser):
    """Reads the forms and links of a page."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address, self.forms, self.links = address, list[Form](), set[str]()
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in attrs}
        if tag == "a" and "href" in has:
            self.links.add(urljoin(self.address, has["href"]).partition("#")[0])
        elif tag == "form":
            action = urljoin(self.address, has.get("action", "")).partition("#")[0]
            self.forms.append(Form(action, has.get("method", "get").upper()))
        elif tag in ("input", "select", "textarea", "button") and has.get("name") and self.forms:
            self._select = has["name"]
            self.forms[-1].fields.setdefault(has["name"], []).append(has.get("value", ""))
        elif tag == "option" and self._select and self.forms:
            self.forms[-1].fields[self._select].append(has.get("value", ""))


def forms_of(page: InProcess) -> list[Form]:
    """Walk along the links from every address that the routes name, and return each form once by its fields."""
    todo = {"/", *(_filled(route.path, "soon") for route in page.app.routes if isinstance(route, Route))}
    seen: set[str] = set()
    found: dict[tuple[object, ...], Form] = {}
    while todo and len(seen) < 150:
        address = min(todo, key=lambda one: (one.count("/"), one))
        todo.discard(address)
        seen.add(address)
        if STREAMS.search(address):
            continue
        answer = page.get(address)
        if "text/html" not in answer.headers.get("content-type", ""):
            continue
        reader = Forms(address)
        reader.feed(answer.text)
        for form in reader.forms:
            found.setdefault((form.method, form.action, *sorted(form.fields)), form)
        todo |= {link for link in reader.links if not urlsplit(link).netloc and link.startswith("/")} - seen
    return list(found.values())


def _encoded(pairs: list[tuple[str, str]]) -> str:
    return urlencode(pairs, errors="surrogatepass", encoding="utf-8")


def _filled(path: str, value: str) -> str:
    return re.sub(r"\{\w+(:\w+)?\}", lambda _: quote(value, safe=""), path)


@dataclass
class Fuzzer:
    """Makes requests up, from a seed."""

    paths: list[str]
    forms: list[Form]
    dice: random.Random

    def request(self) -> tuple[str, str, dict[str, object]]:
        """Return a method, an address, and what goes with it."""
        return self._of_a_form() if self.forms and self.dice.random() < 0.65 else self._of_a_path()

    def _value(self, offered: list[str] | None = None) -> str:
        draw = self.dice.random()
        if offered and draw < 0.45:
            return self.dice.choice(offered)
        if draw < 0.9:
            return self.dice.choice(VALUES)
        return "".join(self.dice.choices(LETTERS, k=self.dice.randrange(40)))

    def _of_a_form(self) -> tuple[str, str, dict[str, object]]:
        form = self.dice.choice(self.forms)
        pairs = []
        for name, offered in form.fields.items():
            keep = name == "token" and self.dice.random() < 0.9
            for _ in range(self.dice.choice((0, 1, 1, 1, 1, 1, 1, 2)) if not keep else 1):
                pairs.append((name, offered[0] if keep else self._value(offered)))
        if self.dice.random() < 0.1:
            pairs.append((self._value(), self._value()))
        body = _encoded(pairs).encode()
        method = form.method if self.dice.random() < 0.95 else self.dice.choice(METHODS)
        headers = self._headers(0.1)
        if form.method == "GET":
            return method, f"{form.action.partition('?')[0]}?{body.decode()}", {"headers": headers}
        return method, form.action, {"content": self._spoiled(body), "headers": headers}

    def _spoiled(self, body: bytes) -> bytes:
        if self.dice.random() < 0.95:
            return body
        spoiled = bytearray(body or b"=")
        for _ in range(self.dice.randrange(1, 9)):
            spoiled[self.dice.randrange(len(spoiled))] = self.dice.randrange(256)
        return bytes(spoiled) * self.dice.choice((1, 1, 1, 500))

    def _of_a_path(self) -> tuple[str, str, dict[str, object]]:
        path = re.sub(r"\{\w+(:\w+)?\}", lambda _: self._in_path(), self.dice.choice(self.paths))
        draw = self.dice.random()
        if draw < 0.1:
            path += self.dice.choice(ENDS)
        query = _encoded([(self._value(), self._value())]) if draw < 0.4 else ""
        method = "GET" if self.dice.random() < 0.7 else self.dice.choice(METHODS)
        more: dict[str, object] = {"headers": self._headers(0.3)}
        if method == "POST":
            more["content"] = self._spoiled(b"token=x&a=b")
        return method, f"{path}?{query}" if query else path, more

    def _in_path(self) -> str:
        value = self._value(["soon", "over", "young", "1"]).encode("utf-8", "surrogatepass")
        return quote(value, safe=self.dice.choice(("", "/")))

    def _headers(self, share: float) -> dict[bytes, bytes]:
        if self.dice.random() > share:
            return {}
        return {name.encode(): value.encode("latin-1") for name, value in self.dice.sample(HEADER_VALUES, 2)}


@dataclass
class Fuzzed:
    """What came of it."""

    answers: Counter[int]
    forms: int
    faults: list[str]


def fuzz(page: InProcess, requests: int, seed: int) -> Fuzzed:
    """Send so many made-up requests, and return what was answered and what was wrong."""
    routes = [route.path for route in page.app.routes if isinstance(route, Route) and not STREAMS.search(route.path)]
    forms = forms_of(page)
    fuzzer = Fuzzer([*routes, "/assets/{name}", "/assets/siccast.css", "/nowhere"], forms, random.Random(seed))
    done = Fuzzed(Counter(), len(forms), [])
    for _ in range(requests):
        method, address, more = fuzzer.request()
        try:
            answer = page.request(method, address, **more)
        except httpx.InvalidURL:  # what the client itself won't send
            continue
        done.answers[answer.status_code] += 1
        done.faults += [f"{fault}: {method} {address[:300]} {more}"[:900] for fault in faults_of(answer)]
    return done


class Failures(logging.Handler):
    """What failed where nobody is answered: the plan, a look at the boxes."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.heard = set[str]()

    def emit(self, record: logging.LogRecord) -> None:
        self.heard.add(f"{record.getMessage()}: {record.exc_info[1] if record.exc_info else ''}")


def faults_of(answer: httpx.Response) -> Iterator[str]:
    if answer.status_code == 500:
        yield "500"
    if missing := [name for name, value in HEADERS.items() if answer.headers.get(name) != value]:
        yield f"{answer.status_code} without {missing}"
    if answer.status_code == 405 and "allow" not in answer.headers:
        yield "405 without Allow"
    if urlsplit(answer.headers.get("location", "")).netloc not in ("", "127.0.0.1"):
        yield f"leads away to {answer.headers['location']}"
    is_page = answer.headers.get("content-type", "").startswith(("text/html", "image/svg"))  # no table or JSON
    if is_page and ("<script>alert" in answer.text or "<img src=x" in answer.text):
        yield "a value came back as markup"


def fuzz_shelf(folder: Path, requests: int, seed: int) -> Fuzzed:
    """Fuzz the page of the made-up shelf, as who sits at the machine and now and then as another device."""
    make_shelf(folder)
    shelf_file = folder / "shelf.toml"
    shelf_file.write_text("\n".join(line for line in shelf_file.read_text().splitlines() if "recorded" not in line))
    shelf, access = load_shelf(folder, {}), Access()
    access.file.keep(Secret(password_hash=hashed("never guessed")))
    with open_stores(shelf.database_path, now=utc_now()):
        pass
    failures = Failures()
    logging.getLogger("monitor").addHandler(failures)
    try:
        with in_process(create_app(shelf, keeper_by_hand(shelf), access=access)) as page:
            done = fuzz(page, requests, seed)
            outside = fuzz(page.from_elsewhere("192.168.7.20"), requests // 20, seed)
    finally:
        logging.getLogger("monitor").removeHandler(failures)
    faults = [*done.faults, *outside.faults, *sorted(failures.heard)]
    return Fuzzed(done.answers + outside.answers, done.forms + outside.forms, faults)


def main() -> None:
    requests, seed = (int(word) for word in (*sys.argv[1:], "20000", "1")[:2])
    with tempfile.TemporaryDirectory() as folder:
        done = fuzz_shelf(Path(folder), requests, seed)
    print(
        f"{sum(done.answers.values())} answers, {done.forms} forms, seed {seed}: {dict(sorted(done.answers.items()))}"
    )
    print("\n".join(done.faults[:50]) or "no fault")
    sys.exit(bool(done.faults))


if __name__ == "__main__":
    main()
