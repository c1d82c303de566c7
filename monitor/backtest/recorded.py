"""A recorded set in files: boxes, readings, what was logged, and the questions asked of it."""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import ImportFileError
from monitor.inference.evidence.hours import Hours, reduce_to_hours
from monitor.inference.fit.posterior import Record
from monitor.inference.model.sensor_bias import comparisons
from monitor.records import ROOM, Box, EntryKind, LedgerEntry, ReadingSeries, SensorSpec, Spool
from monitor.records.declared import USUAL_LIMIT

_KINDS = {
    "open": EntryKind.opening,
    "recharge": EntryKind.recharge,
    "weigh": EntryKind.weighing,
    "spool_swap": EntryKind.spool_swap,
}


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
    """A recorded set, its readings already one value an hour."""

    name: str
    records: Mapping[str, Record]
    tasks: tuple[Task, ...]


def read_set(folder: Path) -> RecordedSet:
    """Return a recorded set.

    Raises
    ------
    ImportFileError
        If a file is missing or can't be read.
    """
    try:
        declared = json.loads((folder / "boxes.json").read_text(encoding="utf-8"))
        series = _series(folder / "readings.csv.gz")
        hours = {name: reduce_to_hours(one) for name, one in series.items()}
        events = _rows(folder / "events.csv")
        tasks = _rows(folder / "tasks.csv")
        name = str(declared.get("set", folder.name))
        entries = _entries(declared["boxes"], events)
        nothing = Hours(0, np.empty(0), np.empty(0))
        records = {
            b["id"]: Record(
                _box(b), hours.get(b["id"], nothing), hours.get(ROOM), tuple(entries[b["id"]]),
                comparisons=comparisons(series.get(b["id"]), series.get(ROOM), entries[b["id"]]),
            )
            for b in declared["boxes"]
        }  # fmt: skip
        return RecordedSet(name, records, tuple(_task(name, row) for row in tasks))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ImportFileError(f"{folder}: can't be read as a recorded set ({type(error).__name__}: {error})") from error


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def _series(path: Path) -> dict[str, ReadingSeries]:
    import pandas as pd  # noqa: PLC0415 -- heavy, and only a set in files needs it

    table = pd.read_csv(path, usecols=["utc_time", "box", "temperature_c", "rh_pct"])
    at = pd.to_datetime(table["utc_time"], utc=True).to_numpy(dtype="datetime64[s]").astype(np.float64)
    table = table.assign(at_s=at)
    return {
        str(box): ReadingSeries(
            str(box),
            part["at_s"].to_numpy(float),
            part["temperature_c"].to_numpy(float),
            part["rh_pct"].to_numpy(float) / 100.0,
            np.zeros(len(part), dtype=np.uint16),
        )
        for box, part in table.groupby("box")
    }


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
