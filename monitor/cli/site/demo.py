"""`siccast demo`: an invented print room, played from feed to answer on this machine alone."""

from __future__ import annotations

import shlex
import shutil
import tempfile
import time
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.errors import FeedError, SettingsError
from monitor.named_files import remedy
from monitor.presentation.clock import utc_now
from monitor.settings import DATABASE_FILE, SHELF_FILE, load_shelf

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.feed.mqtt import MqttFeed
    from monitor.feed.replay import Player
    from monitor.services.intake import Tally
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

REPLAY_S = 20.0
"""Half a year in so many seconds, where nobody is in a hurry. A judgement: long enough to watch, short enough to
wait."""

_SILENCE_S = 15.0
"""After so long without a message, something was lost on the way (a judgement)."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(demo)


def demo(
    fast: Annotated[bool, typer.Option("--fast", help="Play as fast as this machine can.")] = False,
    keep: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Keep the shelf folder here, so that you can look around in it.")
    ] = None,
) -> None:
    """Show what siccast does, with an invented print room. Start here.

    Plays half a year of readings, then says which box needs you, and when.
    """
    from monitor.cli.outlooks.boxes import show_boxes
    from monitor.cli.session import ask
    from monitor.presentation.shipped import shipped
    from monitor.store.opening import open_stores

    recording = shipped("demo_feeds")
    with ExitStack() as stack:
        folder = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="siccast-")))
        shelf = _lay_out(recording, folder)
        typer.echo(f"An invented print room: {len(shelf.boxes)} boxes, half a year of readings, one MQTT broker.")
        with open_stores(shelf.database_path, now=utc_now()) as stores:
            _log_what_is_new(stores, recording / "ledger.jsonl")
            tally = _play(recording / "feed.jsonl.gz", shelf, stores, None if fast else REPLAY_S)
            typer.echo(f"{tally.messages:,} messages, {tally.new:,} new readings, {tally.rejected} rejected.")
        show_boxes(ask(shelf))
    if keep:
        folder_typed = shlex.quote(str(keep))
        typer.echo(
            f"To look around: siccast --shelf {folder_typed} serve (or boxes, forecast, leak, plan instead of serve)"
        )
    else:
        typer.echo("Nothing of this was kept. To keep it and look around in it: siccast demo --keep DIR")


def _lay_out(recording: Path, folder: Path) -> Shelf:
    """Put the demo's shelf file into a folder that holds nothing else's."""
    there = folder / SHELF_FILE
    ours = there.exists() and there.read_bytes() == (recording / SHELF_FILE).read_bytes()
    if not ours and (there.exists() or (folder / DATABASE_FILE).exists()):
        raise SettingsError(f"{folder} belongs to another site. Choose a folder that is empty or does not exist yet")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(recording / SHELF_FILE, there)
    except OSError as error:
        helps = remedy(error, "Choose a folder that you may write to")
        raise SettingsError(f"can't put the demo into {folder}: {error.strerror}. {helps}") from error
    return load_shelf(folder, {})


def _log_what_is_new(stores: Stores, path: Path) -> None:
    import orjson

    from monitor.records import EntryKind, LedgerEntry

    held = {(entry.kind, entry.box, entry.at) for entry in stores.ledger.entries()}
    for line in path.read_bytes().splitlines():
        told = orjson.loads(line)
        kind, at = EntryKind(told.pop("kind")), datetime.fromisoformat(told.pop("at"))
        if (kind, told["box"], at) not in held:
            stores.ledger.log(LedgerEntry(kind=kind, at=at, **told), utc_now())


def _play(path: Path, shelf: Shelf, stores: Stores, seconds: float | None) -> Tally:
    """Send the recorded feed to a broker of our own, and take it in as any other feed."""
    from monitor.cli.output import progress_bar
    from monitor.feed.decode import Decoder
    from monitor.feed.embedded import EmbeddedBroker
    from monitor.feed.mqtt import MqttFeed
    from monitor.feed.replay import Player, read_recording
    from monitor.services.intake import Intake

    messages = list(read_recording(path))
    decoder = Decoder(shelf.feeds, shelf.site)
    intake = Intake(decoder, stores.readings)
    with ExitStack() as stack:
        broker = stack.enter_context(EmbeddedBroker())
        feed = stack.enter_context(MqttFeed(broker.address, decoder.subscriptions, clock=utc_now))
        _subscribe(feed)
        advance = stack.enter_context(progress_bar("messages", len(messages)))
        pace = len(messages) / seconds if seconds else None
        sender = replace(broker.address, client_id="siccast-demo")
        player = stack.enter_context(Player(sender, messages, clock=utc_now, messages_per_s=pace))
        intake.run(feed, _Progress(intake.tally, player, len(messages), advance))
    return intake.tally


def _subscribe(feed: MqttFeed) -> None:
    """Wait until the broker has taken the subscription, so that no message comes before it."""
    from monitor.feed.mqtt import SHORT_WAIT_S

    feed.connect()
    deadline = time.monotonic() + _SILENCE_S
    while not feed.is_subscribed:
        feed.receive(SHORT_WAIT_S)
        if time.monotonic() > deadline:
            raise FeedError(
                f"the demo's broker did not confirm the subscription within {_SILENCE_S:.0f} s. Run the demo again"
            )


class _Progress:
    """Moves the bar, and ends the intake when everything has arrived or nothing more will."""

    def __init__(self, tally: Tally, player: Player, expected: int, advance: Callable[[float], None]) -> None:
        self._tally, self._player, self._expected, self._advance = tally, player, expected, advance
        self._shown = 0
        self._deadline = time.monotonic() + _SILENCE_S

    def __call__(self) -> bool:
        arrived = self._tally.messages
        if arrived > self._shown or self._player.is_playing:
            self._deadline = time.monotonic() + _SILENCE_S
        self._advance(arrived - self._shown)
        self._shown = arrived
        if time.monotonic() > self._deadline or self._player.failure:
            why = f" ({self._player.failure})" if self._player.failure else ""
            raise FeedError(f"only {arrived} of {self._expected} messages arrived{why}. Run the demo again")
        return arrived >= self._expected
