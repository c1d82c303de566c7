"""What is answered of a posterior: leak, forecast, what if, advice, words, all numbers; *regression* (tests/pinned.py).

Posteriors are of fixed draws, so no sampler is in these numbers. Renewed by `python -m tests.renew answers`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from typing import Any

import numpy as np
import pytest
from fixed_posteriors import MADE, MONTHS, made, told
from pinned import assert_pinned

from monitor.inference.answers.explanation import comparison_of, evidence_of, grams_words, tightness_of
from monitor.inference.answers.forecast import Futures, crossing_ahead, forecast, forecast_of
from monitor.inference.answers.leak import leak_of
from monitor.inference.answers.value_of_measurement import (
    best_measurement,
    expected_narrowing,
    measurements,
    most_useful,
)
from monitor.inference.answers.what_if import what_if
from monitor.inference.evidence.episodes import DisturbanceRates
from monitor.inference.fit.posterior import mean_conductance
from monitor.physics.numerics import FloatArray
from monitor.records import CrossingForecast, RoomClimate, WhatIf

TIGHT = 1e-6
"""Another order of sums in the filter moves last digits, which weights and differences of draws make more of."""
AHEAD_DAYS = 130
SHORT = ("plain", "floor", "half over", "over", "used", "no room", "sieve", "dyed", "changed", "no beads")


def moments(values: FloatArray) -> list[float]:
    """Of any numbers: how many are finite, their mean, spread, ends and a sum that minds their order."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return [0.0]
    order = float(finite @ np.cos(np.arange(len(finite))))
    return [len(finite), finite.mean(), finite.std(), finite.min(), finite.max(), order]


def ahead_of(futures: Futures) -> dict[str, Any]:
    return {
        "humidity": [moments(row) for row in futures.humidity[::6]],
        "now": moments(futures.humidity_now),
        "crossing_days": futures.crossing_days[::4],
        "spent_days": futures.spent_days[::4],
        "over": int(futures.over_already.sum()),
        "still ahead": len(futures.still_ahead),
        "steps": [len(futures.ahead_days), futures.ahead_days[-1]],
    }


def said(ahead: CrossingForecast, now_s: float) -> dict[str, Any]:
    kept: dict[str, Any] = {f.name: told(getattr(ahead, f.name), now_s) for f in fields(ahead)}
    kept["chance_by_day"] = [len(ahead.chance_by_day), *ahead.chance_by_day[::9]]
    kept["fan"] = [len(ahead.fan), *([told(day.on, now_s), day.relative_humidity] for day in ahead.fan[::13])]
    kept["quartiles"] = [day.quartiles for day in ahead.fan[::13]]
    assert ahead.vapor_fan is not None
    kept["vapor_fan"] = {f.name: getattr(ahead.vapor_fan, f.name)[::13] for f in fields(ahead.vapor_fan)}
    return kept


def looking_ahead(name: str, horizon_days: int = AHEAD_DAYS, limit: float | None = None, **what: Any) -> dict[str, Any]:
    posterior = replace(made(name), **what)
    limit = posterior.box.humidity_limit if limit is None else limit
    futures = crossing_ahead(posterior, limit, horizon_days)
    return {
        "all": ahead_of(futures[0]),
        "below": "the same" if futures[1] is futures[0] else ahead_of(futures[1]),
        **said(forecast_of(posterior, limit, futures, horizon_days), posterior.now_s),
    }


def leaks() -> dict[str, Any]:
    return {name: [leak_of(made(name)), moments(mean_conductance(made(name)))] for name in MADE}


def words() -> dict[str, Any]:
    return {
        name: [evidence_of(made(name)), evidence_of(made(name), leak_seen_before=True), grams_words(made(name)),
               comparison_of(made(name)), comparison_of(made(name), (-0.5, 0.3)), tightness_of(made(name), (0.4, 0.2))]
        for name in MADE
    }  # fmt: skip


