"""Impedance at one frequency, from voltage, current and phase read together several times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from GTC import cos, get_correlation, multiple_ureal, set_correlation, sin

from ohmshift.chain.meter_budget import Budget, Influence, Uncertain, state_budget
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

_LEAST_SETS = 2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SpotImpedance:
    """An impedance at one frequency with its uncertainty.

    Parameters
    ----------
    resistance, reactance, magnitude : Budget
        R, X and |Z| [ohm], each with its budget.
    correlation : ndarray, shape (3, 3)
        Correlation of R, X and |Z|.
    """

    resistance: Budget
    reactance: Budget
    magnitude: Budget
    correlation: FloatArray

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "correlation", read_only(self.correlation))


def measure_spot_impedance(
    voltage_v: npt.ArrayLike, current_a: npt.ArrayLike, phase_rad: npt.ArrayLike
) -> SpotImpedance:
    """Give an impedance from simultaneous readings of voltage, current and phase.

    Parameters
    ----------
    voltage_v, current_a, phase_rad : array_like, shape (n,)
        Amplitudes [V], [A], and phase of the voltage re the current [rad]; one of each a set.

    Returns
    -------
    SpotImpedance
        R = (V/I) cos φ, X = (V/I) sin φ and |Z| = V/I.

    Raises
    ------
    CurveError
        Fewer than two sets, unequal numbers of them, or a value that is not finite or, but for the phase, above 0.

    Notes
    -----
    Readings taken together wander together: their correlation is estimated from the sets and carried through, as in
    approach 1 of the example. The current may be the voltage across a known resistor, divided by it; what meter and
    resistor may be off as a whole comes on top.

    References
    ----------
    .. [1] JCGM 100:2008, H.2.

    Examples
    --------
    >>> found = measure_spot_impedance([1.00, 1.01, 1.00], [0.050, 0.051, 0.050], [0.30, 0.31, 0.30])
    >>> round(found.magnitude.estimate, 2)
    19.93
    """
    sets = [np.asarray(values, dtype=np.float64).reshape(-1) for values in (voltage_v, current_a, phase_rad)]
    counts = {values.size for values in sets}
    if len(counts) > 1 or counts.pop() < _LEAST_SETS:
        rule, mend = "readings come in sets of three, two sets or more", "read all three together, several times"
        raise CurveError("measure_spot_impedance", rule, f"there are {[values.size for values in sets]}", mend)
    positive = all(values.min() > 0 for values in sets[:2])
    if not (positive and all(np.all(np.isfinite(values)) for values in sets)):
        rule = "voltages and currents are above 0, and all readings finite"
        raise CurveError("measure_spot_impedance", rule, "one is not", "leave that set out")
    V, I, phi = _together(np.stack(sets))  # noqa: E741 - symbols of the source
    parts = [
        Influence(number=number, quantity=name, unit=unit, evaluation="A")
        for number, name, unit in ((V, "voltage", "V"), (I, "current", "A"), (phi, "phase", "rad"))
    ]
    found = [V / I * cos(phi), V / I * sin(phi), V / I]
    resistance, reactance, magnitude = (state_budget(number, parts, unit="ohm") for number in found)
    return SpotImpedance(
        resistance=resistance,
        reactance=reactance,
        magnitude=magnitude,
        correlation=np.array([[float(get_correlation(a, b)) for b in found] for a in found]),
    )


def _together(sets: FloatArray) -> list[Uncertain]:
    """Give the means of readings taken together, correlated as they are."""
    n = sets.shape[1]
    u = sets.std(axis=1, ddof=1) / np.sqrt(n)
    numbers: list[Uncertain] = list(multiple_ureal(sets.mean(axis=1).tolist(), u.tolist(), n - 1.0))
    for i in range(len(sets)):
        for j in range(i):
            if u[i] > 0 and u[j] > 0:
                r = float(np.corrcoef(sets[i], sets[j])[0, 1])
                set_correlation(float(np.clip(r, -1, 1)), numbers[i], numbers[j])
    return numbers
