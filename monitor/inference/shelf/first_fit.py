"""The first fit of a box, by its own readings alone, and the observation of its leak that it adds to the pool."""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from monitor.errors import SiccastError, TooLittleEvidence
from monitor.inference.evidence.bin_grid import DAY_S
from monitor.inference.evidence.episodes import Episode
from monitor.inference.evidence.hours import Hours, reduce_to_hours
from monitor.inference.fit.change_point import ChangePoint, with_change_point
from monitor.inference.fit.fit import estimate
from monitor.inference.fit.levels import Level, latest_change_point, level_of
from monitor.inference.fit.pooling import (
    KnownLeaks,
    LeakObservation,
    leak_observation_of,
    tested,
)
from monitor.inference.fit.posterior import Posterior, Record, carried_from
from monitor.inference.fit.reseating import EPISODES_COUNTED, earlier_episode_ends
from monitor.inference.model.carried import Carried
from monitor.inference.model.prior import Assumptions
from monitor.inference.model.sensor_bias import comparisons
from monitor.inference.shelf.needed import Needed, needed_of
from monitor.records import BoxHistory, Outlook, ReadingSeries
from monitor.records.logged import FILLINGS
from monitor.records.words import NOT_DRIED
from monitor.series.spans import between
from monitor.texts import say, to_say

_BY_THE_HOUR_DAYS = 3.0
"""So old an episode is answered by what there is. [days] Judgement: twice ``fit.LEAST_DAYS``; a sensor that sends by
the hour has brought enough until then."""


@dataclass(frozen=True, eq=False)
class Room:
    """Readings of a room, reduced to hours once for all the boxes that share it."""

    series: ReadingSeries
    """What its sensor showed."""
    hours: Hours
    """The same, hour by hour."""


@dataclass(frozen=True, eq=False)
class BoxInput:
    """A box's history, its room by number: many boxes share a room."""

    history: BoxHistory
    """Without its room."""
    room: int | None
    """Its place among the rooms; None without any."""
    needed: Needed
    """What of its readings counts; its history has no others."""

    @property
    def name(self) -> str:
        """Name of the box."""
        return self.history.box.name

    def record(self, rooms: Sequence[Room]) -> Record:
        """Return what a fit is given.

        Parameters
        ----------
        rooms : sequence of Room
            Of the shelf.

        Returns
        -------
        Record
            With comparisons of the sensor with the room's.
        """
        room = None if self.room is None else rooms[self.room].series
        compared = comparisons(self.history.readings, room, self.history.entries)
        return replace(self.bare_record(rooms), comparisons=compared)

    def bare_record(self, rooms: Sequence[Room]) -> Record:
        """Return the same without comparisons of the sensor with the room's.

        Parameters
        ----------
        rooms : sequence of Room
            Of the shelf.

        Returns
        -------
        Record
            Cheaper by these.
        """
        history, since_s = self.history, self.needed.since_s
        hours = reduce_to_hours(between(history.readings, since_s))
        swaps = tuple(reduce_to_hours(between(history.readings, *span)) for span in self.needed.swaps)
        room = None if self.room is None else rooms[self.room].hours
        return Record(
            history.box, hours, room, history.entries, history.room_climate, since_s=since_s, about_swaps=swaps
        )


@dataclass(frozen=True, eq=False)
class FirstFit:
    """The fit of a box by its own readings alone."""

    posterior: Posterior | None
    """None where there is none."""
    refused: Outlook = field(default_factory=Outlook)
    """What is answered in its place where there is none."""
    observations: tuple[LeakObservation, ...] = ()
    """Of its leak, by this and earlier episodes and by tests."""
    remark: str = ""
    """What the estimate rests on beside readings; empty where nothing need be said."""
    unseen: bool = False
    """True where no reading tells of it, nor of its leak before: its posterior is the prior."""
    levels: tuple[Level, ...] = ()
    """How leaky it was at the end of its last episodes, and now."""
    change_point: ChangePoint | None = None
    """The newest change of its leak, within an episode or from one to the next, as far as first fits show one; known
    once the others are fitted too."""

    def with_change_point(self, known: KnownLeaks) -> FirstFit:
        """Return the same with the newest change of its leak, now that other boxes tell how alike lids sit.

        Parameters
        ----------
        known : KnownLeaks
            Of all boxes.

        Returns
        -------
        FirstFit
            Itself where no level of it is known.
        """
        if self.posterior is None or not self.levels:
            return self
        lids = known.lids_of_others(self.posterior.box)
        return replace(self, change_point=latest_change_point(self.levels, lids))

    def leak_seen_before(self, start_s: float) -> bool:
        """Return whether the leak of this box is known without the beads of an episode.

        Parameters
        ----------
        start_s : float
            Start of that episode. [s since 1970 UTC]

        Returns
        -------
        bool
            Under earlier beads, or in a test.
        """
        return any(one.before(start_s) for one in self.observations)


