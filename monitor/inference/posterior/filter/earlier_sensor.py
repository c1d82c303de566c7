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
    """(draws) [fraction of saturation]"""
    var: FloatArray
    """Its variance. (draws) [fraction of saturation²]"""
    with_loading: FloatArray
    """Its covariance with the loading. (draws) [g/g]"""
    with_wander: FloatArray
    """Its covariance with ln conductance. (draws) [1]"""

    @classmethod
    def unseen(cls, sd: float, count: int) -> EarlierBias:
        """Return what is believed before its first reading.

        Parameters
        ----------
        sd : float
            Standard deviation of a bias by the prior. [fraction of saturation]
        count : int
            How many draws.

        Returns
        -------
        EarlierBias
            About none.
        """
        return cls(np.zeros(count), np.full(count, sd * sd), np.zeros(count), np.zeros(count))

    def carried(self, keep: FloatArray, by_wander: FloatArray, kept: float) -> None:
        """Carry the errors one bin ahead, as those of water and conductance are, in place.

        Parameters
        ----------
        keep : ndarray, draws
            d end loading / d start loading. [1]
        by_wander : ndarray, draws
            d end loading / d ln conductance. [g/g]
        kept : float
            Share of the wander of ln conductance still there. [fraction]
        """
        self.with_loading = keep * self.with_loading + by_wander * self.with_wander
        self.with_wander = kept * self.with_wander

    def corrected(
        self, move: FloatArray, shrink: FloatArray, gain: FloatArray, by_loading: FloatArray, by_wander: FloatArray
    ) -> None:
        """Correct the bias by an observation, in place.

        Parameters
        ----------
        move : ndarray, draws
            The observation less what was foretold, as far as it counts. [unit of the observation]
        shrink : ndarray, draws
            Variance that the observation takes away. [its square]
        gain : ndarray, draws
            Of the bias. [fraction of saturation by that unit]
        by_loading : ndarray, draws
            Gain of the loading. [g/g by that unit]
        by_wander : ndarray, draws
            Gain of ln conductance. [1 by that unit]
        """
        self.mean = self.mean + gain * move
        self.var = np.maximum(self.var - gain * gain * shrink, 0.0)
        self.with_loading = self.with_loading - gain * by_loading * shrink
        self.with_wander = self.with_wander - gain * by_wander * shrink
