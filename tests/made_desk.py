"""Two batches of beads from practice, dried at a made-up desk: one in a microwave, one in a filament dryer."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from monitor.deeds import RunWeighed
from monitor.desk import Desk, RunReport
from monitor.records import Appliance, Box, RoomClimate

AT = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
BOXES = (Box("pla", 12.0, 0.20), Box("nylon", 10.0, 0.15), Box("petg", 10.0, 0.30))
MICROWAVE = Appliance("microwave", "microwave")
WARM_BOX = Appliance("warm-box", "filament_dryer", 65.0)
OVEN = Appliance("oven", "oven", 110.0)
ROOM = RoomClimate(20.0, 0.50)

# Common practice, no source: two batches of 314 g of wet orange indicating gel out of a room at 40-60 % RH.
WET_G = 314.0
MICROWAVE_LOSSES = [(0, 0), (3, 24), (6, 40), (9, 49), (12, 53), (15, 54)]
"""Minutes at medium power in bursts of three, stirred between; grams lost in all, on a 1 g scale."""
WARM_BOX_LOSSES = [(0, 0), (480, 24), (960, 35), (1200, 38)]
"""Minutes in a filament dryer at 65 °C; grams lost in all."""


def dry(desk: Desk, charge: str, tool: Appliance, losses: list[tuple[int, int]], room: RoomClimate = ROOM) -> RunReport:
    """Log a run up to its last weighing."""
    run = desk.start(charge, tool, AT, room=room)
    for minutes, loss_g in losses:
        report = desk.weigh(RunWeighed(run.name, 60.0 * minutes, WET_G - loss_g), AT + timedelta(minutes=minutes))
    return report
