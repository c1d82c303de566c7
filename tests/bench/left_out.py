"""Predictions with one ingredient of the estimate left out at a time: what each of them buys.

python tests/bench/left_out.py OUT_DIR SET_DIR [SET_DIR ...]

writes one file of predictions for each ingredient, of every sixth question, to be scored by whoever holds the answers.
A file that is there is not made again, so it goes on where it stopped. One process, unless WORKERS=2 says so.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

from monitor.backtest import backtest, write_predictions
from monitor.inference.model.prior import Assumptions

ALL = Assumptions()
LEFT_OUT = {
    "nothing": ALL,
    "season of the room": replace(ALL, seasonal_room=False),
    "spools as a second store": replace(ALL, slow_contents=False),
    "isotherm shape unknown": replace(ALL, shape_sd=0.03),
    "sensor bias unknown": replace(ALL, bias_share_of_accuracy=0.03),
    "events put into the future": replace(ALL, future_events=False),
    "badly seated lids ahead": replace(ALL, badly_seated=0.0),
    "own past of beads and spools": replace(ALL, carried=False),
    "wandering leak": replace(ALL, wandering_leak=False),
    "noise of settling": replace(ALL, settling_humidity=0.0),
    "readings at a floor": replace(ALL, drop_censored=True),
    "a floor is no value": replace(ALL, censored=False),
}
"""Never quite nothing where a spread is meant: draws would fall onto a line."""
EVERY = 6


def main(out: Path, folders: list[Path]) -> None:
    """Write the predictions of each variant."""
    out.mkdir(parents=True, exist_ok=True)
    cases = [(name, assumptions, True) for name, assumptions in LEFT_OUT.items()]
    workers = int(os.environ.get("WORKERS", "1"))
    for name, assumptions, pooled in [*cases, ("boxes informing each other", ALL, False)]:
        path = out / f"without {name}.csv"
        if path.exists():
            continue
        found = [
            prediction
            for folder in folders
            for prediction in backtest(folder, workers=workers, assumptions=assumptions, pooled=pooled, every=EVERY)
        ]
        write_predictions(found, path)
        print(name, len(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), [Path(folder) for folder in sys.argv[2:]])
