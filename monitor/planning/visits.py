"""What a box's visits cost: from one visit to the next, expected over the draws of its futures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


Path = tuple[tuple[int, int], ...]
"""Place and way of each visit of a box, in order."""


@dataclass(frozen=True, slots=True, eq=False)
class VisitProblem:
    """All that a plan is chosen by, as arrays.

    A way is an appliance, or a spare charge of one kind: appliances first. A place is one of the days on which anything
    may be done; the place after the last one stands for the end of the account.
    """

    days_ahead: NDArray[np.int_]
    """The days, rising. (days) [days from today]"""
    first: NDArray[np.float64]
    """What each box costs from today until its first visit; last, without any. Infinite where it may not be.
    (boxes × (days + 1)) [points]"""
    later: NDArray[np.float64]
    """What each box costs from a visit in a way on a day until its next visit, or until the end. Infinite where the
    visit may not be. (boxes × ways × days × (days + 1)) [points]"""
    shares: NDArray[np.float64]
    """What each box takes of one batch of each appliance: of its places, of its grams.
    (boxes × appliances × measures) [batches]"""
    batches: NDArray[np.int_]
    """How many batches fit into each appliance's day; 0 where it may not be used. (appliances × days)"""
    heating: NDArray[np.float64]
    """What each day with each appliance costs, whatever goes in. (appliances × days) [points]"""
    batch_cost: NDArray[np.float64]
    """What each batch costs. (appliances) [points]"""
    groups: NDArray[np.int_]
    """Boxes of different groups don't share a batch. (boxes)"""
    moved_shares: NDArray[np.float64]
    """So much has room in any case, for a person moved it there. (appliances × days × measures) [batches]"""
    spare_counts: NDArray[np.int_]
    """Spare charges of each kind that are dry today. (kinds)"""
    spare_wet: NDArray[np.int_]
    """Those that have to be dried before. (kinds)"""
    spare_shares: NDArray[np.float64]
    """What one takes of a batch. (kinds × appliances × measures) [batches]"""
    spare_groups: NDArray[np.int_]
    """As ``groups``. (kinds)"""
    swap_cost: float = 0.0
    """What it costs to put a spare charge in. [points]"""
    wet_cost: float = 0.0
    """What a charge costs that is taken out and not dried by the end. [points]"""

    @property
    def group_count(self) -> int:
        """How many groups there are."""
        return 1 + int(max([-1, *self.groups, *self.spare_groups]))

    @property
    def appliances(self) -> int:
        """Return how many appliances there are; ways from there on are spare charges."""
        return len(self.heating)

    @property
    def boxes(self) -> int:
        """Return how many boxes there are."""
        return len(self.first)

    @property
    def ways(self) -> int:
        """Return how many ways there are to make a box dry again."""
        return int(self.later.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """The visits of a plan, with what is known of how good it is."""

    visits: tuple[Path, ...]
    """Of each box."""
    spares_dried: NDArray[np.int_]
    """How many spare charges of each kind are dried. (kinds × appliances × days)"""
    cost: float
    """What the plan costs. [points]"""
    bound: float
    """No plan costs less. [points]"""
    by: str
    """How it was found."""


def over_chances(held_days: NDArray[np.integer], end: int) -> NDArray[np.float64]:
    """Return the chance that a box is over its limit 0, 1, … ``end - 1`` days on.

    Parameters
    ----------
    held_days : ndarray, … × draws
        How long it holds, draw by draw. [days]
    end : int
        So many days are looked at.

    Returns
    -------
    ndarray, … × end
        The share of draws that hold no longer.
    """
    rows, draws = held_days.reshape(-1, held_days.shape[-1]), held_days.shape[-1]
    clipped = np.clip(rows, 0, end) + (end + 1) * np.arange(len(rows))[:, np.newaxis]
    counts = np.bincount(clipped.ravel(), minlength=len(rows) * (end + 1)).reshape(len(rows), end + 1)
    chances: NDArray[np.float64] = np.cumsum(counts[:, :-1], axis=1) / draws
    return chances.reshape(*held_days.shape[:-1], end)


def expected_late(chances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how many days over the limit to expect before 0, 1, 2, … days are over. (… × (days + 1)) [days]"""
    none = np.zeros((*chances.shape[:-1], 1))
    late: NDArray[np.float64] = np.concatenate([none, np.cumsum(chances, axis=-1)], axis=-1)
    return late


def late_and_early(
    chances: NDArray[np.float64], from_day: NDArray[np.int_] | int, days_ahead: NDArray[np.int_], end: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how many days over the limit to expect until each day, and how many good ones are given away there.

    Parameters
    ----------
    chances : ndarray, … × days
        Chance of being over the limit so many days after ``from_day``.
    from_day : ndarray (…) or int
        When what holds went in. [days from today]
    days_ahead : ndarray, places
        When it is taken out. Before ``from_day`` nothing is counted. [days from today]
    end : int
        The end of the account. [days from today]

    Returns
    -------
    late, early : ndarray, … × places
        [days]
    """
    late_after = expected_late(chances)
    since = np.asarray(from_day)[..., np.newaxis]
    lag = np.maximum(days_ahead - since, 0)
    late = np.take_along_axis(late_after, np.broadcast_to(lag, (*chances.shape[:-1], len(days_ahead))), axis=-1)
    left = np.broadcast_to(end - since, (*chances.shape[:-1], 1))
    late_in_all = np.take_along_axis(late_after, left, axis=-1)
    early = (left - late_in_all) - (lag - late)
    return late, early


def due_ahead(chances: NDArray[np.float64], due_chance: float) -> NDArray[np.float64]:
    """Return after how many days the chance of being over the limit is worth a recharge; infinite where never. (…)"""
    worth_it = chances >= due_chance
    return np.where(worth_it.any(axis=-1), np.argmax(worth_it, axis=-1), np.inf)


def places_after(
    due: NDArray[np.float64], days_ahead: NDArray[np.int_], allowed: NDArray[np.bool_]
) -> NDArray[np.int_]:
    """Return by how many places each place of each box comes after its own: the last allowed one up to its due day.

    Where none is allowed by then, the first that is allowed is its own: no box is blamed for what no plan can mend.

    Parameters
    ----------
    due : ndarray, …
        Days ahead by which each box is due; infinite where it is not.
    days_ahead : ndarray, days + 1
        The days, rising; the last stands for being left out.
    allowed : ndarray, … × (days + 1)
        Which places a box may get.
    """
    place = np.arange(len(days_ahead))
    in_time = allowed & (days_ahead <= due[..., np.newaxis])
    own = np.where(in_time.any(axis=-1), np.max(np.where(in_time, place, -1), axis=-1), np.argmax(allowed, axis=-1))
    after: NDArray[np.int_] = np.maximum(place - own[..., np.newaxis], 0)
    return after


def points(
    late_days: NDArray[np.float64],
    early_days: NDArray[np.float64],
    places_late: NDArray[np.int_],
    *,
    late_day: float,
    early_day: float,
    place_late: float,
) -> NDArray[np.float64]:
    """Return what it costs to wait: days over the limit, life given away, places after its own."""
    cost: NDArray[np.float64] = late_day * late_days + early_day * early_days + place_late * places_late
    return cost
