"""A site of made-up boxes in a real database, asked with what it keeps and anew: for the tests of kept outlooks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_boxes import CLOSED_AT, Truth, simulated_box
from simulated_shelf import history_of, series_of

from monitor import inference
from monitor.inference.shelf import first_fit, last_fit
from monitor.records import Assessment, Box, BoxHistory, BoxState, Reading
from monitor.services.assess import assess
from monitor.store.opening import Stores, open_stores

NAMES = ("left", "middle", "right")
TRUTHS = {name: Truth(conductance) for name, conductance in zip(NAMES, (0.06, 0.09, 0.13), strict=True)}
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
LEAK_NOISE, DATE_NOISE = 0.10, 0.12
"""Of ln(leak), and of ln(days) as `tests/inference/test_last_fit.py` states it."""


@cache
def made(days: int) -> tuple[dict[str, BoxHistory], datetime]:
    """Three boxes of one style beside one room, and the instant at which their beads went in."""
    found = {}
    for k, name in enumerate(NAMES):
        record, _, _ = simulated_box(TRUTHS[name], days, noise_seed=k)
        found[name] = history_of(record, name, series_of("room", record.room))
    return found, CLOSED_AT


@cache
def days_until_crossed(name: str) -> float:
    """Return after how many days a box truly passes its limit."""
    _, _, days = simulated_box(TRUTHS[name], 0, whole_days=200)
    return days


def readings_of(name: str, days: int) -> list[Reading]:
    """Return the hourly readings of a box, or of the room."""
    histories, _ = made(days)
    series = histories["left"].room if name == "room" else histories[name].readings
    assert series is not None
    columns = (series.at_s, series.temperature_degc, series.relative_humidity)
    start = datetime.fromtimestamp(0, CLOSED_AT.tzinfo)
    return [
        Reading(name, start + timedelta(seconds=at_s), round(warm, 2), round(humidity, 4))
        for at_s, warm, humidity in zip(*(column.tolist() for column in columns), strict=True)
    ]


@dataclass
class Site:
    """One database, the boxes that are declared beside it, and what was asked of inference."""

    folder: Path
    days: int = 60
    boxes: list[Box] = field(default_factory=list)
    told: dict[str, list[Reading]] = field(default_factory=dict)
    """Readings of each name that did not arrive yet."""
    late: list[Reading] = field(default_factory=list)
    """Readings that were left out, and may come later."""

    @property
    def path(self) -> Path:
        return self.folder / "siccast.sqlite3"

    @contextmanager
    def stores(self, **how: Any) -> Iterator[Stores]:
        with open_stores(self.path, synchronous="OFF", **how) as opened:
            yield opened

    @classmethod
    def begun(cls, folder: Path, days: int = 60, names: Sequence[str] = NAMES) -> Site:
        """Return a site where the beads went in and nothing was shown yet."""
        histories, _ = made(days)
        site = cls(folder, days, [histories[name].box for name in names])
        site.told = {name: readings_of(name, days) for name in (*NAMES, "room")}
        with site.stores(begin=True) as stores:
            for name in names:
                for entry in histories[name].entries:
                    stores.ledger.log(entry, entry.at)
        return site

    def arrive(self, until: datetime, left_out: Callable[[Reading], bool] = lambda _: False) -> None:
        """Store all that was shown before an instant, or leave it to come late."""
        with self.stores() as stores:
            for name, waiting in self.told.items():
                there = [one for one in waiting if one.at < until]
                self.told[name] = waiting[len(there) :]
                self.late += filter(left_out, there)
                stores.readings.add([one for one in there if not left_out(one)])

    def crossed_at(self, name: str) -> datetime:
        """Return when a box truly passes its limit."""
        return CLOSED_AT + days_until_crossed(name) * DAY

    def ask(self, at: datetime, *, fresh: bool = False, **how: Any) -> dict[str, Assessment]:
        """Ask as a command does, which may only read."""
        with self.stores(read_only=True) as stores:
            answers = assess(
                stores.readings,
                stores.ledger,
                self.boxes,
                at,
                kept=None if fresh else stores.outlooks,
                workers=1,
                **how,
            )
        return {answer.box.name: answer for answer in answers}

    def declare(self, name: str, **what: Any) -> None:
        """Change what shelf.toml says of a box."""
        self.boxes = [replace(box, **what) if box.name == name else box for box in self.boxes]


@dataclass
class Watched:
    """Which boxes inference was asked to fit, and to update, since the last look."""

    fitted: list[str] = field(default_factory=list)
    updated: list[str] = field(default_factory=list)
    together: list[set[str]] = field(default_factory=list)
    """Which boxes were fitted together, since the beginning."""

    def since(self) -> tuple[set[str], set[str]]:
        seen = set(self.fitted), set(self.updated)
        self.fitted.clear()
        self.updated.clear()
        return seen

    def stand_between(self, monkeypatch: pytest.MonkeyPatch) -> None:
        fit, update = inference.fitted, inference.updated

        def fitted(histories: Sequence[BoxHistory], *told: Any, **how: Any) -> Any:
            names = [history.box.name for history in histories]
            self.fitted += names
            self.together.append(set(names))
            return fit(histories, *told, **how)

        def updated(fits: Any, histories: Sequence[BoxHistory], *told: Any, **how: Any) -> Any:
            self.updated += [history.box.name for history in histories]
            return update(fits, histories, *told, **how)

        monkeypatch.setattr(inference, "fitted", fitted)
        monkeypatch.setattr(inference, "updated", updated)


def with_fewer_draws(monkeypatch: pytest.MonkeyPatch, draws: int = 250) -> None:
    """Fit with so many draws, where a test is not about how exact an answer is."""
    monkeypatch.setattr(first_fit, "estimate", partial(first_fit.estimate, count=draws))
    monkeypatch.setattr(last_fit, "LEAST_EFFECTIVE_DRAWS", last_fit.LEAST_EFFECTIVE_DRAWS * draws / 1000)


def ln_days(answer: Assessment, at: datetime) -> np.ndarray:
    """Return ln of the days until the quantiles of the date, NaN where they lie beyond the horizon or are past."""
    assert answer.forecast is not None
    dates = answer.forecast.cross_at
    days = [(one - at).total_seconds() / 86_400.0 if one else np.nan for one in (dates.p05, dates.p50, dates.p95)]
    return np.log(np.where(np.array(days) > 0.0, days, np.nan))


def ln_leak(answer: Assessment) -> float:
    assert answer.leak is not None
    return float(np.log(answer.leak.conductance_g_per_day_per_kpa.p50))


def assert_not_contradicted(
    kept: Assessment, fresh: Assessment, now: datetime, done: object, draws: int = 1000
) -> None:
    """Neither state nor refusal differ, and numbers by no more than is noise."""
    assert (kept.refusal, kept.failed) == (fresh.refusal, fresh.failed), done
    if kept.leak is None or fresh.leak is None:
        assert kept.leak is fresh.leak, done
        assert kept.state is fresh.state, done
        return
    one, other = (np.log(tuple(_quantiles(each))) for each in (kept, fresh))
    share = share_of_width(draws)
    noise = max(LEAK_NOISE, share * (other[2] - other[0]))
    assert np.abs(one - other) / (2, 1, 2) == pytest.approx(np.zeros(3), abs=noise), done
    assert_same_dates(kept, fresh, now, done, draws)


def assert_same_dates(kept: Assessment, fresh: Assessment, now: datetime, done: object, draws: int = 1000) -> None:
    assert kept.forecast is not None
    assert fresh.forecast is not None
    chance, other = kept.forecast.chance_over_already, fresh.forecast.chance_over_already
    assert chance == pytest.approx(other, abs=0.15), done
    if 0.2 < other < 0.8:
        return  # a hair decides what is said
    days, expected = ln_days(kept, now), ln_days(fresh, now)
    share = share_of_width(draws)
    noise = max(DATE_NOISE, share * float(np.nan_to_num(expected[2] - expected[0], nan=1.0)))
    there = ~np.isnan(days + expected) & (expected > 1.0)
    assert (np.abs(days - expected) / (2, 1, 2))[there] == pytest.approx(0.0, abs=noise), done
    if kept.state is not fresh.state:  # the day to act by lies at the edge of a week for one of them
        assert {kept.state, fresh.state} <= {BoxState.due, BoxState.within_limit}, done
        assert abs(_ln_due(kept, now) - _ln_due(fresh, now)) < 2 * noise, done


def _ln_due(answer: Assessment, now: datetime) -> float:
    """The logarithm of the days left to act; a day more, so that none is a number too."""
    assert answer.due_at is not None
    return float(np.log(max(answer.due_at - now, 0 * DAY) / DAY + 1.0))


def _quantiles(answer: Assessment) -> tuple[float, float, float]:
    assert answer.leak is not None
    found = answer.leak.conductance_g_per_day_per_kpa
    return found.p05, found.p50, found.p95


def share_of_width(draws: int) -> float:
    """Return by how much of its 90 % interval a median may differ: three and a half standard errors of two samples.

    The smaller has as many effective draws as an update must have. The ends of the interval differ by twice that.
    """
    return 0.12 * float(np.sqrt(1000 / draws))
