"""When to dry which boxes: the tool's plan, every so many weeks, when the display is over the limit, a straight line.

Beads are dried on Saturdays, the one day a week that this person has, and every policy decides on the evening before.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from monitor.desk.inventory import Inventory
from monitor.planning.due import leaks_more
from monitor.planning.problem import problem_of
from monitor.planning.recharge import question_of
from monitor.planning.solve import solve
from monitor.planning.steady import Announced, due_on
from monitor.records import ROOM, AnnouncedDay, Appliance, EntryKind, LedgerEntry, PlanRules, Reading
from monitor.services.assess import assess
from monitor.services.planning import PlanInputs, PlanSources
from tests.worth.site import SATURDAY, STEPS_A_DAY, STEPS_A_WEEK, Site

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from monitor.physics.numerics import FloatArray
    from monitor.records import Assessment
    from monitor.store.opening import Stores

PLAN, OVER, LINE = "plan", "over the limit", "straight line"
WEEKS = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 16, 20, 26)
POLICIES = (PLAN, OVER, LINE, *(f"every {weeks} weeks" for weeks in WEEKS))
EVENING = 77  # step of a week: Friday at 20:00
_UNTIL_NEXT_CHANCE_DAYS = (2 * STEPS_A_WEEK - EVENING) / STEPS_A_DAY
_LINE_DAYS, _LEAST_LINE_DAYS, _SETTLES_DAYS = 14, 4, 2
_EVERY_DRAW = 4  # two hundred and fifty draws: a chance of 20 % errs by 2.5 %
OVENS = {
    "oven_110C": Appliance("oven", "oven", 110.0, batch_boxes=8),
    "hot_air_65C": Appliance("oven", "filament_dryer", 65.0, batch_boxes=8),
}
"""By how a site dries its beads. It takes all boxes of a site, so that a day counts once for every policy."""


class Planner:
    """What `siccast plan` does: futures, repeated visits, and days that were announced."""

    def __init__(self, site: Site, stores: Stores) -> None:
        self._site, self._stores = site, stores
        self._announced: dict[str, AnnouncedDay] = {}

    def planned_for(self, tomorrow: date, now: datetime, assessments: Sequence[Assessment]) -> set[str]:
        """Return the boxes that the tool's plan dries tomorrow."""
        first = self._first_days(now, assessments)
        said = {
            a.box.name: AnnouncedDay(
                a.box.name, first[a.box.name], a.as_of, due_on(a, now.date()), leaked_more=leaks_more(a)
            )
            for a in assessments
            if a.box.name in first
        }
        stand = {box: one for box, one in self._announced.items() if box in said and said[box].on == one.on}
        self._announced = {**said, **stand}
        return {box for box, on in first.items() if on == tomorrow}

    def _first_days(self, now: datetime, assessments: Sequence[Assessment]) -> dict[str, date]:
        """Return on which day each box is dried next."""
        site, stores = self._site, self._stores
        sources = PlanSources(
            stores.readings, stores.ledger, stores.outlooks, Inventory(), site.boxes, [OVENS[site.method]],
            PlanRules(weekdays=(SATURDAY,)), now, now.date(), every_draw=_EVERY_DRAW,
        )  # fmt: skip
        question = question_of(PlanInputs(sources).whole(), assessments, announced=Announced(self._announced))
        visits = solve(problem_of(question)).visits
        return {box.name: question.days[of[0][0]] for box, of in zip(question.boxes, visits, strict=True) if of}


