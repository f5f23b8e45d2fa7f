"""The voltage divider between amplifier and earphone, exact and complex.

An earphone of impedance Z behind a source impedance R_0 gets the share Z / (Z + R_0) of the amplifier's voltage. With R
added in series its voltage changes by H = (Z + R_0) / (Z + R_0 + R), whatever is inside the earphone. Arithmetic on
magnitudes alone errs by more than 1 dB for reactive loads and is not offered.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

HIGHEST_OHM = 1000.0
"""Upper end of the search for a source impedance [ohm]."""

_PER_NEPER_OF_POWER = -10 / np.log(10)


def divider_change_db(
    impedance_ohm: npt.ArrayLike, *, added_ohm: npt.ArrayLike, source_ohm: npt.ArrayLike = 0.0
) -> FloatArray:
    """Give the change of level that a resistance in series makes.

    Parameters
    ----------
    impedance_ohm : array_like of complex, shape (..., n)
        Earphone impedance [ohm].
    added_ohm : array_like, any shape S
        Resistances added [ohm], not negative.
    source_ohm : array_like of complex
        Impedance of amplifier and cable [ohm]; one number, or anything that broadcasts against `impedance_ohm`.

    Returns
    -------
    ndarray, shape S + (..., n)
        Change of the earphone's voltage, with minus without [dB].

    Raises
    ------
    CurveError
        A negative resistance, a value that is not finite, or an impedance that shorts the source.

    Notes
    -----
    With Y = 1 / (Z + R_0) the change is -10 log10(1 + 2 R Re Y + R^2 |Y|^2): two real arrays serve any number of
    resistances.

    Examples
    --------
    >>> divider_change_db([16, 32], added_ohm=[16, 32]).round(2)
    array([[-6.02, -3.52],
           [-9.54, -6.02]])
    """
    R = np.asarray(added_ohm, dtype=np.float64)
    if not np.all(np.isfinite(R)) or np.any(R < 0):
        raise CurveError(
            "added_ohm",
            "an added resistance is a number of ohms, 0 or more",
            f"they go from {np.min(R):g} to {np.max(R):g}",
            "mend it",
        )
    Z = np.asarray(impedance_ohm, dtype=np.complex128) + np.asarray(source_ohm, dtype=np.complex128)
    if not np.all(np.isfinite(Z)) or np.any(Z == 0):
        raise CurveError(
            "impedance_ohm",
            "earphone and source together must have a finite impedance that is not 0",
            "one value is 0 or not finite",
            "drop that frequency",
        )
    Y = 1 / Z
    R = R.reshape(R.shape + (1,) * Y.ndim)
    power = R * (Y.real**2 + Y.imag**2)
    power += 2 * Y.real
    power *= R
    power += 1  # what log1p would save is 1e-15 dB, and it takes twice as long
    np.log(power, out=power)
    power *= _PER_NEPER_OF_POWER
    return power
