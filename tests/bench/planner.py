"""Processor time of a plan from made-up futures: `python -m tests.bench.planner`, `--large` for 1,000 boxes, too.

A third of the boxes hold two to six weeks, the others up to a year; 200 draws each. A microwave takes 2 boxes a batch
and an oven a sixth of all, three spare charges lie ready. Beside each time stands by how much of its cost the plan says
that another could be cheaper, at most.
"""

from __future__ import annotations

import argparse
import time
from datetime import timedelta

import numpy as np

from monitor.planning.problem import problem_of
from monitor.planning.recharge import plan_of_question, question_of
from monitor.records import Appliance, Assessment, PlanRules
from monitor.records.futures import BoxFutures
from monitor.records.plan_input import Beads, DryingPlace, PlanInput, PlannedBox, SpareCharge
from tests.answers_by_hand import AS_OF, assessment_of, due_in

DRAWS, SPARES = 200, 3
SMALL, LARGE = ((20, 120), (40, 180)), (1000, 180)
WEEKDAYS = {"weekly": (5,), "twice weekly": (2, 5)}
GEL = Beads("silica_gel_white", dry_mass_g=100.0)


def place(name: str, boxes: int, weekdays: tuple[int, ...]) -> DryingPlace:
    """Return an appliance that takes two hours a batch, three batches a day."""
    return DryingPlace(
        Appliance(name, batch_boxes=boxes), weekdays, batches_a_day=3, minutes=120.0,
        hands_on_minutes=15.0, kwh=1.0,
    )  # fmt: skip


def made(boxes: int, days: int, weekdays: tuple[int, ...], seed: int = 0) -> tuple[PlanInput, list[Assessment]]:
    """Return a shelf of made-up futures; a summer common to all boxes makes their draws hold less or more together."""
    rng = np.random.default_rng((seed, boxes, days))
    places = (place("oven", max(4, boxes // 6), weekdays), place("microwave", 2, weekdays))
    spares = tuple(SpareCharge(f"jar{n}", GEL, dry=True) for n in range(SPARES))
    ways = [*(each.name for each in places), *(spare.way for spare in spares)]
    shared = 0.1 * rng.standard_normal(DRAWS)
    season = np.exp(0.3 * np.sin(np.arange(days + 1) / 58.0))[:, np.newaxis]
    answers, planned = [], []
    for number in range(boxes):
        holds = rng.uniform(14.0, 42.0) if number % 3 == 0 else rng.uniform(60.0, 365.0)
        drawn = holds * np.exp(shared + 0.15 * rng.standard_normal(DRAWS))
        over = _whole(rng.uniform(0.1, 1.0) * drawn, days)
        answer = assessment_of(f"b{number:04d}", due_in(int(np.quantile(over, 0.2))))
        answers.append(answer)
        held = _whole(season * drawn, days)
        planned.append(PlannedBox(answer.box, GEL, 1.0, BoxFutures(answer.box.name, over, dict.fromkeys(ways, held))))
    rules = PlanRules(weekdays=weekdays, horizon_days=days)
    return PlanInput(AS_OF, AS_OF.date() + timedelta(days=1), rules, places, spares, tuple(planned)), answers


def _whole(held: np.ndarray, days: int) -> np.ndarray:
    return np.minimum(np.ceil(held), days + 1).astype(np.int16)


def main() -> None:
    """Print a line for each size and rhythm."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--large", action="store_true", help="1,000 boxes × 180 days, too")
    print("| boxes × days | days of drying | processor s: arrays / plan in all | heating days | visits | by | gap |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for boxes, days in (*SMALL, *((LARGE,) if parser.parse_args().large else ())):
        for name, weekdays in WEEKDAYS.items():
            question = question_of(*(shelf := made(boxes, days, weekdays)))
            began = time.process_time()
            problem_of(question)
            arrays_s = time.process_time() - began
            plan = plan_of_question(question, shelf[1])
            plan_s = time.process_time() - began - arrays_s
            heated = len({day.on for day in plan.days})
            visits = sum(len(day.boxes) for day in plan.days) + len(plan.swaps)
            row = f"{arrays_s:.1f} / {plan_s:.1f} | {heated} | {visits} | {plan.by} | {100.0 * plan.gap:.1f} %"
            print(f"| {boxes} × {days} | {name} | {row} |", flush=True)


if __name__ == "__main__":
    main()
