"""An invented evening at a made-up desk: a bowl of beads dried in a microwave, burst by burst."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from monitor.desk import Desk, RunReport
from monitor.records import Appliance, Box, RoomClimate
from monitor.records.desk_events import RunWeighed

AT = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
BOXES = (Box("pla", 12.0, 0.20), Box("nylon", 10.0, 0.15), Box("petg", 10.0, 0.30))
MICROWAVE = Appliance("microwave", "microwave")
WARM_BOX = Appliance("warm-box", "filament_dryer", 65.0)
OVEN = Appliance("oven", "oven", 110.0)
ROOM = RoomClimate(20.0, 0.50)

WET_G = 262.0
MICROWAVE_LOSSES = [(0, 0), (4, 21), (8, 35), (12, 42), (16, 45), (20, 46)]
"""Minutes of heat, and grams lost in all on a scale that shows whole grams: invented."""


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
