"""Make the demo's recorded feed, its ledger and the truth behind them: `python demo_feeds/maker/make_feed.py`.

Runs a minute at most and writes the same bytes every time.
"""

from __future__ import annotations

import gzip
import io
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from scenario import BOXES, END, SITE, START, TrueBox
from truth import STEP, STEPS, Course, DeskEvent, Room, run, saturation_kpa, weather

FOLDER = Path(__file__).resolve().parent.parent
SEED = 20260401
OUTAGE = (datetime.fromisoformat("2026-05-18T04:00Z"), datetime.fromisoformat("2026-05-20T15:00Z"))
"""The gateway was off; the nodes kept their readings and sent them afterwards."""
GAP = (datetime.fromisoformat("2026-06-08T13:00Z"), datetime.fromisoformat("2026-06-11T09:00Z"))
"""The node of one box had an empty battery."""
STUCK = (datetime.fromisoformat("2026-07-21T22:00Z"), datetime.fromisoformat("2026-07-22T14:00Z"))
"""The node of another box repeated itself."""

Message = tuple[datetime, str, list[dict[str, Any]]]


def main() -> None:
    """Simulate, measure, and write the three files."""
    rng = np.random.default_rng(SEED)
    room = weather(rng)
    room_rh = room.kpa / np.array([saturation_kpa(value) for value in room.degc])
    readings = {"room": measure(room.degc, room_rh, rng, bias_pct=0.6)}
    courses: dict[str, Course] = {}
    for box in BOXES:
        courses[box.name] = run(box, room, rng)
        readings[box.name] = measure_box(box, courses[box.name], rng)
    messages = sorted((m for name, rows in readings.items() for m in pack(name, rows)), key=lambda m: m[:2])
    write_feed(FOLDER / "feed.jsonl.gz", resend_some(messages, rng))
    entries = sorted((e for box in BOXES for e in ledger_of(box, courses[box.name])), key=lambda e: (e["at"], e["box"]))
    lines = (json.dumps(entry, separators=(", ", ": ")) + "\n" for entry in entries)
    (FOLDER / "ledger.jsonl").write_text("".join(lines), encoding="utf-8")
    truth = {box.name: truth_of(box, courses[box.name], room) for box in BOXES}
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def measure(
    degc: np.ndarray,
    rh: np.ndarray,
    rng: np.random.Generator,
    *,
    bias_pct: float,
    noise_pct: float = 0.15,
    step_pct: float = 0.1,
    floor_pct: float = 0.0,
) -> list[dict[str, Any]]:
    """Return what the sensor of a node said every half hour: biased, noisy, rounded, and blind below its floor."""
    offset = int(rng.integers(0, 600))
    drift = np.linspace(0.0, rng.normal(0.0, 0.3), STEPS)
    rows = []
    for step in range(0, STEPS - 1, 3):
        at = START + step * STEP + timedelta(seconds=offset)
        if np.isnan(rh[step]):
            continue
        shown = 100 * float(rh[step]) + bias_pct + float(drift[step]) + float(rng.normal(0.0, noise_pct))
        shown = min(max(round(round(shown / step_pct) * step_pct, 1), floor_pct), 99.9)
        warm = round(float(degc[step]) + 0.2 + float(rng.normal(0.0, 0.05)), 1)
        rows.append({"t": int(at.timestamp()), "temperature_c": warm, "rh_pct": shown})
    return rows


