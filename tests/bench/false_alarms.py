"""How often a sound seal is said to leak more, when one looks every night of a year; and how soon one that ages is.

python -m tests.bench.false_alarms [BOXES OF EACH KIND] [HOW MANY TIMES AS LEAKY AFTER 130 DAYS] [KINDS …]

4 boxes of each of ten kinds by the exact balance of tests/exact_balance.py, with contents, beds, sensors and openings
that the estimate knows nothing of; beads are changed every two to four months, and the lid then sits a little
differently. Each box is carried on from night to night as the listener does, beside six sound ones, and fitted again
weekly, after each entry and wherever an update asks for it. Some four seconds of processor time a box and year. With a
second number seals age evenly over 130 days from the first change of beads on, and what is said is no false alarm.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import process_time
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import simulated_lives as lives
from exact_balance import Box as ExactBox
from exact_balance import Climate, follow
from simulated_boxes import CLOSED_AT
from simulated_lives import Kind

from monitor.inference.fit.change_point import ChangePoint, change_point_of, with_change_point
from monitor.inference.fit.fit import estimate, under_pooled_prior
from monitor.inference.fit.pooling import KnownLeaks, LeakObservation, finite_only
from monitor.inference.shelf import first_fit as first_fits
from monitor.inference.shelf import last_fit as last_fits
from monitor.inference.shelf.first_fit import FirstFit, Room, by_room, first_fit
from monitor.inference.shelf.last_fit import LastFit, RefitReason, recent_steps_s
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, ReadingSeries, SensorSpec, Spool
from monitor.series.spans import unmarked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.inference.fit.posterior import Posterior
    from monitor.physics.numerics import FloatArray

DAYS, AGES_DAYS = 365, 130
DRAWS = 400
"""Of a fit. [draws] Fewer than people get, for a year of seconds; their noise says a change rather sooner."""
LID_SD = 0.15
"""How differently a sound lid sits after each change of beads. [ln conductance]"""
SHELF = 6
"""Sound boxes that stand beside. [boxes]"""
SAID_FOR = timedelta(days=180)
"""As in ``planning/due.py``."""
PLA, NYLON = (Spool("PLA", 1000.0, 2, "open"),), (Spool("PA6", 1000.0, 1, "wet"),)
GEL = Kind(days=DAYS, dry_mass_g=220.0, conductance=(0.10, 0.4))
KINDS = {
    "gel": GEL,
    "coarse": replace(GEL, accuracy=0.05, noise=0.01, step=0.01, floor=0.10),
    "no room": replace(GEL, room_seen=False),
    "openings": replace(GEL, openings_a_day=0.3, share_logged=0.5),
    "printer": replace(GEL, warm_spells_degc=8.0),
    "nylon": replace(GEL, spools=NYLON, spool_humidity=0.5, spool_core="cardboard"),
    "PLA": replace(GEL, spools=PLA, spool_humidity=0.35, spool_core="cardboard"),
    "deep bed": replace(GEL, bed_behind=0.5, bed_lag_days=6.0),
    "worn beads": replace(GEL, capacity=0.7),
    "leaky": replace(GEL, conductance=(0.4, 0.4)),
}


@dataclass(eq=False)
class Said:
    """What a year of nights says of one box."""

    nights: list[tuple[int, ChangePoint]] = field(default_factory=list)
    """Nights on which it was said to leak more, and what was found."""
    better: int = 0
    """On which it was said to seal better. [nights]"""
    within: int = 0
    """Of the first, by the present episode. [nights]"""


@dataclass(frozen=True, eq=False)
class SharedRoom:
    """The air that the boxes of a shelf stand in, hour by hour."""

    vapor_kpa: FloatArray
    degc: FloatArray
    shown: ReadingSeries

    @classmethod
    def drawn(cls, seed: int) -> SharedRoom:
        vapor_kpa, degc = lives._rooms(24 * DAYS, 1, np.random.default_rng(seed))
        humidity = vapor_kpa / (np.asarray(saturation_vapor_pressure_pa(degc)) / 1e3)
        return cls(vapor_kpa, degc, _seen("room", degc[:, 0], humidity[:, 0]))


def made(name: str, count: int, times: float, room: SharedRoom, seed: int) -> list[BoxHistory]:
    """Boxes of a kind, side by side through a year; their beads are changed on the same days."""
    kind, rng, hours = KINDS[name], np.random.default_rng(seed), 24 * DAYS
    vapor_kpa, room_degc = (values * np.ones(count) for values in (room.vapor_kpa, room.degc))
    warm = room_degc + lives._warm_spells(hours, count, kind, rng)
    opened = rng.random((hours, count)) < kind.openings_a_day / 24.0
    logged = opened & (rng.random((hours, count)) < kind.share_logged)
    conductance = kind.conductance[0] * np.exp(kind.conductance[1] * rng.standard_normal(count))
    slow, held = lives._slow(kind, count, rng)
    scale = kind.capacity * np.exp(kind.capacity_sd * rng.standard_normal(count))
    if kind.bed_behind:
        slow = (*slow, lives._beads(kind, scale, kind.bed_behind))
    starts = [0, *np.cumsum(rng.integers(60, 121, 6)).tolist()]
    starts = [24 * day for day in starts if day < DAYS - 20]
    ages = np.exp(np.log(times) * np.clip((np.arange(hours) / 24.0 - starts[1] / 24.0) / AGES_DAYS, 0.0, 1.0))
    humidity = np.empty((hours, count))
    for begin, end in zip(starts, [*starts[1:], hours], strict=True):
        here = slice(begin, end)
        low, spread = kind.start_humidity
        dried = low * np.exp(spread * rng.standard_normal(count))
        if kind.bed_behind:  # its deep part is dried as well
            held = (*held[: len(slow) - 1], scale * slow[-1].isotherm.loading_g_per_g(dried, 21.0))
        lid = np.exp(LID_SD * rng.standard_normal(count))
        air = Climate(np.full(end - begin, 1 / 24), 1e3 * vapor_kpa[here], warm[here], opened[here].astype(float),
                      ages[here, None] * np.ones(count))  # fmt: skip
        box = ExactBox(kind.volume_liter, conductance * lid, lives._prompt(kind, scale), slow)
        course = follow(box, air, dried, held)
        humidity[here] = course.relative_humidity
        held = tuple(loading[-1] for loading in course.slow_loading_g_per_g)
    shown = lives._shown(humidity, kind, rng)
    return [
        _history(kind, f"{name} {i}", starts, np.flatnonzero(logged[:, i]), _seen(name, warm[:, i], shown[:, i]),
                 room.shown if kind.room_seen else None)
        for i in range(count)
    ]  # fmt: skip


def _seen(name: str, degc: FloatArray, shown: FloatArray) -> ReadingSeries:
    at_s = CLOSED_AT.timestamp() + 3600.0 * (np.arange(len(shown)) + 0.5)
    return unmarked(name, at_s, np.round(degc, 2), np.round(shown, 4))


def _history(  # noqa: PLR0917
    kind: Kind, name: str, starts: list[int], opened: FloatArray, shown: ReadingSeries, room: ReadingSeries | None
) -> BoxHistory:
    box = Box(
        name, kind.volume_liter, kind.limit, kind.style, SensorSpec(kind.accuracy, kind.step, kind.floor), kind.spools,
        kind.spool_core, kind.fed_through_tube, on_printer=kind.warm_spells_degc > 0.0,
    )  # fmt: skip
    filled = [
        LedgerEntry(EntryKind.recharge if start else EntryKind.charge, name, CLOSED_AT + timedelta(hours=start),
                    desiccant=kind.desiccant, dry_mass_g=kind.dry_mass_g, method="oven_120C_3h")
        for start in starts
    ]  # fmt: skip
    openings = [LedgerEntry(EntryKind.opening, name, CLOSED_AT + timedelta(hours=hour + 0.5)) for hour in opened]
    return BoxHistory(box, shown, room, None, tuple(sorted([*filled, *openings], key=lambda e: e.at)))


class Carried:
    """One box, asked night after night."""

    def __init__(self, history: BoxHistory, others: Sequence[LeakObservation]) -> None:
        """``history`` is that of the whole year; ``others`` is what other boxes teach."""
        self.whole, self.others = history, others
        self.known: dict[int, Room] = {}
        """Shared by the boxes of a room, as its climate is then learned once a night."""
        self.last: LastFit | None = None
        self.asked_s, self.fits = 0.0, 0

    def night(self, now_s: float) -> tuple[ChangePoint | None, ChangePoint | None]:
        """Return the change that is said, and that of the present episode alone."""
        entries = tuple(e for e in self.whole.entries if e.at.timestamp() < now_s)
        history = replace(self.whole, entries=entries)
        [box_input], rooms = by_room([history], now_s, self.known)
        found: Any = RefitReason.gone
        if self.last is not None and entries[-1].at.timestamp() < self.asked_s:
            found = self.last.updated(box_input, rooms, now_s)
        self.asked_s = now_s
        if isinstance(found, RefitReason):
            posterior, first = self._fitted(box_input, rooms, now_s)
        else:
            assert self.last is not None
            (posterior, steps), first = found, self.last.first
            self.last = self.last.moved_on(posterior, steps)
        within = None if posterior is None else change_point_of(posterior)
        return within or first.change_point, within

    def _fitted(self, box_input: Any, rooms: Any, now_s: float) -> tuple[Posterior | None, FirstFit]:
        self.fits += 1
        first = first_fit(box_input, rooms, now_s)
        if first.posterior is None:
            self.last = None
            return None, first
        known = KnownLeaks([*self.others, *finite_only(first.observations)])
        first, start_s = first.with_change_point(known), first.posterior.episode.start_s
        at = first.change_point
        pooled = known.prior(box_input.history.box, start_s, at.at.timestamp() if at else None)
        posterior = with_change_point(under_pooled_prior(first.posterior, pooled))
        steps = recent_steps_s(box_input, rooms, now_s)
        self.last = LastFit.of(posterior, first, known.style(box_input.history.box), steps)
        return posterior, first


def taught(count: int) -> list[LeakObservation]:
    """Return what so many sound boxes teach after their year, beside which each is asked: how alike lids sit."""
    found: list[LeakObservation] = []
    for history in made("gel", count, 1.0, SharedRoom.drawn(999), 999):
        box = Carried(history, ())
        box.night(CLOSED_AT.timestamp() + 86_400.0 * DAYS)
        if box.last is not None:
            found += finite_only(box.last.first.observations)
    return found


def year_of(histories: Sequence[BoxHistory], others: Sequence[LeakObservation]) -> list[tuple[Carried, Said]]:
    """Ask the boxes of a shelf every night of a year."""
    boxes = [(Carried(history, others), Said()) for history in histories]
    for box, _ in boxes:
        box.known = boxes[0][0].known
    for night in range(1, DAYS + 1):
        now = CLOSED_AT + timedelta(days=night)
        for box, said in boxes:
            found, within = box.night(now.timestamp())
            if found is None or now - found.at > SAID_FOR:
                continue
            if found.factor.p50 < 1.0:
                said.better += 1
                continue
            said.nights.append((night, found))
            said.within += within is not None
    return boxes


def _first(year: Said) -> str:
    if not year.nights:
        return "never"
    night, change = year.nights[0]
    since = (change.at - CLOSED_AT).days
    return f"night {night}: {change.factor.p50:.1f} times since day {since}, chance {change.chance:.2f}"


def main(count: int, times: float, kinds: list[str]) -> None:
    """Print a row a box, and shares of boxes."""
    first_fits.estimate = lambda *args, **how: estimate(*args, **{"count": DRAWS, **how})
    last_fits.LEAST_EFFECTIVE_DRAWS *= DRAWS / 1000.0
    said, better, boxes, others = 0, 0, 0, taught(SHELF)
    for turn in range(count):
        room, begun = SharedRoom.drawn(100 * turn), process_time()
        shelf = [box for n, name in enumerate(kinds) for box in made(name, 1, times, room, 100 * turn + n)]
        for box, year in year_of(shelf, others):
            boxes, said, better = boxes + 1, said + bool(year.nights), better + bool(year.better)
            nights = f"{len(year.nights):3} nights ({year.within} within)"
            print(f"{box.whole.box.name:14} leakier on {nights}, better on {year.better:3}; {box.fits} fits; "
                  f"first {_first(year)}", flush=True)  # fmt: skip
        print(f"{turn + 1}: {process_time() - begun:.0f} s", flush=True)
    print(f"{said} of {boxes} boxes were said to leak more on some night, {better} to seal better "
          f"({datetime.now(UTC):%Y-%m-%d})")  # fmt: skip


if __name__ == "__main__":
    asked = sys.argv[1:]
    main(int(asked[0]) if asked else 4, float(asked[1]) if len(asked) > 1 else 1.0, asked[2:] or list(KINDS))