def by_room(
    histories: Sequence[BoxHistory], now_s: float, known: dict[int, Room] | None = None
) -> tuple[list[BoxInput], tuple[Room, ...]]:
    """Return boxes without their rooms, and with no more readings than are needed; and the rooms: each once.

    Parameters
    ----------
    histories : sequence of BoxHistory
        Of a shelf; boxes of one room share one series.
    now_s : float
        What came later doesn't count. [s since 1970 UTC]
    known : dict, optional
        Rooms by the identity of their series; they are taken from there, and new ones put there.

    Returns
    -------
    (list of BoxInput, tuple of Room)
        In the order of the histories, and of first use.
    """
    known = {} if known is None else known
    numbers: dict[int, int] = {}
    box_input = []
    for history in histories:
        series, needed = history.room, _needed_of(history, now_s)
        if series is not None and len(series):
            if id(series) not in known:
                known[id(series)] = Room(series, reduce_to_hours(series))
            numbers.setdefault(id(series), len(numbers))
        bare = replace(history, readings=needed.of(history.readings), room=None)
        box_input.append(BoxInput(bare, numbers.get(id(series)), needed))
    return box_input, tuple(known[key] for key in numbers)


def _needed_of(history: BoxHistory, now_s: float) -> Needed:
    seen = int(np.searchsorted(history.readings.at_s, now_s))
    newest_s = float(history.readings.at_s[seen - 1]) if seen else now_s
    return needed_of(history.entries, newest_s, now_s)


def first_fit(
    box_input: BoxInput,
    rooms: Sequence[Room],
    now_s: float,
    assumptions: Assumptions | None = None,
    *,
    at_any_age: bool = False,
) -> FirstFit:
    """Return the fit of a box by its own readings alone; where that fails, why.

    Parameters
    ----------
    box_input : BoxInput
        The box.
    rooms : sequence of Room
        Of the shelf.
    now_s : float
        What came later doesn't count. [s since 1970 UTC]
    assumptions : Assumptions, optional
        The model of errors; the usual one where left out.
    at_any_age : bool
        True gives the prior for a posterior where there are too few readings yet; else that is refused.

    Returns
    -------
    FirstFit
        Without a posterior where the estimate failed.
    """
    try:
        record = box_input.record(rooms)
        earlier = _earlier_episodes(record, now_s, assumptions)
        first = _fit_alone(record, now_s, assumptions, earlier)
        if first.posterior is None and at_any_age:
            posterior = estimate(record, now_s, assumptions=assumptions, carried=earlier.carried, least_days=0.0)
            return replace(first, posterior=posterior.for_reweighting())
    except Exception as error:
        return FirstFit(None, refused(error))
    return first


def refused(error: Exception) -> Outlook:
    """Return what is answered where an estimate came to nothing; a defect of ours travels with its trace.

    Parameters
    ----------
    error : Exception
        Of the estimate.

    Returns
    -------
    Outlook
        Without leak or forecast.
    """
    if isinstance(error, SiccastError):
        return Outlook(refusal=str(error))
    return Outlook(
        refusal=say("the estimate failed ({kind}: {error}); please report it", kind=type(error).__name__, error=error),
        trace="".join(traceback.format_exception(error)),
    )


@dataclass(frozen=True, eq=False)
class _Earlier:
    """Fits of the last earlier episodes, each at its end."""

    observations: tuple[LeakObservation | None, ...] = ()
    levels: tuple[Level, ...] = ()
    carried: Carried | None = None
    """What the last of them leaves to the next; None without any."""


def _fit_alone(record: Record, now_s: float, assumptions: Assumptions | None, earlier: _Earlier) -> FirstFit:
    try:
        posterior = estimate(record, now_s, assumptions=assumptions, carried=earlier.carried)
    except TooLittleEvidence as error:
        return _fit_without_readings(record, now_s, assumptions, earlier, str(error))
    return _seen(posterior, record, earlier, now_s)


