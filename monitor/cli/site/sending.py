"""Alerts by the routes of a shelf: noting what there is, and the loop that sends it; beside a listener or alone."""

from __future__ import annotations

from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING

from monitor.cli.session import ask, open_to_write
from monitor.errors import RouteError, SettingsError, ShelfHeldError, SiccastError, StoreBusyError
from monitor.presentation.clock import steady_s, utc_now
from monitor.retrying import BackOff
from monitor.settings import SHELF_FILE, load_shelf_again, shelf_stamp

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Sequence

    from monitor.alerts.opening import Sender
    from monitor.cli.session import Assessed
    from monitor.records import BrokerAddress
    from monitor.records.alerts import Route, StandingAlert
    from monitor.services.watch import Outbox
    from monitor.settings import Shelf
    from monitor.store.opening import Stores

LOOKED_EVERY_S = 3600.0
"""A judgement: an hour, for which kept outlooks are given as they are; nothing that is watched for comes sooner."""
SENT_EVERY_S = 10.0  # judgement: quiet hours end to the minute, for one short question to the database


def note_alerts(asked: Assessed) -> Sequence[StandingAlert] | None:
    """Note what deserves an alert, for the routes of its shelf to send; return what is new.

    None where something was logged or declared since the boxes were looked at, which takes minutes of many: what is
    said of a box that was filled or renamed meanwhile would be wrong. Nothing is noted then; look again.
    """
    from monitor.services.watch import look

    shelf, alerts = asked.shelf, asked.alerts
    with open_to_write(shelf) as stores, stores.alerts.transaction():
        if (stores.ledger.stamp(), shelf_stamp(shelf.folder)) != (asked.logged, shelf.stamp):
            return None
        return look(
            stores.alerts,
            shelf.routes,
            alerts,
            asked.assessments,
            as_of=asked.as_of,
            zone=shelf.timezone,
            now=utc_now(),
        )


def opener(shelf: Shelf, address: BrokerAddress | None) -> Callable[[Route], Sender]:
    """Return what opens a route of a shelf; ``address`` is the broker's, where there is one."""
    from monitor.alerts.opening import open_route

    return partial(open_route, site=shelf.site, publish=partial(_retain, shelf, address))


def _retain(shelf: Shelf, address: BrokerAddress | None, messages: Sequence[tuple[str, bytes]]) -> None:
    from monitor.cli.site.publish import retain

    if address is None:
        raise RouteError(
            f"{shelf.folder / SHELF_FILE} names no [broker], and siccast's own runs inside `listen`: alerts reach that"
            " one from there"
        )
    retain(messages, address, "alert")


def outbox_of(
    shelf: Shelf,
    stores: Stores,
    address: BrokerAddress | None,
    report: Callable[[str], None],
    *,
    restate: bool = False,
) -> Outbox:
    """Return what sends the alerts that are on their way."""
    from monitor.services.watch import Outbox

    return Outbox(
        stores.alerts,
        shelf.routes,
        opener(shelf, address),
        site=shelf.site,
        zone=shelf.timezone,
        steady_s=steady_s,
        report=report,
        restate=restate,
    )


def keep_sending(
    shelf: Shelf,
    address: BrokerAddress | None,
    stop: threading.Event,
    report: Callable[[str], None],
    look: bool = False,
) -> None:
    """Send alerts until told to stop, and look for new ones where nobody else does; one at a time a shelf."""
    from monitor.store.listener_lock import lock_sending

    with ExitStack() as stack:
        told, back_off = "", BackOff(longest_s=60.0)  # judgement: who waits for another to end comes within a minute
        while not stop.is_set():
            try:
                stack.enter_context(lock_sending(shelf.folder, utc_now()))
                break
            except (ShelfHeldError, StoreBusyError) as error:
                if str(error) != told:
                    told = str(error)
                    report(f"{told}. That one sends the alerts")
                stop.wait(back_off.after_failure_s())
        stores = stack.enter_context(open_to_write(shelf))
        _Loop(shelf, stores, address, report).run(stop, look=look)


class _Loop:
    """Sends, and looks every hour and soon after something was logged or declared."""

    def __init__(
        self, shelf: Shelf, stores: Stores, address: BrokerAddress | None, report: Callable[[str], None]
    ) -> None:
        self._shelf, self._stores, self._address, self._report = shelf, stores, address, report
        self._own = address if shelf.broker is None else None
        self._outbox = outbox_of(shelf, stores, address, report, restate=True)
        self._declared = shelf.stamp
        self._seen: object = None
        self._look_at_s = 0.0
        self._told = ""

    def run(self, stop: threading.Event, *, look: bool) -> None:
        """Go on until told to stop; whatever goes wrong is said once, and tried again."""
        while not stop.is_set():
            try:
                self._heed_the_shelf_file()
                if look and self._is_time():
                    note_alerts(ask(self._shelf, beside_other_work=True))
                self._outbox.send(utc_now())
                self._told = ""
            except SiccastError as error:
                if str(error) != self._told:
                    self._told = str(error)
                    self._report(f"{self._told}. siccast keeps trying")
            stop.wait(SENT_EVERY_S)

    def _heed_the_shelf_file(self) -> None:
        """Go by the routes that are declared now; a file that can't be read leaves those of before."""
        stamp = shelf_stamp(self._shelf.folder)
        if stamp == self._declared:
            return
        self._declared = stamp
        try:
            self._shelf = load_shelf_again(self._shelf)
        except SettingsError as error:
            self._report(f"{error}. The routes stay as they were")
            return
        self._outbox = outbox_of(self._shelf, self._stores, self._own or self._shelf.broker, self._report)

    def _is_time(self) -> bool:
        stamp = (self._stores.ledger.stamp(), self._stores.plan_decisions.stamp(), self._declared)
        if steady_s() < self._look_at_s and stamp == self._seen:
            return False
        self._seen, self._look_at_s = stamp, steady_s() + LOOKED_EVERY_S
        return True
