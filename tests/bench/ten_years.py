"""What a cold question costs with one year in the file and with ten: processor time and memory of a fresh process.

python -m tests.bench.ten_years [FOLDER]               (half a minute to fill; a FOLDER keeps the two shelves)

Fifteen boxes and their room tell something every ten minutes; beads are changed every ten weeks or so. The year of the
one shelf is the last year of the other, so both are asked the same.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from simulated_boxes import Truth, room_hours, true_humidity

from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec
from monitor.store.opening import Stores, open_stores

BOXES, DAYS_PER_YEAR, ROWS_PER_DAY = 15, 365, 144
NOW = datetime(2026, 6, 1, tzinfo=UTC)
EPISODE_DAYS = 72
"""From one change of beads to the next; of each box the change falls on another day."""
OPENED_EVERY_DAYS = 24
FILE = "siccast.sqlite3"


def fill(folder: Path, years: int) -> None:
    """Make a shelf whose newest reading is of now, and whose oldest is so many years old."""
    folder.mkdir(parents=True)
    names = [f"box-{k}" for k in range(BOXES)]
    tables = "\n".join(f"[boxes.{name}]\nvolume_l = 10\nstyle = 'gasket'\n" for name in names)
    (folder / "shelf.toml").write_text(f'site = "years"\nrecorded_until = {NOW:%Y-%m-%dT%H:%M:%SZ}\n{tables}')
    vapor_kpa, warm_degc = room_hours(EPISODE_DAYS + 1)
    outside = 1e3 * vapor_kpa / np.asarray(saturation_vapor_pressure_pa(warm_degc))
    with open_stores(folder / FILE, synchronous="OFF", begin=True, now=NOW) as stores:
        _add(stores, "room", years, 0, outside, warm_degc)
        for k, name in enumerate(names):
            leak = 0.06 * float(np.exp(0.4 * np.random.default_rng(k).standard_normal()))
            course = true_humidity(Truth(leak, 100.0), vapor_kpa, warm_degc)
            _add(stores, name, years, 4 * k, course, warm_degc, opened=outside)
            _log(stores, name, years, 4 * k)


def _add(  # noqa: PLR0917
    stores: Stores,
    name: str,
    years: int,
    shift_days: int,
    course: FloatArray,
    warm_degc: FloatArray,
    opened: FloatArray | None = None,
) -> None:
    """Put the rows of one sensor in by SQL, with roll-up and newest: a hundred times quicker than one by one."""
    count = years * DAYS_PER_YEAR * ROWS_PER_DAY
    back_days = np.arange(-count, 0) / ROWS_PER_DAY  # counted back from now, so that the last year is always the same
    hour = 24.0 * ((back_days - shift_days) % EPISODE_DAYS)
    room_hour = 24.0 * (back_days % EPISODE_DAYS)
    every_hour = np.arange(len(course))
    noise = 0.002 * np.random.default_rng(shift_days + 1).standard_normal(count)[::-1]
    shown = np.interp(hour, every_hour, course) + noise
    if opened is not None:
        stands_open = (hour % (24.0 * OPENED_EVERY_DAYS) < 0.5) & (hour > 1.0)
        shown = np.where(stands_open, np.interp(room_hour, every_hour, opened) + noise, shown)
    warm = np.interp(room_hour, every_hour, warm_degc) + 10.0 * noise
    at_s = (NOW.timestamp() + 86_400.0 * back_days).round().astype(np.int64)
    columns = at_s, (100 * warm).round().astype(int), (1e3 * shown).round().astype(int)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    with stores.readings.writing() as connection:
        box_id = stores.readings.box_id(connection, name)
        connection.executemany(
            f"INSERT INTO readings (box_id, at_s, temperature, humidity) VALUES ({box_id}, ?, ?, 10 * ?)", rows
        )
        connection.execute(
            "INSERT INTO hourly SELECT box_id, CAST(at_s / 3600 AS INTEGER) AS hour, count(*), sum(temperature),"
            " sum(humidity) FROM readings WHERE box_id = ? GROUP BY hour",
            (box_id,),
        )
        connection.execute(
            "INSERT INTO latest SELECT box_id, at_ms, temperature, humidity, battery, seq, origin, NULL FROM readings"
            " WHERE box_id = ? ORDER BY at_s DESC LIMIT 1",
            (box_id,),
        )


def _log(stores: Stores, name: str, years: int, shift_days: int) -> None:
    """Log when beads went in, and when the box stood open."""
    day = shift_days - EPISODE_DAYS * (1 + (years * DAYS_PER_YEAR) // EPISODE_DAYS)
    while day < 0:
        for at in range(day, min(day + EPISODE_DAYS, 0), OPENED_EVERY_DAYS):
            if at < -years * DAYS_PER_YEAR:
                continue
            when = NOW + timedelta(days=at)
            if at == day:
                beads = {"desiccant": "silica_regular", "dry_mass_g": 100.0, "method": "oven_120C_3h"}
                stores.ledger.log(LedgerEntry(EntryKind.charge, name, when, **beads), NOW)  # type: ignore[arg-type]
            else:
                stores.ledger.log(LedgerEntry(EntryKind.opening, name, when), NOW)
        day += EPISODE_DAYS


def ask(folder: Path) -> dict[str, float]:
    """Ask for all boxes in this process, and return what it took since it started."""
    from monitor.services.assess import assess

    boxes = [Box(f"box-{k}", 10.0, 0.20, "gasket", SensorSpec()) for k in range(BOXES)]
    started_s = time.process_time()
    with open_stores(folder / FILE, read_only=True) as stores:
        answers = assess(stores.readings, stores.ledger, boxes, NOW, workers=1)
    assert all(answer.forecast for answer in answers), [answer.refusal for answer in answers]
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"processor_s": time.process_time() - started_s, "peak_mib": peak_mib}


def in_a_process_of_its_own(folder: Path) -> dict[str, float]:
    """Ask where nothing was asked before."""
    command = [sys.executable, "-m", "tests.bench.ten_years", "--ask", str(folder)]
    answer = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(answer.stdout))


def main(folder: Path) -> None:
    """Make the two shelves where they are not there yet, ask each three times in turn, and print the best of each."""
    shelves = {years: folder / f"years-{years}" for years in (1, 10)}
    for years, shelf in shelves.items():
        if not shelf.exists():
            fill(shelf, years)
    asked = {years: [] for years in shelves}  # type: dict[int, list[dict[str, float]]]
    for _ in range(3):
        for years, shelf in shelves.items():
            asked[years].append(in_a_process_of_its_own(shelf))
    print(f"{'':24}{'1 year':>10}{'10 years':>10}{'ratio':>8}")
    for what, unit in (("processor_s", "s"), ("peak_mib", "MiB")):
        one, ten = (min(each[what] for each in asked[years]) for years in (1, 10))
        print(f"{what:24}{one:>8.1f} {unit:3}{ten:>7.1f} {unit:3}{ten / one:>6.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--ask"]:
        print(json.dumps(ask(Path(sys.argv[2]))))
    elif len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))
