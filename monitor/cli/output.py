"""How answers leave the command line: tables for people, JSON for scripts, whole files, progress on stderr."""

from __future__ import annotations

import os
import re
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import typer

from monitor.errors import UnwritableError
from monitor.named_files import remedy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from rich.console import Console


_WIDE_LETTERS = 200  # of a line where nobody looks; judgement: no row is broken for a script
_NEVER_FOLDED = 12
"""Letters of a cell that a narrow terminal may not break; a judgement: the name of a box is looked for as it is."""
_LONGEST_WORD = 40
"""Letters; a judgement: what is longer, such as the topic of a stranger, may be broken."""
_BETWEEN_COLUMNS = 2
"""Spaces between the columns of a table: a judgement."""
_OBEYED = re.compile("[\\x00-\\x09\\x0b-\\x1f\\x7f-\\x9f\\u202a-\\u202e\\u2066-\\u2069]")
"""Letters that a terminal obeys instead of showing them: controls but the end of a line, and those that turn its order
(Unicode categories Cc and, of Cf, the bidirectional ones)."""
_NAMES_SHARE = 3
"""So many times as wide as the names beside sentences is a line at least. [ratio] A judgement: sentences are what is
read."""
_WORTH_A_BAR_S = 1.0  # judgement: a person waits that long without a word


def show_json(answer: Any) -> None:
    """Print an answer as indented JSON."""
    text = as_json(answer, indent=True).decode()
    typer.echo("".join(letter if letter.isprintable() or letter == "\n" else _json_escape(letter) for letter in text))


def _json_escape(letter: str) -> str:
    """Return a letter that a terminal may obey as JSON writes it in plain ASCII; it stays the same JSON."""
    import json

    return json.dumps(letter)[1:-1]


def as_json(answer: Any, *, indent: bool = False) -> bytes:
    """Return an answer as JSON; instants become ISO 8601 in UTC, and numbers that are none null."""
    import orjson

    layout = orjson.OPT_INDENT_2 if indent else 0
    return orjson.dumps(answer, option=layout | orjson.OPT_UTC_Z | orjson.OPT_SERIALIZE_NUMPY)


def show_table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    right: Sequence[int] = (),
    wrap: Mapping[int, int | None] | None = None,
) -> None:
    """Print rows under headings, as wide as the terminal allows; where they don't fit, each cell on a line of its own.

    Columns named in ``right`` are aligned right. Those named in ``wrap`` wrap at the width given there or, with None,
    at what a narrow terminal leaves; without it all of them do.
    """
    from rich import box
    from rich.table import Table

    if not rows:
        return
    rows = [tuple(map(_plain, row)) for row in rows]
    console = _console()
    folds = [
        wrap is None or (place in wrap and any(len(row[place]) > _NEVER_FOLDED for row in rows))
        for place in range(len(headings))
    ]
    widths = _widths(list(zip(headings, *rows, strict=True)), folds, wrap or {}, console.width)
    if widths is None:
        _show_blocks(console, headings, rows)
        return
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    for place, heading in enumerate(headings):
        justify: Literal["right", "left"] = "right" if place in right else "left"
        table.add_column(heading, justify=justify, overflow="fold", no_wrap=not folds[place], width=widths[place])
    for row in rows:
        table.add_row(*row)
    typer.echo()
    console.print(table)
    typer.echo()


