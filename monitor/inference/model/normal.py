"""The standard normal distribution and its inverse, for arrays; importing scipy's takes a quarter of a second.

Beside them, the three points by which what is normal in its logarithm is told.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.physics.numerics import FloatArray
from monitor.records import NORMAL_P95, Quantiles

_SQRT_HALF = math.sqrt(0.5)  # no unit; by definition of the error function
_MIDDLE_WIDTH, _MIDDLE_SQUARE = 0.425, 0.180625
"""From a half up to so far either way the first fraction is good, and the square of that. [chance] [1]_ of
``quantile``."""
_NEAR_SHIFT, _FAR_FROM = 1.6, 5.0
"""What the root of -ln(chance) is counted from in the second fraction, and where the third begins. [1] [1]_ of
``quantile``."""
# numerators and denominators, the highest power first
_MIDDLE_ABOVE = (  # AS 241, PPND16 (Wichura 1988), no unit
    2509.0809287301227, 33430.57558358813, 67265.7709270087, 45921.95393154987, 13731.69376550946,
    1971.5909503065513, 133.14166789178438, 3.3871328727963665,
)  # fmt: skip
_MIDDLE_BELOW = (  # AS 241, PPND16 (Wichura 1988), no unit
    5226.495278852854, 28729.085735721943, 39307.89580009271, 21213.794301586597, 5394.196021424751,
    687.1870074920579, 42.31333070160091, 1.0,
)  # fmt: skip
_NEAR_ABOVE = (  # AS 241, PPND16 (Wichura 1988), no unit
    0.0007745450142783414, 0.022723844989269184, 0.2417807251774506, 1.2704582524523684, 3.6478483247632045,
    5.769497221460691, 4.630337846156546, 1.4234371107496835,
)  # fmt: skip
_NEAR_BELOW = (  # AS 241, PPND16 (Wichura 1988), no unit
    1.0507500716444169e-09, 0.0005475938084995345, 0.015198666563616457, 0.14810397642748008, 0.6897673349851,
    1.6763848301838038, 2.053191626637759, 1.0,
)  # fmt: skip
_FAR_ABOVE = (  # AS 241, PPND16 (Wichura 1988), no unit
    2.0103343992922881e-07, 2.7115555687434876e-05, 0.0012426609473880784, 0.026532189526576124,
    0.29656057182850487, 1.7848265399172913, 5.463784911164114, 6.657904643501103,
)  # fmt: skip
_FAR_BELOW = (  # AS 241, PPND16 (Wichura 1988), no unit
    2.0442631033899397e-15, 1.421511758316446e-07, 1.8463183175100548e-05, 0.0007868691311456133,
    0.014875361290850615, 0.1369298809227358, 0.599832206555888, 1.0,
)  # fmt: skip


def lognormal_quantiles(log_median: float, log_sd: float) -> Quantiles:
    """Return the 5, 50 and 95 % points of what is normal in its logarithm.

    Parameters
    ----------
    log_median : float
        Mean of the logarithm. [ln of a unit]
    log_sd : float
        Standard deviation of the logarithm. [1]

    Returns
    -------
    Quantiles
        In that unit.

    Examples
    --------
    >>> lognormal_quantiles(0.0, 0.0)
    Quantiles(p05=1.0, p50=1.0, p95=1.0)
    """
    return Quantiles(*(float(np.exp(log_median + z * log_sd)) for z in (-NORMAL_P95, 0.0, NORMAL_P95)))


def below(z: FloatArray) -> FloatArray:
    """Return the chance of less than so many standard deviations.

    Parameters
    ----------
    z : ndarray, draws
        [standard deviations]

    Returns
    -------
    ndarray, draws
        By the complementary error function of the C library. [chance]

    Examples
    --------
    >>> below(np.array([0.0, -np.inf, np.inf])).tolist()
    [0.5, 0.0, 1.0]
    """
    return np.array([0.5 * math.erfc(-each * _SQRT_HALF) for each in np.ravel(z).tolist()]).reshape(np.shape(z))


def quantile(chance: FloatArray) -> FloatArray:
    """Return below how many standard deviations a share lies, to 16 digits [1]_.

    Parameters
    ----------
    chance : ndarray, draws
        Above 0 and below 1. [fraction]

    Returns
    -------
    ndarray, draws
        [standard deviations]

    References
    ----------
    .. [1] Wichura (1988), Algorithm AS 241, Appl. Stat. 37:477, function PPND16.

    Examples
    --------
    >>> quantile(np.array([0.5, 0.975])).round(6).tolist()
    [0.0, 1.959964]
    """
    off = chance - 0.5
    root = np.sqrt(-np.log(np.minimum(chance, 1.0 - chance)))
    tail = _fraction(_NEAR_ABOVE, _NEAR_BELOW, root - _NEAR_SHIFT)
    if (far := root > _FAR_FROM).any():  # a chance below 1e-11
        tail = np.where(far, _fraction(_FAR_ABOVE, _FAR_BELOW, root - _FAR_FROM), tail)
    middle = off * _fraction(_MIDDLE_ABOVE, _MIDDLE_BELOW, _MIDDLE_SQUARE - off * off)
    return np.where(np.abs(off) <= _MIDDLE_WIDTH, middle, np.copysign(tail, off))


def _fraction(above: tuple[float, ...], below: tuple[float, ...], x: FloatArray) -> FloatArray:
    return np.asarray(np.polyval(above, x) / np.polyval(below, x))
