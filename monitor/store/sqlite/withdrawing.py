"""Taking readings out, and putting them back, so that all that is kept beside them stays true.

Beside them are the roll-up, the newest of each box, the marks, and what waits to be sent.
The roll-up may know more than the rows: those that were thinned out still count in it. So what goes is taken from its
sums, and where the last row of an hour goes, what is left in the sums goes with it and comes back with it.
The values of thinned hours know more, too: one goes where readings of its hour that it was made of go. One that stays
answers for its hour, whatever was brought back from a file and is withdrawn again, and so does the hour's roll-up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.store.sqlite.readings import add_newest, add_to_hours
from monitor.store.sqlite.rows import MS_PER_HOUR
from monitor.store.sqlite.thinned_hours import roll_up_whole

if TYPE_CHECKING:
    import sqlite3

Span = tuple[int, int, int]
"""A box, and from when to when. [ms]"""

_ROWS = "box_id = :box AND at_s >= :start / 1000.0 AND at_s < :end / 1000.0"
_WHICH = f"{_ROWS} AND (:of IS NULL OR import_number = :of)"
_IN_HOUR = "readings.box_id = hourly.box_id AND at_s >= hour * 3600.0 AND at_s < (hour + 1) * 3600.0"
_TOUCHED = """
hourly.box_id = :box AND hour IN (
    SELECT at_ms / 3600000 FROM set_aside WHERE number = :number AND box_id = :box
    UNION SELECT hour FROM set_aside_thinned_hours WHERE number = :number AND box_id = :box
) AND hour NOT IN (SELECT hour FROM thinned_hours WHERE box_id = :box)
"""
_SET_VALUES_ASIDE = """
INSERT INTO set_aside_thinned_hours
SELECT :number, box_id, hour, temperature, humidity, count FROM thinned_hours AS kept
WHERE box_id = :box AND CASE WHEN :of IS NULL THEN hour * 3600000 < :end AND (hour + 1) * 3600000 > :start
ELSE EXISTS (SELECT 1 FROM thinned_imports WHERE box_id = :box AND hour = kept.hour AND number = :of) END
"""
VALUES_ALONE = """
SELECT count(*) FROM set_aside_thinned_hours AS value WHERE value.number = ? AND NOT EXISTS (
    SELECT 1 FROM set_aside WHERE number = value.number AND box_id = value.box_id
    AND at_s >= hour * 3600.0 AND at_s < (hour + 1) * 3600.0
)
"""

_SET_ASIDE = f"""
INSERT INTO set_aside (number, box_id, at_s, temperature, humidity, battery, told, import_number, marks, floor)
SELECT :number, readings.box_id, at_s, readings.temperature, readings.humidity, readings.battery, told, import_number,
    coalesce(bits, 0), CASE WHEN latest.at_ms = readings.at_ms THEN floor END
FROM readings
LEFT JOIN marks ON marks.box_id = readings.box_id AND marks.at_ms = readings.at_ms
LEFT JOIN latest ON latest.box_id = readings.box_id
WHERE {_WHICH.replace("box_id", "readings.box_id")} ORDER BY at_s
"""
_FROM_HOURS = """
UPDATE hourly SET
    count = count - gone.rows, sum_temperature = sum_temperature - gone.temperature,
    sum_humidity = sum_humidity - gone.humidity
