"""Tables in files, row by row and never whole in memory: CSV (also gzipped), or Parquet with the extra installed."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import sys
import zlib
from contextlib import contextmanager
from itertools import chain
from typing import IO, TYPE_CHECKING, Any, cast

from monitor.cli.history.encodings import require_text
from monitor.cli.output import whole_file
from monitor.errors import ImportFileError
from monitor.named_files import lines_of, require_file
from monitor.records.readings import ROWS_AT_ONCE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

PARQUET = ".parquet"
_GZIP_MAGIC = b"\x1f\x8b"
"""RFC 1952, section 2.3.1."""

Rows = tuple["Sequence[str]", "Iterator[dict[str, str]]", str]
"""Headings, rows by heading, and what stands between columns."""

_DELIMITERS = ",;\t"


@contextmanager
def open_table(
    path: Path, delimiter: str | None, advance: Callable[[float], None], encoding: str = "utf-8"
) -> Iterator[Rows]:
    """Open a table for reading; ``advance`` is called with how much of it was just read.

    Without a ``delimiter``, the one counts that the line of headings has most of.

    Raises
    ------
    ImportFileError
        Before the first row, when the file can't be read, or not as text in this encoding.
    """
    try:
        require_file(path, most_bytes=None)
        if path.suffix == PARQUET:
            parquet = _pyarrow().ParquetFile(path)
            yield parquet.schema_arrow.names, _parquet_rows(parquet, advance), _DELIMITERS[0]
            return
        with _open_bytes(path) as file:
            require_text(file, encoding, path)
        file = _open_bytes(path)
    except (OSError, EOFError, zlib.error, ValueError) as error:  # pyarrow's own errors are ValueErrors
        reason = getattr(error, "strerror", None) or error
        raise ImportFileError(f"{path} can't be read: {reason}. It must be a table in CSV or Parquet") from error
    with io.TextIOWrapper(file, encoding=_with_mark(encoding), newline="") as text:
        lines = _counted(lines_of(text), advance)
        first = next(lines, "")
        delimiter = delimiter or max(_DELIMITERS, key=first.count)
        reader = csv.DictReader(chain([first], lines), delimiter=delimiter)
        try:
            headings = reader.fieldnames or ()
        except csv.Error as error:
            raise ImportFileError(f"{path}, line 1 has no headings of a table: {error}") from error
        yield headings, reader, delimiter


@contextmanager
def open_new_table(path: Path | None, headings: Sequence[str]) -> Iterator[Callable[[Sequence[Any]], None]]:
    """Open a table for writing and hand out what takes a row; standard output where no file is named."""
    if path is None:
        writer = csv.writer(sys.stdout)
        writer.writerow(headings)
        yield writer.writerow
        return
    with whole_file(path) as beside:
        if path.suffix == PARQUET:
            with _parquet_writer(beside, headings) as write:
                yield write
            return
        with beside.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(headings)
            yield writer.writerow


def table_size(path: Path) -> float | None:
    """Return the length for a progress bar over ``open_table``, or None where it can't be told."""
    try:
        require_file(path, most_bytes=None)
        if path.suffix == PARQUET:
            return float(_pyarrow().ParquetFile(path).metadata.num_rows)
        return None if _is_gzipped(path) else path.stat().st_size
    except (OSError, ValueError):
        return None


def _open_bytes(path: Path) -> IO[bytes]:
    file: Any = gzip.open(path, "rb") if _is_gzipped(path) else path.open("rb")  # noqa: SIM115 -- the caller closes it
    return cast("IO[bytes]", file)


def _is_gzipped(path: Path) -> bool:
    """Return whether a file begins as gzip does; its name may say anything."""
    with path.open("rb") as file:
        return file.read(2) == _GZIP_MAGIC


def _with_mark(encoding: str) -> str:
    """Return the encoding that passes over a byte order mark."""
    return "utf-8-sig" if codecs.lookup(encoding).name == "utf-8" else encoding


def _counted(lines: Iterable[str], advance: Callable[[float], None]) -> Iterator[str]:
    read = 0
    for number, line in enumerate(lines):
        yield line
        read += len(line)
        if number % ROWS_AT_ONCE == 0:
            advance(read)
            read = 0
    advance(read)


def _parquet_rows(parquet: Any, advance: Callable[[float], None]) -> Iterator[dict[str, str]]:
    for batch in parquet.iter_batches(batch_size=ROWS_AT_ONCE):
        for row in batch.to_pylist():
            yield {name: _cell(value) for name, value in row.items()}
        advance(batch.num_rows)


def _cell(value: Any) -> str:
    return "" if value is None else value.isoformat() if hasattr(value, "isoformat") else str(value)


@contextmanager
def _parquet_writer(path: Path, headings: Sequence[str]) -> Iterator[Callable[[Sequence[Any]], None]]:
    parquet = _pyarrow()
    import pyarrow

    kinds = {"temperature_c": pyarrow.float64(), "rh_pct": pyarrow.float64(), "battery_v": pyarrow.float64()}
    kinds["seq"] = pyarrow.int64()
    schema = pyarrow.schema([(name, kinds.get(name, pyarrow.string())) for name in headings])
    waiting: list[Sequence[Any]] = []
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:

        def flush() -> None:
            columns = [
                pyarrow.array(
                    [_number(row[place]) if name in kinds else row[place] for row in waiting], schema.field(name).type
                )
                for place, name in enumerate(headings)
            ]
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))
            waiting.clear()

        def write(row: Sequence[Any]) -> None:
            waiting.append(row)
            if len(waiting) == ROWS_AT_ONCE:
                flush()

        yield write
        flush()


def _number(cell: Any) -> Any:
    return None if cell == "" else float(cell) if isinstance(cell, str) else cell


def _pyarrow() -> Any:
    try:
        import pyarrow.parquet
    except ImportError as error:
        raise ImportFileError("Parquet needs an extra package: pip install 'siccast[parquet]'") from error
    return pyarrow.parquet
