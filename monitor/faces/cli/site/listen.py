"""`siccast listen`: take what the sensors send into the shelf's database, for as long as it runs."""

from __future__ import annotations

import signal
import threading
from contextlib import ExitStack
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.settings import SHELF_FILE, load_shelf, shelf_folder

if TYPE_CHECKING:
    from monitor.records import BrokerAddress
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

EMBEDDED_PORT = 1883
_LONGEST_PAUSE_S = 30.0


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(listen)


def listen(
    context: typer.Context,
    port: Annotated[
        int, typer.Option(min=1, max=65_535, help="Port of the broker inside, where the shelf file names no broker.")
    ] = EMBEDDED_PORT,
    outlooks_every: Annotated[
        int, typer.Option(min=0, max=10_080, help="Minutes between two sendings of every box's outlook; 0 for none.")
    ] = 60,
) -> None:
    """Take readings from the broker until stopped with Ctrl-C."""
    from monitor.checkup import health_topic
    from monitor.feed.decode import Decoder
    from monitor.feed.mqtt import MqttFeed
    from monitor.housekeeping import HealthTeller, Screener
    from monitor.intake import Intake

    shelf = load_shelf(shelf_folder(context.obj))
    stopped = _stop_signal()
    decoder = Decoder(shelf.feeds, shelf.site, shelf.moves)
    with ExitStack() as stack:
        stores = _open_at_last(stack, shelf, stopped)
        if shelf.influx:
            _forward(shelf, stopped)
        address = shelf.broker or _embedded(stack, shelf, port)
        topic = health_topic(shelf.site, address.client_id)
        will = (topic, HealthTeller.last_will())
        feed = stack.enter_context(MqttFeed(address, decoder.subscriptions, will=will, report=_say))
        if outlooks_every:
            _send_outlooks(shelf, address, 60.0 * outlooks_every, stopped)
        health = HealthTeller(feed, topic)
        chores = (health, Screener(stores.readings, shelf.boxes))
        intake = Intake(decoder, stores.readings, report=_say, pause=stopped.wait, housekeepers=chores)
        intake.run(feed, stopped.is_set)
        health.tell("stopped", intake.tally)
    tally = intake.tally
    _say(f"stopped after {tally.messages} messages: {tally.new} new readings, {tally.rejected} rejected")


def _open_at_last(stack: ExitStack, shelf: Shelf, stopped: threading.Event) -> Stores:
    """Open the stores however long it takes: a listener that starts with the machine may come before its disk."""
    from monitor.errors import StoreBusyError
    from monitor.store.opening import open_stores

    told, pause_s = "", 1.0
    while True:
        try:
            return stack.enter_context(open_stores(shelf.database_path, influx=shelf.influx, begin=True, report=_say))
        except StoreBusyError as error:
            if str(error) != told:
                told = str(error)
                _say(told)
            if stopped.wait(pause_s):
                raise
            pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)


def _forward(shelf: Shelf, stopped: threading.Event) -> None:
    """Let a thread of its own hand readings on to InfluxDB, so that the feed never waits for it."""
    from monitor.store.opening import forward_readings

    given = (shelf.database_path, shelf.influx, stopped.is_set, stopped.wait, _say)
    threading.Thread(target=forward_readings, args=given, name="outbox", daemon=True).start()


def _send_outlooks(shelf: Shelf, address: BrokerAddress, every_s: float, stopped: threading.Event) -> None:
    """Let a thread of its own assess the shelf and send the outlooks, so that the feed never waits for it."""
    from monitor.faces.cli.site.publish import keep_sending

    given = (shelf, address, every_s, stopped, _say)
    threading.Thread(target=keep_sending, args=given, name="outlooks", daemon=True).start()


def _embedded(stack: ExitStack, shelf: Shelf, port: int) -> BrokerAddress:
    from monitor.feed.embedded import EmbeddedBroker

    broker = stack.enter_context(EmbeddedBroker(port))
    where = f"{broker.address.host}:{port}"
    _say(f"no [broker] in {shelf.folder / SHELF_FILE}: one runs inside, on this machine only, at {where}")
    return broker.address


def _stop_signal() -> threading.Event:
    """Return an event that is set when the person or the system asks us to stop."""
    stopped = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopped.set())
    return stopped


def _say(line: str) -> None:
    typer.echo(f"siccast: {line}", err=True)
