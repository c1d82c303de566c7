"""`siccast backtest`: replay a recorded set and say what the forecasts would have been at its cuts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(backtest)


def backtest(
    set_folder: Annotated[Path, typer.Argument(help="Folder with boxes.json, readings.csv.gz, events.csv, tasks.csv.")],
    *,
    out: Annotated[Path, typer.Option(help="File to write the predictions to (CSV).")],
    workers: Annotated[int, typer.Option(min=1, help="How many processes work at once.")] = 2,
) -> None:
    """Replay a recorded set: forecast at each of its cuts.

    Each forecast sees only what was known by then. One row for each cut: the leak and the day the limit is passed, at
    5, 50 and 95 %. An empty date is beyond the horizon.
    """
    from monitor.backtest import backtest as replay
    from monitor.backtest import write_predictions
    from monitor.cli.output import progress_bar, whole_file

    done = 0.0
    with whole_file(out) as beside:
        with progress_bar(f"replaying {set_folder.name}", total=100.0) as advance:

            def show(share: float) -> None:
                nonlocal done
                advance(100.0 * share - done)
                done = 100.0 * share

            predictions = replay(set_folder, workers=workers, progress=show)
        write_predictions(predictions, beside)
    answered = sum(p.answered for p in predictions)
    typer.echo(f"{answered} of {len(predictions)} cuts answered; written to {out}")
