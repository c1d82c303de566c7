"""Trying again: pauses that grow, and threads that are started again when they end."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from monitor.errors import SiccastError

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

_log = logging.getLogger(__name__)


class BackOff:
    """Pauses that double from one failure to the next up to a longest one; a success starts them anew."""

    def __init__(self, first_s: float = 1.0, longest_s: float = 30.0) -> None:  # judgement: back within half a minute
        self._first_s = first_s
        self._longest_s = longest_s
        self._next_s = first_s

    def after_failure_s(self) -> float:
        """Return how long to pause after one more failure."""
        pause_s = self._next_s
        self._next_s = min(2.0 * pause_s, self._longest_s)
        return pause_s

    def succeeded(self) -> None:
        """Begin with the first pause again."""
        self._next_s = self._first_s


def keep_running(name: str, work: Callable[[], None], stopped: threading.Event, report: Callable[[str], None]) -> None:
    """Do work that should go on until told to stop; where it ends before that, say so and begin it again.

    Meant as the whole of a thread. A defect of ours is logged with its trace as well.
    """
    back_off = BackOff(longest_s=60.0)
    while not stopped.is_set():
        try:
            work()
            why = "without a reason"
        except Exception as error:
            why = str(error) or type(error).__name__
            if not isinstance(error, SiccastError):
                why = f"{type(error).__name__}: {error}"
                _log.exception("%s has ended", name)
        if stopped.is_set():
            return
        pause_s = back_off.after_failure_s()
        report(f"{name} stopped ({why}). It starts again in {pause_s:.0f} s")
        stopped.wait(pause_s)
