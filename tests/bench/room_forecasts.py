"""How good the forecast of a room is by itself: the questions of tests/inference/test_room_forecasts.py, as a table.

python -m tests.bench.room_forecasts                          (some ten seconds of processor time)

From the first 30, 90 or 180 days of four measured homes, the mean vapor pressure of the next 30, 90, 180 days, asked
every 41 days. Loss is the mean quantile loss of its logarithm at 5, 50 and 95 %. The other two know in hindsight how
far they are off: "as in the last month", and the usual course of twelve homes.
"""

from __future__ import annotations

import numpy as np

from tests.inference.test_room_forecasts import SPANS, Asked, asked, loss

HEAD = "| seen, days | ahead, days | n | inside 90 % | below median | loss | as last month | usual course |"


def row(name: str, here: list[Asked], questions: list[Asked]) -> str:
    """Return one line of the table."""
    inside = np.mean([q.told[0] <= q.truth <= q.told[2] for q in here])
    below = np.mean([q.truth < q.told[1] for q in here])
    ours = np.mean([loss(q.told, q.truth) for q in here])
    others = [np.mean([loss(q.held_against(o, questions), q.truth) for q in here]) for o in ("persistence", "usual")]
    return (
        f"| {name} | {len(here)} | {inside:.2f} | {below:.2f} | "
        + " | ".join(f"{v:.4f}" for v in (ours, *others))
        + " |"
    )


def main() -> None:
    """Print the table."""
    questions = asked()
    print(HEAD, "| --- " * 8 + "|", sep="\n")
    for seen in SPANS:
        for ahead in SPANS:
            print(row(f"{seen} | {ahead}", [q for q in questions if (q.seen, q.ahead) == (seen, ahead)], questions))
    print(row("all | all", questions, questions))


if __name__ == "__main__":
    main()
