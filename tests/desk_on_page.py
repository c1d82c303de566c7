"""A shelf with a desk that is served, by a clock that a test sets, with box dates that follow the ledger at once."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import httpx
from answers_by_hand import AS_OF, assessment_of, forecast_of
from shelf_on_page import serving

from monitor.desk import Desk
from monitor.desk.inventory import Inventory
from monitor.presentation.clock import utc_now
from monitor.records import BoxState, LedgerEntry
from monitor.records.desk_events import ChargePortioned, DeskEvent, HeatTimed, LotBought, RunWeighed
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores
from monitor.web.snapshot import Keeper, Snapshot, read_stamp

SHELF = """
site = "attic"
timezone = "Europe/Vienna"

[room]
temperature_c = 20
rh_pct = 50

[boxes.pa-dry]
volume_l = 10
limit_rh_pct = 15

[boxes.pla]
volume_l = 12

[appliances.microwave]
kind = "microwave"
power_w = 500

[appliances.oven]
kind = "oven"
temperature_c = 115

[appliances.warm-box]
kind = "filament_dryer"
temperature_c = 65
"""
RUN = "/desk/run/bowl-1"
MICROWAVE = (("617", "0"), ("596", "4"), ("582", "4"), ("575", "4"), ("571", "8"))
"""What the scale shows with the bowl, and minutes since the weighing before: invented."""


@dataclass
class Clock:
    """A clock that stands until it is set."""

    at: datetime = AS_OF

    def __call__(self) -> datetime:
        return self.at

    def passes(self, **span: float) -> None:
        """Let time go by."""
        self.at += timedelta(**span)


def make_desk(folder: Path, *events: DeskEvent) -> Shelf:
    """Write a shelf file, and log a lot and a bowl of it, or what is given instead."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
    shelf = load_shelf(folder, {})
    bowl = (
        LotBought("autumn", "silica_gel_orange_indicating", 1000.0),
        ChargePortioned("bowl", "autumn", 262.0, "glass", 355.0, "room"),
    )
    with open_stores(shelf.database_path, synchronous="OFF") as stores:
        desk = desk_of(shelf, stores)
        for event in events or bowl:
            desk.keep(event, AS_OF - timedelta(days=1), confirmed=True)
    return shelf


def desk_of(shelf: Shelf, stores: object) -> Desk:
    """Return the desk of a shelf."""
    return Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=utc_now)  # type: ignore[arg-type]


def keeper_of(shelf: Shelf, clock: Clock) -> Keeper:
    """Return a keeper whose boxes hold for 26 days from when beads went in; pa-dry is over its limit until then."""

    def take(now: datetime) -> Snapshot:
        with open_stores(shelf.database_path, read_only=True) as stores:
            entries = {
                box.name: stores.ledger.entries(box.name, before=now + timedelta(seconds=1)) for box in shelf.boxes
            }
        answers = [_answer(box.name, box.humidity_limit, entries[box.name], now) for box in shelf.boxes]
        return Snapshot(now, tuple(answers))

    return Keeper(take, lambda now: read_stamp(shelf, now), clock=clock)


def _answer(name: str, limit: float, entries: object, now: datetime) -> object:
    filled = [entry for entry in entries if isinstance(entry, LedgerEntry)]  # type: ignore[attr-defined]
    answer = assessment_of(name, forecast_of(26.0, 6.0, limit), None if filled else BoxState.over_limit)
    return replace(answer, as_of=now, charge=filled[-1] if filled else answer.charge)


@contextmanager
def desk_served(folder: Path, *events: DeskEvent, clock: Clock | None = None) -> Iterator[tuple[str, Shelf, Clock]]:
    """Serve a shelf with a desk."""
    clock = clock or Clock()
    shelf = make_desk(folder, *events)
    with serving(shelf, keeper_of(shelf, clock)) as address:
        yield address, shelf, clock


