"""Named steps from an empty file to the present schema; a step is added and never edited.

Values are whole numbers: temperature in hundredths of a degree, humidity in hundredths of a per cent, battery in
millivolts, instants in milliseconds since 1970. A box-year then lies together on few pages.

Readings are keyed by ``at_s``: SQLite keeps a REAL without a fraction as a whole number, so that a full second takes
four bytes and milliseconds take eight. ``told`` is the sequence number, or below zero that and the origin in one; it
takes nothing where an ordinary reading has no number. ``at_ms``, ``seq`` and ``origin`` are computed when asked for.
"""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

_READINGS = """
CREATE TABLE boxes (
    box_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;
CREATE TABLE readings (
    box_id INTEGER NOT NULL REFERENCES boxes,
    at_ms INTEGER NOT NULL,
    temperature INTEGER NOT NULL,
    humidity INTEGER NOT NULL,
    battery INTEGER,
    seq INTEGER,
    origin INTEGER NOT NULL,
    PRIMARY KEY (box_id, at_ms)
) WITHOUT ROWID, STRICT;
CREATE TABLE latest (
    box_id INTEGER PRIMARY KEY REFERENCES boxes,
    at_ms INTEGER NOT NULL,
    temperature INTEGER NOT NULL,
    humidity INTEGER NOT NULL,
    battery INTEGER,
    seq INTEGER,
    origin INTEGER NOT NULL,
    floor INTEGER
) STRICT;
CREATE TABLE hourly (
    box_id INTEGER NOT NULL REFERENCES boxes,
    hour INTEGER NOT NULL,
    count INTEGER NOT NULL,
    sum_temperature INTEGER NOT NULL,
    sum_humidity INTEGER NOT NULL,
    min_humidity INTEGER NOT NULL,
    max_humidity INTEGER NOT NULL,
    PRIMARY KEY (box_id, hour)
) WITHOUT ROWID, STRICT;
"""

_LEDGER = """
CREATE TABLE ledger (
    entry_id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    box TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    mass_g REAL,
    scale_resolution_g REAL,
    desiccant TEXT,
    dry_mass_g REAL,
    method TEXT,
    loading_p05 REAL,
    loading_p50 REAL,
    loading_p95 REAL,
    note TEXT NOT NULL,
    logged_at_ms INTEGER NOT NULL,
    taken_back_at_ms INTEGER
) STRICT;
CREATE INDEX ledger_by_box ON ledger (box, at_ms);
CREATE TABLE rejected (
    rejection_id INTEGER PRIMARY KEY AUTOINCREMENT,
    arrived_at_ms INTEGER NOT NULL,
    feed TEXT NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    reason TEXT NOT NULL
) STRICT;
"""

_MARKS = """
CREATE TABLE marks (
    box_id INTEGER NOT NULL REFERENCES boxes,
    at_ms INTEGER NOT NULL,
    bits INTEGER NOT NULL,
    PRIMARY KEY (box_id, at_ms)
) WITHOUT ROWID, STRICT;
"""

_TIMELESS = """
CREATE TABLE timeless (
    box_id INTEGER NOT NULL REFERENCES boxes,
    seq INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    temperature INTEGER NOT NULL,
    humidity INTEGER NOT NULL,
    PRIMARY KEY (box_id, seq)
) WITHOUT ROWID, STRICT;
"""

_HALVES = """
CREATE TABLE halves (
    feed TEXT NOT NULL,
    box TEXT NOT NULL,
    quantity TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    value REAL NOT NULL,
    PRIMARY KEY (feed, box, quantity)
) WITHOUT ROWID, STRICT;
"""

_THINNED = """
CREATE TABLE thinned (
    box_id INTEGER PRIMARY KEY REFERENCES boxes,
    before_ms INTEGER NOT NULL,
    step_ms INTEGER NOT NULL
) STRICT;
"""

