"""A shelf of simulated boxes with their hourly readings, as the services hand them to inference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from simulated_boxes import Truth, simulated_box

from monitor.inference import fitted
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.posterior import Record
from monitor.records import BoxHistory, Outlook, ReadingSeries
from monitor.series.hourly_values import HOUR_S
from monitor.series.spans import unmarked


def simulated_shelf(boxes: int, days: int, dry_mass_g: float = 300.0) -> tuple[list[BoxHistory], datetime]:
    """Return the histories of so many boxes beside one room, and the instant up to which they were seen.

    The boxes differ in their leak and in the noise of their sensors; the room is the same for all.
    """
    histories, now_s = [], 0.0
    room: ReadingSeries | None = None
    for k in range(boxes):
        conductance = 0.03 * float(np.exp(0.4 * np.random.default_rng(k).standard_normal()))
        record, now_s, _ = simulated_box(Truth(conductance, dry_mass_g), days, noise_seed=k)
        room = room or series_of("room", record.room)
        histories.append(history_of(record, f"box {k}", room))
    return histories, datetime.fromtimestamp(now_s, UTC)


def history_of(record: Record, name: str, room: ReadingSeries | None) -> BoxHistory:
    """Return a made record as a history, its hours as readings in the middle of each."""
    entries = tuple(replace(entry, box=name) for entry in record.entries)
    return BoxHistory(replace(record.box, name=name), series_of(name, record.hours), room, None, entries)


def series_of(name: str, hours: Hours | None) -> ReadingSeries:
    """Return hours as a series of readings."""
    assert hours is not None
    at_s = (hours.first_hour + np.arange(len(hours)) + 0.5) * HOUR_S
    return unmarked(name, at_s, hours.temperature_degc, hours.relative_humidity)


def outlooks(histories: Sequence[BoxHistory], as_of: datetime, **how: Any) -> list[Outlook]:
    """Return the outlooks alone of boxes that inform each other."""
    return [one.outlook for one in fitted(histories, as_of, keep=False, **how)]
