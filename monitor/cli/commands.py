"""Which commands there are, and in which module each: only the module of the command that is called is imported."""

from __future__ import annotations

import gc
from functools import cache
from importlib import import_module
from typing import Any, NamedTuple

import typer
from typer.core import TyperCommand, TyperGroup


class Entry(NamedTuple):
    """What has to be known of a command before its module is imported."""

    module: str
    """A module of `monitor.cli` whose ``register(app)`` adds the command."""
    line: str
    """The first sentence of its help."""
    hidden: bool = False
    """True for what siccast calls itself."""


COMMANDS: dict[str, Entry] = {
    "demo": Entry("site.demo", "Show what siccast does, with an invented print room."),
    "listen": Entry("site.listen", "Receive readings from the sensors until you press Ctrl-C."),
    "serve": Entry("site.serve", "Show all boxes in a browser until you press Ctrl-C."),
    "page-password": Entry("site.serve", "Set the password that other devices need to see the page."),
    "page-keys": Entry("site.serve", "Show the keys by which programs read the calendar and the metrics."),
    "boxes": Entry("outlooks.boxes", "Show every box and what to do about it, worst first."),
    "today": Entry("outlooks.boxes", "Say what needs you today; exit code 3 if anything does."),
    "forecast": Entry("outlooks.forecast", "Show by when to dry each box, and why."),
    "leak": Entry("outlooks.forecast", "Show how leaky each box is."),
    "what-if": Entry("outlooks.what_if", "Show when each box would pass its limit if you changed something."),
    "size": Entry("outlooks.size", "Calculate how many grams of beads hold how long, or how long your beads hold."),
    "leak-test": Entry("outlooks.leak_test", "Test how fast a box leaks while it is empty."),
    "plan": Entry("outlooks.plan", "Plan on which days to dry which boxes."),
    "watch": Entry("site.watch", "Send alerts by mail and other routes."),
    "publish": Entry("site.publish", "Send the forecast of every box to the broker, once."),
    "keep-ready": Entry("site.keep_ready", "Bring all forecasts and the plan up to date.", hidden=True),
    "rejected": Entry("history.rejected", "List messages from sensors that could not be used, and why."),
    "check": Entry("site.check", "Check that everything works, and say what to do."),
    "backup": Entry("site.backup", "Copy the database to a file, and check the copy."),
    "restore": Entry("site.backup", "Replace the database with a backup."),
    "adopt": Entry("site.box", "Make a box of a sensor that already sends readings, in shelf.toml."),
    "words": Entry("site.words", "List what you may write for beads, filaments, units and so on."),
    "backtest": Entry("outlooks.backtest", "Replay a recorded set: forecast at each of its cuts."),
    "climate": Entry("outlooks.climate", "Show how humid a typical year is."),
    "air": Entry("calculators.air", "Calculate how much water air holds."),
    "beads": Entry("calculators.beads", "Calculate how much water beads or filament hold."),
    "log": Entry("history.log", "Record what you did to a box: filled, opened, weighed, read."),
    "readings": Entry("history.readings", "Import, export, check or delete readings."),
    "box": Entry("site.box", "Add a box without a sensor, change or rename a box, or stop watching it."),
    "lot": Entry("desk.lots", "Record beads that you bought."),
    "charge": Entry("desk.lots", "Record portions of a lot, from the bag into a box."),
    "recharge": Entry("desk.recharge", "Dry beads, and see by weight how dry they are."),
}
"""In the order in which ``--help`` lists them. A test holds them against what the modules say."""


class CommandsByName(TyperGroup):
    """The commands of the table above; one is read from its module as soon as somebody asks for it."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = {
            name: TyperCommand(name, help=entry.line, hidden=entry.hidden) for name, entry in COMMANDS.items()
        }
        self._imported: set[str] = set()

    def get_command(self, _ctx: Any, cmd_name: str) -> Any:
        """Return a command with its options, or None where there is none of that name."""
        entry = COMMANDS.get(cmd_name)
        if entry is not None and entry.module not in self._imported:
            self._imported.add(entry.module)
            self.commands.update(commands_of(entry.module))
            _collect_garbage_from_here()
        return self.commands.get(cmd_name)

    def format_commands(self, _ctx: Any, formatter: Any) -> None:
        """List the commands for ``--help`` without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.line) for name, entry in COMMANDS.items() if not entry.hidden])


def _collect_garbage_from_here() -> None:
    """Have Python do so from here on, where `start` put it off, but not in what is imported by now.

    Measured: a sixth of the processor time of a short command.
    """
    if not gc.isenabled():
        gc.freeze()
        gc.enable()


@cache
def commands_of(module: str) -> dict[str, Any]:
    """Return the commands that a module of `monitor.cli` has, by name."""
    from monitor.cli.help_words import name_values  # the list of all commands does without

    part = typer.Typer(rich_markup_mode=None)
    import_module(f"monitor.cli.{module}").register(part)
    group = typer.main.get_group(part)
    name_values(group)
    return dict(group.commands)
