"""What a box's own past is worth: dates and leaks of its first and fourth episode, with and without what is carried.

python -m tests.bench.own_past [BOXES] [as-assumed]           (20 boxes; some minutes of processor time)

Boxes of three years by the exact balance of tests/exact_balance.py: beads that hold 60 to 120 % of the book and lose a
little at each drying, on an isotherm between two published ones, spools that lag behind, a lid that sits a little
differently each time, a sensor with a bias. Beads are weighed on a kitchen scale before and after each drying. Each
episode is asked early, at a third and past the middle of its length.

These boxes vary less than the model takes for granted: a lid by a tenth instead of a quarter, a leak that does not
wander, beads that lose 2 % each time and nothing by chance. ``as-assumed`` makes them vary as it does, to see whether
intervals mean what they say. Questions of one box share its sensor's bias and its lid, so shares inside of 20 boxes are
good to 0.07 only: ask 80.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from exact_balance import Box as ExactBox
from exact_balance import Climate, Sorbent, follow

from monitor.inference import outlook_among
from monitor.inference.fit.reseating import BETWEEN_EPISODES_SD
from monitor.inference.model.prior import Assumptions
from monitor.physics.materials import desiccant, polymer
from monitor.physics.numerics import FloatArray
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import Mixture
from monitor.records import Box, BoxHistory, EntryKind, LedgerEntry, ReadingSeries, SensorSpec, Spool

BEGIN = datetime(2023, 3, 1, tzinfo=UTC)
DAYS, YEAR, PER_DAY, MOST_DAYS = 1095, 365, 4, 260
"""Three years in steps of six hours; boxes begin on any day of a year; no episode lasts longer than the last.
[days], [days], [steps], [days]"""
SHARES = (0.15, 0.35, 0.6)
DECLARED_G, LIMIT, SCALE_G = 100.0, 0.20, 1.0
HELD = (0.6, 1.2)
"""Of what the book says. [share]"""


class Varying(NamedTuple):
    """How a box differs from episode to episode, and within one. [ln]"""

    lid: float = 0.1
    capacity: float = 0.0
    wander: float = 0.0


TAME = Varying()
AS_ASSUMED = Varying(BETWEEN_EPISODES_SD / np.sqrt(2.0), 0.05, Assumptions().drift_sd)


class Cut(NamedTuple):
    """One question, and what is true."""

    episode: int
    at: datetime
    days_left: float
    leak: float


@dataclass(frozen=True, eq=False)
class Life:
    """A box as it is recorded, and what is asked of it."""

    history: BoxHistory
    cuts: tuple[Cut, ...]
    held: float
    """What its beads hold of what the book says. [share]"""


def lives(count: int, seed: int = 0, varying: Varying = TAME) -> list[Life]:
    """Make boxes up, all of them side by side, one episode after another."""
    by_chance = np.random.default_rng((seed, 1))
    rng, steps = np.random.default_rng(seed), (DAYS + YEAR + MOST_DAYS) * PER_DAY
    days = np.arange(steps) / PER_DAY
    weather = np.zeros(steps)
    for i in range(1, steps):
        weather[i] = np.exp(-1.0 / PER_DAY / 5.6) * weather[i - 1] + 0.13 * np.sqrt(2.0 / PER_DAY / 5.6) * rng.normal()
    phase = 2.0 * np.pi * (days + 59.0 - 230.0) / 365.25
    room_pa = 1e3 * np.exp(np.log(1.19) + 0.31 * np.cos(phase) + weather)
    warm = 22.5 + 1.4 * np.cos(phase) + 0.8 * np.sin(2.0 * np.pi * days)
    one = _Boxes(count, rng)
    shown, entries, cuts = np.full((steps, count), np.nan), [[] for _ in range(count)], [[] for _ in range(count)]  # type: ignore[var-annotated]
    start, spools_g_per_g, episode = rng.integers(0, YEAR, count) * PER_DAY, one.spools_at_first(), 0
    last = start + DAYS * PER_DAY
    while (start < last).any():
        at = np.minimum(start[None, :] + np.arange(MOST_DAYS * PER_DAY)[:, None], steps - 1)
        leak = one.leak * np.exp(varying.lid * rng.normal(size=count))
        times = np.exp(_wandering(len(at), count, varying.wander, by_chance))
        one.held = one.held * np.exp(varying.capacity * by_chance.normal(size=count))
        dried = np.clip(np.exp(np.log(0.03) + 0.6 * rng.normal(size=count)), 0.005, 0.10)
        box = one.box(leak, 0.98**episode)
        course = follow(
            box, Climate(np.full(len(at), 1.0 / PER_DAY), room_pa[at], warm[at], None, times), dried, (spools_g_per_g,)
        )
        daily = course.relative_humidity.reshape(MOST_DAYS, PER_DAY, count).mean(axis=1)
        ever_over = (daily > LIMIT).any(axis=0)
        over = np.where(ever_over, (daily > LIMIT).argmax(axis=0), MOST_DAYS - 15)
        ends = np.minimum(over + 1 + rng.integers(0, 12, count), MOST_DAYS) * PER_DAY
        for k in range(count):
            if start[k] >= last[k]:
                continue
            here = slice(start[k], min(start[k] + ends[k], steps))
            noise = 0.003 * rng.normal(size=ends[k])
            shown[here, k] = (course.relative_humidity[: ends[k], k] + one.bias[k] + noise)[: here.stop - here.start]
            entries[k] += _logged(one, box, k, episode, dried, course.relative_humidity, int(start[k]), int(ends[k]))
            cuts[k] += [
                Cut(
                    episode,
                    _at(start[k] + (seen := int(s * over[k] * PER_DAY))),
                    (1.0 - s) * over[k],
                    float(leak[k] * times[:seen, k].mean()),
                )
                for s in SHARES
                if ever_over[k] and start[k] + over[k] * PER_DAY < last[k]
            ]
        spools_g_per_g = course.slow_loading_g_per_g[0][ends - 1, np.arange(count)]
        start, episode = start + ends, episode + 1
    hourly = np.arange(24 * (steps - 1) // PER_DAY) / 24.0
    warm_then, room_pa_then = (np.interp(hourly, days, values) for values in (warm, room_pa))
    at_s = BEGIN.timestamp() + 86_400.0 * hourly
    room = _seen("room", at_s, warm_then, room_pa_then / np.asarray(saturation_vapor_pressure_pa(warm_then)))
    of_box = [np.interp(hourly, days, shown[:, k]) for k in range(count)]
    return [
        Life(BoxHistory(one.declared(k), _seen(f"b{k}", at_s, warm_then, of_box[k]), room, None, tuple(entries[k])),
             tuple(cuts[k]), float(one.held[k]))
        for k in range(count)
    ]  # fmt: skip


def _wandering(steps: int, count: int, sd: float, rng: np.random.Generator) -> FloatArray:
    """Logarithms that wander about nothing and forget as the model has it: steps × boxes."""
    kept, out = np.exp(-1.0 / PER_DAY / Assumptions().drift_days), sd * rng.normal(size=(steps, count))
    for row in range(1, steps):
        out[row] = kept * out[row - 1] + np.sqrt(1.0 - kept**2) * out[row]
    return np.asarray(out)


class _Boxes:
    """The constants of all of them."""

    def __init__(self, count: int, rng: np.random.Generator) -> None:
        self.count = count
        self.leak = np.exp(np.log(0.13) + 0.4 * rng.normal(size=count))
        self.held = np.linspace(*HELD, count)[rng.permutation(count)]
        self.bias = 0.01 * rng.normal(size=count)
        self.spools_g = rng.choice([500.0, 1000.0, 2000.0], count)
        self.lag = np.exp(np.log(6.0) + 0.4 * rng.normal(size=count))
        self.first_wet = rng.uniform(0.05, 0.3, count)
        kinds = ("silica_gel_regular_density", "silica_gel_type_RD")
        self.isotherm = Mixture(tuple(desiccant(kind).isotherm for kind in kinds), (0.6, 0.4))
        self.filament = polymer("PETG").isotherm

    def box(self, leak: FloatArray, left: float) -> ExactBox:
        beads = Sorbent(self.isotherm, DECLARED_G, self.held * left)
        return ExactBox(10.0, leak, (beads,), (Sorbent(self.filament, self.spools_g, 1.0, self.lag),))

    def spools_at_first(self) -> FloatArray:
        return np.asarray(self.filament.loading_g_per_g(self.first_wet, REFERENCE_DEGC))

    def declared(self, k: int) -> Box:
        spools = (Spool("PETG", float(self.spools_g[k]), max(int(self.spools_g[k] // 1000), 1), "unknown"),)
        return Box(f"b{k}", 10.0, LIMIT, f"gasket {k}", SensorSpec(0.02, 0.001), spools)


def _logged(  # noqa: PLR0917
    one: _Boxes, box: ExactBox, k: int, episode: int, dried: FloatArray, humidity: FloatArray, start: int, end: int
) -> list[LedgerEntry]:
    """The filling with its weight, and the weight before the next."""
    water_of = box.prompt[0].water_g
    dry, wet = (np.asarray(water_of(h, 22.0))[k] for h in (dried, humidity[end - 2]))
    kind = EntryKind.recharge if episode else EntryKind.charge
    told = {"desiccant": "silica_regular", "dry_mass_g": DECLARED_G} if episode == 0 else {}
    before, after = (np.round((DECLARED_G + g) / SCALE_G) * SCALE_G for g in (wet, dry))
    return [
        LedgerEntry(kind, f"b{k}", _at(start), float(after), SCALE_G, method="oven_120C_3h", **told),  # type: ignore[arg-type]
        LedgerEntry(EntryKind.weighing, f"b{k}", _at(start + end) - timedelta(hours=6), float(before), SCALE_G),
    ]


def _seen(name: str, at_s: FloatArray, warm: FloatArray, shown: FloatArray) -> ReadingSeries:
    there = np.isfinite(shown)
    rounded = np.clip(np.round(shown[there], 3), 0.0, 1.0)
    return ReadingSeries(name, at_s[there] + 60.0, warm[there], rounded, np.zeros(there.sum(), np.uint16))


def _at(step: int) -> datetime:
    return BEGIN + timedelta(days=int(step) / PER_DAY)


class Answered(NamedTuple):
    """One question with its answer."""

    cut: Cut
    held: float
    days: FloatArray
    leak: FloatArray
    hint: str


def ask(life: Life, cut: Cut, assumptions: Assumptions) -> Answered:
    """Ask about one box by itself."""
    cut_s, history = cut.at.timestamp(), life.history
    seen = [_until(one, cut_s) for one in (history.readings, history.room) if one is not None]
    entries = tuple(e for e in history.entries if e.at < cut.at)
    known = replace(history, readings=seen[0], room=seen[1], entries=entries)
    outlook = outlook_among([known], history.box.name, cut.at, assumptions=assumptions, at_any_age=True)
    assert outlook.forecast is not None, outlook.refusal
    assert outlook.leak is not None
    dates = outlook.forecast.first_pass_at
    points = [getattr(dates, p) for p in ("p05", "p50", "p95")]
    days = np.array([np.inf if at is None else (at - cut.at).total_seconds() / 86_400.0 for at in points])
    leak = outlook.leak.conductance_g_per_day_per_kpa
    return Answered(cut, life.held, days, np.array([leak.p05, leak.p50, leak.p95]), outlook.leak.grams_words)


def _until(series: ReadingSeries, cut_s: float) -> ReadingSeries:
    seen = slice(int(np.searchsorted(series.at_s, cut_s)))
    fields = (series.at_s, series.temperature_degc, series.relative_humidity, series.marks)
    return ReadingSeries(series.box, *(values[seen] for values in fields))


def main(count: int, varying: Varying) -> None:
    """Print what the first and the fourth episode have of dates and leaks."""
    made = lives(count, varying=varying)
    episodes = (0, 3)
    columns = ("n", "date err", "width", "inside", "leak err", "bias", "width", "inside", "weigh")
    print(" " * 28 + "".join(f"{column:>9}" for column in columns))
    for name, carried in (("carried", True), ("not carried", False)):
        assumptions = replace(Assumptions(), carried=carried)
        answers = [ask(life, cut, assumptions) for life in made for cut in life.cuts if cut.episode in episodes]
        for episode in episodes:
            print(f"{name + f', episode {episode + 1}':28}" + _row([a for a in answers if a.cut.episode == episode]))


def _row(answers: list[Answered]) -> str:
    left = np.array([a.cut.days_left for a in answers])
    days, leak = (np.array([getattr(a, name) for a in answers]) for name in ("days", "leak"))
    true = np.array([a.cut.leak for a in answers])
    capped = np.minimum(days, 400.0)
    date_error = np.median(np.abs(np.log(capped[:, 1] / left)))
    date_width = np.median(np.log(capped[:, 2] / np.maximum(capped[:, 0], 0.25)))
    inside = np.mean((days[:, 0] <= left) & (left <= days[:, 2]))
    leak_error = np.median(np.abs(np.log(leak[:, 1] / true)))
    leak_bias = np.median(np.log(leak[:, 1] / true))
    leak_width = np.median(np.log(leak[:, 2] / leak[:, 0]))
    leak_inside = np.mean((leak[:, 0] <= true) & (true <= leak[:, 2]))
    hint = np.mean(["eigh them" in a.hint for a in answers])
    values = (date_error, date_width, inside, leak_error, leak_bias, leak_width, leak_inside, hint)
    return f"{len(answers):>9}" + "".join(f"{value:>9.3f}" for value in values)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(numbers[0] if numbers else 20, AS_ASSUMED if "as-assumed" in sys.argv else TAME)
