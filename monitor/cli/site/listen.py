"""`siccast listen`: take what the sensors send into the shelf's database, for as long as it runs."""

from __future__ import annotations

import signal
import threading
from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from monitor.cli.session import tell
from monitor.records.declared import LARGEST_PORT, MQTT_PORT
from monitor.settings import SHELF_FILE, load_shelf, shelf_folder, shelf_stamp

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    from monitor.records import BrokerAddress
    from monitor.services.intake import Housekeeper, Tally
    from monitor.services.outlook_upkeep import OutlookUpkeep
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

EMBEDDED_PORT = MQTT_PORT
_Opened = TypeVar("_Opened")


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(listen)


def listen(
    context: typer.Context,
    port: Annotated[
        int,
        typer.Option(
            min=1, max=LARGEST_PORT, help="Port of siccast's own broker. It runs if the shelf file names no broker."
        ),
    ] = EMBEDDED_PORT,
    outlooks_every: Annotated[
        # judgement: a week
        int,
        typer.Option(
            min=0,
            max=10_080,
            help="Bring all forecasts up to date and send them to the broker every so many minutes, and soon after you "
            "log something. 0: never.",
        ),
    ] = 55,  # minutes; judgement: a little less than the hour for which outlooks are given as they are
) -> None:
    """Receive readings from the sensors until you press Ctrl-C. Keep it running all the time."""
    from monitor.cli.site.log_stream import forgiving_stderr

    shelf = load_shelf(shelf_folder(context.obj))
    stop = Stop()
    with forgiving_stderr():
        tally = _listen(shelf, port, 60.0 * outlooks_every, stop)
        tell(f"stopped after {tally.messages} messages: {tally}" + (f" ({stop.why})" if stop.why else ""))


class Stop(threading.Event):
    """Set when the person or the system asks us to stop; it knows which.

    A terminal that is closed stops the listener in good order: one that nobody sees any more would hold the shelf, and
    the broker keeps what comes until the next. Whoever started us may have had the signal ignored (`nohup`).
    """

    def __init__(self) -> None:
        super().__init__()
        self.why = ""
        reasons = {"SIGINT": "", "SIGTERM": "", "SIGHUP": "its terminal was closed; new messages wait at the broker"}
        for name, why in reasons.items():
            number = getattr(signal, name, None)  # there is no SIGHUP on Windows
            if number and (name != "SIGHUP" or signal.getsignal(number) is not signal.SIG_IGN):
                signal.signal(number, partial(self._heard, why))

    def _heard(self, why: str, *_: object) -> None:
        self.why = self.why or why
        self.set()


def _listen(shelf: Shelf, port: int, outlooks_every_s: float, stop: Stop) -> Tally:
    """Take readings until told to stop, and return what went through."""
    from monitor.feed.batches import Batches
    from monitor.feed.clocks import MachineClock
    from monitor.feed.decode import Decoder
    from monitor.feed.mqtt import MqttFeed
    from monitor.presentation.clock import steady_s, utc_now
    from monitor.services.broker_check import health_topic
    from monitor.services.housekeeping import (
        CountNotes,
        HealthReporter,
        HourlyScreening,
        Screener,
    )
    from monitor.services.intake import Intake
    from monitor.store.listener_lock import lock_shelf
    from monitor.store.opening import open_stores

    for doubt in shelf.doubts:
        tell(doubt)
    decoder = Decoder(shelf.feeds, shelf.site, shelf.moves, shelf.boxes)
    part = shelf.broker.client_id if shelf.broker and shelf.broker.share else ""
    with ExitStack() as stack:
        hold = _at_last(stack, lambda: lock_shelf(shelf.folder, utc_now(), part), stop)
        stores = _at_last(
            stack,
            lambda: open_stores(shelf.database_path, influx=shelf.influx, begin=True, report=tell, now=utc_now()),
            stop,
        )
        if shelf.influx:
            _forward(shelf, stop)
        address = shelf.broker or _embedded(stack, shelf, port)
        topic = health_topic(shelf.site, address.client_id)
        will = (topic, HealthReporter.last_will())
        feed = stack.enter_context(MqttFeed(address, decoder.subscriptions, clock=utc_now, will=will, report=tell))
        health = HealthReporter(feed, topic, clock=utc_now, steady_s=steady_s)
        screening = HourlyScreening(Screener(stores.readings, shelf.boxes), clock=utc_now, steady_s=steady_s)
        counts = CountNotes(lambda tally: hold.counted(tally.messages, tally.new, tally.rejected), steady_s=steady_s)
        housekeepers: list[Housekeeper] = [health, screening, counts]
        if shelf.homie:
            _be_present(stack, shelf, address)
        if outlooks_every_s or shelf.routes:
            housekeepers.append(_upkeep(stack, shelf, stores, address.port, outlooks_every_s))
        if shelf.routes:
            _send_alerts(shelf, address, stop)
        intake = Intake(
            decoder,
            stores.readings,
            report=tell,
            pause=stop.wait,
            housekeepers=housekeepers,
            clock=MachineClock(tell, utc_now, steady_s),
        )
        portions = Batches(feed, shelf.commit_every_s, steady_s)
        intake.run(portions, stop.is_set)
        intake.keep_the_rest(portions, portions.rest())
        state = f"stopped ({stop.why})" if stop.why else "stopped"
        health.tell(state, intake.tally)
        counts.note(intake.tally)
        hold.ended(state)
    return intake.tally


