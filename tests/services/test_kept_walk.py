"""Whatever is done to a site and asked of it, in whatever order: what is kept never contradicts a fresh answer.

SICCAST_KEPT_WALKS=50 takes so many walks with as many draws as people get.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from kept_site import DAY, HOUR, NAMES, Site, Watched, assert_not_contradicted, made, with_fewer_draws

from monitor.records import EntryKind, LedgerEntry, Mark, Reading, SensorSpec

LONG = int(os.environ.get("SICCAST_KEPT_WALKS", "0"))
SEEDS = range(100, 100 + LONG) if LONG else range(2)
STEPS = 40 if LONG else 9
CLOSED_AT = made(90)[1]
DRAWS = 1000 if LONG else 250


@dataclass
class Walk:
    """A site, the instant it has come to, and what may be undone."""

    site: Site
    rng: np.random.Generator
    now: datetime
    logged: list[int] = field(default_factory=list)
    withdrawn: list[int] = field(default_factory=list)
    away: list[object] = field(default_factory=list)

    def some_box(self) -> str:
        return str(self.rng.choice(NAMES))

    def earlier(self, most: timedelta) -> datetime:
        return self.now - most * float(self.rng.random())

    def pass_time(self) -> None:
        """Some minutes, hours or days, a few hours of which come late."""
        self.now += HOUR * float(
            self.rng.choice(
                [0.2, 0.7, 1.5, 5.0, 20.0, 26.0, 60.0, 8 * 24.0], p=[0.1, 0.15, 0.2, 0.15, 0.15, 0.15, 0.05, 0.05]
            )
        )
        gap, box = self.earlier(2 * DAY), self.some_box()
        self.site.arrive(self.now, lambda one: one.box == box and gap <= one.at < gap + 3 * HOUR)

    def log(self) -> None:
        kind = (EntryKind.opening, EntryKind.recharge, EntryKind.weighing, EntryKind.note)[int(self.rng.integers(4))]
        what: dict[EntryKind, dict[str, object]] = {
            EntryKind.recharge: {"dry_mass_g": 100.0, "desiccant": "silica_regular", "method": "oven_120C_3h"},
            EntryKind.weighing: {"mass_g": 100.0 + 3.0 * float(self.rng.random())},
            EntryKind.note: {"note": "moved"},
        }
        entry = LedgerEntry(kind, self.some_box(), self.earlier(6 * DAY), **what.get(kind, {}))  # type: ignore[arg-type]
        with self.site.stores() as stores:
            self.logged.append(stores.ledger.log(entry, self.now))

    def undo(self) -> None:
        if self.logged:
            number = self.logged.pop(int(self.rng.integers(len(self.logged))))
            with self.site.stores() as stores:
                stores.ledger.undo(number, self.now)

    def late(self) -> None:
        with self.site.stores() as stores:
            stores.readings.add(self.site.late)
        self.site.late.clear()

    def import_some(self) -> None:
        """Readings between those that were heard, of another instrument."""
        start, box = self.earlier(20 * DAY), self.some_box()
        found = [Reading(box, start + minutes * timedelta(minutes=7), 21.5, 0.09) for minutes in range(40)]
        with self.site.stores() as stores:
            number = stores.imports.begin("a table", self.now)
            stores.imports.add(number, [one for one in found if one.at < self.now])
            stores.imports.finish(number, self.now)
        self.withdrawn.append(-number)

    def withdraw(self) -> None:
        """An import, a span, or put one of these back."""
        with self.site.stores() as stores:
            if self.withdrawn and (number := self.withdrawn.pop(0)) > 0:
                stores.imports.restore(number)
            elif self.withdrawn:
                self.withdrawn.append(stores.imports.withdraw_import(-number, self.now).number)
            else:
                start = self.earlier(15 * DAY)
                gone = stores.imports.withdraw_span(self.some_box(), start, start + 5 * HOUR, self.now)
                self.withdrawn.append(gone.number)

    def screen(self) -> None:
        start = self.earlier(10 * DAY)
        with self.site.stores() as stores:
            series = stores.readings.series(self.some_box(), start, start + 4 * HOUR)
            series.marks[:] ^= Mark.spike.bit
            stores.readings.mark(series)

    def declare(self) -> None:
        what: list[dict[str, object]] = [
            {"humidity_limit": float(self.rng.choice([0.2, 0.25, 0.3]))},
            {"sensor": SensorSpec(float(self.rng.choice([0.02, 0.01])), 0.001)},
            {"style": str(self.rng.choice(["gasket", "gasket", "bag"]))},
            {"volume_liter": float(self.rng.choice([10.0, 11.0, 40.0]))},
            {"room": str(self.rng.choice(["room", "cellar"]))},
        ]
        self.site.declare(self.some_box(), **what[int(self.rng.integers(len(what)))])

    def another_set(self) -> None:
        """A box leaves, or comes back."""
        if self.away:
            self.site.boxes.append(self.away.pop())  # type: ignore[arg-type]
        else:
            self.away.append(self.site.boxes.pop(int(self.rng.integers(len(self.site.boxes)))))

    def damage(self) -> None:
        column = self.rng.choice(["answer", "teaching", "fit", "rests_on", "checksum"])
        with closing(sqlite3.connect(self.site.path)) as connection, connection:
            value = 1 if column == "checksum" else self.rng.bytes(50)
            connection.execute(f"UPDATE kept_outlooks SET {column} = ? WHERE box = ?", (value, self.some_box()))

    def ask_the_past(self) -> None:
        self.site.ask(self.earlier(5 * DAY), of_the_past=True)


DEEDS: tuple[Callable[[Walk], None], ...] = (
    *(Walk.pass_time,) * 6, Walk.log, Walk.log, Walk.undo, Walk.late, Walk.import_some, Walk.withdraw, Walk.screen,
    Walk.declare, Walk.another_set, Walk.damage, Walk.ask_the_past,
)  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS)
def test_no_order_of_deeds_leaves_an_answer_that_a_fresh_one_contradicts(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not LONG:
        with_fewer_draws(monkeypatch, DRAWS)
    watched, rng = Watched(), np.random.default_rng(seed)
    watched.stand_between(monkeypatch)
    walk = Walk(Site.begun(tmp_path, 90), rng, CLOSED_AT + 25 * DAY)
    if seed % 2:  # the room gets its sensor later, and its readings with it or late
        walk.site.late += [one for one in walk.site.told["room"] if one.at < walk.now]
        walk.site.told["room"] = [one for one in walk.site.told["room"] if one.at >= walk.now + DAY]
    walk.site.arrive(walk.now)
    done: list[str] = []
    for _ in range(STEPS):
        for deed in rng.choice(len(DEEDS), size=int(rng.integers(1, 4))):
            done.append(DEEDS[deed].__name__)
            DEEDS[deed](walk)
        watched.since()
        watched.together.clear()
        kept = walk.site.ask(walk.now)
        fitted, updated = watched.since()
        done.append(f"ask (fitted {len(fitted)}, updated {len(updated)})")
        all_anew = {box.name for box in walk.site.boxes} in watched.together
        fresh = walk.site.ask(walk.now, fresh=True)
        assert kept.keys() == fresh.keys()
        if all_anew:
            assert kept == fresh, done
        for name, one in kept.items():
            assert_not_contradicted(one, fresh[name], walk.now, done, DRAWS)
