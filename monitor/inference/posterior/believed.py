"""What goes into the fit of a box, and what comes out: its record, and what is believed of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.inference.episodes import Episode, Habits
from monitor.inference.posterior.beside_room import Comparison
from monitor.inference.posterior.evidence import Bins
from monitor.inference.posterior.filter import Problem, State
from monitor.inference.posterior.hours import Hours
from monitor.inference.posterior.priors import Unknown
from monitor.inference.posterior.sampler import Draws
from monitor.inference.room import LearnedRoom
from monitor.physics.numerics import FloatArray
from monitor.records import Box, LedgerEntry, RoomClimate


@dataclass(frozen=True, eq=False)
class Record:
    """Everything known of one box: what it is, what it and the room showed, what was logged."""

    box: Box
    hours: Hours
    room: Hours | None = None
    entries: tuple[LedgerEntry, ...] = ()
    declared_room: RoomClimate | None = None
    comparisons: tuple[Comparison, ...] = ()
    """What the box showed beside the room while it stood open."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is believed of a box now: weighted draws of its constants, and equally weighted ones with their state."""

    problem: Problem
    room: LearnedRoom
    draws: Draws
    standing: State
    """Where each draw of ``draws`` stands, with the errors the filter carries."""
    theta: FloatArray
    filtered: State
    """The same for each draw of ``theta``."""
    state: State
    """One plausible present for each."""
    now_s: float
    room_seen: bool
    temperature_above_room_degc: float
    shelf: Habits | None = None
    """How the boxes of the shelf are used; None where only this one is known."""
    as_given: bool = False
    """True for a box as it would be: its draws are not weighed anew."""

    @property
    def box(self) -> Box:
        return self.problem.box

    @property
    def episode(self) -> Episode:
        return self.problem.episode

    @property
    def bins(self) -> Bins:
        return self.problem.bins

    @property
    def left(self) -> float:
        """How many draws of the constants are left, as equal ones: every night some go and others come twice."""
        _, copies = np.unique(self.theta[:, Unknown.log_conductance], return_counts=True)
        return float(copies.sum() ** 2 / np.square(copies).sum())

    def at_night(self) -> Posterior:
        """Return what a later look carries on from, and no more: a third of the size."""
        none = np.empty(0, np.intp)
        nobody = self.filtered.take(none)
        draws = Draws(self.draws.theta[none], self.draws.weights[none], self.draws.rounds)
        return replace(self, draws=draws, standing=nobody, state=nobody)

    def without_present(self) -> Posterior:
        """Return what a look under another prior starts from, and no more: a third of the size."""
        none = np.empty(0, np.intp)
        nobody = self.standing.take(none)
        return replace(self, theta=self.theta[none], filtered=nobody, state=nobody)
