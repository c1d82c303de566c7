"""Spare charges that go in on a day: what to do, and where that is logged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.web.desk.charges import run_address

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.desk.inventory import Inventory
    from monitor.web.plan.rows import Row


@dataclass(frozen=True, slots=True)
class SwapRow:
    """One box that gets a spare charge."""

    row: Row
    """The box, with where it may be moved."""
    spare: str
    what: str
    """What to put in, and what becomes of the charge that comes out."""
    address: str
    """Where the desk puts the spare charge into the box."""


def put_in_at(inventory: Inventory) -> Callable[[str], str]:
    """Return what finds where a spare charge is put into a box: at its last run, else at the desk's own page."""
    runs = {run.start.charge: run.name for run in inventory.runs.values() if not run.open}

    def address(spare: str) -> str:
        return run_address(runs[spare]) if spare in runs else "/desk"

    return address
