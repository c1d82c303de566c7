"""Rows in and rows out of the calculators: one point from options, or a table of points from a file."""

from __future__ import annotations

import csv
import math
import sys
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

import typer

from monitor.errors import ImportFileError
from monitor.faces.cli.output import show_json, show_table

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy import float64
    from numpy.typing import NDArray

NEEDED = ("temperature_c", "rh_pct")
Rows = list[dict[str, str]]


def rows_of(csv_file: Path | None, temperature_c: float | None, rh_pct: float | None) -> Rows:
    """Return the points asked for, as text: those of the file, else the one given by options."""
    if csv_file is not None:
        if temperature_c is not None or rh_pct is not None:
            raise typer.BadParameter("give either --csv or --temperature-c with --rh-pct, not both")
        return _read(csv_file)
    if temperature_c is None or rh_pct is None:
        raise typer.BadParameter("give both --temperature-c and --rh-pct, or a table with --csv")
    return [{"temperature_c": repr(temperature_c), "rh_pct": repr(rh_pct)}]


def _read(csv_file: Path) -> Rows:
    source = str(csv_file)
    try:
        opened = nullcontext(sys.stdin) if source == "-" else csv_file.open(encoding="utf-8-sig", newline="")
        with opened as lines:
            table = csv.DictReader(lines, restval="")
            missing = [name for name in NEEDED if name not in (table.fieldnames or ())]
            if missing:
                raise ImportFileError(f"{source} has no column {missing[0]}; it must have {' and '.join(NEEDED)}")
            rows = list(table)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ImportFileError(f"{source} can't be read as a table: {error}") from error
    if any(None in row for row in rows):
        raise ImportFileError(f"{source} has a row with more cells than its heading")
    return rows


def numbers(rows: Rows, column: str, otherwise: float | None = None) -> NDArray[float64]:
    """Return a column as numbers; ``otherwise`` fills cells that are absent or empty."""
    import numpy as np

    return np.array([_number(row.get(column, ""), column, place, otherwise) for place, row in enumerate(rows, start=1)])


def _number(text: str, column: str, place: int, otherwise: float | None) -> float:
    if otherwise is not None and not text.strip():
        return otherwise
    try:
        return float(text)
    except ValueError:
        raise ImportFileError(f"row {place}: {column} is {text!r}; it must be a number") from None


def first(answers: Mapping[str, NDArray[float64]]) -> dict[str, float | None]:
    """Return the answers of the first row, None where a quantity does not exist."""
    return {name: _known(float(column[0])) for name, column in answers.items()}


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def show_one(answer: Mapping[str, Any]) -> None:
    """Print one answer as JSON."""
    show_json(dict(answer))


def show_labelled(answer: Mapping[str, float | None], labels: Mapping[str, tuple[str, str]]) -> None:
    """Print one answer for a person, a quantity a line."""
    shown = [(label, f"{answer[name]:.5g}", unit) for name, (label, unit) in labels.items() if answer[name] is not None]
    show_table(("quantity", "value", "unit"), shown, right=(1,))


def show_rows(rows: Rows, answers: Mapping[str, NDArray[float64]], *, as_json: bool) -> None:
    """Print the given rows with the answers appended as columns; a quantity that does not exist is left empty."""
    columns = {name: [_known(float(value)) for value in column] for name, column in answers.items()}
    if as_json:
        show_json([row | {name: columns[name][k] for name in columns} for k, row in enumerate(rows)])
        return
    headings = [*(rows[0] if rows else NEEDED), *columns]
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(headings)
    for k, row in enumerate(rows):
        writer.writerow([*row.values(), *(_cell(columns[name][k]) for name in columns)])


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"
