"""A spool swapped in: a share of the slow store is another one, as humid as nobody knows, and its water comes later.

From the first swap on the filter carries an error of the humidity that spools are at rest with, beside those of water
and conductance. While a swap is some time within a step, what has come out of the new spool by its end is a mean over
all times: spool and charge relax towards each other as `box_balance.advance` has them do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.inference.model.state import State
from monitor.physics.box_balance import Air, DrawnBox, Stepped
from monitor.physics.numerics import FloatArray, Numeric


class SlowTangents(NamedTuple):
    """How the end of a step answers to slow humidity at its start, and slow humidity at its end to all of the state."""

    loading_by_slow: FloatArray
    """(draws) [g/g]"""
    slow_by_loading: FloatArray
    """(draws) [1 per g/g]"""
    slow_by_slow: FloatArray
    """(draws) [1]"""
    slow_by_wander: FloatArray
    """(draws) [1]"""


def slow_tangents(box: DrawnBox, air: Air, conductance: FloatArray, stepped: Stepped, days: float) -> SlowTangents:
    """Return derivatives of a step of the balance; those by ln conductance to first order, as the step's own.

    Parameters
    ----------
    box : DrawnBox
        Of every draw.
    air : Air
        What acted on it.
    conductance : ndarray, draws
        [g/day/kPa]
    stepped : Stepped
        The step.
    days : float
        Its length. [days]

    Returns
    -------
    SlowTangents
        At its start.
    """
    caught_up, slow_pull = box.catching_up(days)
    pull = conductance * air.saturation_kpa + slow_pull
    capacity_g = box.water_per_loading_g(stepped.start_slope, air)
    reached = stepped.retained * (days / capacity_g)
    catching = caught_up * (1.0 - stepped.retained) / pull
    return SlowTangents(
        loading_by_slow=slow_pull * reached,
        slow_by_loading=caught_up * stepped.start_slope * stepped.retained,
        slow_by_slow=1.0 - caught_up + slow_pull * catching,
        slow_by_wander=stepped.loading_by_log_conductance / reached * catching,
    )


def predict_slow_errors(  # noqa: PLR0917
    state: State, slow: SlowTangents, of_loading: FloatArray, of_wander: FloatArray, of_slow: FloatArray,
    wander_kept: float,
) -> None:  # fmt: skip
    """Predict variance and covariances of slow humidity one bin ahead, in place.

    Parameters
    ----------
    state : State
        At the start of a bin, its errors too.
    slow : SlowTangents
        Of the bin.
    of_loading, of_wander, of_slow : ndarray, draws
        Covariances of the loading at the end of the bin with loading, wander and slow humidity at its start. [(g/g)²],
        [g/g], [g/g]
    wander_kept : float
        Share of the wander of ln conductance still there. [fraction]
    """
    by_loading, by_slow, by_wander = slow.slow_by_loading, slow.slow_by_slow, slow.slow_by_wander
    with_loading = by_loading * state.var_loading + by_wander * state.covariance + by_slow * state.slow_with_loading
    with_wander = by_loading * state.covariance + by_wander * state.var_wander + by_slow * state.slow_with_wander
    with_slow = by_loading * state.slow_with_loading + by_wander * state.slow_with_wander + by_slow * state.var_slow
    state.slow_with_loading = by_loading * of_loading + by_wander * of_wander + by_slow * of_slow
    state.slow_with_wander = wander_kept * with_wander
    state.var_slow = by_loading * with_loading + by_wander * with_wander + by_slow * with_slow


class Swap(NamedTuple):
    """What swapped spools do, by how much more humid they are than those in the box."""

    replaced: Numeric
    """Share of the spools that was. [fraction]"""
    spread: Numeric
    """How far their humidity lies from what is expected, over that of one. [1]"""
    stays: FloatArray
    """Of what slow humidity rises by, what is left when the step ends. (draws) [1]"""
    loading: FloatArray
    """What the loading has gained by then for a rise of 1. (draws) [g/g]"""


def swap_of(  # noqa: PLR0917
    box: DrawnBox, slope: FloatArray, air: Air, days: float, share: float, swaps: Numeric
) -> Swap:
    """Return what swaps some time within a step have done by its end.

    With store S, lag τ and a charge of which a gram lifts the humidity by h_g, the difference D between both falls as
    exp(-(1 + S h_g) t/τ), and S D/(1 + S h_g) changes over in all.

    Parameters
    ----------
    box : DrawnBox
        Of every draw.
    slope : ndarray, draws
        Of humidity by loading. [fraction per g/g]
    air : Air
        Inside.
    days : float
        Length of the step. [days]
    share : float
        One spool of those in the box. [fraction]
    swaps : ndarray, draws, or float
        How many, each of any of the spools. [1]

    Returns
    -------
    Swap
        Straight in the humidity of the spools that came.
    """
    capacity_g = box.water_per_loading_g(slope, air)
    together = 1.0 + box.slow_g_per_humidity * slope / capacity_g
    x = together * days / box.slow_lag_days
    gone = (1.0 + np.expm1(-x) / x) / together
    loading = box.slow_g_per_humidity * gone / capacity_g
    return Swap(*replaced_and_spread(share, swaps), stays=1.0 - gone, loading=loading)


def replaced_and_spread(share: float, swaps: Numeric) -> tuple[Numeric, Numeric]:
    """Return what several swaps replace, each any of the spools: one that came may go again.

    Parameters
    ----------
    share : float
        One spool of those in the box, 0 for none. [fraction]
    swaps : ndarray or float
        How many. [1]

    Returns
    -------
    (ndarray or float, ndarray or float)
        ``Swap.replaced`` and ``Swap.spread``.
    """
    if not share:
        return 0.0 * swaps, 0.0 * swaps
    kept, kept_of_one = (1.0 - share) ** swaps, 1.0 - share
    return 1.0 - kept, share * np.sqrt((1.0 - kept * kept) / (1.0 - kept_of_one * kept_of_one))


def swap_spools(state: State, swap: Swap, humidity: float, humidity_sd: float) -> None:
    """Swap spools in a filtered state, in place.

    Parameters
    ----------
    state : State
        At the end of a bin's leak.
    swap : Swap
        Of the bin.
    humidity, humidity_sd : float
        Of a spool that comes, and how far one lies from it. [fraction of saturation]
    """
    rise, var = swap.replaced * (humidity - state.slow_humidity), (swap.spread * humidity_sd) ** 2
    left, drawn_off = 1.0 - swap.replaced * swap.stays, swap.replaced * swap.loading
    with_loading = state.slow_with_loading - drawn_off * state.var_slow
    state.loading = state.loading + swap.loading * rise
    state.slow_humidity = state.slow_humidity + swap.stays * rise
    state.var_loading = state.var_loading - drawn_off * (state.slow_with_loading + with_loading) + swap.loading**2 * var
    state.covariance = state.covariance - drawn_off * state.slow_with_wander
    state.slow_with_loading = left * with_loading + swap.loading * swap.stays * var
    state.slow_with_wander = left * state.slow_with_wander
    state.var_slow = left * left * state.var_slow + swap.stays**2 * var
