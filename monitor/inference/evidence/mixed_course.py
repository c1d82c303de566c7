"""The course of a room of which it is not known of which kind it is: one learned course a kind, each with its share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np

from monitor.inference.evidence.yearly_course import HARMONICS, DrawnCourses, LearnedSeason
from monitor.physics.numerics import FloatArray


@dataclass(frozen=True, eq=False)
class MixedCourse:
    """Courses learned from priors of which one holds, with the share that each has."""

    kinds: tuple[LearnedSeason, ...]
    """One for each prior."""
    shares: FloatArray
    """How probable each is. (kinds) [fraction]"""

    @property
    def numbers(self) -> bytes:
        """All of it: a row a kind, its share first. [unit of each]"""
        rows = [np.concatenate(((share,), kind.numbers)) for share, kind in zip(self.shares, self.kinds, strict=True)]
        return np.array([len(rows), *np.concatenate(rows)]).tobytes()

    @classmethod
    def of_numbers(cls, numbers: bytes) -> Self:
        """Return what was put in rows.

        Parameters
        ----------
        numbers : bytes
            Of doubles. [unit of each]

        Returns
        -------
        MixedCourse
            With the same values.
        """
        found = np.frombuffer(numbers)
        rows = found[1:].reshape(int(found[0]), -1)
        return cls(tuple(LearnedSeason.of_numbers(row[1:]) for row in rows), rows[:, 0].copy())

    def course(self, days: FloatArray) -> FloatArray:
        """Return the expected value.

        Parameters
        ----------
        days : ndarray, days
            [days since 1970 UTC]

        Returns
        -------
        ndarray, days
            [ln(kPa) or °C]
        """
        return np.asarray(self.shares @ np.stack([kind.course(days) for kind in self.kinds]))

    def sd(self, day: float) -> float:
        """Return how uncertain the course is on a day, weather apart: within each kind and between them.

        Parameters
        ----------
        day : float
            [days since 1970 UTC]

        Returns
        -------
        float
            Standard deviation. [ln(kPa) or °C]
        """
        there = np.array([kind.course(np.array([day]))[0] for kind in self.kinds])
        within = np.array([kind.sd(day) for kind in self.kinds])
        return float(np.sqrt(self.shares @ (within**2 + (there - self.shares @ there) ** 2)))

    def sample(
        self, now_day: float, ahead_days: FloatArray, count: int, rng: np.random.Generator
    ) -> tuple[FloatArray, DrawnCourses]:
        """Return plausible courses ahead, and what they lay on before.

        Parameters
        ----------
        now_day : float
            [days since 1970 UTC]
        ahead_days : ndarray, steps
            Rising, from now. [days]
        count : int
            How many draws: of each kind as many as its share says, in no order.
        rng : Generator
            Random numbers.

        Returns
        -------
        (ndarray, DrawnCourses)
            Ahead with their weather (steps × draws) [ln(kPa) or °C], and the yearly course of each draw.
        """
        if len(self.kinds) == 1:
            return self.kinds[0].sample(now_day, ahead_days, count, rng)
        places = (rng.permutation(count) + rng.random()) / count
        kind_of = np.searchsorted(np.cumsum(self.shares)[:-1], places, side="right")
        out, coefficients = np.empty((len(ahead_days), count)), np.empty((count, HARMONICS))
        level, memory_days = np.empty(count), np.empty(count)
        for place, kind in enumerate(self.kinds):
            those = kind_of == place
            if those.any():
                out[:, those], drawn = kind.sample(now_day, ahead_days, int(those.sum()), rng)
                coefficients[those], level[those] = drawn.coefficients, drawn.level
                memory_days[those] = drawn.level_memory_days
        return out, DrawnCourses(coefficients, level, memory_days, now_day)


def mixed(kinds: tuple[LearnedSeason, ...], log_shares: FloatArray) -> MixedCourse:
    """Return courses learned from one record, each with the share that it has after it.

    Parameters
    ----------
    kinds : tuple of LearnedSeason
        One for each prior.
    log_shares : ndarray, kinds
        Logarithms of their shares before the record, up to a constant. [nat]

    Returns
    -------
    MixedCourse
        Shares by Bayes' rule.
    """
    log_shares = log_shares + np.array([kind.log_evidence for kind in kinds])
    shares = np.exp(log_shares - log_shares.max())
    return MixedCourse(kinds, shares / shares.sum())
