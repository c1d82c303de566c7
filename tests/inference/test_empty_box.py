"""An empty box gives its leak back; one that was not empty gives itself away, by a second rate or by its warmth.

Boxes are run by the balance without shortcuts (tests/exact_balance.py), with what was left in them; hours shown by a
sensor with scatter. Rates over made-up boxes; *regression* where a threshold of our own is held.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from exact_balance import Box, Climate, Sorbent, follow
from interval_coverage import at_least
from simulated_boxes import CLOSED_AT, room_hours

from monitor.errors import TooLittleEvidence
from monitor.inference.empty_box.leak_test import EmptyBoxLeak, leak_of_empty_box
from monitor.inference.evidence.hours import Hours
from monitor.physics.leakage import conductance_from_air_changes
from monitor.physics.materials import desiccant, polymer
from monitor.physics.saturation import saturation_vapor_pressure_pa

STEPS_AN_HOUR = 10
GEL = Sorbent(desiccant("silica_regular").isotherm, 100.0)
A_FEW_BEADS = Sorbent(desiccant("silica_regular").isotherm, 3.0)


def spool(kind: str, mass_g: float) -> Sorbent:
    return Sorbent(polymer(kind).isotherm, mass_g, lag_days=float(polymer(kind).spool_time_constant_days()))


def outcome(
    changes: float, start: float, seed: int, *, hours: int = 72, swing: float = 1.0,
    prompt: tuple[Sorbent, ...] = (), slow: tuple[Sorbent, ...] = (), wander: float = 0.0, scatter: float = 0.002,
) -> tuple[EmptyBoxLeak, float]:  # fmt: skip
    """Return what a test of a 10 L box finds that starts at a humidity, and its true conductance."""
    truth = conductance_from_air_changes(changes, 10.0, 23.0)
    vapor, warm = room_hours(hours // 24 + 1, seed)
    vapor, warm = vapor[:hours], 21.0 + swing * (warm[:hours] - 21.0)
    climate = Climate(
        np.full(hours * STEPS_AN_HOUR, 1.0 / 24.0 / STEPS_AN_HOUR),
        1e3 * np.repeat(vapor, STEPS_AN_HOUR),
        np.repeat(warm, STEPS_AN_HOUR),
    )
    at_rest = tuple(float(s.isotherm.loading_g_per_g(0.25, 21.0)) for s in slow)
    course = follow(Box(10.0, truth, prompt, slow), climate, start, at_rest).relative_humidity
    rng = np.random.default_rng(seed + 100)
    error = np.zeros(hours)
    for i in range(1, hours):
        error[i] = 0.9 * error[i - 1] + wander * rng.standard_normal()
    shown = course.reshape(hours, STEPS_AN_HOUR).mean(axis=1) + scatter * rng.standard_normal(hours) + error
    saturation = np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3
    first, start_s = int(CLOSED_AT.timestamp() // 3600), CLOSED_AT.timestamp()
    box, room = Hours(first, warm, shown), Hours(first, warm, vapor / saturation)
    found = leak_of_empty_box(box, room, start_s, start_s + 3600.0 * hours, volume_liter=10.0, wall_material="glass")
    return found, truth


def test_empty_boxes_are_not_doubted() -> None:
    """*Regression*: sensors that wander, rooms that swing by up to 5 K, tests of one to five days."""
    doubted = []
    for seed in range(14):
        rng = np.random.default_rng(seed)
        changes, start = float(np.exp(rng.normal(0.2, 0.9))), float(rng.choice([0.12, 0.2, 0.75, 0.85]))
        hours, swing = int(rng.choice([24, 48, 72, 120])), float(rng.choice([0.3, 1.0, 3.0]))
        found, _ = outcome(changes, start, seed, hours=hours, swing=swing, wander=0.002)
        doubted.append(found.objection)
    assert sum(map(bool, doubted)) <= 1, doubted


@pytest.mark.parametrize("changes", [0.5, 0.85, 1.2, 1.9, 2.95])
@pytest.mark.parametrize("start", [0.12, 0.8])
def test_a_sensor_that_hardly_scatters_makes_no_doubt(changes: float, start: float) -> None:
    """Ten readings an hour average to a few hundredths of a per cent: no rate may then stand in for one beside it."""
    found, truth = outcome(changes, start, 5, scatter=0.0003)
    assert found.objection == ""
    assert found.conductance_g_per_day_per_kpa.p05 < truth < found.conductance_g_per_day_per_kpa.p95


BEADS = {"prompt": (GEL,)}, {"prompt": (A_FEW_BEADS,)}
SPOOLS = {"slow": (spool("PETG", 1000.0),)}, {"slow": (spool("PA6", 750.0),)}


def doubt_of(changes: float, seed: int, contents: dict[str, tuple[Sorbent, ...]]) -> str:
    """What a test says against its box, or against itself."""
    try:
        return outcome(changes, 0.12, seed, swing=1.5, **contents)[0].objection  # type: ignore[arg-type]
    except TooLittleEvidence as refusal:
        return str(refusal)


def test_what_was_left_inside_shows_in_an_ordinary_room() -> None:
    """By day and night 1.2 K about the mean; beads always, spools in nine of ten tests or more (*regression*)."""
    tests = [(changes, seed) for seed in range(4) for changes in (1.0, 2.8)]
    beads = [doubt_of(changes, seed, what) for changes, seed in tests[:4] for what in BEADS]
    spools = [doubt_of(changes, seed, what) for changes, seed in tests for what in SPOOLS]
    assert all("as over beads, spools" in doubt for doubt in beads), beads
    assert at_least(0.85, ["spool" in doubt for doubt in spools]), spools


@pytest.mark.parametrize("start", [0.12, 0.8])
def test_a_spool_shows_by_its_second_rate_where_no_warmth_tells(start: float) -> None:
    """The leak is then read several times too high: the air goes to the spool, not to the room."""
    found, truth = outcome(0.3, start, 0, swing=0.05, slow=(spool("PA6", 750.0),))
    assert "at two speeds, not one" in found.objection
    assert found.conductance_g_per_day_per_kpa.p05 > 2.0 * truth


def empty_box(changes_per_day: float, start_kpa: float, hours: int = 48, seed: int = 3) -> tuple[Hours, Hours]:
    """The exponential of an empty box: p = p_room + (p_0 - p_room) exp(-n t)."""
    outside, warm = 1.2, 22.0
    saturation = float(saturation_vapor_pressure_pa(warm)) / 1e3
    t = (np.arange(hours) + 1.0) / 24.0
    inside = outside + (start_kpa - outside) * np.exp(-changes_per_day * t)
    rng = np.random.default_rng(seed)
    shown = inside / saturation + 0.002 * rng.standard_normal(hours)
    first = int(CLOSED_AT.timestamp() // 3600)
    return Hours(first, np.full(hours, warm), shown), Hours(
        first, np.full(hours, warm), np.full(hours, outside / saturation)
    )


@pytest.mark.parametrize("changes_per_day", [0.3, 1.0, 2.77])
def test_an_empty_box_gives_its_air_changes_back(changes_per_day: float) -> None:
    box, room = empty_box(changes_per_day, start_kpa=0.5)
    start_s = CLOSED_AT.timestamp()
    found = leak_of_empty_box(box, room, start_s, start_s + 48 * 3600.0, volume_liter=10.0, wall_material="glass")
    assert found.air_changes_per_day.p05 < changes_per_day < found.air_changes_per_day.p95
    # half-time of an empty polypropylene box, 0.25 d at n = 2.77 a day (Kelly, Daniel 2000, Abbey Newsletter 24:1)
    assert found.half_time_days.p50 == pytest.approx(np.log(2.0) / found.air_changes_per_day.p50, rel=1e-6)


def test_over_many_empty_boxes_the_interval_holds_the_truth() -> None:
    """Air changes, start, sensor offset and scatter drawn; walls of glass, so that nothing but the leak drifts."""
    held = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        changes, start_kpa = float(np.exp(rng.normal(0.2, 0.8))), float(rng.choice([0.3, 0.5, 1.8, 2.1]))
        box, room = empty_box(changes, start_kpa, seed=seed)
        shown = box.relative_humidity + 0.01 * rng.standard_normal()
        start_s = CLOSED_AT.timestamp()
        found = leak_of_empty_box(
            replace(box, relative_humidity=shown), room, start_s, start_s + 48 * 3600.0,
            volume_liter=10.0, wall_material="glass",
        )  # fmt: skip
        held.append(found.air_changes_per_day.p05 < changes < found.air_changes_per_day.p95)
        conductance = found.conductance_g_per_day_per_kpa.p50
        assert conductance == pytest.approx(0.0732 * found.air_changes_per_day.p50, rel=2e-3)
    assert at_least(0.90, held)


def test_a_test_that_starts_at_the_room_is_refused() -> None:
    box, room = empty_box(1.0, start_kpa=1.15)
    start_s = CLOSED_AT.timestamp()
    with pytest.raises(TooLittleEvidence, match="kPa from the room"):
        leak_of_empty_box(box, room, start_s, start_s + 48 * 3600.0, volume_liter=10.0)
