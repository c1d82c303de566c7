"""Whatever is done to a site at the command line, in whatever order: no traceback, and all commands tell one story.

Each deed is refused in one line that changes nothing, or it is done and seen in every list. What is undone was never
there. Inference is a stub; `tests/services/test_kept_walk.py` walks with the real one.

SICCAST_ANY_ORDER=300 takes so many walks of fifty steps, other ones each time.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from answers_by_hand import StubInference
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from moved_clock import MovedClock
from typer.testing import CliRunner

from monitor.cli.app import UsageProblem, app
from monitor.errors import SiccastError
from monitor.feed.decode import Decoder
from monitor.records import ROOM, RawMessage
from monitor.records.names import tidy
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

LONG = int(os.environ.get("SICCAST_ANY_ORDER", "0"))
START = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
"""A Wednesday. Clocks of Vienna go forward on 29 March, those of Chatham back on 5 April."""
TEN_YEARS = timedelta(days=3650)
NAMES = ("left", "right", "box 3", "Öl-Kiste", "O\u0308l-Kiste", "箱", "a(b)", "x" * 64, "x" * 65, "room", "-v", "")
SENSORS = ("left", "right", "s1", "box 3", "room")
SHELF = """site = "attic"
timezone = "UTC"

[boxes.left]  # by the window
volume_l = 12
# style = "bag"
limit_rh_pct = 15

[[boxes.left.spools]]
material = "PA6"
[boxes.right]
# of right
[boxes.right.sensor]
accuracy_rh_pct = 2

