"""The bias of a sensor that is in the box no longer: carried beside water and conductance while its readings last.

A draw fixes the bias of the sensor that is there now. One that was swapped or calibrated away had a bias of its own, of
the same prior: while its readings come by, that bias is a third error of the filter, and with the sensor it goes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.physics.numerics import FloatArray


@dataclass(eq=False)
class EarlierBias:
    """What the filter believes of that bias, draw by draw, and how its error goes with the other two."""

    mean: FloatArray
    var: FloatArray
    with_loading: FloatArray
    with_wander: FloatArray

    @classmethod
    def unseen(cls, sd: float, count: int) -> EarlierBias:
        """Return what is believed before its first reading."""
        return cls(np.zeros(count), np.full(count, sd * sd), np.zeros(count), np.zeros(count))

    def carried(self, keep: FloatArray, by_wander: FloatArray, kept: float) -> None:
        """Carry the errors one bin ahead, as those of water and conductance are."""
        self.with_loading = keep * self.with_loading + by_wander * self.with_wander
        self.with_wander = kept * self.with_wander

    def corrected(
        self, move: FloatArray, shrink: FloatArray, gain: FloatArray, by_loading: FloatArray, by_wander: FloatArray
    ) -> None:
        """Move the bias by its gain; take what was learned from its error and from what it shares with the others."""
        self.mean = self.mean + gain * move
        self.var = np.maximum(self.var - gain * gain * shrink, 0.0)
        self.with_loading = self.with_loading - gain * by_loading * shrink
        self.with_wander = self.with_wander - gain * by_wander * shrink
