"""How often announced days move from night to night while nothing is logged: `python -m tests.bench.steady_plan SHELF`.

Each night of a shelf's last weeks is asked as it was then. A move is another first day of a box than the night before
said, where that day was within two weeks and the box got no beads since.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.desk import Desk
from monitor.services.assess import assess
from monitor.services.planning import PlanSources
from monitor.services.recharge_plan import announcement, plan_shelf
from monitor.settings import load_shelf
from monitor.store.opening import open_stores

if TYPE_CHECKING:
    from monitor.records import AnnouncedDay

NEAR_DAYS = 14


def moves(folder: Path, nights: int, *, keeps: bool) -> tuple[int, int]:
    """Return how many announced days moved, and how many stood to be kept."""
    shelf = load_shelf(folder)
    moved, stood = 0, 0
    said: dict[str, AnnouncedDay] = {}
    with open_stores(shelf.database_path, read_only=True) as stores:
        last = max(reading.at for reading in stores.readings.latest().values())
        desk = Desk(stores, shelf.boxes, shelf.appliances, shelf.room, clock=lambda: datetime.now(UTC))
        for ago in range(nights, -1, -1):
            at = last - timedelta(days=ago)
            today = at.astimezone(shelf.timezone).date()
            answers = assess(
                stores.readings, stores.ledger, shelf.boxes, at, room_climate=shelf.room, kept=stores.outlooks
            )
            sources = PlanSources(
                stores.readings, stores.ledger, stores.outlooks, desk.inventory(), shelf.boxes, shelf.appliances,
                shelf.plan, at, today, shelf.room, every_draw=4,
            )  # fmt: skip
            plan = plan_shelf(sources, answers, announced=said if keeps else {}).plan
            now = {one.box: one for one in announcement(plan, answers, today)}
            charged = {a.box.name: a.charge.at for a in answers if a.charge}
            for box, one in said.items():
                fresh = charged.get(box)
                if today <= one.on <= today + timedelta(days=NEAR_DAYS) and (not fresh or fresh < one.announced_at):
                    stood += 1
                    if box not in now or now[box].on != one.on:
                        moved += 1
            kept = {box: said[box] for box in now if box in said and said[box].on == now[box].on}
            said = {**now, **kept}
    return moved, stood


if __name__ == "__main__":
    for keeps in (False, True):
        moved, stood = moves(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 60, keeps=keeps)
        print(f"{'announced days kept' if keeps else 'planned anew each night'}: {moved} of {stood} moved", flush=True)