def _widths(
    columns: Sequence[Sequence[str]], folds: Sequence[bool], widest: Mapping[int, int | None], width: int
) -> list[int] | None:
    """Return how wide each column is, None where a word would be broken or a column lost. [letters]

    What is left beside the longest words goes to the columns that need least of it.
    """
    from rich.cells import cell_len

    natural = [max(cell_len(line) for cell in cells for line in [*cell.splitlines(), ""]) for cells in columns]
    words = [max(cell_len(word[:_LONGEST_WORD]) for cell in cells for word in [*cell.split(), ""]) for cells in columns]
    most = [min(natural[place], widest.get(place) or natural[place]) for place in range(len(columns))]
    widths = [min(words[place], most[place]) if folds[place] else natural[place] for place in range(len(columns))]
    left = width - sum(widths) - _BETWEEN_COLUMNS * (len(columns) - 1)
    if left < 0:
        return None
    wanting = sorted((most[place] - widths[place], place) for place in range(len(columns)) if folds[place])
    for number, (wanted, place) in enumerate(wanting):
        given = min(wanted, left // (len(wanting) - number))
        widths[place], left = widths[place] + given, left - given
    return widths


def _show_blocks(console: Console, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print each row as lines of heading and cell; an empty cell has none."""
    lines: list[tuple[str, str]] = []
    for number, row in enumerate(rows):
        if number:
            lines.append(("", ""))
        cells = zip(headings, row, strict=True)
        lines += [(" ".join(heading.split()), " ".join(cell.split())) for heading, cell in cells if cell.strip()]
    typer.echo()
    _show_beside(console, lines)
    typer.echo()


def _show_beside(console: Console, lines: Sequence[tuple[str, str]]) -> None:
    """Print texts beside their names; a long name is folded before it leaves its text no room."""
    from rich.table import Table

    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(overflow="fold", max_width=max(_NEVER_FOLDED, console.width // _NAMES_SHARE))
    table.add_column(overflow="fold")
    for name, text in lines:
        table.add_row(name, text)
    console.print(table)


def show_notes(heading: str, notes: Sequence[tuple[str, str]]) -> None:
    """Print a heading and under it a sentence or more for each name, wrapped beside the names."""
    if not notes:
        return
    typer.echo(heading)
    _show_beside(_console(), [(_plain(name), _plain(text)) for name, text in notes])
    typer.echo()


def say(text: str) -> None:
    """Print a sentence, wrapped at the terminal's width."""
    if text:
        _console().print(_plain(text))


def _console() -> Console:
    """Return the person's terminal; where there is none, a line as long as it takes."""
    from rich.console import Console

    console = Console(markup=False, highlight=False, emoji=False)  # ":door:" may be the name of a box
    if not console.is_terminal:
        console = Console(markup=False, highlight=False, emoji=False, width=_WIDE_LETTERS)
    return console


def say_in_a_line(text: str) -> None:
    """Print a sentence that repeats words of others, in a line."""
    typer.echo(_plain(text).replace("\n", " "))


def _plain(text: str) -> str:
    """Return a text for a terminal, which has no narrow spaces, and would obey what a note of others may hold."""
    return _OBEYED.sub("�", text.replace("\N{NARROW NO-BREAK SPACE}", " ").replace("\r\n", "\n").replace("\t", " "))


@contextmanager
def working(on_what: str) -> Iterator[Callable[[float], None]]:
    """Show on stderr what is being worked on, for how long and how far, as told by what is handed out.

    Nothing is shown where that is not a terminal, nor of how far where it takes no more than about a second.
    """
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda _share: None
        return
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    brief = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*brief, console=console, transient=True) as progress:
        task = progress.add_task(on_what, total=1.0)

        def show(share: float) -> None:
            progress.update(task, completed=share)
            if (progress.tasks[0].elapsed or 0.0) > _WORTH_A_BAR_S and len(progress.columns) == len(brief):
                progress.columns = (*brief, BarColumn(), TimeRemainingColumn())

        yield show


@contextmanager
def progress_bar(title: str, total: float | None) -> Iterator[Callable[[float], None]]:
    """Show a progress bar on a terminal while the body runs; call what is handed out with the amount just done."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task(title, total=total)
        yield lambda amount: progress.update(task, advance=amount)


_DATABASE = b"SQLite format 3\0"
"""How each SQLite file begins (sqlite.org/fileformat.html, section 1.3)."""
_LONGEST_STEM = 80  # letters; judgement: with what is added, far below the 255 bytes of a file name


def _belongs_to_a_shelf(file: Path) -> bool:
    """Return whether a file is one that no answer may replace: the shelf file, or a database."""
    from monitor.settings import SHELF_FILE

    if not file.exists():
        return False
    with file.open("rb") as content:
        return file.name == SHELF_FILE or content.read(len(_DATABASE)) == _DATABASE


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Hand out a name beside the file to write to; at the end that takes the file's place, else nothing of it stays.

    Raises
    ------
    UnwritableError
        When the file can't be made or written; said before anything else is done where that is known then.
    """
    try:
        place = path.resolve()  # a link stays a link
        if place.exists() and not place.is_file():  # a pipe or a device takes what comes
            yield place
            return
        if _belongs_to_a_shelf(place):
            raise UnwritableError(f"{path} belongs to the shelf. Choose another file")
        beside = place.with_name(f"{place.stem[:_LONGEST_STEM]}.unfinished-{os.getpid()}{place.suffix}")
        mode = place.stat().st_mode & 0o777 if place.exists() else 0o666
        os.close(os.open(beside, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, mode))
        try:
            yield beside
            beside.replace(place)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise UnwritableError(
            f"can't write {path}: {error.strerror or error}. {remedy(error, 'Choose a file that you may write')}"
        ) from error
