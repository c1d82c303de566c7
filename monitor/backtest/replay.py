"""Estimates and forecasts at the cuts of a recorded set, each seeing only what was stamped before its own."""

from __future__ import annotations

import csv
import logging
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from monitor.backtest.recorded import RecordedSet, Task, read_set
from monitor.errors import TooLittleEvidence
from monitor.inference.episodes import current_episode, habits_of
from monitor.inference.forecast import crossing_ahead
from monitor.inference.leak import lived_conductance
from monitor.inference.pooling import Sighting, fit_to_teach, pool, sighting_of
from monitor.inference.posterior.believed import Record
from monitor.inference.posterior.evidence import DAY_S
from monitor.inference.posterior.fit import estimate
from monitor.inference.posterior.priors import Assumptions
from monitor.inference.posterior.quantiles import quantiles
from monitor.inference.questions.changes import with_change
from monitor.records import EntryKind, Quantiles

COLUMNS = (
    "set", "box", "cut_utc", "limit_rh",
    "leak_g_per_day_per_kpa_p05", "leak_g_per_day_per_kpa_p50", "leak_g_per_day_per_kpa_p95",
    "cross_utc_p05", "cross_utc_p50", "cross_utc_p95",
)  # fmt: skip
_SIGHTING_AGES_DAYS = (12.0, 24.0, 48.0, 96.0, 192.0)
"""Ages of an episode at which its box is looked at on behalf of the others."""
_SIGHTING_DRAWS = 400

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Prediction:
    """The answer to a task; no conductance and a vague date where there is too little evidence."""

    task: Task
    leak: Quantiles | None
    crossing_days: tuple[float, float, float] | None

    def row(self) -> dict[str, str]:
        """Return the row of the predictions file."""
        task = self.task
        row = dict.fromkeys(COLUMNS, "")
        row |= {"set": task.set_name, "box": task.box, "cut_utc": task.cut, "limit_rh": task.limit_pct}
        for name in ("p05", "p50", "p95"):
            if self.leak is not None:
                row[f"leak_g_per_day_per_kpa_{name}"] = f"{getattr(self.leak, name):.6g}"
        for name, days in zip(("p05", "p50", "p95"), self.crossing_days or (), strict=False):
            if days <= task.horizon_days:
                at = datetime.fromtimestamp(task.cut_s + days * DAY_S, UTC)
                row[f"cross_utc_{name}"] = at.strftime("%Y-%m-%dT%H:%M:%SZ")
        return row


def backtest(
    folder: Path,
    *,
    workers: int = 2,
    assumptions: Assumptions | None = None,
    pooled: bool = True,
    every: int = 1,
    progress: Callable[[float], None] = lambda _share: None,
) -> list[Prediction]:
    """Return a prediction for each task of a set, in its order; ``progress`` is told the share done."""
    recorded = read_set(folder)
    tasks = recorded.tasks[::every]
    assumptions = assumptions or Assumptions()
    with ProcessPoolExecutor(workers, initializer=_begin, initargs=(recorded, assumptions)) as pool_:
        looks = _looks(recorded, max((t.cut_s for t in tasks), default=0.0)) if pooled else []
        sightings = _sightings(pool_, looks, lambda share: progress(0.4 * share))
        share_before = 0.4 if pooled else 0.0
        answers: list[Prediction] = []
        jobs = pool_.map(
            _predict, ((task, _before(sightings, task.cut_s) if pooled else None) for task in tasks), chunksize=4
        )
        for i, answer in enumerate(jobs):
            answers.append(answer)
            progress(share_before + (1.0 - share_before) * (i + 1) / len(tasks))
    return answers


def write_predictions(predictions: list[Prediction], path: Path) -> None:
    """Write predictions as CSV."""
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, COLUMNS)
        writer.writeheader()
        writer.writerows(p.row() for p in predictions if p.crossing_days is not None)


def _looks(recorded: RecordedSet, until_s: float) -> list[tuple[str, float]]:
    """Box and instant of each look on behalf of the others: at some ages of an episode, and at its end."""
    looks = []
    for name, record in recorded.records.items():
        starts = [e.at.timestamp() for e in record.entries if e.kind in (EntryKind.charge, EntryKind.recharge)]
        for start, end in zip(sorted(starts), [*sorted(starts)[1:], until_s], strict=True):
            looks += [(name, start + age * DAY_S) for age in _SIGHTING_AGES_DAYS if start + age * DAY_S < end - DAY_S]
            if end < until_s:
                looks.append((name, end - 1.0))
    return looks


def _sightings(workers: Executor, looks: list[tuple[str, float]], progress: Callable[[float], None]) -> list[Sighting]:
    found = []
    for i, sighting in enumerate(workers.map(_look, looks, chunksize=4)):
        if sighting is not None:
            found.append(sighting)
        progress((i + 1) / len(looks))
    return fit_to_teach(found)


def _before(sightings: list[Sighting], cut_s: float) -> tuple[Sighting, ...]:
    return tuple(s for s in sightings if s.at_s < cut_s)


_at_work: dict[str, Any] = {}
"""The set and the assumptions, once in each worker process."""


def _begin(recorded: RecordedSet, assumptions: Assumptions) -> None:
    _at_work.update(recorded=recorded, assumptions=assumptions)


def _look(look: tuple[str, float]) -> Sighting | None:
    name, at_s = look
    try:
        posterior = estimate(
            _at_work["recorded"].records[name], at_s, assumptions=_at_work["assumptions"], count=_SIGHTING_DRAWS
        )
    except TooLittleEvidence:
        return None
    except Exception:
        _log.exception("box %s can't be looked at on behalf of the others", name)
        return None
    return sighting_of(posterior)


def _predict(job: tuple[Task, tuple[Sighting, ...] | None]) -> Prediction:
    """Answer a task; None for the sightings asks what the box alone would have told."""
    task, sightings = job
    try:
        return _answer(task, sightings)
    except TooLittleEvidence:
        return Prediction(task, None, None)
    except Exception:
        _log.exception("%s at %s has no prediction: the estimate failed", task.box, task.cut)
        return Prediction(task, None, None)


def _answer(task: Task, sightings: tuple[Sighting, ...] | None) -> Prediction:
    record: Record = _at_work["recorded"].records[task.box]
    limit = float(task.limit_pct) / 100.0
    record = replace(record, box=replace(record.box, humidity_limit=limit))
    pooled = None
    if sightings:
        episode = current_episode(record.box, record.hours.before(task.cut_s, record.room), record.entries, task.cut_s)
        pooled = pool(record.box, episode.start_s, sightings)
    posterior = estimate(record, task.cut_s, pooled=pooled, assumptions=_at_work["assumptions"], least_days=0.0)
    posterior = with_change(posterior)
    if sightings is not None:
        shelf = (other.entries for other in _at_work["recorded"].records.values())
        posterior = replace(posterior, shelf=habits_of(shelf, task.cut_s))
    _, below = crossing_ahead(posterior, limit, task.horizon_days)
    days = np.quantile(below.crossing_days, [0.05, 0.50, 0.95], method="inverted_cdf")
    return Prediction(task, quantiles(lived_conductance(posterior)), (float(days[0]), float(days[1]), float(days[2])))
