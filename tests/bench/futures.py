"""How far the days that fresh beads hold are from exact re-simulation, and what they cost.

siccast demo --fast --keep DIR
python -m tests.bench.futures DIR                 (a shelf: cost of all that a plan is made from, and the error)
python -m tests.bench.futures SET --every 20      (a recorded set: each so-manieth task; the error alone)

Exact is what-if on that very day: fresh beads in the posterior as it is by then, in weather drawn from that day on.
Both are medians of a thousand draws, which err by half a day themselves. Days on which fresh beads outlast the horizon
say nothing and are left out.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import numpy as np

from monitor.backtest import replay as backtest_replay
from monitor.backtest.recorded import read_set
from monitor.desk.apply_events import replay
from monitor.inference.answers import futures as module
from monitor.inference.answers.forecast import futures
from monitor.inference.answers.futures import FreshBeads, box_futures
from monitor.inference.answers.what_if import as_changed
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf import answer
from monitor.records import Appliance, Quantiles, WhatIf
from monitor.services.planning import PlanInputs, PlanSources
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

WAYS = {"1 %": FreshBeads((Quantiles(0.006, 0.010, 0.017),)), "4 %": FreshBeads((Quantiles(0.026, 0.040, 0.062),))}
DRYER = Appliance("dryer", "filament_dryer", 65.0)
DAY_S = 86_400.0


def of_shelf(folder: Path, days: int, every_draw: int | None) -> Iterator[tuple[Posterior, float]]:
    """Yield the posteriors of a shelf, and print what all that a plan is made from costs, asked a second time."""
    shelf = load_shelf(folder)
    now = shelf.now(datetime.now(UTC))
    rules = replace(shelf.plan, horizon_days=days)
    with open_stores(shelf.database_path, read_only=True) as stores:
        sources = PlanSources(
            stores.readings, stores.ledger, stores.outlooks, replay(stores.events.events()), shelf.boxes,
            (shelf.appliances[0], DRYER), rules, now, now.date(), shelf.room, every_draw,
        )  # fmt: skip
        for _ in range(2):
            began = time.process_time()
            inputs = PlanInputs(sources)
            known = sum(box.futures is not None for box in inputs.boxes())
            spent_s = time.process_time() - began
        print(f"{known} boxes × {days} days × 2 ways, each draw of {sources.draws_apart}: {spent_s:.2f} s of processor")
        for box in shelf.boxes:
            found = inputs._round.supposable(box.name)
            if found is not None:
                yield found.posterior, box.humidity_limit


def of_set(folder: Path, every: int) -> Iterator[tuple[Posterior, float]]:
    """Yield the posteriors at some cuts of a recorded set."""
    recorded = read_set(folder)
    backtest_replay._begin(recorded, None, True)
    seen: list[tuple[Posterior, float]] = []
    asked = answer.crossing_ahead

    def kept(posterior: Posterior, limit: float, *told: int) -> object:
        seen.append((posterior, limit))
        return asked(posterior, limit, *told)

    for task in recorded.tasks[::every]:
        with patch.object(answer, "crossing_ahead", kept):
            backtest_replay._predict(task)
        yield from (one for one in seen[-1:] if one[0].episode.desiccant is not None)
        seen.clear()


def what_if_then(posterior: Posterior, limit: float, way: FreshBeads, name: str, begun: module._Begun) -> float:
    """Return the median of days that what-if of a later day gives."""
    changed = as_changed(posterior, WhatIf(dry_mass_g=posterior.problem.prior.dry_mass_g))
    count = len(posterior.theta)
    loading = way.loading_on(module._month(posterior, begun.day), module._dryness(name, count))
    state = replace(changed.state, loading=loading, slow_humidity=begun.then.slow_humidity, wander=begun.then.wander)
    later_s = DAY_S * begun.day
    episode = replace(
        posterior.episode,
        first_start_s=posterior.episode.first_start_s + later_s,
        steps_counted_from_s=posterior.episode.steps_counted_from_s + later_s,
    )
    then = replace(
        changed, state=state, now_s=posterior.now_s + later_s, problem=replace(changed.problem, episode=episode)
    )
    return float(np.median(np.ceil(futures(then, limit, with_fan=False).crossing_days)))


def errors_of(posterior: Posterior, limit: float, days: int) -> Iterator[float]:
    """Yield by how many days each way is off on each of the days that lie between those that are simulated."""
    told = box_futures(posterior, WAYS, limit, days)
    between = np.r_[0.0, 2.0, 10.0, 23.0, np.arange(45.0, days, 30.0)]
    with patch.object(module, "_BEGUN_DAYS", np.r_[between, days, days + 30.0]):
        _, begun = module._begun(posterior, limit, days, 1)
    for one in begun:
        if one.day > days:
            continue
        for name, way in WAYS.items():
            exact = what_if_then(posterior, limit, way, name, one)
            if exact <= days:
                yield float(np.median(told.holds_days[name][int(one.day)])) - exact


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--every", type=int, default=20)
    parser.add_argument("--every-draw", type=int, default=None)
    parser.add_argument("--cost-only", action="store_true")
    told = parser.parse_args()
    is_set = (told.folder / "tasks.csv").exists()
    found = of_set(told.folder, told.every) if is_set else of_shelf(told.folder, told.days, told.every_draw)
    if told.cost_only:
        next(found, None)
        sys.exit()
    off = np.abs([one for posterior, limit in found for one in errors_of(posterior, limit, told.days)])
    print(
        f"{len(off)} medians against what-if of that day: off by {np.median(off):.1f} days in the median,"
        f" {np.quantile(off, 0.9):.1f} in nine of ten, {off.max():.0f} at most"
    )


if __name__ == "__main__":
    main()