def _at_last(stack: ExitStack, opening: Callable[[], AbstractContextManager[_Opened]], stop: Stop) -> _Opened:
    """Open something however long it takes: a listener that starts with the machine may come before its disk."""
    from monitor.errors import StoreBusyError
    from monitor.retrying import BackOff

    told, back_off = "", BackOff()
    while True:
        try:
            return stack.enter_context(opening())
        except StoreBusyError as error:
            if str(error) != told:
                told = str(error)
                tell(told)
            if stop.wait(back_off.after_failure_s()):
                raise


def _be_present(stack: ExitStack, shelf: Shelf, address: BrokerAddress) -> None:
    """Let the broker say that the boxes are lost when we are, to those who follow the Homie convention."""
    from monitor.cli.site.homie import Presence

    presence = Presence(shelf.site, address, tell)
    presence.start()
    stack.callback(presence.stop)


def _forward(shelf: Shelf, stop: Stop) -> None:
    """Let a thread of its own hand readings on to InfluxDB, so that the feed never waits for it."""
    from monitor.presentation.clock import utc_now
    from monitor.store.opening import forward_readings

    assert shelf.influx is not None
    work = partial(forward_readings, shelf.database_path, shelf.influx, stop.is_set, stop.wait, tell, clock=utc_now)
    _run_beside("forwarding to InfluxDB", work, stop)


def _upkeep(stack: ExitStack, shelf: Shelf, stores: Stores, port: int, every_s: float) -> OutlookUpkeep:
    """Return what keeps outlooks ready, in a process beside us: the feed never waits for it, nor pays its memory."""
    from monitor.cli.site.keep_ready import KeepReady
    from monitor.presentation.clock import steady_s
    from monitor.services.outlook_upkeep import OutlookUpkeep

    beside = KeepReady(shelf.folder, None if shelf.broker else port, words_only=not every_s)
    stack.callback(beside.stop)

    def stamp() -> object:
        logged = (stores.ledger.stamp(), stores.plan_decisions.stamp(), stores.events.stamp())
        return logged, shelf_stamp(shelf.folder)

    return OutlookUpkeep(beside.start, stamp, every_s or 3600.0, steady_s=steady_s)  # judgement: as `siccast watch`


def _send_alerts(shelf: Shelf, address: BrokerAddress, stop: Stop) -> None:
    """Let a thread of its own send alerts by the routes of the shelf, so that the feed never waits for one."""
    from monitor.cli.site.sending import keep_sending

    _run_beside("sending alerts", partial(keep_sending, shelf, address, stop, tell), stop)


def _run_beside(name: str, work: Callable[[], None], stop: Stop) -> None:
    from monitor.retrying import keep_running

    threading.Thread(target=keep_running, args=(name, work, stop, tell), name=name, daemon=True).start()


def _embedded(stack: ExitStack, shelf: Shelf, port: int) -> BrokerAddress:
    from monitor.feed.embedded import EmbeddedBroker

    broker = stack.enter_context(EmbeddedBroker(port, report=tell))
    where = f"{broker.address.host}:{port}"
    tell(f"no [broker] in {shelf.folder / SHELF_FILE}: siccast runs its own, for this machine only, at {where}")
    return broker.address