def advice(name: str) -> dict[str, Any]:
    posterior = made(name)
    ahead = crossing_ahead(posterior, posterior.box.humidity_limit, AHEAD_DAYS)[0]
    could = measurements(posterior)
    answer = np.log(np.maximum(np.minimum(ahead.crossing_days, 400.0), 0.5))
    return {
        "best": best_measurement(posterior, ahead, most_useful(posterior, ahead, posterior.box.humidity_limit)),
        "reads": [moments(one.reads(posterior)) for one in could],
        "known to": [[one.sd, one.takes_days, one.advice] for one in could],
        "left": [1.0 - expected_narrowing(one.reads(posterior), one.sd, answer) for one in could],
    }


CHANGES = {
    "nothing": WhatIf(),
    "limit": WhatIf(humidity_limit=0.30),
    "half the leak": WhatIf(conductance_factor=0.5),
    "thrice the leak": WhatIf(conductance_factor=3.0),
    "other beads": WhatIf(desiccant="molecular_sieve_4A"),
    "other beads, more": WhatIf(desiccant="silica_gel_type_B_wide_pore", dry_mass_g=250.0),
    "more beads": WhatIf(dry_mass_g=300.0),
    "less beads": WhatIf(dry_mass_g=20.0),
    "warm and moist": WhatIf(room_climate=RoomClimate(28.0, 0.75)),
    "by months": WhatIf(room_climate=RoomClimate(19.0, 0.5, monthly_vapor_pressure_pa=MONTHS)),
    "all at once": WhatIf(0.25, 0.7, "calcium_chloride", 80.0, RoomClimate(25.0, 0.4, southern_hemisphere=True)),
}


def otherwise(name: str, change: WhatIf) -> dict[str, Any]:
    posterior = made(name)
    return said(what_if(posterior, change, 90), posterior.now_s)


def narrowings() -> dict[str, Any]:
    k = np.arange(1500.0)
    answer, other = np.sin(1.7 * k) + 0.3 * np.cos(0.3 * k), np.cos(2.9 * k)
    pairs = {"itself": (answer, answer), "a part": (0.5 * answer + other, answer), "nothing": (other, answer),
             "all alike": (0.0 * k, answer), "a few": (answer[:7], answer[:7]), "known": (answer, 0.0 * k)}  # fmt: skip
    return {
        f"{name}, {sd}": [expected_narrowing(reads, sd, asked), expected_narrowing(reads, sd, asked, 8)]
        for name, (reads, asked) in pairs.items()
        for sd in (0.0, 0.1, 0.5, 3.0)
    }


def usual(name: str) -> Callable[[], dict[str, Any]]:
    return partial(looking_ahead, name, AHEAD_DAYS if name in SHORT else 40)


RATES = DisturbanceRates(0.2, 0.05)
CASES: dict[str, Callable[[], Any]] = {
    "leak": leaks,
    "words": words,
    **{f"ahead: {name}": usual(name) for name in MADE},
    "ahead: a day": lambda: looking_ahead("plain", 1),
    "ahead: of a shelf": lambda: looking_ahead("used", 60, shelf_rates=RATES),
    "ahead: of a shelf, hypothetical": lambda: looking_ahead("over", 60, shelf_rates=RATES, hypothetical=True),
    "ahead: low limit": lambda: looking_ahead("plain", 40, 0.08),
    "ahead: to the horizon": lambda: said(forecast(made("old")), made("old").now_s),
    "ahead: its own limit": lambda: said(forecast(made("floor"), None, 200, 7), made("floor").now_s),
    **{f"advice: {name}": partial(advice, name) for name in MADE},
    **{f"what if: {name}": partial(otherwise, "plain", change) for name, change in CHANGES.items()},
    "what if: beads where there were none": lambda: otherwise("no beads", WhatIf(dry_mass_g=150.0)),
    "what if: other beads where there were none": lambda: otherwise("no beads", CHANGES["other beads, more"]),
    "what if: fresh ones in an old box": lambda: otherwise("over", WhatIf(desiccant="silica_gel_type_A")),
    "narrowing": narrowings,
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_answers_stay(case: str) -> None:
    assert_pinned("answers", case, CASES[case](), TIGHT)
