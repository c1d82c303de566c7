"""Outlooks at the cuts of a recorded set, each seeing only what was stamped before its own.

They are the nightly ones: what `siccast forecast --as-of` would have said of the same readings. Two things go beyond:
a box of which too little was seen yet is answered by its prior, and the date written is ``first_pass_at``. A set asks
when a box first passes, and no chance that it already has stands beside the answer, as it does where a person reads it.
"""

from __future__ import annotations

import csv
import logging
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.backtest.recorded import RecordedSet, Task, read_set
from monitor.inference import outlook_among
from monitor.inference.model.prior import Assumptions
from monitor.inference.shelf.workers import end_with_parent
from monitor.records import Outlook

COLUMNS = (
    "set", "box", "cut_utc", "limit_rh",
    "leak_g_per_day_per_kpa_p05", "leak_g_per_day_per_kpa_p50", "leak_g_per_day_per_kpa_p95",
    "cross_utc_p05", "cross_utc_p50", "cross_utc_p95",
)  # fmt: skip
_POINTS = ("p05", "p50", "p95")
_TASKS_AT_A_TIME = 4
"""Handed to a process at once, a count. Judgement: even load, little talk."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Prediction:
    """The answer to a task; without a leak and a forecast where there is too little evidence."""

    task: Task
    outlook: Outlook

    @property
    def answered(self) -> bool:
        """True where there was enough evidence."""
        return self.outlook.forecast is not None

    def row(self) -> dict[str, str]:
        """Return the row of the predictions file."""
        task, leak, forecast = self.task, self.outlook.leak, self.outlook.forecast
        row = dict.fromkeys(COLUMNS, "")
        row |= {"set": task.set_name, "box": task.box, "cut_utc": task.cut, "limit_rh": task.limit_pct}
        for name in _POINTS:
            if leak is not None:
                row[f"leak_g_per_day_per_kpa_{name}"] = f"{getattr(leak.conductance_g_per_day_per_kpa, name):.6g}"
            if forecast is not None and (at := getattr(forecast.first_pass_at, name)) is not None:
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
    """Return a prediction for each task of a set, in its order; ``progress`` is called with the share done.

    Not ``pooled``, each box is fitted by itself, without a prior pooled over others.
    """
    recorded = read_set(folder)
    tasks = recorded.tasks[::every]
    answers: list[Prediction] = []
    with ProcessPoolExecutor(workers, initializer=_begin, initargs=(recorded, assumptions, pooled)) as pool:
        for answer in pool.map(_predict, tasks, chunksize=_TASKS_AT_A_TIME):
            answers.append(answer)
            progress(len(answers) / len(tasks))
    return answers


def write_predictions(predictions: list[Prediction], path: Path) -> None:
    """Write predictions as CSV."""
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, COLUMNS)
        writer.writeheader()
        writer.writerows(p.row() for p in predictions if p.answered)


_at_work: dict[str, Any] = {}
"""What all tasks have in common, once in each worker process."""


def _begin(recorded: RecordedSet, assumptions: Assumptions | None, pooled: bool) -> None:
    end_with_parent()
    _at_work.update(recorded=recorded, assumptions=assumptions, pooled=pooled)


def _predict(task: Task) -> Prediction:
    histories = _at_work["recorded"].before(task.cut_s)
    if not _at_work["pooled"]:
        histories = [one for one in histories if one.box.name == task.box]
    outlook = outlook_among(
        histories,
        task.box,
        datetime.fromtimestamp(task.cut_s, UTC),
        float(task.limit_pct) / 100.0,
        task.horizon_days,
        assumptions=_at_work["assumptions"],
        at_any_age=True,
    )
    if outlook.trace:
        _log.error("%s at %s has no prediction: %s\n%s", task.box, task.cut, outlook.refusal, outlook.trace)
    return Prediction(task, outlook)