_DEEDS = """
CREATE TABLE deeds (
    deed_id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    body TEXT NOT NULL,
    ledger_entry_id INTEGER REFERENCES ledger,
    logged_at_ms INTEGER NOT NULL,
    taken_back_at_ms INTEGER
) STRICT;
"""

_OUTBOX = """
CREATE TABLE outbox (
    box_id INTEGER NOT NULL REFERENCES boxes,
    at_ms INTEGER NOT NULL,
    PRIMARY KEY (box_id, at_ms)
) WITHOUT ROWID, STRICT;
"""

_LEAK_TESTS = """
ALTER TABLE ledger ADD COLUMN conductance_p05 REAL;
ALTER TABLE ledger ADD COLUMN conductance_p50 REAL;
ALTER TABLE ledger ADD COLUMN conductance_p95 REAL
"""

_COLORS = """
ALTER TABLE ledger ADD COLUMN color TEXT
"""

_TRIED_AGAIN = """
ALTER TABLE rejected ADD COLUMN retained INTEGER NOT NULL DEFAULT 0;
ALTER TABLE rejected ADD COLUMN taken_in_at_ms INTEGER;
UPDATE rejected SET retained = 1 WHERE reason LIKE 'the broker kept this message from before%'
"""

_THINNED_HOURS = """
CREATE TABLE thinned_hours (
    box_id INTEGER NOT NULL REFERENCES boxes,
    hour INTEGER NOT NULL,
    temperature INTEGER NOT NULL,
    humidity REAL NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (box_id, hour)
) WITHOUT ROWID, STRICT;
CREATE TABLE thinned_imports (
    box_id INTEGER NOT NULL REFERENCES boxes,
    hour INTEGER NOT NULL,
    number INTEGER NOT NULL REFERENCES imports,
    PRIMARY KEY (box_id, hour, number)
) WITHOUT ROWID, STRICT;
ALTER TABLE set_aside ADD COLUMN rolled_up INTEGER NOT NULL DEFAULT 0;
CREATE TABLE set_aside_thinned_hours (
    number INTEGER NOT NULL REFERENCES imports,
    box_id INTEGER NOT NULL REFERENCES boxes,
    hour INTEGER NOT NULL,
    temperature INTEGER NOT NULL,
    humidity REAL NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (number, box_id, hour)
) WITHOUT ROWID, STRICT;
INSERT INTO thinned_hours SELECT
    hourly.box_id, hour, CAST(round(sum_temperature * 1.0 / count) AS INTEGER), sum_humidity * 1.0 / count,
    count
FROM hourly JOIN thinned USING (box_id)
WHERE hour < before_ms / 3600000 AND count > (
    SELECT count(*) FROM readings
    WHERE readings.box_id = hourly.box_id AND at_s >= hour * 3600.0 AND at_s < (hour + 1) * 3600.0
)
"""

_SHORTER_ROWS = """
CREATE TABLE shorter (
    box_id INTEGER NOT NULL REFERENCES boxes,
    at_s REAL NOT NULL,
    temperature INTEGER NOT NULL,
    humidity INTEGER NOT NULL,
    battery INTEGER,
    told INTEGER,
    at_ms INTEGER AS (CAST(round(at_s * 1000.0) AS INTEGER)),
    seq INTEGER AS (CASE WHEN told < 0 THEN nullif(-told >> 3, 0) - 1 ELSE told END),
    origin INTEGER AS (CASE WHEN told < 0 THEN -told & 7 ELSE 0 END),
    PRIMARY KEY (box_id, at_s)
) WITHOUT ROWID, STRICT;
INSERT INTO shorter SELECT
    box_id,
    CASE at_ms % 1000 WHEN 0 THEN at_ms / 1000 ELSE at_ms / 1000.0 END,
    temperature, humidity, battery,
    CASE origin WHEN 0 THEN seq ELSE -(origin + 8 * (coalesce(seq, -1) + 1)) END
FROM readings;
DROP TABLE readings;
ALTER TABLE shorter RENAME TO readings
"""

