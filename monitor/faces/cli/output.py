"""How answers leave the command line: a table for people, JSON for scripts, progress on stderr."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence


def show_json(answer: Any) -> None:
    """Print an answer as indented JSON; instants become ISO 8601 in UTC."""
    import orjson

    typer.echo(orjson.dumps(answer, option=orjson.OPT_INDENT_2 | orjson.OPT_UTC_Z | orjson.OPT_SERIALIZE_NUMPY))


def show_table(headings: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> None:
    """Print rows under headings, as wide as the terminal allows; columns named in ``right`` are aligned right."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for place, heading in enumerate(headings):
        table.add_column(heading, justify="right" if place in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*row)
    console = Console(markup=False, highlight=False)
    if not console.is_terminal:
        console = Console(markup=False, highlight=False, width=200)
    console.print(table)


@contextmanager
def progress_bar(title: str, total: float | None) -> Iterator[Callable[[float], None]]:
    """Show a progress bar on stderr while the body runs; call what is handed out with the amount just done."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(title, total=total)
        yield lambda amount: progress.update(task, advance=amount)
