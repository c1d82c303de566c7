"""Shelves of as many boxes as a test of a page wants, their answers by hand, served without an estimate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import httpx
import numpy as np
from answers_by_hand import AS_OF, assessment_of, forecast_of
from shelf_on_page import assessments, charge, make_shelf, serving

from monitor.planning.recharge import RechargePlan
from monitor.records import Assessment, BoxState, PlannedDay, Quantiles, Reading, ReadingSeries, Spool
from monitor.web.snapshot import HISTORY_DAYS, Keeper, Snapshot

SATURDAY = (AS_OF + timedelta(days=3)).date()


@contextmanager
def shown(
    folder: Path, answers: Sequence[Assessment], plan: RechargePlan | None = None, *, lines: bool = False
) -> Iterator[httpx.Client]:
    """Serve these boxes, with a month of readings behind each where ``lines`` are wanted; hand out a client."""
    recent = {a.box.name: month(a.box.name, place) for place, a in enumerate(answers)} if lines else {}
    snapshot = Snapshot(AS_OF, tuple(answers), recent, 0.25, None, plan)
    with (
        serving(make_shelf(folder), Keeper(lambda _: snapshot, lambda _: 1)) as address,
        httpx.Client(base_url=address, timeout=None) as client,
    ):
        yield client


def month(name: str, seed: int) -> ReadingSeries:
    """Return a month of hours that wander as those of a real box do."""
    hours = np.arange(24 * HISTORY_DAYS)
    steps = np.random.default_rng(seed).normal(0.0001, 0.0015, len(hours))
    return ReadingSeries(
        name,
        AS_OF.timestamp() - 3600.0 * hours[::-1],
        np.full(len(hours), 21.0),
        np.clip(0.1 + np.cumsum(steps), 0.01, 0.9),
        np.zeros(len(hours), int),
    )


def over(name: str, humidity: float) -> Assessment:
    """A box over its limit of 20 %, by its last reading."""
    answer = replace(assessments()[0], state=BoxState.over_limit)
    return replace(
        answer,
        box=replace(answer.box, name=name),
        latest=Reading(name, AS_OF - timedelta(minutes=20), 21.5, humidity),
        charge=charge(name),
    )


def calm(name: str, days: float = 250.0) -> Assessment:
    """A box that nothing is the matter with."""
    return renamed(replace(assessments()[4], forecast=replace(assessments()[4].forecast or forecast_of(days))), name)


def renamed(answer: Assessment, name: str, *spools: Spool, room: str = "room") -> Assessment:
    """Return a box under another name, with other spools, in another room."""
    latest = answer.latest and answer.latest._replace(box=name)
    return replace(answer, box=replace(answer.box, name=name, spools=spools, room=room), latest=latest)


def silent(name: str, humidity: float = 0.129) -> Assessment:
    """A box that was heard 40 days ago, and that is thought to be at 17.6 % now."""
    answer = renamed(assessments()[1], name)
    assert answer.forecast is not None
    now = replace(answer.forecast, present_relative_humidity=Quantiles(0.15, 0.176, 0.20))
    return replace(answer, leak=None, forecast=now, latest=Reading(name, AS_OF - timedelta(days=40), 21.0, humidity))


def dozen() -> list[Assessment]:
    """Twelve boxes as a print room has them: three over, three due of which two fail somehow, one new, five calm."""
    return [
        over("pc-clear", 0.302),
        over("petg-printer", 0.234),
        over("asa-rack", 0.22),
        renamed(assessments()[1], "tpu-soft"),
        silent("tpu-bag"),
        renamed(replace(assessments()[1], leak=None), "pla-colors"),
        assessment_of("petg-new", None),
        *(calm(name) for name in ("petg-stock", "pla-daily", "pa6-dry", "pva-support", "pla-white")),
    ]


def many(count: int) -> list[Assessment]:
    """So many boxes: of each dozen, what a dozen is."""
    there = dozen()
    return [
        renamed(there[number % len(there)], f"{there[number % len(there)].box.name}-{number:03}")
        for number in range(count)
    ]


def planned(*names: str) -> RechargePlan:
    """A plan of one day, the next Saturday."""
    return RechargePlan("oven", (PlannedDay(SATURDAY, "oven", names),))
