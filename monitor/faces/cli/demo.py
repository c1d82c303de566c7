"""`siccast demo`: an invented print room, played from feed to answer on this machine alone."""

from __future__ import annotations

import shutil
import tempfile
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.errors import FeedError, SettingsError
from monitor.settings import SHELF_FILE, load_shelf

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.feed.mqtt import MqttFeed
    from monitor.feed.replay import RecordedMessage
    from monitor.intake import Tally
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

REPLAY_S = 20.0
"""Half a year in so many seconds, where nobody is in a hurry."""

_SILENCE_S = 15.0
"""After so long without a message, something was lost on the way."""


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(demo)


def demo(
    fast: Annotated[bool, typer.Option("--fast", help="As quick as this machine can.")] = False,
    keep: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Leave the shelf folder here, to look around in.")
    ] = None,
) -> None:
    """Play half a year of an invented print room and say which box needs you, and when."""
    from monitor.faces.shipped import shipped
    from monitor.store.opening import open_stores

    recording = shipped("demo_feeds")
    with ExitStack() as stack:
        folder = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="siccast-")))
        shelf = _lay_out(recording, folder)
        typer.echo(f"An invented print room: {len(shelf.boxes)} boxes, half a year of readings, one MQTT broker.")
        with open_stores(shelf.database_path) as stores:
            _log_what_is_new(stores, recording / "ledger.jsonl")
            tally = _play(recording / "feed.jsonl.gz", shelf, stores, 0.0 if fast else REPLAY_S)
            typer.echo(f"{tally.messages:,} messages, {tally.new:,} new readings, {tally.rejected} rejected.")
            _show(shelf, stores)
    if keep:
        typer.echo(f"Look around: siccast --shelf {keep} serve")


def _lay_out(recording: Path, folder: Path) -> Shelf:
    """Put the demo's shelf file into a folder that holds nothing else's."""
    there = folder / SHELF_FILE
    if there.exists() and there.read_bytes() != (recording / SHELF_FILE).read_bytes():
        raise SettingsError(f"{there} belongs to another site; name a folder that is empty or not there yet")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(recording / SHELF_FILE, there)
    except OSError as error:
        raise SettingsError(f"{folder} can't hold the demo: {error.strerror}; name one you may write to") from error
    return load_shelf(folder, {})


def _log_what_is_new(stores: Stores, path: Path) -> None:
    import orjson

    from monitor.records import EntryKind, LedgerEntry

    held = {(entry.kind, entry.box, entry.at) for entry in stores.ledger.entries()}
    for line in path.read_bytes().splitlines():
        told = orjson.loads(line)
        kind, at = EntryKind(told.pop("kind")), datetime.fromisoformat(told.pop("at"))
        if (kind, told["box"], at) not in held:
            stores.ledger.log(LedgerEntry(kind=kind, at=at, **told))


def _play(path: Path, shelf: Shelf, stores: Stores, duration_s: float) -> Tally:
    """Publish the recording to a broker of our own, and take it in as any other feed."""
    from monitor.faces.cli.output import progress_bar
    from monitor.feed.decode import Decoder
    from monitor.feed.embedded import EmbeddedBroker
    from monitor.feed.mqtt import MqttFeed
    from monitor.feed.replay import Replay, read_recording
    from monitor.intake import Intake

    messages = read_recording(path)
    decoder = Decoder(shelf.feeds, shelf.site)
    intake = Intake(decoder, stores.readings)
    with ExitStack() as stack:
        broker = stack.enter_context(EmbeddedBroker())
        feed = stack.enter_context(MqttFeed(broker.address, decoder.subscriptions))
        _subscribe(feed)
        advance = stack.enter_context(progress_bar("readings", sum(message.readings for message in messages)))
        replay = stack.enter_context(Replay(messages, broker.address, duration_s))
        progress = _Progress(messages, time.monotonic() + _SILENCE_S)
        while intake.tally.messages < len(messages):
            arrived = feed.receive(0.5)
            if arrived:
                intake.keep(arrived)
                feed.acknowledge(arrived)
                advance(intake.tally.readings - progress.readings)
            progress.check(intake.tally, replay.is_over())
    return intake.tally


def _subscribe(feed: MqttFeed) -> None:
    feed.connect()
    deadline = time.monotonic() + 10.0
    while not feed.is_subscribed:
        feed.receive(0.1)
        if time.monotonic() > deadline:
            raise FeedError("the embedded broker did not confirm the subscription within 10 s")


class _Progress:
    """Notices when the replay is over and nothing arrives any more."""

    def __init__(self, messages: Sequence[RecordedMessage], deadline: float) -> None:
        self.readings = 0
        self._expected, self._messages, self._deadline = len(messages), 0, deadline

    def check(self, tally: Tally, is_over: bool) -> None:
        """Remember how far it got, or say that it got no further."""
        self.readings = tally.readings
        if tally.messages > self._messages or not is_over:
            self._messages, self._deadline = tally.messages, time.monotonic() + _SILENCE_S
        elif time.monotonic() > self._deadline:
            raise FeedError(f"only {tally.messages} of {self._expected} messages arrived; run the demo again")


def _show(shelf: Shelf, stores: Stores) -> None:
    from monitor import assess

    as_of = shelf.now(datetime.now(UTC))
    answers = assess.assess(stores.readings, stores.ledger, shelf.boxes, as_of, room_climate=shelf.room)
    for answer in assess.worst_first(answers):
        typer.echo(f"{answer.box.name} {answer.state}")
