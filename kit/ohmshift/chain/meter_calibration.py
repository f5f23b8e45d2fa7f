"""A straight line of corrections for a meter, from resistors that are known better than it reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from GTC import get_correlation, type_a

from ohmshift.chain.meter_budget import Budget, Influence, Uncertain, state_budget
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

_LEAST_POINTS = 3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MeterCorrection:
    """A line of corrections, to be added to readings.

    Parameters
    ----------
    offset : Budget
        Correction at the reference reading.
    slope : Budget
        Change of the correction per unit of the reading.
    correlation : float
        Correlation of the two.
    residual_sd : float
        Standard deviation of what the line leaves, in the unit of the readings.
    reference : float
        Reading at which the offset holds.
    line : tuple of uncertain numbers
        Offset and slope, correlated, for arithmetic.
    """

    offset: Budget
    slope: Budget
    correlation: float
    residual_sd: float
    reference: float
    line: tuple[Uncertain, Uncertain]

    def at(self, reading: float) -> Budget:
        """Give the correction for a reading.

        Parameters
        ----------
        reading : float
            Reading, in the unit of the calibration.

        Returns
        -------
        Budget
            Correction with its uncertainty.
        """
        offset, slope = self.line
        parts = _parts(offset, slope, self.offset.unit)
        return state_budget(offset + slope * (reading - self.reference), parts, unit=self.offset.unit)


def fit_correction(
    reading: npt.ArrayLike, actual: npt.ArrayLike, *, reference: float = 0.0, unit: str = "ohm"
) -> MeterCorrection:
    """Fit a line of corrections.

    Parameters
    ----------
    reading : array_like, shape (n,)
        What the meter read of known resistors.
    actual : array_like, shape (n,)
        What they are.
    reference : float
        Reading at which the offset is stated; best amid the readings, where offset and slope correlate least.
    unit : str
        Unit of all of them.

    Returns
    -------
    MeterCorrection
        Actual less reading, as a least-squares line over the reading.

    Raises
    ------
    CurveError
        Fewer than three resistors, unequal numbers, values that are not finite, or readings that are all the same.

    References
    ----------
    .. [1] JCGM 100:2008, H.3.

    Examples
    --------
    >>> fit = fit_correction([0.2, 10.1, 33.3, 100.9], [0.0, 9.98, 32.96, 100.0], reference=33.0)
    >>> print(fit.at(15.2))
    -0.23 ± 0.21 ohm
    """
    x, y = np.asarray(reading, dtype=np.float64), np.asarray(actual, dtype=np.float64)
    if x.shape != y.shape or x.size < _LEAST_POINTS or not np.all(np.isfinite([x, y])) or np.ptp(x) == 0:
        rule = "a line of corrections needs three known resistors or more, not all the same"
        raise CurveError("fit_correction", rule, f"there are {x.size} readings, {y.size} values", "read more of them")
    fitted = type_a.line_fit((x - reference).tolist(), (y - x).tolist())
    offset, slope = fitted.a_b
    parts = _parts(offset, slope, unit)
    return MeterCorrection(
        offset=state_budget(offset, parts, unit=unit),
        slope=state_budget(slope, parts, unit=""),
        correlation=float(get_correlation(offset, slope)),
        residual_sd=float(np.sqrt(fitted.ssr / (x.size - 2))),
        reference=reference,
        line=(offset, slope),
    )


def _parts(offset: Uncertain, slope: Uncertain, unit: str) -> list[Influence]:
    return [
        Influence(number=offset, quantity="offset", unit=unit, evaluation="A"),
        Influence(number=slope, quantity="slope", unit="", evaluation="A"),
    ]
