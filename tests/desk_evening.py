"""An invented evening at the desk: a bowl of beads dried in a microwave, burst by burst, and a tray beside it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.desk import Desk, RunReport
from monitor.presentation.clock import utc_now
from monitor.records import Appliance, Box, RoomClimate
from monitor.records.desk_events import ChargePortioned, LotBought, RunWeighed
from monitor.store.opening import open_stores

AT = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
BOXES = (Box("pla", 12.0, 0.20), Box("nylon", 10.0, 0.15), Box("petg", 10.0, 0.30))
MICROWAVE = Appliance("microwave", "microwave")
WARM_BOX = Appliance("warm-box", "filament_dryer", 65.0)
OVEN = Appliance("oven", "oven", 110.0)
ROOM = RoomClimate(20.0, 0.50)

WET_G = 262.0
MICROWAVE_LOSSES = [(0, 0), (4, 21), (8, 35), (12, 42), (16, 45), (20, 46)]
"""Minutes of heat, and grams lost in all on a scale that shows whole grams: invented."""


@contextmanager
def bowl_and_tray(folder: Path, wet_g: float = WET_G) -> Iterator[Desk]:
    """Give a desk with one lot weighed out into a bowl and a tray."""
    with open_stores(folder / "s.sqlite3", synchronous="OFF") as stores:
        desk = Desk(stores, BOXES, (MICROWAVE, WARM_BOX, OVEN), ROOM, clock=utc_now)
        desk.keep(LotBought("march", "orange_gel", 1000.0), AT)
        desk.keep(ChargePortioned("bowl", "march", wet_g, "glass", 0.0, "room"), AT)
        desk.keep(ChargePortioned("tray", "march", wet_g, "metal", 0.0, "room"), AT)
        yield desk


def dry(
    desk: Desk,
    charge: str,
    tool: Appliance,
    losses: list[tuple[int, int]],
    room: RoomClimate = ROOM,
    *,
    wet_g: float = WET_G,
) -> RunReport:
    """Log a run up to its last weighing; only that one is judged, for speed."""
    run = desk.start(charge, tool, AT, room=room)
    *before, last = [
        (RunWeighed(run.name, 60.0 * minutes, wet_g - loss_g), AT + timedelta(minutes=minutes))
        for minutes, loss_g in losses
    ]
    for weighed, at in before:
        desk.keep(weighed, at)
    return desk.weigh(*last)
