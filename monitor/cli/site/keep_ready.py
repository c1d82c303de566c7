"""`siccast keep-ready`, which `listen` starts beside itself: outlooks and the plan are brought up to date and kept."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.session import Dask, ask, shelf_of
from monitor.cli.site.publish import send_by_homie, send_outlooks
from monitor.cli.site.sending import note_alerts

_LEAST_URGENT = 19  # niceness, no unit; by definition of POSIX the politest
_STOPPED_WITHIN_S = 5.0  # judgement: as long as a commit may take


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("keep-ready", hidden=True)(keep_ready)


def keep_ready(
    context: typer.Context,
    own_port: Annotated[
        int | None, typer.Option(help="Port of the broker inside the listener, where that runs.")
    ] = None,
    words_only: Annotated[bool, typer.Option("--words-only", help="Send no forecasts to the broker.")] = False,
    plan_only: Annotated[bool, typer.Option("--plan-only", help="Make the plan, and tell nobody.")] = False,
    dask: Dask = None,
) -> None:
    """Bring all forecasts and the plan up to date.

    They are kept for the next question, and forecasts are sent to the broker. What deserves a word is noted for the
    routes.
    """
    if hasattr(os, "nice"):
        os.nice(_LEAST_URGENT)
    shelf = shelf_of(context)
    asked = ask(shelf, beside_other_work=True, dask=dask)
    if plan_only:
        asked.plan()
        return
    if shelf.routes:
        note_alerts(asked)
    address = shelf.broker
    if own_port is not None:
        from monitor.feed.embedded import address_inside

        address = address_inside(own_port)
    if address is not None and not words_only:
        send_outlooks(asked, address)
        if shelf.homie:
            send_by_homie(asked, address, for_listener=True)
    if asked.assessments:
        asked.plan()


class KeepReady:
    """Starts `siccast keep-ready` for a shelf, and stops it when the listener stops."""

    def __init__(self, folder: Path, own_port: int | None, *, words_only: bool = False) -> None:
        self._command = [sys.executable, "-m", "monitor.cli.start", "--shelf", str(folder), "keep-ready"]
        self._command += [] if own_port is None else ["--own-port", str(own_port)]
        self._command += ["--words-only"] if words_only else []
        self._work: subprocess.Popen[bytes] | None = None

    def start(self) -> subprocess.Popen[bytes]:
        """Start the work; Ctrl-C reaches the listener alone, which passes it on."""
        self._work = subprocess.Popen(
            self._command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True
        )
        return self._work

    def stop(self) -> None:
        """End the work where it is still going on; what it has kept so far stays."""
        if self._work is None or self._work.poll() is not None:
            return
        self._work.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._work.wait(_STOPPED_WITHIN_S)
