"""What a clock on the wall shows, as instants: an hour of spring is none, an hour of autumn is two."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo


def instants_of(clock: datetime, zone: tzinfo) -> tuple[datetime, ...]:
    """Return the instants at which clocks showed this: one; none where they skipped it; two where it came twice.

    Parameters
    ----------
    clock : datetime
        Without a zone.
    zone : tzinfo
        Whose clocks.

    Returns
    -------
    tuple of datetime
        In UTC, the earlier one first.
    """
    both = (clock.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    return tuple(dict.fromkeys(at for at in both if at.astimezone(zone).replace(tzinfo=None) == clock))


def in_utc(at: datetime) -> str:
    """Return an instant as ISO 8601 in UTC, to the second."""
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
