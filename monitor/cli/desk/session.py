"""The desk of a shelf, opened for one command; and the options its commands share."""

from __future__ import annotations

import sys
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli import arguments
from monitor.cli.session import alone, open_to_read, open_to_write
from monitor.errors import SiccastError, UnconfirmedError
from monitor.presentation import moments
from monitor.presentation.clock import utc_now
from monitor.settings import load_shelf, shelf_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.desk import Desk
    from monitor.presentation.wording import Wording
    from monitor.records.desk_events import DeskEvent
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

At = Annotated[str | None, typer.Option("--at", help=f"When it happened: {moments.MOMENTS}. Default: now.")]
Sure = Annotated[bool, typer.Option("--sure", help="Save it although it looks wrong or unwise.")]
RoomAir = Annotated[
    str | None,
    typer.Option(
        "--room",
        metavar="T/RH",
        help="Air of the room: temperature/humidity, like 20/50. Default: from the room sensor.",
    ),
]
IF_RIGHT = "If it is right, repeat it with --sure"
"""How something that was only doubted is saved all the same."""

ChargeName = Annotated[str, typer.Argument(metavar="CHARGE", help="Name of the charge.")]


class DeskSession:
    """A shelf with its desk and the instant a command speaks of."""

    def __init__(self, shelf: Shelf, stores: Stores, at: datetime) -> None:
        self.shelf, self.at, self._stores = shelf, at, stores
        self.desk = _desk(shelf, stores)

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Be the only one who writes in the body, at the desk of the shelf as it is declared then."""
        with alone(self.shelf, self._stores) as shelf:
            if shelf is not self.shelf:
                self.shelf, self.desk = shelf, _desk(shelf, self._stores)
            yield

    @property
    def wording(self) -> Wording:
        """How this shelf wants things said."""
        from monitor.presentation.wording import Wording

        return Wording.of(self.shelf)

    def clock(self) -> datetime:
        """Return the instant of now, for a guide that stays open for hours."""
        return self.shelf.now(datetime.now(tz=UTC))

    def say(self, sentence: str) -> None:
        """Say something beside the prompts, in the units of the shelf."""
        typer.echo(f"  {self.wording.in_own_units(sentence)}")

    def keep(self, event: DeskEvent, said: str, *, sure: bool = False) -> None:
        """Keep an event and say so."""
        self.desk.keep(event, self.at, confirmed=sure)
        typer.echo(f"{self.wording.in_own_units(said)}. {self.to_undo()}".replace("\N{NARROW NO-BREAK SPACE}", " "))

    def to_undo(self) -> str:
        """Say how the newest event is taken back."""
        newest = self.desk.stores.events.events()[-1]
        return f"To undo: `siccast lot undo {newest.event_id}`"


def _desk(shelf: Shelf, stores: Stores) -> Desk:
    from monitor.desk import Desk

    return Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=utc_now)


def in_command_words(error: SiccastError) -> str:
    """Return what to say of an error; what was only doubted says how it is kept all the same."""
    said = str(error)
    if not isinstance(error, UnconfirmedError) or "--sure" in said:
        return said
    return f"{said}{'' if said.endswith(('?', '.')) else '.'} {IF_RIGHT}"


@contextmanager
def open_desk(
    context: typer.Context, at: str | None = None, *, read_only: bool = False, step_by_step: bool = False
) -> Iterator[DeskSession]:
    """Open the desk of the shelf a command is about; a command that fails in the body keeps nothing.

    ``step_by_step``: each answer of a guided command lands by itself.
    """
    shelf = load_shelf(shelf_folder(context.obj))
    when = arguments.instant(at, shelf.timezone, shelf.now(datetime.now(tz=UTC)))
    opening = open_to_read(shelf) if read_only else open_to_write(shelf)
    with opening as stores:
        it = DeskSession(shelf, stores, when)
        whole = nullcontext() if read_only or step_by_step else it.alone()
        try:
            with whole:
                yield it
                sys.stdout.flush()  # what can't be told is not kept
        except SiccastError as error:
            error.args = (it.wording.in_own_units(in_command_words(error)),)
            raise
