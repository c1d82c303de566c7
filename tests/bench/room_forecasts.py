"""How good the forecast of a room is by itself: the questions of tests/inference/test_room_forecasts.py, as a table.

python -m tests.bench.room_forecasts                          (some ten seconds of processor time)
python -m tests.bench.room_forecasts --chance 60              (three minutes: what four homes can tell)

From the first 30, 90 or 180 days of four measured homes, the mean vapor pressure of the next 30, 90, 180 days, asked
every 41 days. Loss is the mean quantile loss of its logarithm at 5, 50 and 95 %. The other two know in hindsight how
far they are off: "as in the last month", and the usual course of twelve homes. The same is asked of rooms made of the
outdoor air of two typical years (``tests/worth/rooms.py``), and by ``--chance`` of as many homes drawn from the prior
itself, over the same days: how far from nine in ten a right forecast comes by chance.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np

from monitor.inference.evidence.room_climate import learn_room
from monitor.records import RoomClimate
from tests.inference.test_room_forecasts import SPANS, Asked, Daily, asked, homes, loss, made_of_outdoor_air

HEAD = "| seen, days | ahead, days | n | inside 90 % | below median | loss | as last month | usual course |"
OUTDOORS = ("subarctic-coast", "humid-subtropical")
HOUSEHOLDS = 6  # a judgement: each adds another vapor pressure to the same outdoor air


def row(name: str, here: list[Asked], questions: list[Asked]) -> str:
    """Return one line of the table."""
    inside, below = _share(here, _inside), _share(here, _below)
    ours = np.mean([loss(q.told, q.truth) for q in here])
    others = [np.mean([loss(q.held_against(o, questions), q.truth) for q in here]) for o in ("persistence", "usual")]
    return (
        f"| {name} | {len(here)} | {inside:.2f} | {below:.2f} | "
        + " | ".join(f"{v:.4f}" for v in (ours, *others))
        + " |"
    )


def _inside(q: Asked) -> bool:
    return bool(q.told[0] <= q.truth <= q.told[2])


def _below(q: Asked) -> bool:
    return bool(q.truth < q.told[1])


def _share(here: list[Asked], holds: Callable[[Asked], bool]) -> float:
    return float(np.mean([holds(q) for q in here]))


def drawn_homes(rng: np.random.Generator) -> list[Daily]:
    """Return heated homes drawn from the prior, known on the days on which the measured ones are."""
    prior, found = learn_room(None, RoomClimate(air_is_told=False, climate="temperate"), 0.0), []
    for days, vapor_kpa, _ in homes():
        drawn_kpa, degc, _ = prior.sample(days[0], days - days[0], 1, rng)
        known = np.isfinite(vapor_kpa)
        found.append((days, np.where(known, drawn_kpa[:, 0], np.nan), np.where(known, degc[:, 0], np.nan)))
    return found


def by_chance(times: int) -> None:
    """Print which shares homes drawn from the prior have, beside those of the measured ones."""
    real, drawn = asked(homes()), [asked(drawn_homes(np.random.default_rng(k))) for k in range(times)]
    print(
        "| ahead, days | inside 90 %: measured | drawn | below median: measured | drawn |", "| --- " * 5 + "|", sep="\n"
    )
    for ahead in SPANS:
        cells = []
        for holds in (_inside, _below):
            shares = [_share([q for q in one if q.ahead == ahead], holds) for one in drawn]
            cells += [
                f"{_share([q for q in real if q.ahead == ahead], holds):.3f}",
                f"{np.mean(shares):.3f} ± {np.std(shares, ddof=1):.3f}",
            ]
        print(f"| {ahead} | {' | '.join(cells)} |")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="the forecast of a room by itself")
    parser.add_argument("--chance", type=int, default=0, help="so many times four homes drawn from the prior")
    if times := parser.parse_args().chance:
        by_chance(times)
        return
    questions = asked(homes())
    print(HEAD, "| --- " * 8 + "|", sep="\n")
    for seen in SPANS:
        for ahead in SPANS:
            print(row(f"{seen} | {ahead}", [q for q in questions if (q.seen, q.ahead) == (seen, ahead)], questions))
    print(row("all | all", questions, questions))
    for name in OUTDOORS:
        made = asked([made_of_outdoor_air(name, k) for k in range(HOUSEHOLDS)])
        for ahead in SPANS:
            print(row(f"{name}: all | {ahead}", [q for q in made if q.ahead == ahead], made))


if __name__ == "__main__":
    main()
