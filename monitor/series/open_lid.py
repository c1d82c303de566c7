"""Whether a box stands open: its air became like the room's at once, and has stayed so."""

from __future__ import annotations

import numpy as np

from monitor.series.hourly_values import FloatArray

_STAYS_S = 3.0 * 3600.0
"""So long the air has to stay like the room's. [s] A judgement: over dry beads the air of a box that was closed again
is dry within an hour or two, and lids are off for longer only by mistake."""
_BEFORE_S, _TURNING_S = 86_400.0, 3600.0
"""What it was before is the median of a day that ends an hour before. [s] Judgements: a day evens out its swing, and
the air of a wide box takes up to an hour to change."""
_LIKE_THE_ROOM = 0.8
"""Share of the room's humidity from which on the air is like it. A judgement: beads near an open lid, and a kelvin or
two of difference, take a fifth."""
_WITHOUT_A_ROOM = 0.35
"""What stands for that where no sensor is in the room. [fraction] A judgement: no box that is closed over beads gets
there within the hour, and hardly a dwelling is drier."""
_LEAST_RISE, _RISE_WITHOUT_A_ROOM = 0.08, 0.15
"""How far it has to rise. [fraction] Judgements: more than a damp spool brings within the hour, and more than two
sensors differ by; nearly twice that where nothing is known of the room."""
_OLDEST_S = 3.0 * 3600.0  # s; judgement: a lid of which nothing was heard for longer may be closed again
_FEWEST = 3  # readings; judgement: two may be spikes


def lid_open_since(
    at_s: FloatArray, relative_humidity: FloatArray, room_at_s: FloatArray, room_humidity: FloatArray, now_s: float
) -> float | None:
    """Return since when a box has stood open by its readings of the last days and the room's, or None. [s since 1970]

    A slow approach to the room's air, as of beads that are spent, is none: the rise has to come within the hour.
    """
    if len(at_s) < _FEWEST or now_s - at_s[-1] > _OLDEST_S:
        return None
    has_room = len(room_at_s) > 0
    like = _LIKE_THE_ROOM * np.interp(at_s, room_at_s, room_humidity) if has_room else _WITHOUT_A_ROOM
    apart = np.flatnonzero(relative_humidity < like)
    first = int(apart[-1]) + 1 if len(apart) else 0
    if not 0 < first < len(at_s) or at_s[-1] - at_s[first] < _STAYS_S or len(at_s) - first < _FEWEST:
        return None
    since_s = float(at_s[first])
    is_before = (at_s >= since_s - _BEFORE_S - _TURNING_S) & (at_s < since_s - _TURNING_S)
    if np.count_nonzero(is_before) < _FEWEST:
        return None
    rise = float(np.median(relative_humidity[first:]) - np.median(relative_humidity[is_before]))
    return since_s if rise >= (_LEAST_RISE if has_room else _RISE_WITHOUT_A_ROOM) else None
