"""The command line: one application, one module a group of commands, heavy libraries only where they are used."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from monitor import __version__
from monitor.errors import SiccastError

app = typer.Typer(
    name="siccast",
    help="Watch dry boxes of filament: how leaky each one is, how much its desiccant still takes up, "
    "and on which day it crosses its humidity limit.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"]},
)

COMMAND_MODULES: tuple[str, ...] = ("listen", "log", "readings", "rejected", "air", "beads")
"""Modules beside this one; each has ``register(app)``, in the order in which ``--help`` lists them."""


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"siccast {__version__}")
        raise typer.Exit


@app.callback()
def common(
    context: typer.Context,
    shelf: Annotated[
        Path | None,
        typer.Option(envvar="SICCAST_SHELF", help="Folder that holds the site: shelf.toml and the database."),
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Remember what every command shares."""
    context.obj = shelf


for _name in COMMAND_MODULES:
    import_module(f"monitor.faces.cli.{_name}").register(app)


def main() -> None:
    """Run the command line; an error of ours becomes one line on stderr and its exit code."""
    try:
        app()
    except SiccastError as error:
        typer.echo(f"siccast: {error}", err=True)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except KeyboardInterrupt:
        typer.echo("siccast: stopped", err=True)
        sys.exit(130)