[routes.house]
kind = "webhook"
url = "http://127.0.0.1:1"
boxes = ["left"]
"""
FACES = (("boxes",), ("today",), ("plan",), ("log", "show"), ("check",), ("charge", "list"), ("forecast",))
ZONES = ("UTC", "Europe/Vienna", "Pacific/Chatham", "America/St_Johns")
sensors, data = st.sampled_from(SENSORS), st.data()
spans = st.sampled_from([timedelta(minutes=3), timedelta(hours=2), timedelta(days=1), timedelta(days=9)])
DAYS = ("saturday", "tomorrow", "2026-03-14", "2026-05-02", "someday")
LOGS = (
    ("opening",), ("spool",), ("sensor",), ("recharge",), ("weighing", "143.2"), ("weighing", "-3"),
    ("weighing", "143.2g", "--holder", "40g"), ("note", "moved"), ("note", "=1+1\r\nx"),
    ("color", "orange"), ("charge", "--dry-mass", "120"), ("reading", "17", "21"),
    ("charge", "--dry-mass", "120", "--desiccant", "orange_gel", "--mass", "125"),
)  # fmt: skip


@dataclass
class Answer:
    """What a command said."""

    words: tuple[str, ...]
    exit_code: int
    out: str
    refused: str = ""

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@dataclass
class Told:
    """What a person would expect to be there."""

    declared: dict[str, float] = field(default_factory=dict)
    """Limits in per cent."""
    heard: dict[str, set[datetime]] = field(default_factory=dict)
    removed: dict[str, datetime] = field(default_factory=dict)
    """When a box was taken off the shelf; a reading of later shows it again."""
    led: dict[str, str] = field(default_factory=dict)
    """Where what a sensor sends goes, unless to the box of its name."""
    logged: dict[int, tuple[str, str]] = field(default_factory=dict)
    """Box and kind."""
    decided: dict[int, str] = field(default_factory=dict)


class Site(RuleBasedStateMachine):
    """A site, who lives with it, and what is expected of it."""

    clock: MovedClock

    def __init__(self) -> None:
        super().__init__()
        self.temporary = tempfile.TemporaryDirectory()
        self.folder = Path(self.temporary.name)
        self.clock.now = START
        self.told, self.steps = Told(), 0
        (self.folder / "shelf.toml").write_text(SHELF, encoding="utf-8")
        with open_stores(self.folder / "siccast.sqlite3", now=START):
            pass

    def teardown(self) -> None:
        self.temporary.cleanup()

    def some_name(self, data: st.DataObject, *, other: bool = False) -> str:
        """Return a name that is mostly one of the site's, or mostly another one."""
        ours = st.sampled_from(sorted({*self.told.declared, *self.told.heard}))
        made_up = st.sampled_from(NAMES)
        return data.draw(st.one_of(made_up, made_up, ours) if other else st.one_of(ours, ours, ours, made_up))

    # what is asked

    def say(self, *words: str, codes: tuple[int, ...] = (0,), shelf: Path | None = None) -> Answer:
        """Run a command that has to be done, or that ends with one of these codes."""
        answer = self.try_to(*words, shelf=shelf)
        assert answer.exit_code in codes, answer
        return answer

    def try_to(self, *words: str, shelf: Path | None = None) -> Answer:
        """Run a command that may be refused, in one line."""
        result = CliRunner().invoke(app, ["--shelf", str(shelf or self.folder), *words], standalone_mode=False)
        error = result.exception
        if error is None or isinstance(error, SystemExit):
            code = result.return_value if isinstance(result.return_value, int) else result.exit_code
            return Answer(words, code, result.stdout)
        if isinstance(error, SiccastError):
            assert "\n" not in str(error), (words, error)
            return Answer(words, error.exit_code, result.stdout, str(error))
        assert isinstance(error, UsageProblem), (words, error, result.exc_info)
        return Answer(words, 2, result.stdout, error.format_message())

    def state(self) -> dict[str, Any]:
        """Return what every list says now."""
        asked = (
            ("log", "show"), ("boxes", "--fresh"), ("charge", "list"), ("lot", "list"), ("plan", "--fresh"),
            ("readings", "imports"),
        )  # fmt: skip
        return {words[0]: self.say(*words, "--json").json for words in asked}

    def exported(self, *words: str) -> Counter[str]:
        rows = csv.DictReader(io.StringIO(self.say("readings", "export", *words).out, newline=""))
        return Counter(row["box"] for row in rows)

    # what is done

    @initialize()
    def begin(self) -> None:
        self.told.declared = {"left": 15.0, "right": 20.0}
        for sensor in ("left", "right", "s1", "room"):
            self.hear(sensor, 30)
        self.say("lot", "buy", "spring", "orange_gel", "1kg")
        self.say("charge", "weigh-out", "cup", "spring", "120g")

    @rule(sensor=sensors, count=st.integers(1, 40))
    def hear(self, sensor: str, count: int) -> None:
        """A sensor sends; one that was led to a box reaches that."""
        shelf = load_shelf(self.folder, {})
        decoder = Decoder(shelf.feeds, shelf.site, shelf.moves)
        times = [self.clock.now - timedelta(minutes=10 * back + 1) for back in range(count)]
        messages = [
            RawMessage(
                "mqtt",
                f"siccast/1/attic/{sensor}/reading",
                json.dumps({"t": at.isoformat(), "temperature_c": 21.5, "rh_pct": 12.5}).encode(),
                self.clock.now,
            )
            for at in times
        ]
        decoded = decoder.decode(messages)
        assert not decoded.rejections
        box = self.told.led.get(sensor, sensor)
        assert {reading.box for reading in decoded.readings} == {box}
        with open_stores(shelf.database_path, synchronous="OFF") as stores:
            stores.readings.add(decoded.readings)
        self.told.heard.setdefault(box, set()).update(times)

    @rule(span=spans)
    def pass_time(self, span: timedelta) -> None:
        self.clock.pass_time(span)

    @rule(data=data, limit=st.sampled_from([None, "15", "35.5", "0"]))
    def adopt(self, data: st.DataObject, limit: str | None) -> None:
        name = self.some_name(data)
        done = self.try_to("adopt", *(() if limit is None else ("--limit-rh", limit)), "--", name)
        ours, may_be = tidy(name), limit != "0"
        known = set(self.told.heard) | set(self.told.removed)
        if ours in known and ours not in (*self.told.declared, ROOM) and may_be:
            assert done.exit_code == 0, done
            shelf = load_shelf(self.folder, {})
            stands = 100.0 * shelf.box(ours).humidity_limit
            assert limit is None or stands == pytest.approx(float(limit))
            self.told.declared[ours] = stands
            self.told.removed.pop(ours, None)
        else:
            assert done.exit_code == 2 or (done.exit_code == 1 and ours in self.told.declared), done

    @rule(data=data)
    def rename(self, data: st.DataObject) -> None:
        old, new = self.some_name(data), self.some_name(data, other=True)
        before, shelf_file = self.state(), (self.folder / "shelf.toml").read_bytes()
        done = self.try_to("box", "rename", "--", old, new)
        if done.exit_code:
            assert self.state() == before
            assert (self.folder / "shelf.toml").read_bytes() == shelf_file
            return
        old, new, told = tidy(old), tidy(new), self.told
        assert new not in told.declared or old not in told.declared
        if old in told.declared:
            told.declared = {new if name == old else name: limit for name, limit in told.declared.items()}
        told.led = {sensor: new if box == old else box for sensor, box in told.led.items()}
        if old in told.heard:
            told.led.setdefault(old, new)
            told.heard[new] = told.heard.pop(old)
        if old in told.removed:
            told.removed[new] = told.removed.pop(old)
        told.logged = {n: (new if box == old else box, kind) for n, (box, kind) in told.logged.items()}
        told.decided = {n: new if box == old else box for n, box in told.decided.items()}
        entries = self.say("log", "show", "--json").json["entries"]
        (note,) = [one for one in entries if one["entry_id"] not in told.logged]
        assert (note["box"], note["kind"]) == (new, "note")
        told.logged[note["entry_id"]] = (new, "note")

    @rule(data=data)
    def remove(self, data: st.DataObject) -> None:
        name = self.some_name(data)
        before = self.state()
        done = self.try_to("box", "remove", "--", name)
        if done.exit_code:
            assert self.state() == before
            return
        self.told.declared.pop(tidy(name), None)
        if tidy(name) in self.told.heard:
            self.told.removed[tidy(name)] = self.clock.now

    @precondition(lambda self: self.told.declared)
    @rule(data=data)
    def remove_and_bring_back(self, data: st.DataObject) -> None:
        """A box that left and came back is as it was, in the shelf file byte for byte."""
        name = data.draw(st.sampled_from(sorted(self.told.declared)))
        before, shelf_file = self.state(), (self.folder / "shelf.toml").read_bytes()
        if self.try_to("box", "remove", "--", name).exit_code == 0:
            self.say("adopt", "--", name)
        assert self.state() == before
        assert (self.folder / "shelf.toml").read_bytes() == shelf_file

    @rule(data=data, what=st.sampled_from(LOGS), ago=spans, sure=st.booleans(), undo=st.booleans())
    def log(self, data: st.DataObject, what: tuple[str, ...], ago: timedelta, *, sure: bool, undo: bool) -> None:
        name = self.some_name(data)
        before = self.state()
        at = (self.clock.now - ago).isoformat()
        options = ["--sure"] if sure and what[0] != "note" else []
        kind, rest = what[0], list(what[1:])
        while len(rest) > 1 and rest[-2].startswith("--"):
            options += rest[-2:]
            del rest[-2:]
        done = self.try_to("log", kind, "--at", at, *options, "--", name, *rest)
        if done.exit_code:
            assert self.state() == before, done
            return
        if what[0] == "reading":
            box = tidy(name)
            self.told.heard.setdefault(box, set()).add(self.clock.now - ago)
            return
        number = int(re.search(r"siccast log undo (\d+)", done.out)[1])  # type: ignore[index]
        if undo:
            self.say("log", "undo", str(number))
            assert self.state() == before
        else:
            self.told.logged[number] = (tidy(name), what[0])

    @precondition(lambda self: self.told.logged)
    @rule(data=data)
    def undo(self, data: st.DataObject) -> None:
        number = data.draw(st.sampled_from(sorted(self.told.logged)))
        before = self.state()
        done = self.try_to("log", "undo", str(number))
        if done.exit_code:
            assert self.state() == before
            both = re.search(r"`siccast lot undo (\d+)` undoes both", done.refused)
            assert both is not None, done
            if self.try_to("lot", "undo", both[1]).exit_code:  # something later rests on it
                assert self.state() == before
                return
            del self.told.logged[number]
            return
        del self.told.logged[number]
        self.say("log", "undo", str(number), codes=(1, 2))

    @rule(data=data, day=st.sampled_from(DAYS), how=st.sampled_from(["move", "skip", "not"]))
    def decide(self, data: st.DataObject, day: str, how: str) -> None:
        name = self.some_name(data)
        words = {"move": ("--", name, day), "skip": ("--until", day, "--", name), "not": (day,)}[how]
        done = self.try_to("plan", how, *words)
        if done.exit_code == 0:
            self.told.decided[int(re.search(r"plan undo (\d+)", done.out)[1])] = tidy(name) if how != "not" else ""  # type: ignore[index]

    @precondition(lambda self: self.told.decided)
    @rule(data=data)
    def undo_decision(self, data: st.DataObject) -> None:
        number = data.draw(st.sampled_from(sorted(self.told.decided)))
        self.say("plan", "undo", str(number))
        del self.told.decided[number]
        self.say("plan", "undo", str(number), codes=(1, 2))

    @rule(zone=st.sampled_from(ZONES), degrees=st.sampled_from("CF"), mass=st.sampled_from(["g", "oz"]))
    def move_house(self, zone: str, degrees: str, mass: str) -> None:
        """Another time zone and other units, by hand; what is stored stays as it is."""
        before = self.state()
        path = self.folder / "shelf.toml"
        text = path.read_text(encoding="utf-8")
        text = re.sub(r"\A(?:(?:site|timezone|temperature_unit|mass_unit) = .*\n)*", "", text)
        head = f'site = "attic"\ntimezone = "{zone}"\ntemperature_unit = "{degrees}"\nmass_unit = "{mass}"\n'
        path.write_text(head + text, encoding="utf-8")
        after = self.state()
        for listed in ("log", "readings"):
            assert after[listed] == before[listed]

    @precondition(lambda self: self.told.heard)
    @rule(data=data, hours=st.integers(1, 30))
    def withdraw_and_put_back(self, data: st.DataObject, hours: int) -> None:
        """Readings that are taken out of use are exported no longer, and all come back."""
        name = data.draw(st.sampled_from(sorted(self.told.heard)))
        before = self.exported()
        start = (self.clock.now - timedelta(hours=hours)).isoformat()
        done = self.try_to("readings", "withdraw", "--box", name, "--from", start)
        if done.exit_code:
            assert self.exported() == before
            return
        gone = {at for at in self.told.heard[name] if at >= self.clock.now - timedelta(hours=hours)}
        assert before - self.exported() == (Counter({name: len(gone)}) if gone else Counter())
        number = re.search(r"readings restore (\d+)", done.out)[1]  # type: ignore[index]
        self.say("readings", "restore", number, codes=(0, 3))
        assert self.exported() == before

    @rule(data=data, take_back=st.booleans())
    def import_a_file(self, data: st.DataObject, *, take_back: bool) -> None:
        """A table of five readings between those of the sensor; what is withdrawn is as if it had never come."""
        name, before = self.some_name(data), self.exported()
        times = [self.clock.now - timedelta(minutes=10 * back + 5) for back in range(5)]
        new = set(times) - self.told.heard.get(tidy(name), set())
        with tempfile.TemporaryDirectory() as place:
            path = Path(place) / "table.csv"
            rows = [[name, at.isoformat(), "21.5", "12.5"] for at in times]
            with path.open("w", encoding="utf-8", newline="") as text:
                csv.writer(text).writerows([["box", "t", "temperature_c", "rh_pct"], *rows])
            done = self.try_to("readings", "import", str(path))
        if done.exit_code:
            assert self.exported() == before
            return
        assert f"{len(new)} new readings" in done.out
        if take_back and new:
            number = re.search(r"import (\d+):", done.out)[1]  # type: ignore[index]
            self.say("readings", "withdraw", "--import", number)
            assert self.exported() == before
            return
        self.told.heard.setdefault(tidy(name), set()).update(times)

    @rule(order=st.sampled_from(["weigh", "put", "put", "put", "take", "take", "undo"]), data=data)
    def desk(self, order: str, data: st.DataObject) -> None:
        name = self.some_name(data)
        before = self.state()
        words = {
            "weigh": ("charge", "weigh-out", "cup", "spring", "120g"),
            "put": ("charge", "put", "--", "cup", name),
            "take": ("charge", "take-out", "cup"),
            "undo": ("lot", "undo", "1"),
        }[order]
        done = self.try_to(*words)
        if done.exit_code:
            assert self.state() == before, done
            return
        for entry in self.say("log", "show", "--json").json["entries"]:
            self.told.logged.setdefault(entry["entry_id"], (entry["box"], entry["kind"]))
        there = {entry["entry_id"] for entry in self.say("log", "show", "--json").json["entries"]}
        self.told.logged = {number: what for number, what in self.told.logged.items() if number in there}

    @rule()
    def move_to_another_machine(self) -> None:
        """A backup that is restored, and readings that are exported and imported, give the same answers elsewhere."""
        with tempfile.TemporaryDirectory() as place:
            other = Path(place) / "other"
            other.mkdir()
            (other / "shelf.toml").write_bytes((self.folder / "shelf.toml").read_bytes())
            self.say("backup", f"{place}/copy")
            self.say("restore", "--yes", f"{place}/copy", shelf=other)
            for words in (("boxes", "--json"), ("log", "show", "--json"), ("readings", "export")):
                assert self.say(*words, shelf=other).out == self.say(*words).out
            third = Path(place) / "third"
            third.mkdir()
            (third / "shelf.toml").write_bytes((self.folder / "shelf.toml").read_bytes())
            self.say("readings", "export", f"{place}/all.csv")
            odd = any("(" in name or len(name) > 64 for name in self.told.heard)
            if self.told.heard and sum(map(len, self.told.heard.values())) and not odd:
                self.say("readings", "import", "--sure", f"{place}/all.csv", shelf=third)
                self.say("readings", "export", f"{place}/again.csv", shelf=third)
                first, again = (self._readings(Path(place) / each) for each in ("all.csv", "again.csv"))
                assert first == again

    @staticmethod
    def _readings(path: Path) -> list[tuple[str, ...]]:
        with path.open(encoding="utf-8", newline="") as text:
            return sorted((row["box"], row["t"], row["temperature_c"], row["rh_pct"]) for row in csv.DictReader(text))

    # what has to hold

    @invariant()
    def all_tell_one_story(self) -> None:
        told = self.told
        shelf = load_shelf(self.folder, {})
        assert {box.name: 100.0 * box.humidity_limit for box in shelf.boxes} == pytest.approx(told.declared)
        listed = {box["box"]: box for box in self.say("boxes", "--json").json["boxes"]}
        strangers = {box for box, times in told.heard.items() if max(times) > told.removed.get(box, START - TEN_YEARS)}
        strangers -= {*told.declared, ROOM}
        assert set(listed) == set(told.declared) | strangers
        entries = self.say("log", "show", "--json").json["entries"]
        assert {one["entry_id"]: one["box"] for one in entries} == {n: box for n, (box, _) in told.logged.items()}
        plan = self.say("plan", "--json").json
        today = self.say("today", "--json", codes=(0, 3))
        assert {word["box"] for word in today.json["words"]} - {None} <= set(listed)
        assert bool(today.json["words"]) == (today.exit_code == 3)
        assert self.exported() == Counter({box: len(times) for box, times in told.heard.items() if times})
        self.steps += 1
        for words in FACES if LONG else (FACES[self.steps % len(FACES)],):
            self.say(*words, codes=(0, 3))
        assert {one["box"] for day in plan["days"] for one in day["boxes"]} <= set(listed)


def test_any_order_of_deeds_is_one_story(monkeypatch: pytest.MonkeyPatch) -> None:
    Site.clock = MovedClock(START)
    Site.clock.stand_in(monkeypatch)
    StubInference().stand_in(monkeypatch)
    run_state_machine_as_test(
        Site,
        settings=settings(
            max_examples=LONG or 5,
            stateful_step_count=50 if LONG else 12,
            derandomize=not LONG,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate],  # a shorter way to the same fault would take minutes to find
        ),
    )
