"""Do intervals mean what they say, by kind of beads, sensor and usage: truths drawn from the prior, and their ranks.

python -m tests.bench.calibration --truths 500 --out ranks.csv     (some 0.15 s of processor time a truth)

Simulation-based calibration (Talts, Betancourt, Simpson, Vehtari, Gelman 2018, arXiv:1804.06788): where truths come
from the prior, their ranks among the draws of their posteriors are even from 0 to 1. Truths and what is recorded of
them are made by ``tests/prior_lives.py``, on the exact balance. Fits take the path of a nightly run for one box alone:
earlier episodes, what they leave to the next, the pooled prior; a change of the seal is neither made nor looked for. It
goes on where it stopped; ``--truths 0`` prints the tables of what there is.
"""

from __future__ import annotations

import argparse
import csv
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import kstest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from prior_lives import LIMIT, SENSORS, Column, PriorLife, prior_lives

from monitor.errors import TooLittleEvidence
from monitor.inference.answers.forecast import futures
from monitor.inference.fit.fit import estimate, under_pooled_prior
from monitor.inference.fit.pooling import KnownLeaks, leak_observation_of
from monitor.inference.fit.posterior import Posterior, carried_from, conditioned_on_sampled_rooms, mean_conductance
from monitor.physics.numerics import FloatArray

BEADS = {
    "silica gel": "silica_gel_regular_density",
    "silica gel, type RD": "silica_gel_type_RD",
    "silica gel, large pores": "silica_gel_regular_density_large_pore_volume",
    "silica gel, wide pores": "silica_gel_type_B_wide_pore",
    "molecular sieve": "molecular_sieve_A_type",
    "molecular sieve 13X": "molecular_sieve_13X",
    "alumina": "activated_alumina",
    "clay": "montmorillonite_clay",
    "calcium chloride": "calcium_chloride",
}
"""Each isotherm that the tables have, but for sieves 4A and 5A, which are near the others."""
USAGES = (
    "quiet",
    "openings logged",
    "spools swapped",
    "nylon swapped",
    "weighed",
    "no room sensor",
    "earlier episodes",
)
COPIES = 3
"""A batch is so many boxes of each sensor and usage: side by side they cost little more than one."""
COLUMNS = [Column(*both) for both in product(SENSORS, USAGES)] * COPIES
ASKED = ("leak", "leak now", "water", "date")
FIELDS = ("beads", "sensor", "usage", "batch", *ASKED)


def fitted(life: PriorLife) -> Posterior:
    """Return the posterior of one box, as a nightly run of it alone makes it."""
    record, carried, observations = life.record, None, []
    for end_s in life.ends_s:
        try:
            earlier = estimate(record, end_s - 1.0, carried=carried)
        except TooLittleEvidence:
            continue
        observations.append(leak_observation_of(earlier))
        carried = carried_from(earlier)
    posterior = estimate(record, life.now_s, carried=carried)
    known = KnownLeaks(one for one in observations if one is not None)
    if life.ends_s:
        posterior = under_pooled_prior(posterior, known.prior(record.box, posterior.episode.start_s))
    return replace(posterior, shelf_rates=life.rates)


def ranks_of(life: PriorLife, rng: np.random.Generator) -> dict[str, float]:
    """Return which share of the draws lies below the truth, within ties by chance."""
    posterior = fitted(life)
    state = posterior.state
    drawn_and_true = {
        "leak": (mean_conductance(posterior), life.leak),
        "leak now": (conditioned_on_sampled_rooms(posterior).conductance, life.leak_now),
        "water": (state.loading * state.drawn.dry_mass_g, life.water_g),
        "date": (futures(posterior, LIMIT, with_fan=False).crossing_days, life.days_left),
    }
    return {name: _rank(drawn, truth, rng) for name, (drawn, truth) in drawn_and_true.items()}


def _rank(drawn: FloatArray, truth: float, rng: np.random.Generator) -> float:
    below, up_to = np.mean(drawn < truth), np.mean(drawn <= truth)
    return round(float(below + (up_to - below) * rng.random()), 5)


def run(truths: int, out: Path) -> None:
    """Add batches, always to the beads with the fewest truths, so that all have as many whenever it is stopped."""
    rows = _rows(out)
    counts = {beads: sum(row["beads"] == beads for row in rows) for beads in BEADS}
    batches = {beads: len({row["batch"] for row in rows if row["beads"] == beads}) for beads in BEADS}
    while counts[beads := min(counts, key=counts.__getitem__)] < truths:
        place, batch = list(BEADS).index(beads), batches[beads]
        rng = np.random.default_rng((place, batch))
        lives = prior_lives(BEADS[beads], COLUMNS, seed=1000 * place + batch)
        found = []
        for column, life in zip(COLUMNS, lives, strict=True):
            try:
                ranks = ranks_of(life, rng)
            except TooLittleEvidence:  # odd days over a salt can pass for fresh beads of today: no answer, no rank
                continue
            found.append({"beads": beads, **column._asdict(), "batch": batch, **ranks})
        _append(out, found)
        counts[beads], batches[beads] = counts[beads] + len(found), batch + 1


def _append(out: Path, found: list[dict[str, Any]]) -> None:
    new = not out.exists()
    with out.open("a", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FIELDS)
        if new:
            writer.writeheader()
        writer.writerows(found)


def _rows(out: Path) -> list[dict[str, str]]:
    if not out.exists():
        return []
    with out.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def table(rows: list[dict[str, str]], by: tuple[str, ...]) -> str:
    """Return a Markdown table, a row a kind: shares inside 50 and 90 %, below the median, and how even ranks are."""
    heads = [f"{asked}: 50 %, 90 %, below median (p)" for asked in ASKED]
    lines = [" | ".join(["", ", ".join(by), "n", "± of 50 %, 90 %", *heads, ""]).strip(), ("| " + "--- | " * 7).strip()]
    kinds = list(dict.fromkeys(tuple(row[name] for name in by) for row in rows))
    for kind in [*kinds, ()]:
        here = [row for row in rows if not kind or kind == tuple(row[name] for name in by)]
        ranks = np.array([[float(row[asked]) for asked in ASKED] for row in here])
        n, cells = len(ranks), []
        for r in ranks.T:
            inside = [float(np.mean(np.abs(r - 0.5) <= half)) for half in (0.25, 0.45)]
            p = f"{kstest(r, 'uniform').pvalue:.2g}"
            cells.append(f"{inside[0]:.2f}, {inside[1]:.2f}, {np.mean(r < 0.5):.2f} ({p})")
        errors = ", ".join(f"{np.sqrt(share * (1.0 - share) / n):.3f}" for share in (0.5, 0.9))
        lines.append("| " + " | ".join([", ".join(kind) or "all", str(n), errors, *cells]) + " |")
    return "\n".join(lines)


def main() -> None:
    """Draw truths, and print the tables."""
    asked = argparse.ArgumentParser(description="calibration of intervals by kind of beads, sensor and usage")
    asked.add_argument("--truths", type=int, default=500, help="of each kind of beads, spread over sensors and usages")
    asked.add_argument("--out", type=Path, default=Path("ranks.csv"))
    asked.add_argument("--cross", action="store_true", help="a row for each beads × usage too")
    given = asked.parse_args()
    run(given.truths, given.out)
    rows = _rows(given.out)
    for by in [("beads",), ("sensor",), ("usage",), *([("beads", "usage")] if given.cross else [])]:
        print(table(rows, by), end="\n\n")


if __name__ == "__main__":
    main()
