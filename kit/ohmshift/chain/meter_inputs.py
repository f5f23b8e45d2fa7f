"""What goes into an uncertainty budget: means of readings, limits, and numbers with a known uncertainty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from GTC import ureal

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.meter_budget import Uncertain


def rectangular(half_width: float) -> float:
    """Give the standard uncertainty of a value known to lie within limits.

    Parameters
    ----------
    half_width : float
        Half the distance of the limits.

    Returns
    -------
    float
        Half-width / sqrt(3).

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7, equation 7.

    Examples
    --------
    >>> round(rectangular(0.40), 2)
    0.23
    """
    return half_width / math.sqrt(3)


def repeated_mean(readings: npt.ArrayLike, *, resolution: float) -> tuple[float, float, float]:
    """Give the mean of readings, its standard uncertainty, and its degrees of freedom.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Readings.
    resolution : float
        Step of the display, in the unit of the readings.

    Returns
    -------
    mean : float
        Mean.
    u : float
        Spread s / sqrt(n); resolution / sqrt(12) where s is below that.
    degrees_of_freedom : float
        One less than the readings; infinite where the resolution set the spread.

    Notes
    -----
    Readings alike to the display's step are all off by the same amount, so more of them tell no more.

    References
    ----------
    .. [1] JCGM 100:2008, 4.2.3 (spread of repeated readings) and F.2.2.1 (resolution of a display).

    Examples
    --------
    >>> mean, u, df = repeated_mean([75.3, 75.4, 75.3, 75.3, 75.4], resolution=0.1)
    >>> round(mean, 2), round(u, 4), df
    (75.34, 0.0245, 4.0)
    """
    x = np.asarray(readings, dtype=np.float64)
    n = x.size
    floor = resolution / math.sqrt(12)
    s = float(x.std(ddof=1)) if n > 1 else 0.0
    governed = s >= floor and n > 1 and s > 0
    return (float(x.mean()), s / math.sqrt(n), n - 1.0) if governed else (float(x.mean()), floor, math.inf)


def known(estimate: float, u: float, degrees_of_freedom: float = math.inf) -> Uncertain:
    """Make an uncertain number.

    Parameters
    ----------
    estimate : float
        Its estimate.
    u : float
        Its standard uncertainty, 0 or more.
    degrees_of_freedom : float
        Degrees of freedom.

    Returns
    -------
    uncertain number of GTC
        For arithmetic.
    """
    return ureal(estimate, u, degrees_of_freedom)