def _seen(posterior: Posterior, record: Record, earlier: _Earlier, now_s: float) -> FirstFit:
    """Return the fit of a box by what was seen in this episode and in those before it."""
    found = [leak_observation_of(posterior), *earlier.observations, *tested(record.box, record.entries, now_s)]
    return FirstFit(
        posterior.for_reweighting(),
        observations=tuple(s for s in found if s is not None),
        levels=(*earlier.levels, level_of(posterior)),
    )


def _fit_without_readings(
    record: Record, now_s: float, assumptions: Assumptions | None, earlier: _Earlier, refusal: str
) -> FirstFit:
    """Fit an episode that has no readings yet: by the leak of earlier episodes and tests, where there are any.

    How dry the beads are is known from the recharge desk or the scale, or else is what their method usually reaches.
    Where no readings come, or none by the hour, there is nothing to wait for: the prior answers, or what a person now
    and then reads off a display makes of it.
    """
    filled_s = sorted(e.at.timestamp() for e in record.entries if e.kind in FILLINGS and e.at.timestamp() < now_s)
    if not filled_s:
        return FirstFit(None, Outlook(refusal=refusal))
    observations = (*earlier.observations, *tested(record.box, record.entries, now_s))
    found = tuple(s for s in observations if s is not None)
    unseen = len(record.hours_before(now_s)) == 0
    if not found and not unseen and now_s - filled_s[-1] < _BY_THE_HOUR_DAYS * DAY_S:
        return FirstFit(None, Outlook(refusal=refusal))
    posterior = estimate(record, now_s, assumptions=assumptions, carried=earlier.carried, least_days=0.0)
    if found:
        return FirstFit(
            posterior.for_reweighting(),
            observations=found,
            remark=_rests_on(posterior.episode),
            levels=(level_of(posterior),),
        )
    if unseen:
        return FirstFit(posterior.for_reweighting(), unseen=True)
    return _seen(posterior, record, earlier, now_s)


_LEAK_KNOWN = to_say("The leak of the box was known before they went in.")


def _rests_on(episode: Episode) -> str:
    if episode.known_loading is not None:
        dryness = say("The recharge desk knows how dry they are")
    elif episode.loaded_mass is not None:
        dryness = say("The scale showed how dry they are")
    elif episode.method == NOT_DRIED:
        return say(
            "Some or all of the beads were not dried. Nobody knows how much water they hold. {leak_known}",
            leak_known=say(_LEAK_KNOWN),
        )
    elif episode.method == "unknown":
        dryness = say("They count as dry as drying usually makes them")
    else:
        dryness = say("They count as dry as this method ({method}) usually makes them", method=episode.method)
    return say("The beads are fresh. {dryness}. {leak_known}", dryness=dryness, leak_known=say(_LEAK_KNOWN))


def _earlier_episodes(record: Record, now_s: float, assumptions: Assumptions | None) -> _Earlier:
    """Fit the last earlier episodes, each with what the one before it left to it.

    Where they told nothing of the leak, as weeks at a sensor's floor do, those before them are asked, the newest first:
    what was once seen of a box isn't forgotten by looking away.
    """
    filled_s = sorted(e.at.timestamp() for e in record.entries if e.kind in FILLINGS and e.at.timestamp() < now_s)
    ends_s = earlier_episode_ends(filled_s)
    observations, levels, carried = [], [], None
    for end_s in ends_s[-EPISODES_COUNTED:]:
        posterior = _fit_at_end(record, end_s, assumptions, carried)
        if posterior is None:
            continue
        observations.append(leak_observation_of(posterior))
        levels.append(level_of(posterior))
        carried = carried_from(posterior) if assumptions is None or assumptions.carried else None
    for end_s in reversed(ends_s[:-EPISODES_COUNTED]):
        if sum(one is not None for one in observations) >= EPISODES_COUNTED:
            break
        posterior = _fit_at_end(record, end_s, assumptions, None)
        observations.append(None if posterior is None else leak_observation_of(posterior))
    return _Earlier(tuple(observations), tuple(levels), carried)


def _fit_at_end(
    record: Record, end_s: float, assumptions: Assumptions | None, carried: Carried | None
) -> Posterior | None:
    try:
        fit = estimate(record, end_s - 1.0, carried=carried, assumptions=assumptions)
    except TooLittleEvidence:
        return None
    return with_change_point(fit)
