"""First fits of a shelf, with fixed draws: what is fitted, what it rests on, what is refused; *regression*.

No sampler is in these numbers (see tests/pinned.py and tests/fixed_draws.py). Renewed by
`python -m tests.renew shelf`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from fixed_draws import fixed_draws
from fixed_posteriors import BOX, JUMPED, START_S, SURE, charge, entry, hours, room_hours, told
from pinned import assert_pinned

from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.pooling import KnownLeaks
from monitor.inference.fit.posterior import Posterior
from monitor.inference.model.prior import Assumptions
from monitor.inference.shelf.first_fit import FirstFit, by_room, first_fit
from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, ReadingSeries, RoomClimate
from monitor.series.spans import unmarked

TIGHT = 1e-6
"""Another order of sums in the filter moves last digits, which weights and differences of draws make more of."""
RISES = ((0.0, 29.9, 30.0, 60.0, 60.1, 90.0), (0.05, 0.15, 0.05, 0.13, 0.04, 0.11))
FAILED = ((0.0, 30.0, 59.9, 60.0, 90.0), (0.05, 0.08, 0.19, 0.05, 0.08))
AGAIN = (
    charge(), charge(EntryKind.recharge, 30.0, dry_mass_g=110.0), charge(EntryKind.recharge, 60.05, method="microwave")
)  # fmt: skip
OFTEN = (charge(), *(charge(EntryKind.recharge, 15.0 * k) for k in range(1, 6)))
TEST = {"conductance_g_per_day_per_kpa": (0.08, 0.10, 0.13)}
TESTED = entry(EntryKind.leak_test, -3.0, **TEST)


def series(of: Hours, name: str = "made") -> ReadingSeries:
    at_s = (of.first_hour + np.arange(len(of)) + 0.5) * 3600.0
    return unmarked(name, at_s, of.temperature_degc, of.relative_humidity)


def history(
    entries: Sequence[LedgerEntry] = (charge(),), days: float = 30.0, humidity: Any = ((0.0, 60.0), (0.05, 0.17)),
    box: Box = BOX, room: bool = True, **what: Any,
) -> BoxHistory:  # fmt: skip
    of_room = series(room_hours(max(days, 1.0)), "room") if room else None
    return BoxHistory(box, series(hours(days, humidity)), of_room, what.get("climate"), tuple(entries))


def fit(
    of: BoxHistory, days: float = 30.0, assumptions: Assumptions | None = None, at_any_age: bool = False
) -> FirstFit:
    [one], rooms = by_room([of], START_S + 86_400.0 * days)
    with fixed_draws(shifts=SURE):
        found = first_fit(one, rooms, START_S + 86_400.0 * days, assumptions, at_any_age=at_any_age)
    return found.with_change_point(KnownLeaks(found.observations))


def moments(values: Any) -> list[float]:
    values = np.asarray(values, dtype=float)
    return [values.mean(), values.std(), float(values.ravel() @ np.cos(np.arange(values.size)))] if values.size else []


def weighted(of: Posterior | None) -> Any:
    return of and {
        "theta": [moments(column) for column in of.draws.theta.T],
        "weights": [len(of.draws.weights), moments(of.draws.weights)],
        "state": moments(of.weighted_state.loading),
        "kept": [len(of.theta), len(of.state.loading), of.problem.prior.has_change_point, of.bins.length_days],
        "compared": of.problem.bias_likelihood is not None,
    }


def numbers(of: FirstFit, days: float) -> dict[str, Any]:
    now_s, change = START_S + 86_400.0 * days, of.change_point
    return {
        "posterior": weighted(of.posterior),
        "refused": [of.refused.refusal, bool(of.refused.trace)],
        "observations": [replace(one, at_s=one.at_s - now_s, episode_start_s=one.episode_start_s - now_s)
                         for one in of.observations],
        "remark": of.remark,
        "change": change and [told(getattr(change, f.name), now_s) for f in fields(change) if f.name != "between"],
        "seen before": [of.leak_seen_before(START_S + 86_400.0 * day) for day in (-3.1, 0.0, 1.5, 31.5, 200.0)],
    }  # fmt: skip


def found(entries: Sequence[LedgerEntry] = (charge(),), days: float = 30.0, **what: Any) -> dict[str, Any]:
    asked = {name: what.pop(name) for name in ("assumptions", "at_any_age") if name in what}
    seen_days = what.pop("seen_days", days)
    return numbers(fit(history(entries, seen_days, **what), days, **asked), days)


def fresh(method: str, **what: Any) -> dict[str, Any]:
    """Beads just put in, no readings since; the leak is known from a test or earlier beads."""
    entries = (charge(), charge(EntryKind.recharge, 30.0, method=method, **what.pop("beads", {})))
    return found((TESTED, *entries) if what.pop("test", True) else entries, 30.1, seen_days=30.0, **what)


def shared_rooms() -> dict[str, Any]:
    one, other = series(room_hours(9.0), "room"), series(room_hours(5.0), "cellar")
    none = series(Hours(0, np.empty(0), np.empty(0)), "nothing")
    histories = [
        BoxHistory(replace(BOX, name=name), series(hours(3.0, 0.05)), room)
        for name, room in (("a", one), ("b", other), ("c", one), ("d", None), ("e", none))
    ]
    boxes, rooms = by_room(histories, START_S + 86_400.0 * 30.0)
    return {
        "rooms": [[box.name, box.room, box.history.room is None] for box in boxes],
        "hours": [[room.series.box, len(room.hours), moments(room.hours.relative_humidity)] for room in rooms],
        "records": [moments((box.record(rooms).room or rooms[0].hours).temperature_degc) for box in boxes],
    }


def record_of() -> dict[str, Any]:
    opened = history((charge(), entry(EntryKind.opening, 4.0)), climate=RoomClimate(25.0))
    [one], rooms = by_room([opened], START_S + 86_400.0 * 30.0)
    bare, whole = one.bare_record(rooms), one.record(rooms)
    return {
        "bare": [
            len(bare.hours),
            bare.room and len(bare.room),
            len(bare.entries),
            bare.declared_room,
            bare.comparisons,
        ],
        "whole": [len(whole.hours), whole.room and len(whole.room), len(whole.entries), whole.declared_room],
    }


CASES: dict[str, Callable[[], Any]] = {
    "plain": found,
    "no room": lambda: found(room=False),
    "other errors": lambda: found(assumptions=Assumptions(drift_sd=0.5)),
    "recharged twice": lambda: found(AGAIN, 90.0, humidity=RISES),
    "recharged often": lambda: found(OFTEN, 90.0, humidity=((0.0, 90.0), (0.06, 0.09))),
    "logged twice": lambda: found((*AGAIN, charge(EntryKind.recharge, 60.05 + 59.0 / 86_400.0)), 90.0, humidity=RISES),
    "seal failed": lambda: found((charge(), charge(EntryKind.recharge, 60.0)), 90.0, humidity=FAILED),
    "seal fails now": lambda: found(days=60.0, humidity=JUMPED),
    "tested": lambda: found((TESTED, charge(), entry(EntryKind.leak_test, 40.0, **TEST))),
    "nothing logged": lambda: found(()),
    "nothing seen": lambda: found((charge(),), 1.0),
    "nothing seen, at any age": lambda: found((charge(),), 1.0, at_any_age=True),
    "nothing at all": lambda: found((), 0.0, at_any_age=True),
    "of earlier beads": lambda: fresh("microwave", test=False),
    "just dried": lambda: fresh("microwave"),
    "dried anyhow": lambda: fresh("unknown"),
    "not dried": lambda: fresh("not_dried"),
    "dried by the desk": lambda: fresh("microwave", beads={"loading_g_per_g": (0.02, 0.03, 0.04)}),
    "weighed": lambda: fresh("microwave", beads={"mass_g": 104.0}),
    "to be filled": lambda: found((TESTED, charge(day=0.0), charge(EntryKind.recharge, 99.0)), 0.5),
    "filled again later": lambda: found(
        (charge(), charge(EntryKind.recharge, 20.0), charge(EntryKind.recharge, 45.0)), 30.0, seen_days=60.0
    ),
    "filled later": lambda: found((TESTED, charge(day=99.0)), 0.9),
    "by room": shared_rooms,
    "record": record_of,
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_first_fits_stay(case: str) -> None:
    assert_pinned("shelf", case, CASES[case](), TIGHT)
