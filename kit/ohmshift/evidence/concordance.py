"""Lin's concordance: how closely pairs lie to the line of equality."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.errors import EvidenceError

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray

_NORMAL_95 = 1.959963984540054
_FEWEST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance:
    """Lin's concordance coefficient.

    Parameters
    ----------
    coefficient : float
        From -1 to 1.
    low, high : float
        Its 95 % interval by the Z transformation, for pairs that are independent of each other.
    n : int
        Number of pairs.
    """

    coefficient: float
    low: float
    high: float
    n: int


def measure_concordance(first: FloatArray, second: FloatArray) -> Concordance:
    """Measure how closely pairs of values agree.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Values in pairs, in one unit.

    Returns
    -------
    Concordance
        Coefficient and interval.

    Raises
    ------
    EvidenceError
        Fewer than three pairs, counts that differ, a value that is not finite, or one side without spread.

    References
    ----------
    .. [1] L. I.-K. Lin, "A concordance correlation coefficient to evaluate reproducibility", Biometrics 45 (1989)
       255-268; a note on it, Biometrics 56 (2000) 324-325.

    Examples
    --------
    >>> round(measure_concordance(np.array([1.0, 2, 3, 4]), np.array([1.1, 2, 2.9, 4.2])).coefficient, 3)
    0.994
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    n = x.size
    if x.shape != y.shape or n < _FEWEST or not np.all(np.isfinite([x, y])) or not (np.ptp(x) and np.ptp(y)):
        rule = "concordance needs three or more pairs of numbers that vary"
        raise EvidenceError("measure_concordance", rule, f"there are {n} and {y.size}", "give more pairs")
    r = float(np.corrcoef(x, y)[0, 1])
    s_x, s_y = float(x.std()), float(y.std())
    u2 = float((x.mean() - y.mean()) ** 2 / (s_x * s_y))
    rho = 2 * r / (s_x / s_y + s_y / s_x + u2)  # Eq. 2 of [1]
    if r == 0 or abs(rho) == 1:
        return Concordance(coefficient=rho, low=-1.0 if r == 0 else rho, high=1.0 if r == 0 else rho, n=n)
    spread = (1 - r**2) * rho**2 * (1 - rho**2) / r**2 + 2 * rho**3 * (1 - rho) * u2 / r - rho**4 * u2**2 / (2 * r**2)
    half = _NORMAL_95 * np.sqrt(max(spread, 0.0) / (n - 2)) / (1 - rho**2)
    z = np.arctanh(rho)
    return Concordance(coefficient=rho, low=float(np.tanh(z - half)), high=float(np.tanh(z + half)), n=n)