_REMOVED_BOXES = """
CREATE TABLE removed (
    box_id INTEGER PRIMARY KEY REFERENCES boxes,
    removed_at_ms INTEGER NOT NULL
) STRICT;
"""

_IMPORTS = """
CREATE TABLE imports (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    what TEXT NOT NULL,
    begun_at_ms INTEGER NOT NULL,
    finished_at_ms INTEGER,
    new INTEGER NOT NULL DEFAULT 0,
    held INTEGER NOT NULL DEFAULT 0,
    differing INTEGER NOT NULL DEFAULT 0,
    rejected INTEGER NOT NULL DEFAULT 0
) STRICT;
ALTER TABLE readings ADD COLUMN import_number INTEGER;
CREATE TABLE imported_spans (
    number INTEGER NOT NULL REFERENCES imports,
    box_id INTEGER NOT NULL REFERENCES boxes,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    PRIMARY KEY (number, box_id)
) WITHOUT ROWID, STRICT;
CREATE TABLE set_aside (
    place INTEGER PRIMARY KEY,
    number INTEGER NOT NULL REFERENCES imports,
    box_id INTEGER NOT NULL REFERENCES boxes,
    at_s REAL NOT NULL,
    temperature INTEGER NOT NULL,
    humidity INTEGER NOT NULL,
    battery INTEGER,
    told INTEGER,
    import_number INTEGER,
    marks INTEGER NOT NULL,
    floor INTEGER,
    at_ms INTEGER AS (CAST(round(at_s * 1000.0) AS INTEGER)),
    seq INTEGER AS (CASE WHEN told < 0 THEN nullif(-told >> 3, 0) - 1 ELSE told END),
    origin INTEGER AS (CASE WHEN told < 0 THEN -told & 7 ELSE 0 END)
) STRICT;
CREATE INDEX set_aside_by_number ON set_aside (number, box_id);
CREATE INDEX set_aside_by_instant ON set_aside (box_id, at_s);
CREATE TABLE set_aside_hours (
    number INTEGER NOT NULL REFERENCES imports,
    box_id INTEGER NOT NULL REFERENCES boxes,
    hour INTEGER NOT NULL,
    count INTEGER NOT NULL,
    sum_temperature INTEGER NOT NULL,
    sum_humidity INTEGER NOT NULL,
    min_humidity INTEGER NOT NULL,
    max_humidity INTEGER NOT NULL,
    PRIMARY KEY (number, box_id, hour)
) WITHOUT ROWID, STRICT
"""

_NO_HOURLY_EXTREMES = """
ALTER TABLE hourly DROP COLUMN min_humidity;
ALTER TABLE hourly DROP COLUMN max_humidity;
ALTER TABLE set_aside_hours DROP COLUMN min_humidity;
ALTER TABLE set_aside_hours DROP COLUMN max_humidity
"""

_KEPT_OUTLOOKS = """
CREATE TABLE kept_outlooks (
    box TEXT NOT NULL PRIMARY KEY,
    as_of_ms INTEGER NOT NULL,
    rests_on BLOB NOT NULL,
    answer BLOB NOT NULL,
    teaching BLOB NOT NULL,
    fitted_until_ms INTEGER,
    fit_rests_on BLOB NOT NULL,
    checksum INTEGER NOT NULL,
    fit BLOB
) STRICT;
CREATE TABLE kept_teachings (
    only_row INTEGER NOT NULL PRIMARY KEY CHECK (only_row = 1),
    digest BLOB NOT NULL
) STRICT
"""

_PLAN_DECISIONS = """
CREATE TABLE plan_decisions (
    decision_id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    box TEXT NOT NULL,
    on_day TEXT NOT NULL,
    decided_at_ms INTEGER NOT NULL,
    taken_back_at_ms INTEGER
) STRICT
"""

_DAYS_OFF_IN_A_ROW = "ALTER TABLE plan_decisions ADD COLUMN last_day TEXT"

