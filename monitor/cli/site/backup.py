"""`siccast backup` and `restore`: a copy of the database, and the way back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.session import open_to_read, shelf_of


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(backup)
    app.command()(restore)


def backup(
    context: typer.Context,
    target: Annotated[Path, typer.Argument(help="File to write. It must not exist yet.")],
) -> None:
    """Copy the database to a file, and check the copy. `siccast listen` may keep running."""
    from monitor.store.opening import open_stores

    shelf = shelf_of(context)
    with open_stores(shelf.database_path, read_only=True, any_schema=True) as stores:
        size = stores.upkeep.back_up(target)
    typer.echo(f"wrote {target} ({size / 2**20:.1f} MiB) and checked it: no damage found")


def restore(
    context: typer.Context,
    source: Annotated[Path, typer.Argument(help="File that `siccast backup` wrote.")],
    *,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask first.")] = False,
) -> None:
    """Replace the database with a backup. `siccast listen` may keep running.

    The database that was there stays beside it, under another name.
    """
    from monitor.store.opening import restore_backup

    shelf = shelf_of(context)
    if not yes and source.exists():
        typer.confirm(f"Replace {shelf.database_path} with {source}?", abort=True)
    kept = restore_backup(shelf.database_path, source)
    with open_to_read(shelf) as stores:
        held = stores.readings.count()
    typer.echo(f"restored {source}: {held} readings" + (f". The old database is now {kept}" if kept else ""))
