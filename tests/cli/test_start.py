"""What a command imports, and that the table of commands says what their modules say."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor import cli
from monitor.cli.commands import COMMANDS, commands_of

NEEDED_ELSEWHERE = {"scipy", "pandas", "monitor.inference", "icalendar", "paho", "starlette", "influxdb_client"}
MODULES = sorted({entry.module for entry in COMMANDS.values()})


@pytest.mark.parametrize("module", MODULES)
def test_the_table_says_what_a_module_says(module: str) -> None:
    told = {name: entry.line for name, entry in COMMANDS.items() if entry.module == module}
    found = {name: " ".join(command.help.split("\n\n")[0].split()) for name, command in commands_of(module).items()}
    assert told.keys() == found.keys()
    for name, line in told.items():
        assert re.match(re.escape(line) + r"( |$)", found[name]), f"{name}: {found[name]}"
        assert line.endswith(".")


def test_no_module_with_commands_is_missing_from_the_table() -> None:
    """One that registers its commands with another's group takes that group, not the application."""
    folder = Path(cli.__file__).parent
    having = {
        ".".join(path.relative_to(folder).with_suffix("").parts)
        for path in folder.rglob("*.py")
        if "def register(app: typer.Typer)" in path.read_text(encoding="utf-8")
    }
    assert having == set(MODULES)


def imported_by(shelf: Path, *words: str) -> set[str]:
    """Return what is in `sys.modules` after a command, run in a process of its own."""
    program = (
        "import sys\n"
        "from monitor.cli.app import app\n"
        f"try: app({['--shelf', str(shelf), *words]!r})\n"
        "except SystemExit as end: assert not end.code, end.code\n"
        "print('\\nLOADED', *sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return set(done.stdout.rsplit("\nLOADED ", 1)[1].split())


def test_help_imports_no_command(site: Path) -> None:
    imported = imported_by(site, "--help")
    assert {name for name in imported if name.startswith("monitor.")} == {
        "monitor.cli",
        "monitor.cli.app",
        "monitor.cli.commands",
        "monitor.errors",
    }


@pytest.mark.parametrize("words", [("log", "show"), ("readings", "imports"), ("rejected",)])
def test_a_command_that_estimates_nothing_imports_nothing_to_estimate_with(site: Path, words: tuple[str, ...]) -> None:
    imported = imported_by(site, *words)
    assert imported & NEEDED_ELSEWHERE == set()


def test_a_deed_at_a_box_imports_no_statistics(site: Path) -> None:
    """`scipy.stats` alone takes longer than all else that writing something down needs."""
    assert "scipy.stats" not in imported_by(site, "log", "opening", "pa6-dry")


def test_python_collects_garbage_again_once_a_command_is_imported() -> None:
    script = (
        "import gc, sys; gc.disable(); from monitor.cli.app import app; import typer\n"
        "group = typer.main.get_command(app)\n"
        "assert not gc.isenabled()\n"
        "group.get_command(None, 'air')\n"
        "print(gc.isenabled(), gc.get_freeze_count() > 1000)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout == "True True\n"