_ANNOUNCED = """
CREATE TABLE announced_events (
    uid TEXT NOT NULL PRIMARY KEY,
    on_day TEXT NOT NULL,
    sequence INTEGER NOT NULL,
    changed_at_ms INTEGER NOT NULL,
    cancelled INTEGER NOT NULL,
    session TEXT NOT NULL
) STRICT
"""

_ALERTS = """
CREATE TABLE alert_matters (
    matter_id INTEGER PRIMARY KEY AUTOINCREMENT,
    box TEXT NOT NULL,
    matter TEXT NOT NULL,
    about TEXT NOT NULL,
    text TEXT NOT NULL,
    urgent INTEGER NOT NULL,
    since_ms INTEGER NOT NULL,
    clear_since_ms INTEGER,
    heard_at_ms INTEGER,
    ended_at_ms INTEGER
) STRICT;
CREATE UNIQUE INDEX alert_matters_that_stand ON alert_matters (box, matter, about) WHERE ended_at_ms IS NULL;
CREATE TABLE alert_messages (
    message_id INTEGER PRIMARY KEY AUTOINCREMENT,
    uid TEXT NOT NULL UNIQUE,
    route TEXT NOT NULL,
    kind TEXT NOT NULL,
    matter_id INTEGER REFERENCES alert_matters,
    step INTEGER,
    made_at_ms INTEGER NOT NULL,
    part_of INTEGER REFERENCES alert_messages,
    content TEXT,
    sent_at_ms INTEGER,
    withdrawn_at_ms INTEGER,
    UNIQUE (route, matter_id, kind, step)
) STRICT;
CREATE INDEX alert_messages_on_their_way ON alert_messages (route) WHERE sent_at_ms IS NULL;
CREATE TABLE alert_routes (
    route TEXT NOT NULL PRIMARY KEY,
    sent_at_ms INTEGER,
    failing_since_ms INTEGER,
    trouble TEXT NOT NULL
) WITHOUT ROWID, STRICT
"""

_PLAN_ANNOUNCEMENTS = """
CREATE TABLE plan_announcements (
    announcement_id INTEGER PRIMARY KEY AUTOINCREMENT,
    box TEXT NOT NULL,
    on_day TEXT,
    announced_at_ms INTEGER NOT NULL,
    due_on TEXT,
    leaked_more INTEGER NOT NULL
) STRICT;
CREATE INDEX plan_announcements_by_box ON plan_announcements (box, announcement_id)
"""

_KEPT_PLAN = """
CREATE TABLE kept_plan (
    only_row INTEGER NOT NULL PRIMARY KEY CHECK (only_row = 1),
    checksum INTEGER NOT NULL,
    rests_on BLOB NOT NULL,
    asked BLOB NOT NULL,
    plan BLOB NOT NULL
) STRICT
"""

