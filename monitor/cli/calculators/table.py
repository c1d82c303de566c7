"""Rows in and rows out of the calculators: one point from options, or a table of points from a file."""

from __future__ import annotations

import csv
import math
import sys
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, TextIO

import typer

from monitor.cli.output import show_json, show_table
from monitor.errors import ImportFileError
from monitor.named_files import lines_of, require_file

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy import float64
    from numpy.typing import NDArray

NEEDED = ("temperature_c", "rh_pct")
Rows = list[dict[str, str]]


class Column(NamedTuple):
    """A column that a calculator reads: its range, and what stands for a cell that is absent or empty."""

    name: str
    within: tuple[float, float]
    otherwise: float | None = None


@dataclass
class Points:
    """The points to reckon for, as text. A bad row of a file is named and left unanswered; the others are answered."""

    rows: Rows
    from_file: bool
    faults: list[str] = field(default_factory=list)
    good: list[int] = field(default_factory=list)

    def numbers(self, *columns: Column) -> list[NDArray[float64]]:
        """Return the columns of the rows that can be answered."""
        import numpy as np

        answered = []
        for place, row in enumerate(self.rows):
            try:
                answered.append([_number(row.get(column.name, ""), column) for column in columns])
                self.good.append(place)
            except ValueError as fault:
                if not self.from_file:
                    raise typer.BadParameter(str(fault)) from None
                self.faults.append(f"row {place + 1}: {fault}")
        return list(np.array(answered, dtype=np.float64).reshape(len(answered), len(columns)).T)

    def spread(self, column: NDArray[float64]) -> list[float | None]:
        """Return an answer for every row given, None where there is none."""
        spread: list[float | None] = [None] * len(self.rows)
        for place, value in zip(self.good, column, strict=True):
            spread[place] = _known(float(value))
        return spread


def _number(text: str, column: Column) -> float:
    low, high = column.within
    try:
        value = column.otherwise if column.otherwise is not None and not text.strip() else float(text)
    except ValueError:
        raise ValueError(f"{column.name} is {text!r}; it must be a number") from None
    if not low <= value <= high:
        raise ValueError(f"{column.name} is {value:g}; it must be from {low:g} to {high:g}")
    return value


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
            table = csv.DictReader(lines_of(lines), restval="")
            missing = [name for name in NEEDED if name not in (table.fieldnames or ())]
            if missing:
                raise ImportFileError(f"{source} has no column {missing[0]}; it must have {' and '.join(NEEDED)}")
            rows = list(table)
    except OSError as error:
        raise ImportFileError(f"{source} can't be read as a table: {error.strerror or error}") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise ImportFileError(f"{source} can't be read as a table: {error}") from error
    for place, row in enumerate(rows, 1):
        if None in row:
            raise ImportFileError(f"row {place} of {source} has more cells than the heading")
    return rows


def _opened(csv_file: Path) -> AbstractContextManager[TextIO]:
    if str(csv_file) == "-":
        return nullcontext(sys.stdin)
    require_file(csv_file)
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


def show_rows(at: Points, answers: Mapping[str, NDArray[float64]], *, as_json: bool) -> None:
    """Print the given rows with the answers appended; what does not exist is left empty, bad rows are named."""
    columns = {name: at.spread(column) for name, column in answers.items()}
    if as_json:
        show_json([row | {name: columns[name][k] for name in columns} for k, row in enumerate(at.rows)])
    else:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow([*(at.rows[0] if at.rows else NEEDED), *columns])
        for k, row in enumerate(at.rows):
            writer.writerow([*row.values(), *(_cell(columns[name][k]) for name in columns)])
    if at.faults:
        sys.stdout.flush()
        more = len(at.faults) - 1
        raise ImportFileError(at.faults[0] + (f" (and {more} more such rows)" if more else ""))


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"
