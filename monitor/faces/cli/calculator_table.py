"""Rows in and rows out of the calculators: one point from options, or a table of points from a file."""

from __future__ import annotations

import csv
import math
import sys
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TextIO

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


@dataclass(frozen=True)
class Points:
    """The points to reckon for, as text; a bad cell of a file names its row."""

    rows: Rows
    from_file: bool

    def column(self, name: str, within: tuple[float, float], otherwise: float | None = None) -> NDArray[float64]:
        """Return a column as numbers; ``otherwise`` stands for a cell that is absent or empty."""
        import numpy as np

        values = [self._number(place, row.get(name, ""), name, otherwise) for place, row in enumerate(self.rows, 1)]
        for place, value in enumerate(values, 1):
            if not within[0] <= value <= within[1]:
                raise self._fault(place, f"{name} is {value:g}; it must lie from {within[0]:g} to {within[1]:g}")
        return np.array(values, dtype=np.float64)

    def _number(self, place: int, text: str, name: str, otherwise: float | None) -> float:
        if otherwise is not None and not text.strip():
            return otherwise
        try:
            return float(text)
        except ValueError:
            raise self._fault(place, f"{name} is {text!r}; it must be a number") from None

    def _fault(self, place: int, what: str) -> Exception:
        return ImportFileError(f"row {place}: {what}") if self.from_file else typer.BadParameter(what)


def points(csv_file: Path | None, temperature_c: float | None, rh_pct: float | None) -> Points:
    """Return the points asked for: those of the file, else the one given by options."""
    if csv_file is not None:
        if temperature_c is not None or rh_pct is not None:
            raise typer.BadParameter("give either --csv or --temperature-c with --rh-pct, not both")
        return Points(_read(csv_file), from_file=True)
    if temperature_c is None or rh_pct is None:
        raise typer.BadParameter("give both --temperature-c and --rh-pct, or a table with --csv")
    return Points([{"temperature_c": repr(temperature_c), "rh_pct": repr(rh_pct)}], from_file=False)


def _read(csv_file: Path) -> Rows:
    source = "standard input" if str(csv_file) == "-" else str(csv_file)
    try:
        with _opened(csv_file) as lines:
            table = csv.DictReader(lines, restval="")
            missing = [name for name in NEEDED if name not in (table.fieldnames or ())]
            if missing:
                raise ImportFileError(f"{source} has no column {missing[0]}; it must have {' and '.join(NEEDED)}")
            rows = list(table)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ImportFileError(f"{source} can't be read as a table: {error}") from error
    for place, row in enumerate(rows, 1):
        if None in row:
            raise ImportFileError(f"row {place} of {source} has more cells than the heading")
    return rows


def _opened(csv_file: Path) -> AbstractContextManager[TextIO]:
    if str(csv_file) == "-":
        return nullcontext(sys.stdin)
    return csv_file.open(encoding="utf-8-sig", newline="")


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