FROM (
    SELECT at_ms / 3600000 AS hour, count(*) AS rows, sum(temperature) AS temperature, sum(humidity) AS humidity
    FROM set_aside WHERE number = :number AND box_id = :box AND NOT rolled_up GROUP BY 1
) AS gone WHERE hourly.box_id = :box AND hourly.hour = gone.hour
"""
_STEPS = (
    f"DELETE FROM readings WHERE {_WHICH}",
    "DELETE FROM thinned_hours WHERE box_id = :box AND hour IN ("
    " SELECT hour FROM set_aside_thinned_hours WHERE number = :number AND box_id = :box)",
    "UPDATE set_aside SET rolled_up = 1 WHERE number = :number AND box_id = :box"
    " AND at_ms / 3600000 IN (SELECT hour FROM thinned_hours WHERE box_id = :box)",
    _FROM_HOURS,
    "DELETE FROM marks WHERE box_id = :box AND at_ms >= :start AND at_ms < :end AND NOT EXISTS ("
    " SELECT 1 FROM readings WHERE readings.box_id = marks.box_id AND at_s = marks.at_ms / 1000.0)",
    "DELETE FROM outbox WHERE box_id = :box AND at_ms >= :start AND at_ms < :end AND NOT EXISTS ("
    " SELECT 1 FROM readings WHERE readings.box_id = outbox.box_id AND at_s = outbox.at_ms / 1000.0)",
    f"INSERT INTO set_aside_hours SELECT :number, hourly.* FROM hourly WHERE {_TOUCHED} AND count > 0"
    f" AND NOT EXISTS (SELECT 1 FROM readings WHERE {_IN_HOUR})",
    f"DELETE FROM hourly WHERE {_TOUCHED} AND NOT EXISTS (SELECT 1 FROM readings WHERE {_IN_HOUR})",
)
_NEWEST_GONE = (
    "SELECT floor FROM latest WHERE box_id = :box AND at_ms >= :start AND at_ms < :end AND NOT EXISTS ("
    " SELECT 1 FROM readings WHERE readings.box_id = latest.box_id AND at_s = latest.at_ms / 1000.0)"
)
_KEEP_NEWEST = """
INSERT INTO latest SELECT box_id, at_ms, temperature, humidity, battery, seq, origin, :floor
FROM readings WHERE box_id = :box ORDER BY at_s DESC LIMIT 1
"""

_COMING = """
CREATE TEMP TABLE coming AS SELECT min(place) AS place FROM set_aside WHERE number = ? AND NOT EXISTS (
    SELECT 1 FROM readings WHERE readings.box_id = set_aside.box_id AND readings.at_s = set_aside.at_s
) GROUP BY box_id, at_s
"""
_OF_COMING = "FROM coming JOIN set_aside USING (place)"
_BACK = (
    "INSERT INTO readings (box_id, at_s, temperature, humidity, battery, told, import_number)"
    f" SELECT box_id, at_s, temperature, humidity, battery, told, import_number {_OF_COMING} ORDER BY box_id, at_s",
    f"INSERT INTO marks SELECT box_id, at_ms, marks {_OF_COMING} WHERE marks > 0"
    " ON CONFLICT DO UPDATE SET bits = excluded.bits",
)
_NEWEST_BACK = (
    f"SELECT box_id, max(at_ms), temperature, humidity, battery, seq, origin, floor {_OF_COMING} GROUP BY box_id"
)
_HOURS_BACK = (
    "SELECT box_id, at_ms / 3600000, count(*), sum(temperature), sum(humidity)"
    f" {_OF_COMING} WHERE NOT rolled_up GROUP BY 1, 2"
)
_ALL_BACK = """
number = ?1 AND NOT EXISTS (
    SELECT 1 FROM set_aside WHERE number = ?1 AND box_id = {0}.box_id
    AND at_s >= hour * 3600.0 AND at_s < (hour + 1) * 3600.0
)
"""
_WHOLE_HOURS_BACK = f"""
DELETE FROM set_aside_hours WHERE {_ALL_BACK.format("set_aside_hours")}
RETURNING box_id, hour, count, sum_temperature, sum_humidity
"""
_VALUES_BACK = f"""
DELETE FROM set_aside_thinned_hours WHERE {_ALL_BACK.format("set_aside_thinned_hours")}
RETURNING box_id, hour, temperature, humidity, count
"""


def withdraw(connection: sqlite3.Connection, number: int, span: Span, import_number: int | None) -> int:
    """Set aside a box's readings of a span, only those of one import where it is named; return how many.

    Where thinning left no reading of an hour but its value, that counts as one.
    """
    box_id, start_ms, end_ms = span
    which = {"number": number, "box": box_id, "start": start_ms, "end": end_ms, "of": import_number}
    alone = values_alone(connection, number)
    taken = connection.execute(_SET_ASIDE, which).rowcount
    connection.execute(_SET_VALUES_ASIDE, which)
    taken += values_alone(connection, number) - alone
    if not taken:
        return 0
    for step in _STEPS:
        connection.execute(step, which)
    newest_gone = connection.execute(_NEWEST_GONE, which).fetchone()
    if newest_gone is not None:
        connection.execute("DELETE FROM latest WHERE box_id = :box", which)
        connection.execute(_KEEP_NEWEST, {"box": box_id, "floor": newest_gone[0]})
    return taken


def values_alone(connection: sqlite3.Connection, number: int) -> int:
    """Return how many values of thinned hours are set aside under a number with no reading of their hour."""
    return int(connection.execute(VALUES_ALONE, (number,)).fetchone()[0])


def put_back(connection: sqlite3.Connection, number: int) -> list[tuple[int, int]]:
    """Put back what is set aside under a number and finds its place free; return box and instant of each."""
    connection.execute(_COMING, (number,))
    for step in _BACK:
        connection.execute(step)
    add_newest(connection, connection.execute(_NEWEST_BACK).fetchall())
    add_to_hours(connection, connection.execute(_HOURS_BACK).fetchall())
    keys = connection.execute(f"SELECT box_id, at_ms {_OF_COMING}").fetchall()
    connection.execute("DELETE FROM set_aside WHERE place IN (SELECT place FROM coming)")
    connection.execute("DROP TABLE coming")
    add_to_hours(connection, connection.execute(_WHOLE_HOURS_BACK, (number,)).fetchall())
    values = connection.execute(_VALUES_BACK, (number,)).fetchall()
    connection.executemany("INSERT OR IGNORE INTO thinned_hours VALUES (?, ?, ?, ?, ?)", values)
    roll_up_whole(connection, {(box_id, at_ms // MS_PER_HOUR) for box_id, at_ms in keys})
    return keys
