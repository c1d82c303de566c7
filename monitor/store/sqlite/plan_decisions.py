"""What people decided about the plan: added or taken back, never edited."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from monitor.errors import UnknownNameError
from monitor.records import AnnouncedDay, DecisionKind, PlanDecision
from monitor.store.sqlite.rows import LAST_MS, from_ms, to_ms

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from monitor.store.sqlite.connection import Database

_SELECT = (
    "SELECT decision_id, kind, box, on_day, decided_at_ms, last_day FROM plan_decisions WHERE taken_back_at_ms IS NULL"
)


_NEWEST = (
    "SELECT box, on_day, announced_at_ms, due_on, leaked_more FROM plan_announcements WHERE announcement_id IN"
    " (SELECT max(announcement_id) FROM plan_announcements WHERE announced_at_ms < ? GROUP BY box) ORDER BY box"
)


class SqlitePlanDecisions:
    """Keeps the ``PlanDecisions`` contract in the shelf's own file."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def keep(self, decision: PlanDecision, now: datetime) -> int:
        """Keep a decision made now and return its number."""
        last = decision.last.isoformat() if decision.last else None
        row = (decision.kind.value, decision.box, decision.on.isoformat(), to_ms(now), last)
        with self._database.transaction() as connection:
            inserted = connection.execute(
                "INSERT INTO plan_decisions (kind, box, on_day, decided_at_ms, last_day) VALUES (?, ?, ?, ?, ?)", row
            )
            return int(inserted.lastrowid or 0)

    def undo(self, decision_id: int, now: datetime) -> PlanDecision:
        """Take a decision back; it stays readable, and no longer counts."""
        with self._database.transaction() as connection:
            row = connection.execute(f"{_SELECT} AND decision_id = ?", (decision_id,)).fetchone()
            if row is None:
                raise UnknownNameError(
                    f"there is no decision {decision_id} about the plan, or it was undone before."
                    " `siccast plan` lists those that count"
                )
            connection.execute(
                "UPDATE plan_decisions SET taken_back_at_ms = ? WHERE decision_id = ?", (to_ms(now), decision_id)
            )
        return _to_decision(row)

    def counting(self, before: datetime | None = None) -> Sequence[PlanDecision]:
        """Return the decisions that count, in the order in which they were made."""
        with self._database.errors():
            rows = self._database.connection.execute(
                f"{_SELECT} AND decided_at_ms < ? ORDER BY decision_id",
                (LAST_MS if before is None else to_ms(before),),
            )
            return [_to_decision(row) for row in rows]

    def announced(self, before: datetime | None = None) -> Mapping[str, AnnouncedDay]:
        """Return the day that was last announced for each box; only what was announced before an instant."""
        with self._database.errors():
            rows = self._database.connection.execute(
                _NEWEST, (LAST_MS if before is None else to_ms(before),)
            ).fetchall()
        return {row[0]: _to_announced(row) for row in rows if row[1] is not None}

    def stamp(self) -> object:
        """Return the number of the newest decision, and how many were taken back."""
        with self._database.errors():
            return self._database.connection.execute(
                "SELECT max(decision_id), count(taken_back_at_ms) FROM plan_decisions"
            ).fetchone()


def announce_by(connection: sqlite3.Connection, days: Iterable[AnnouncedDay], now: datetime) -> None:
    """Keep the next day of each box as a plan says it now, within a transaction.

    A box that is not among them has no day any more. What was announced before stays readable.
    """
    before = {row[0]: row for row in connection.execute(_NEWEST, (LAST_MS,))}
    wanted = {one.box: one for one in days}
    new = [
        (one.box, one.on.isoformat(), to_ms(now), one.due_on.isoformat() if one.due_on else None, int(one.leaked_more))
        for box, one in sorted(wanted.items())
        if box not in before or before[box][1] != one.on.isoformat()
    ]
    gone = [(box, None, to_ms(now), None, 0) for box, row in before.items() if box not in wanted and row[1] is not None]
    connection.executemany(
        "INSERT INTO plan_announcements (box, on_day, announced_at_ms, due_on, leaked_more) VALUES (?, ?, ?, ?, ?)",
        [*new, *gone],
    )


def _to_decision(row: tuple[Any, ...]) -> PlanDecision:
    decision_id, kind, box, on_day, decided_at_ms, last_day = row
    return PlanDecision(
        DecisionKind(kind),
        date.fromisoformat(on_day),
        box,
        decision_id=decision_id,
        decided_at=from_ms(decided_at_ms),
        last=date.fromisoformat(last_day) if last_day else None,
    )


def _to_announced(row: tuple[Any, ...]) -> AnnouncedDay:
    box, on_day, announced_at_ms, due_on, leaked_more = row
    due = date.fromisoformat(due_on) if due_on else None
    return AnnouncedDay(box, date.fromisoformat(on_day), from_ms(announced_at_ms), due, leaked_more=bool(leaked_more))
