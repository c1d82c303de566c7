"""The command line: one application, one module a group of commands, imported only where it is called."""

from __future__ import annotations

import contextlib
import io
import os
import re
import signal
import sys
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from monitor import __version__
from monitor.cli.commands import CommandsByName
from monitor.errors import SiccastError

if TYPE_CHECKING:
    from collections.abc import Sequence

app = typer.Typer(
    name="siccast",
    cls=CommandsByName,
    help="Watch sealed boxes of filament: how much water the beads hold, how fast each box leaks, and on which day it "
    "passes its humidity limit.\n\nStart with `siccast demo`. Then: `siccast listen` receives readings, "
    "`siccast adopt` makes a box of a sensor. Day to day: `siccast today`, and `siccast recharge guide` to dry beads.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"]},
)

_NOT_A_NUMBER = re.compile(r"is not a valid (float|int)(?:eger)?(?: range)?\.?")
"""How the option parser, in one version or another, says that a number is none."""
_OUT_OF_RANGE = re.compile(
    r"(?P<given>\S+) is not in the range (?:(?P<least>[^<>\s]+)<=)?x(?:>=(?P<from>\S+?)|<=(?P<most>\S+?))?\.(?=$| )"
)
"""How the option parser says that a number is too small or too large."""
_POSSIBLE = re.compile(r"\.? \(Possible options: (.+?)\)")
"""How the option parser names options like one that it does not know."""
_STOPPED = 130  # exit code: 128 and the number of SIGINT, as shells say it (POSIX)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"siccast {__version__}")
        raise typer.Exit


@app.callback()
def common(
    context: typer.Context,
    shelf: Annotated[
        Path | None,
        typer.Option(envvar="SICCAST_SHELF", metavar="DIR", help="Folder with shelf.toml and the database."),
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Remember what every command shares."""
    context.obj = shelf


UsageProblem: type[Exception] = typer.BadParameter.__mro__[2]
"""Base of what the option parser raises; newer versions of typer carry it inside and don't name it."""


def main() -> None:
    """Run the command line; an error becomes one line on stderr and its exit code."""
    try:
        _take_ctrl_c()
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")  # a terminal that knows no '°' gets '?', not a traceback
        _require_text(sys.argv[1:])
        _require_shelf(sys.argv[1:])
        exit_code = app(standalone_mode=False)
        sys.stdout.flush()
        if exit_code == _STOPPED:  # typer answers Ctrl-C so, without a word
            _stop("stopped", _STOPPED)
        sys.exit(exit_code)
    except SiccastError as error:
        _stop(str(error), error.exit_code)
    except UsageProblem as error:
        _stop(_usage(error), 2)
    except BrokenPipeError:
        _give_up_stdout()
        sys.exit(1)
    except OSError as error:
        _give_up_stdout()
        what = error.filename or "the answer"
        _stop(f"can't write or read {what}: {error.strerror or error}. Check the disk it is on", 1)
    except (KeyboardInterrupt, typer.Abort):
        _stop("stopped", _STOPPED)


def _require_text(words: Sequence[str]) -> None:
    """Refuse a word that is no text: nothing that is kept or sent could hold it. The name of a file may be such."""
    for word in words:
        try:
            word.encode()
        except UnicodeEncodeError:
            if not any(Path(part).exists() for part in (word, word.partition("=")[2]) if part):
                shown = word.encode("utf-8", "replace").decode()
                _stop(f"'{shown}' is not UTF-8 text. Set your terminal to UTF-8, and write it again", 2)


def _require_shelf(words: Sequence[str]) -> None:
    """Refuse an empty name, as of a variable that is not set; a path without letters would be the folder of now."""
    if "--shelf=" in words or ("--shelf", "") in pairwise(words):
        _stop("--shelf is empty. Name a folder; . is the one you are in", 2)


def _take_ctrl_c() -> None:
    """Let Ctrl-C raise from here on, where it can be answered; whoever started us may want it ignored."""
    if callable(signal.getsignal(signal.SIGINT)):
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _give_up_stdout() -> None:
    """Let what is still to be written there go nowhere, so that the end of the process does not fail again."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _usage(error: Any) -> str:
    """Return what is wrong with a command and where to look; an unfinished command gets its help."""
    if (checked := getattr(error.__cause__, "errors", None)) is not None:
        # newer versions of typer hand values to pydantic, whose message leaves out what was typed
        wrong = checked()[0]
        error.message = f"'{wrong['input']}' is not valid: it {wrong['msg'].removeprefix('Input ').partition(',')[0]}"
    message = _NOT_A_NUMBER.sub(_number_wanted, str(error.format_message()))
    message = _POSSIBLE.sub(r". Did you mean \1?", _OUT_OF_RANGE.sub(_range_wanted, message))
    if "\n" in message:
        return message
    if message.startswith("Missing argument") and (asked := getattr(getattr(error, "param", None), "help", None)):
        message = f"{message.removesuffix('.')}: {asked[0].lower()}{asked[1:].removesuffix('.')}"
    context = getattr(error, "ctx", None)
    return f"{message} (see `{context.command_path} --help`)" if context else message


def _range_wanted(said: re.Match[str]) -> str:
    given, least, most = (f"{float(said[name]):.10g}" if said[name] else "" for name in ("given", "least", "most"))
    wanted = f"from {least} to {most}" if least and most else f"of at least {least or said['from']}"
    return f"{given} is not valid. Write a number {wanted}"


def _number_wanted(said: re.Match[str]) -> str:
    return "is not a number. Write it like 21.5" if said[1] == "float" else "is not a whole number. Write it like 21"


def _stop(message: str, exit_code: int) -> NoReturn:
    with contextlib.suppress(OSError):
        typer.echo(message if "\n" in message else f"siccast: {message}", err=True)
    sys.exit(exit_code)


if __name__ == "__main__":
    main()
