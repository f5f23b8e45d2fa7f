"""Lin's concordance: how closely pairs lie to the line of equality."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.errors import EvidenceError

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray

_FEWEST = 3


def measure_concordance(first: FloatArray, second: FloatArray) -> float:
    """Measure how closely pairs of values agree.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Values in pairs, in one unit.

    Returns
    -------
    float
        Lin's coefficient, from -1 to 1.

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
    >>> round(measure_concordance(np.array([1.0, 2, 3, 4]), np.array([1.1, 2, 2.9, 4.2])), 3)
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
    return 2 * r / (s_x / s_y + s_y / s_x + u2)  # Eq. 2 of [1]
