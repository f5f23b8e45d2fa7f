"""The studentized range: how far apart the means of several classes lie by chance, at the speed of a slider."""

from __future__ import annotations

import numpy as np
from scipy import optimize, special, stats

_SPEEDS = 48
_PLACES = 48
_REACH = 8.5
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(_SPEEDS)
_T = (_NODES + 1) / 2
_PROBABILITY = _T**3 * (10 - 15 * _T + 6 * _T**2)
_STEP = 15 * _T**2 * (1 - _T) ** 2 * _WEIGHTS
_Z, _Z_WEIGHTS = np.polynomial.legendre.leggauss(_PLACES)


def range_probability(q: float, count: int, degrees: float) -> float:
    """Give the probability that a studentized range stays below a value.

    Parameters
    ----------
    q : float
        The value, 0 or more.
    count : int
        Means, at least 2.
    degrees : float
        Degrees of freedom of the standard deviation.

    Returns
    -------
    float
        Probability, to about 1e-6.

    Notes
    -----
    The double integral of the definition by Gauss-Legendre rules, over the probability of the standard deviation
    (stretched, so that its ends count for little) and over the largest mean. `scipy.stats.studentized_range` gives the
    same in a hundred times the time.

    Examples
    --------
    >>> round(range_probability(3.578, 3, 20.0), 4)  # tables give 3.58 for 5 %
    0.95
    """
    s = np.sqrt(2 * special.gammaincinv(degrees / 2, _PROBABILITY) / degrees)
    z = _REACH * _Z
    density = _Z_WEIGHTS * _REACH * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    below = special.ndtr(z) - special.ndtr(z - q * s[:, None])
    inner = count * (below ** (count - 1)) @ density
    return float(np.clip(_STEP @ inner, 0.0, 1.0))


def range_quantile(alpha: float, count: int, degrees: float) -> float:
    """Give the value that a studentized range exceeds with a probability.

    Parameters
    ----------
    alpha : float
        The probability.
    count : int
        Means, at least 2.
    degrees : float
        Degrees of freedom of the standard deviation.

    Returns
    -------
    float
        The value.
    """
    pairs = count * (count - 1) / 2
    low, high = (float(np.sqrt(2) * stats.t.isf(alpha / 2 / n, degrees)) for n in (1.0, pairs))
    if count == 2:  # noqa: PLR2004 - one pair: a t value
        return low
    return float(
        optimize.brentq(lambda q: range_probability(q, count, degrees) - 1 + alpha, 0.9 * low, 1.1 * high, xtol=1e-5)
    )