_HOURS_SUMMED = """
CREATE TABLE hours_summed (
    box_id INTEGER NOT NULL,
    block INTEGER NOT NULL,
    count INTEGER NOT NULL,
    weighted INTEGER NOT NULL,
    PRIMARY KEY (box_id, block)
) WITHOUT ROWID, STRICT;
CREATE TRIGGER hours_not_summed_after_insert AFTER INSERT ON hourly BEGIN
    DELETE FROM hours_summed WHERE box_id = NEW.box_id AND block = NEW.hour / 512;
END;
CREATE TRIGGER hours_not_summed_after_update AFTER UPDATE ON hourly BEGIN
    DELETE FROM hours_summed WHERE box_id = OLD.box_id AND block = OLD.hour / 512;
END;
CREATE TRIGGER hours_not_summed_after_move AFTER UPDATE OF box_id, hour ON hourly BEGIN
    DELETE FROM hours_summed WHERE box_id = NEW.box_id AND block = NEW.hour / 512;
END;
CREATE TRIGGER hours_not_summed_after_delete AFTER DELETE ON hourly BEGIN
    DELETE FROM hours_summed WHERE box_id = OLD.box_id AND block = OLD.hour / 512;
END
"""
"""Sums of the roll-up, of so many hours together: gone as soon as one of these hours changes, whoever changes it."""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    ("readings with latest and hourly", _READINGS),
    ("ledger and rejected messages", _LEDGER),
    ("marks apart from values", _MARKS),
    ("readings without a time, known by their sequence number", _TIMELESS),
    ("halves that wait for the other quantity", _HALVES),
    ("how far readings were thinned out", _THINNED),
    ("readings a second store does not have yet", _OUTBOX),
    ("deeds of the recharge desk", _DEEDS),
    ("what leak tests of empty boxes found", _LEAK_TESTS),
    ("shorter rows of readings", _SHORTER_ROWS),
    ("what color indicating beads showed", _COLORS),
    ("rejected messages that were taken in later", _TRIED_AGAIN),
    ("boxes taken off the shelf", _REMOVED_BOXES),
    ("imports that can be taken back", _IMPORTS),
    ("hours that readings were thinned out of, each as one value", _THINNED_HOURS),
    ("hours without least and greatest humidity", _NO_HOURLY_EXTREMES),
    ("outlooks kept from question to question", _KEPT_OUTLOOKS),
    ("what people decided about the plan", _PLAN_DECISIONS),
    ("days of drying that calendars were told of", _ANNOUNCED),
    ("matters that were found, and messages about them", _ALERTS),
    ("which days of the plan were announced", _PLAN_ANNOUNCEMENTS),
    ("the plan kept from question to question", _KEPT_PLAN),
    ("sums of hours that are over", _HOURS_SUMMED),
    ("several days in a row without drying", _DAYS_OFF_IN_A_ROW),
)


def migrate(
    connection: sqlite3.Connection,
    steps: Sequence[tuple[str, str]] = MIGRATIONS,
    before: Callable[[Sequence[str]], None] = lambda _: None,
    now: datetime | None = None,
) -> list[str]:
    """Apply the steps this file has not seen, all or none, and return their names.

    Two processes may open a new file at once: the second waits for the lock and finds nothing left to do. ``before``
    is told the steps seen so far, when others wait for the lock and nothing has changed yet. The steps are dated
    ``now``, or stand undated.
    """
    if applied_steps(connection) >= {name for name, _ in steps}:
        return []
    applied_at = "" if now is None else f"{now:%Y-%m-%d %H:%M:%S}"
    connection.execute("BEGIN IMMEDIATE")
    try:
        seen = applied_steps(connection)
        missing = [(name, script) for name, script in steps if name not in seen]
        if missing:
            before(sorted(seen))
        connection.execute(
            "CREATE TABLE IF NOT EXISTS migrations"
            " (name TEXT PRIMARY KEY, applied_at TEXT NOT NULL) WITHOUT ROWID, STRICT"
        )
        for name, script in missing:
            for statement in _statements(script):
                connection.execute(statement)
            connection.execute("INSERT INTO migrations VALUES (?, ?)", (name, applied_at))
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    return [name for name, _ in missing]


def _statements(script: str) -> Iterator[str]:
    """Yield the statements of a script; those of a trigger stay in it."""
    begun = ""
    for part in script.split(";"):
        begun += part + ";"
        if sqlite3.complete_statement(begun):
            yield begun
            begun = ""


def applied_steps(connection: sqlite3.Connection) -> set[str]:
    """Return the names of the steps this file has been through."""
    known = connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'migrations'").fetchone()[0]
    return {row[0] for row in connection.execute("SELECT name FROM migrations")} if known else set()


def begun_at(connection: sqlite3.Connection) -> datetime | None:
    """Return when a file went through its first step; None where some step is undated, as that may be the first."""
    dates = [row[0] for row in connection.execute("SELECT applied_at FROM migrations")]
    return datetime.fromisoformat(min(dates)).replace(tzinfo=UTC) if dates and all(dates) else None
