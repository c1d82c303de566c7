"""A recorded set in files: boxes, readings, what was logged, and the questions asked of it."""

from __future__ import annotations

import csv
import json
import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import ImportFileError
from monitor.named_files import require_file
from monitor.records import ROOM, Box, BoxHistory, EntryKind, LedgerEntry, ReadingSeries, SensorSpec, Spool
from monitor.records.declared import USUAL_LIMIT
from monitor.series.spans import between, unmarked

_KINDS = {
    "open": EntryKind.opening,
    "recharge": EntryKind.recharge,
    "weigh": EntryKind.weighing,
    "spool_swap": EntryKind.spool_swap,
}
_DECLARED, _READINGS, _EVENTS, _TASKS = _FILES = ("boxes.json", "readings.csv.gz", "events.csv", "tasks.csv")
_HUNDREDTHS_OF_PCT = 10_000.0  # steps of 0.01 % in the whole, exact


@dataclass(frozen=True)
class Task:
    """One question: when does this box pass this limit, seen from this instant?"""

    set_name: str
    box: str
    cut: str
    cut_s: float
    limit_pct: str
    horizon_days: int


@dataclass(frozen=True, eq=False)
class RecordedSet:
    """A recorded set: each box with everything that was ever recorded of it, and what is asked."""

    name: str
    histories: tuple[BoxHistory, ...]
    tasks: tuple[Task, ...]

    def before(self, cut_s: float) -> list[BoxHistory]:
        """Return every box as it was known at an instant: what is stamped before it, and no more."""
        room = self.histories[0].room if self.histories else None
        there = None if room is None else between(room, -math.inf, cut_s)
        return [
            replace(
                one,
                readings=between(one.readings, -math.inf, cut_s),
                room=there,
                entries=tuple(entry for entry in one.entries if entry.at.timestamp() < cut_s),
            )
            for one in self.histories
        ]


def read_set(folder: Path) -> RecordedSet:
    """Return a recorded set.

    Raises
    ------
    ImportFileError
        If a file is missing or can't be read.
    """
    try:
        for name in _FILES:
            require_file(folder / name, most_bytes=None)
        declared = json.loads((folder / _DECLARED).read_text(encoding="utf-8"))
        series = _series(folder / _READINGS)
        events = _rows(folder / _EVENTS)
        tasks = _rows(folder / _TASKS)
        name = str(declared.get("set", folder.name))
        entries = _entries(declared["boxes"], events)
        histories = tuple(
            BoxHistory(_box(b), series.get(b["id"], _no_readings(b["id"])), series.get(ROOM), None, logged)
            for b in declared["boxes"]
            for logged in [tuple(sorted(entries[b["id"]], key=lambda entry: entry.at))]
        )
        return RecordedSet(name, histories, tuple(_task(name, row) for row in tasks))
    except OSError as error:
        what = f"{error.filename or folder}: {error.strerror or error}"
        raise ImportFileError(f"{folder} can't be read as a recorded set: {what}") from error
    except (ValueError, KeyError, TypeError) as error:
        raise ImportFileError(f"{folder}: can't be read as a recorded set ({type(error).__name__}: {error})") from error


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def _series(path: Path) -> dict[str, ReadingSeries]:
    import pandas as pd  # noqa: PLC0415 -- heavy, and only a set in files needs it

    table = pd.read_csv(path, usecols=["utc_time", "box", "temperature_c", "rh_pct"])
    at = pd.to_datetime(table["utc_time"], utc=True).to_numpy(dtype="datetime64[s]").astype(np.float64)
    table = table.assign(at_s=at)
    # as a store keeps them: to 0.01 °C and 0.01 % RH, in order of time, and of two at one instant the first
    table = table.drop_duplicates(["box", "at_s"]).sort_values("at_s", kind="stable")
    return {
        str(box): unmarked(
            str(box),
            part["at_s"].to_numpy(float),
            np.round(part["temperature_c"].to_numpy(float) * 100.0) / 100.0,
            np.round(part["rh_pct"].to_numpy(float) * 100.0) / _HUNDREDTHS_OF_PCT,
        )
        for box, part in table.groupby("box")
    }


def _no_readings(box: str) -> ReadingSeries:
    return unmarked(box, np.empty(0), np.empty(0), np.empty(0))


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC)


def _task(name: str, row: Mapping[str, str]) -> Task:
    cut_s = _instant(row["cut_utc"]).timestamp()
    return Task(name, row["box"], row["cut_utc"], cut_s, row["limit_rh"], int(float(row["horizon_days"])))


def _box(declared: Mapping[str, Any]) -> Box:
    sensor, usual = declared.get("sensor") or {}, SensorSpec()
    floor_pct = sensor.get("stated_min_rh")
    return Box(
        name=declared["id"],
        volume_liter=float(declared["volume_l"]),
        humidity_limit=float(declared.get("limit_rh") or 100.0 * USUAL_LIMIT) / 100.0,
        style=str(declared.get("style") or "unknown"),
        sensor=SensorSpec(
            accuracy=float(sensor.get("stated_accuracy_rh") or 100.0 * usual.accuracy) / 100.0,
            resolution=float(sensor.get("resolution_rh") or 100.0 * usual.resolution) / 100.0,
            floor=None if floor_pct is None else float(floor_pct) / 100.0,
        ),
        spools=tuple(
            Spool(f["kind"], float(f["mass_g"]), int(f.get("spools") or 1), str(f.get("state") or "unknown"))
            for f in declared.get("filament") or ()
        ),
        spool_core=str(declared.get("spool") or "plastic"),
        fed_through_tube=bool(declared.get("tube_port")),
        on_printer=bool(declared.get("on_printer")),
    )


def _entries(boxes: list[Mapping[str, Any]], events: list[dict[str, str]]) -> dict[str, list[LedgerEntry]]:
    """The ledger of every box: its first charge as declared, then what was logged."""
    entries: dict[str, list[LedgerEntry]] = defaultdict(list)
    beads = {b["id"]: _beads(b) for b in boxes}
    for b in boxes:
        charge = beads[b["id"]]
        mass = charge.get("weighed_at_loading_g")
        entries[b["id"]].append(
            LedgerEntry(
                EntryKind.charge,
                b["id"],
                _instant(b["loaded_utc"]),
                mass_g=None if mass is None else float(mass),
                scale_resolution_g=_scale(charge),
                desiccant=charge.get("kind"),
                dry_mass_g=float(charge["nominal_dry_g"]) if charge else None,
                method=charge.get("recharge_method"),
            )
        )
    for event in events:
        if event["event"] not in _KINDS:
            continue
        entry = LedgerEntry(
            _KINDS[event["event"]],
            event["box"],
            _instant(event["utc_time"]),
            mass_g=float(event["value"]) if event["value"] else None,
            scale_resolution_g=_scale(beads.get(event["box"], {})),
            method=event["note"] or None if event["event"] == "recharge" else None,
            note=event["note"],
        )
        entries[event["box"]].append(entry)
    return entries


def _beads(declared: Mapping[str, Any]) -> Mapping[str, Any]:
    """The desiccant as declared; empty for a box without any."""
    beads: Mapping[str, Any] = declared.get("desiccant") or {}
    return beads if beads.get("nominal_dry_g") and beads.get("kind") not in (None, "none") else {}


def _scale(charge: Mapping[str, Any]) -> float:
    return float(charge.get("scale_resolution_g") or 1.0)