class Tool:
    """The tool itself at a site: readings and entries in its store, asked on the evening before a day of drying."""

    def __init__(self, site: Site, stores: Stores) -> None:
        self._site, self._stores = site, stores
        self._planner = Planner(site, stores)
        self._rng = np.random.default_rng((site.seed, 15))
        self.refused = 0
        """Forecasts that were asked for and not given."""
        for i, box in enumerate(site.boxes):
            self._log(EntryKind.charge, box.name, site.start, i)

    def see(self, first: int, humidity: FloatArray) -> None:
        """Take what sensors showed in some steps from ``first`` on (steps × boxes), and what was written down."""
        site, stop = self._site, first + len(humidity)
        self._stores.readings.add(self._readings(first, humidity))
        for step, i in np.argwhere(site.logged[first:stop]):
            self._enter(EntryKind.opening, site.boxes[i].name, site.at(first + int(step)) + timedelta(minutes=20))

    def dried(self, week: int, boxes: FloatArray) -> None:
        """Have it written down that these boxes got dry beads at the start of a week."""
        for i in np.flatnonzero(boxes):
            self._log(EntryKind.recharge, self._site.boxes[i].name, self._site.at(STEPS_A_WEEK * week), int(i))

    def swapped(self, week: int) -> None:
        """Have spool swaps written down at the start of a week."""
        for i in np.flatnonzero(self._site.swapped[week]):
            at = self._site.at(STEPS_A_WEEK * week) + timedelta(minutes=5)
            self._enter(EntryKind.spool_swap, self._site.boxes[i].name, at)

    def wants(self, now: datetime) -> FloatArray:
        """Return which boxes it wants dried tomorrow."""
        stores, site = self._stores, self._site
        found = assess(stores.readings, stores.ledger, site.boxes, now, kept=stores.outlooks, workers=1)
        known = [one for one in found if one.box.name != ROOM]
        self.refused += sum(one.forecast is None for one in known)
        named = self._planner.planned_for(now.date() + timedelta(days=1), now, known)
        return np.array([box.name in named for box in site.boxes])

    def _readings(self, first: int, humidity: FloatArray) -> Iterator[Reading]:
        """Yield hourly readings: at each step, and halfway to the next; as coarse as the sensor is."""
        site = self._site
        between = 0.5 * (humidity[1:] + humidity[:-1])
        for k in range(len(humidity)):
            at = site.at(first + k + 1) - timedelta(minutes=7)
            for i, box in enumerate(site.boxes):
                if not site.sends[first + k, i]:
                    continue
                degc = round(float(site.box_degc[first + k, i]), 1)
                for back, rows in ((0, humidity), (1, between)):
                    if back and not k:
                        continue
                    wobble = 0.003 * self._rng.standard_normal() if back else 0.0
                    value = _as_shown(rows[k - back, i] + wobble, box.sensor.resolution, box.sensor.floor)
                    yield Reading(box.name, at - timedelta(hours=back), degc, float(value))
            if site.room_shown is not None:
                yield Reading(ROOM, at, round(float(site.room_degc[first + k]), 1), float(site.room_shown[first + k]))

    def _log(self, kind: EntryKind, box: str, at: datetime, i: int) -> None:
        site = self._site
        self._enter(kind, box, at, desiccant=site.beads, dry_mass_g=float(site.declared_g[i]), method=site.method)

    def _enter(self, kind: EntryKind, box: str, at: datetime, **what: object) -> None:
        self._stores.ledger.log(LedgerEntry(kind, box, at, **what), at)  # type: ignore[arg-type]


def _as_shown(humidity: FloatArray, resolution: FloatArray | float, floor: FloatArray | float | None) -> FloatArray:
    shown = np.round(np.clip(humidity, 0.001, 1.0) / resolution) * resolution
    return shown if floor is None else np.maximum(shown, floor)


class Displays:
    """What displays show under each policy, day by day since the last drying (boxes × policies)."""

    def __init__(self, site: Site, policies: int) -> None:
        self._site = site
        self._daily: list[FloatArray] = []
        self._since = np.zeros((len(site.boxes), policies), int)

    def see(self, shown: FloatArray) -> None:
        """Take the displays of whole days (steps × boxes × policies)."""
        self._daily += list(shown.reshape(-1, STEPS_A_DAY, *shown.shape[1:]).mean(axis=1))

    def dried(self, dried: FloatArray) -> None:
        """Begin anew where beads were dried."""
        self._since = np.where(dried, len(self._daily), self._since)

    def over(self, limits: FloatArray) -> FloatArray:
        """Return where the display was over the limit in the last day."""
        return self._daily[-1] > limits[:, None]

    def line_passes(self, limits: FloatArray, policy: int) -> FloatArray:
        """Return for which boxes a line through the last days passes the limit before the next chance to dry."""
        passes = self.over(limits)[:, policy].copy()
        for i, since in enumerate(self._since[:, policy]):
            first = max(int(since) + _SETTLES_DAYS, len(self._daily) - _LINE_DAYS)
            ys = np.array([day[i, policy] for day in self._daily[first:]])
            if len(ys) >= _LEAST_LINE_DAYS:
                slope, at_end = np.polyfit(np.arange(len(ys)) - len(ys) + 1.0, ys, 1)
                passes[i] |= at_end + slope * _UNTIL_NEXT_CHANCE_DAYS > limits[i]
        return passes


def shown_by(site: Site, first: int, humidity: FloatArray) -> FloatArray:
    """Return what the displays show of some steps from ``first`` on (steps × boxes × policies)."""
    off = site.shown_off[first : first + len(humidity)][:, :, None]
    resolution = np.array([box.sensor.resolution for box in site.boxes])[:, None]
    floor = np.array([box.sensor.floor or 0.0 for box in site.boxes])[:, None]
    return _as_shown(humidity + off, resolution, floor)


def begun(folder: Path) -> Path:
    """Return where the database of a site is to be."""
    return folder / "siccast.sqlite3"
