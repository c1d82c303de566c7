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
from monitor.inference.answers.forecast import crossing_ahead
from monitor.inference.answers.leak import mean_conductance, quantiles
from monitor.inference.evidence.bins import DAY_S
from monitor.inference.evidence.episodes import current_episode, rates_of
from monitor.inference.fit.change_point import with_change_point
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.pooling import (
    LeakObservation,
    finite_only,
    leak_observation_of,
    pool,
)
from monitor.inference.fit.posterior import Record
from monitor.inference.model.prior import Assumptions
from monitor.records import EntryKind, Quantiles

COLUMNS = (
    "set", "box", "cut_utc", "limit_rh",
    "leak_g_per_day_per_kpa_p05", "leak_g_per_day_per_kpa_p50", "leak_g_per_day_per_kpa_p95",
    "cross_utc_p05", "cross_utc_p50", "cross_utc_p95",
)  # fmt: skip
_OBSERVED_AT_AGES_DAYS = (12.0, 24.0, 48.0, 96.0, 192.0)
"""Ages of an episode at which its box is looked at on behalf of the others. [days] Judgement: each twice the one
before."""
_OBSERVATION_DRAWS = 400
"""Draws of such a look. Judgement: a mean and a spread need no more, as in ``together.looks``."""
_TASKS_AT_A_TIME = 4
"""Handed to a process at once. Judgement."""
_SIGHTINGS_SHARE = 0.4
"""Of the time that all takes. Judgement; only a progress bar rests on it."""

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
        observations = _observations(pool_, looks, lambda share: progress(_SIGHTINGS_SHARE * share))
        share_before = _SIGHTINGS_SHARE if pooled else 0.0
        answers: list[Prediction] = []
        jobs = pool_.map(
            _predict,
            ((task, _before(observations, task.cut_s) if pooled else None) for task in tasks),
            chunksize=_TASKS_AT_A_TIME,
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
            looks += [
                (name, start + age * DAY_S) for age in _OBSERVED_AT_AGES_DAYS if start + age * DAY_S < end - DAY_S
            ]
            if end < until_s:
                looks.append((name, end - 1.0))
    return looks


def _observations(
    workers: Executor, looks: list[tuple[str, float]], progress: Callable[[float], None]
) -> list[LeakObservation]:
    found = []
    for i, observation in enumerate(workers.map(_look, looks, chunksize=_TASKS_AT_A_TIME)):
        if observation is not None:
            found.append(observation)
        progress((i + 1) / len(looks))
    return finite_only(found)


def _before(observations: list[LeakObservation], cut_s: float) -> tuple[LeakObservation, ...]:
    return tuple(s for s in observations if s.at_s < cut_s)


_at_work: dict[str, Any] = {}
"""The set and the assumptions, once in each worker process."""


def _begin(recorded: RecordedSet, assumptions: Assumptions) -> None:
    _at_work.update(recorded=recorded, assumptions=assumptions)


def _look(look: tuple[str, float]) -> LeakObservation | None:
    name, at_s = look
    try:
        posterior = estimate(
            _at_work["recorded"].records[name], at_s, assumptions=_at_work["assumptions"], count=_OBSERVATION_DRAWS
        )
    except TooLittleEvidence:
        return None
    except Exception:
        _log.exception("box %s can't be looked at on behalf of the others", name)
        return None
    return leak_observation_of(posterior)


def _predict(job: tuple[Task, tuple[LeakObservation, ...] | None]) -> Prediction:
    """Answer a task; None for the observations asks what the box alone would have told."""
    task, observations = job
    try:
        return _answer(task, observations)
    except TooLittleEvidence:
        return Prediction(task, None, None)
    except Exception:
        _log.exception("%s at %s has no prediction: the estimate failed", task.box, task.cut)
        return Prediction(task, None, None)


def _answer(task: Task, observations: tuple[LeakObservation, ...] | None) -> Prediction:
    record: Record = _at_work["recorded"].records[task.box]
    limit = float(task.limit_pct) / 100.0
    record = replace(record, box=replace(record.box, humidity_limit=limit))
    pooled = None
    if observations:
        episode = current_episode(record.box, record.hours.before(task.cut_s, record.room), record.entries, task.cut_s)
        pooled = pool(record.box, episode.start_s, observations)
    posterior = estimate(record, task.cut_s, pooled=pooled, assumptions=_at_work["assumptions"], least_days=0.0)
    posterior = with_change_point(posterior)
    if observations is not None:
        shelf = (other.entries for other in _at_work["recorded"].records.values())
        posterior = replace(posterior, shelf=rates_of(shelf, task.cut_s))
    _, below = crossing_ahead(posterior, limit, task.horizon_days)
    # shares of the draws: by definition of the columns
    days = np.quantile(below.crossing_days, [0.05, 0.50, 0.95], method="inverted_cdf")
    return Prediction(task, quantiles(mean_conductance(posterior)), (float(days[0]), float(days[1]), float(days[2])))