def measure_box(box: TrueBox, course: Course, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return a box's readings with what went wrong at its node."""
    rows = measure(
        course.degc,
        course.rh,
        rng,
        bias_pct=box.bias_pct,
        noise_pct=box.noise_pct,
        step_pct=box.step_pct,
        floor_pct=box.floor_pct,
    )
    rows = [row for row in rows if row["t"] < box.silent_from.timestamp()]
    if box.name == "pa6-dry":
        rows = [row for row in rows if not within(row, GAP)]
    if box.name == "petg-stock":
        frozen = next(row for row in rows if within(row, STUCK))
        rows = [{**frozen, "t": row["t"]} if within(row, STUCK) else row for row in rows]
    if box.name == "asa-rack":
        for place in rng.choice(len(rows), 5, replace=False):
            rows[int(place)]["rh_pct"] = 99.0
    return rows


def within(row: dict[str, Any], span: tuple[datetime, datetime]) -> bool:
    """Tell whether a reading falls into a span."""
    return span[0].timestamp() <= float(row["t"]) < span[1].timestamp()


def pack(name: str, rows: list[dict[str, Any]]) -> list[Message]:
    """Gather readings into one message a day; what the outage held back comes in one piece when it ends."""
    days: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        sent = OUTAGE[1].timestamp() if within(row, OUTAGE) else row["t"]
        days.setdefault(int(sent // 86_400), []).append(row)
    for day, batch in days.items():
        weeks = (day - int(START.timestamp() // 86_400)) / 7
        batch[-1] = {**batch[-1], "battery_v": round(3.05 - 0.004 * weeks, 2)}
    return [(datetime.fromtimestamp(batch[-1]["t"], START.tzinfo), name, batch) for batch in days.values()]


def resend_some(messages: list[Message], rng: np.random.Generator) -> list[Message]:
    """Return the messages with one in fifty sent twice, as happens where an acknowledgement is lost."""
    twice = rng.random(len(messages)) < 0.02
    return [copy for message, again in zip(messages, twice, strict=True) for copy in [message] * (1 + int(again))]


def write_feed(path: Path, messages: list[Message]) -> None:
    """Write one message a line: topic and payload, as the broker would carry them."""
    text = io.StringIO()
    for _, name, batch in messages:
        json.dump({"topic": f"siccast/1/{SITE}/{name}/reading", "payload": batch}, text, separators=(",", ":"))
        text.write("\n")
    path.write_bytes(gzip.compress(text.getvalue().encode(), compresslevel=9, mtime=0))


def ledger_of(box: TrueBox, course: Course) -> list[dict[str, Any]]:
    """Return what the owner wrote down about a box."""
    charge = {
        "kind": "charge",
        "box": box.name,
        "at": iso(box.closed_on),
        "desiccant": box.beads.kind,
        "dry_mass_g": box.nominal_g,
        "method": box.method,
    }
    return [charge, *(entry_of(box, event) for event in course.events if event.logged)]


def entry_of(box: TrueBox, event: DeskEvent) -> dict[str, Any]:
    """Return one event as a ledger entry."""
    entry: dict[str, Any] = {"kind": event.kind, "box": box.name, "at": iso(event.at)}
    if event.mass_g is not None:
        entry |= {"mass_g": event.mass_g, "scale_resolution_g": box.scale_g}
    if event.kind == "recharge":
        entry |= {"desiccant": box.beads.kind, "dry_mass_g": box.nominal_g, "method": "oven_120C_3h"}
    return entry


def truth_of(box: TrueBox, course: Course, room: Room) -> dict[str, Any]:
    """Return what nobody in the print room knows: how leaky the box has been since its last recharge, and its air."""
    last = max((event.at for event in course.events if event.kind == "recharge"), default=box.closed_on)
    first = max(int((last - START) / STEP), 0)
    inside = course.rh * np.array([saturation_kpa(value) for value in course.degc])
    drive = np.clip(room.kpa - inside, 0.0, None)[first:]
    return {
        "since": iso(last),
        "leak_g_per_day_per_kpa": round(float(np.nansum(course.conductance[first:] * drive) / np.nansum(drive)), 4),
        "last_day_rh_pct": round(100 * float(np.nanmean(course.rh[-144:])), 2),
        "dry_mass_g": box.dry_g,
        "sensor_bias_pct": box.bias_pct,
    }


def iso(at: datetime) -> str:
    """Return an instant as text."""
    return at.isoformat().replace("+00:00", "Z")


if __name__ == "__main__":
    assert END > START
    main()
