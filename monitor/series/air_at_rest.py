"""When the air of a box shows what its beads hold: the one rule of the jar check and of beads that seem not dry."""

from __future__ import annotations

from datetime import timedelta

AT_REST_AFTER, READ_FOR = timedelta(days=1.5), timedelta(days=2)
"""So long after the beads went in, and how long it is read then. Judgements: the first day and a half belongs to the
air that was let in and to what spools give off; two days even out the swing of the room."""
ENOUGH_READINGS = 24  # readings of these two days; judgement: one every two hours
