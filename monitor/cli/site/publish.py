"""`siccast publish`: each box's outlook as a retained message, for a house system to pick up."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.session import (
    AsOf,
    Dask,
    Fresh,
    ask,
    shelf_of,
)
from monitor.errors import FeedError, SettingsError
from monitor.presentation.clock import utc_now
from monitor.settings import SHELF_FILE, shelf_as_it_is

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.cli.session import Assessed
    from monitor.records import BrokerAddress


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(publish)


def publish(
    context: typer.Context,
    *,
    homie: Annotated[
        bool,
        typer.Option("--homie", help="Also announce the boxes by the Homie convention, under homie/5/siccast-SITE."),
    ] = False,
    forget_homie: Annotated[
        bool, typer.Option("--forget-homie", help="Only delete what the broker retains of that convention.")
    ] = False,
    as_of: AsOf = None,
    fresh: Fresh = False,
    dask: Dask = None,
) -> None:
    """Send the forecast of every box to the broker, once.

    Other programs can read it there. Each box gets one retained message under siccast/1/SITE/BOX/outlook. It has the
    form of `siccast forecast --json`. `siccast listen` sends the same by itself: see its --outlooks-every.
    """
    shelf = shelf_of(context)
    if shelf.broker is None:
        raise SettingsError(
            f"{shelf.folder / SHELF_FILE} names no [broker]. The broker inside `listen` gets the outlooks without"
            " this command"
        )
    if forget_homie:
        from monitor.cli.site import homie as by_homie

        gone = by_homie.forget_homie(shelf.site, shelf.broker)
        typer.echo(f"deleted {gone} values of Homie at {shelf.broker.host}:{shelf.broker.port}")
        return
    asked = ask(shelf, as_of=as_of, fresh=fresh, dask=dask)
    sent = send_outlooks(asked, shelf.broker)
    if homie or shelf.homie:
        send_by_homie(asked, shelf.broker)
    typer.echo(f"sent the outlooks of {sent} box{'' if sent == 1 else 'es'} to {shelf.broker.host}:{shelf.broker.port}")


def send_outlooks(asked: Assessed, address: BrokerAddress) -> int:
    """Send an answer's outlooks over a connection of their own, and return how many the broker has taken.

    A box that was renamed or taken off the shelf while they were worked out is taken back: whoever did that has done so
    before, and nobody would again.
    """
    from monitor.cli.output import as_json
    from monitor.presentation.answers import outlook_messages

    messages = outlook_messages(asked.assessments, asked.shelf.site, asked.wording)
    retain([(topic, as_json(content)) for topic, content in messages], address, "outlook")
    then, now = ({box.name for box in shelf.boxes} for shelf in (asked.shelf, shelf_as_it_is(asked.shelf)))
    for name in sorted(then - now):
        forget_outlook(asked.shelf.site, name, address)
    return len(messages)


def send_by_homie(asked: Assessed, address: BrokerAddress, *, for_listener: bool = False) -> None:
    """Send the boxes by the Homie convention; between two such messages a device without a listener sleeps."""
    from monitor.cli.site.homie import READY, SLEEPING, send_homie
    from monitor.presentation.homie import homie_device
    from monitor.store.listener_lock import listeners

    shelf = asked.shelf
    is_held = for_listener or (shelf.homie and any(listener.at_work for listener in listeners(shelf.folder)))
    device = homie_device(asked.assessments, shelf.site, asked.wording)
    send_homie(device, address, rests=READY if is_held else SLEEPING, will=not is_held)


def forget_outlook(site: str, box: str, address: BrokerAddress) -> None:
    """Take back what the broker retains for a box that is called otherwise now, or is no more: outlook and alerts."""
    from monitor.alerts.retained import topics_of
    from monitor.presentation.answers import outlook_topic

    retain([(topic, b"") for topic in (outlook_topic(site, box), *topics_of(site, box))], address, "outlook")


def retain(messages: Sequence[tuple[str, bytes]], address: BrokerAddress, purpose: str) -> None:
    """Have the broker retain messages, over a connection of their own; an empty one makes it forget the topic."""
    from monitor.feed.mqtt import SHORT_WAIT_S, TAKEN_WITHIN_S, MqttFeed

    where = f"{address.host}:{address.port}"
    with MqttFeed(replace(address, client_id=f"{address.client_id}-{purpose}", share=None), clock=utc_now) as feed:
        feed.connect()
        waiting = [feed.send(topic, payload, retain=True) for topic, payload in messages]
        deadline = time.monotonic() + TAKEN_WITHIN_S
        while waiting := [message for message in waiting if not message.is_published()]:
            if time.monotonic() > deadline:
                raise FeedError(
                    f"{where} did not accept {len(waiting)} messages ({purpose}). Ask for the right to write there"
                )
            feed.receive(SHORT_WAIT_S)