@dataclass
class Hand:
    """Whoever works at the desk by plain forms, as a browser without scripts does."""

    client: httpx.Client
    shelf: Shelf
    clock: Clock
    page: httpx.Response | None = None

    def look(self, path: str) -> str:
        """Open a page."""
        self.page = self.client.get(path)
        return self.text

    def send(self, path: str, **form: str) -> httpx.Response:
        """Send a form with the token of this server, and follow where it leads; time goes by."""
        token = re.search(r'name="token" value="([^"]+)"', self.client.get("/desk/new").text)
        assert token
        self.clock.passes(minutes=5)
        self.page = self.client.post(path, data={"token": token[1], **form})
        if self.page.status_code == 303:
            self.page = self.client.get(self.page.headers["location"])
        return self.page

    def weigh(self, weight: str, after: str = "0", run: str = "bowl-1", **more: str) -> httpx.Response:
        """Weigh, knowing of all that was weighed before."""
        shown = self.inventory().run(run).shown
        seen = str(shown[-1].event_id) if shown else "0"
        return self.send(f"/desk/run/{run}/weigh", **{"weight": weight, "after": after, "seen": seen, **more})

    def weighed_before(self, *weights: tuple[str, str], run: str = "bowl-1") -> None:
        """Log weighings without judging each of them, for speed."""
        heated_s = 0.0
        with open_stores(self.shelf.database_path, synchronous="OFF") as stores:
            for weight, after in weights:
                self.clock.passes(minutes=5)
                heated_s += 60.0 * float(after)
                stores.events.log(RunWeighed(run, heated_s, float(weight)), self.clock(), self.clock())

    def answer(self, label: str) -> httpx.Response:
        """Press the button of a question."""
        asked = re.search(r'<section class="asked".*?</section>', self.text, re.S)
        assert asked, self.text
        [action] = re.findall(r'action="([^"]+)"', asked[0])
        kept = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', asked[0]))
        buttons = {text: value for value, text in re.findall(r'name="answer" value="([^"]+)">([^<]+)<', asked[0])}
        assert label in buttons, buttons
        kept.pop("token")
        return self.send(action, **kept, answer=buttons[label])

    @property
    def status(self) -> int:
        """How the page was answered last."""
        assert self.page is not None
        return self.page.status_code

    @property
    def text(self) -> str:
        """The page that was answered last, in plain spaces."""
        assert self.page is not None
        return self.page.text.replace("\N{NARROW NO-BREAK SPACE}", " ").replace("&#39;", "'").replace("&#34;", '"')

    def events(self) -> list[DeskEvent]:
        """What the log holds, timers aside."""
        with open_stores(self.shelf.database_path, read_only=True) as stores:
            events = [logged.event for logged in stores.events.events()]
        return [event for event in events if not isinstance(event, HeatTimed)]

    def entries(self, box: str) -> list[LedgerEntry]:
        """What the box was told."""
        with open_stores(self.shelf.database_path, read_only=True) as stores:
            return list(stores.ledger.entries(box))

    def inventory(self) -> Inventory:
        """What all of it adds up to."""
        with open_stores(self.shelf.database_path, read_only=True) as stores:
            return desk_of(self.shelf, stores).inventory()


@contextmanager
def at_the_desk(folder: Path, *events: DeskEvent) -> Iterator[Hand]:
    """Serve a shelf with a desk, for whoever works at it."""
    with (
        desk_served(folder, *events) as (address, shelf, clock),
        httpx.Client(base_url=address, timeout=None) as client,
    ):
        yield Hand(client, shelf, clock)


def begun(hand: Hand, *weights: tuple[str, str], appliance: str = "microwave") -> Hand:
    """Start a run of the bowl, with weighings that were made before."""
    assert hand.send("/desk/charge/bowl/start", appliance=appliance).status_code == 200
    hand.weighed_before(*weights)
    return hand


def asked(hand: Hand) -> str:
    """Return what the page asks; nothing of it was saved."""
    assert hand.status == 400
    found = re.search(r'<section class="asked".*?</section>', hand.text, re.S)
    assert found, hand.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found[0]))
