"""The divider prepared for drawing: the same change, in single precision, for any number of resistances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.chain.divider import divider_change_db
from ohmshift.curves.values import read_only

if TYPE_CHECKING:
    import numpy.typing as npt

SingleArray: TypeAlias = "npt.NDArray[np.float32]"

_PER_NEPER_OF_POWER = np.float32(-10 / np.log(10))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DividerPlan:
    """What one or many earphones are to a divider, worked out once; `plan_divider` makes it.

    Parameters
    ----------
    twice_conductance : ndarray of float32, shape (..., n)
        Twice the real part of Y = 1 / (Z + R_0) [S].
    squared_admittance : ndarray of float32, shape (..., n)
        The squared magnitude of Y [S^2].
    """

    twice_conductance: SingleArray
    squared_admittance: SingleArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("twice_conductance", "squared_admittance"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float32))

    def change_db(self, added_ohm: npt.ArrayLike) -> SingleArray:
        """Give the change of level that resistances in series make.

        Parameters
        ----------
        added_ohm : array_like, any shape S
            Resistances added [ohm], 0 or more; not checked.

        Returns
        -------
        ndarray of float32, shape S + (..., n)
            Change [dB], right to 1e-5 dB for a passive load; `divider_change_db` is exact.
        """
        R = np.asarray(added_ohm, dtype=np.float32)
        R = R.reshape(R.shape + (1,) * self.twice_conductance.ndim)
        power = np.multiply(self.squared_admittance, R)
        power += self.twice_conductance
        power *= R
        power += np.float32(1)
        np.log(power, out=power)
        power *= _PER_NEPER_OF_POWER
        return power


def plan_divider(impedance_ohm: npt.ArrayLike, *, source_ohm: npt.ArrayLike = 0.0) -> DividerPlan:
    """Prepare the divider for many resistances on the same earphones.

    Parameters
    ----------
    impedance_ohm : array_like of complex, shape (..., n)
        Earphone impedance [ohm].
    source_ohm : array_like of complex
        Impedance of amplifier and cable [ohm]; one number, or anything that broadcasts against `impedance_ohm`.

    Returns
    -------
    DividerPlan
        Prepared arrays.

    Raises
    ------
    CurveError
        A value that is not finite, or an impedance that shorts the source.

    Examples
    --------
    >>> plan_divider([16, 32]).change_db([16, 32]).round(2)
    array([[-6.02, -3.52],
           [-9.54, -6.02]], dtype=float32)
    """
    divider_change_db(impedance_ohm, added_ohm=0.0, source_ohm=source_ohm)  # refuses what cannot be
    Y = 1 / (np.asarray(impedance_ohm, dtype=np.complex128) + np.asarray(source_ohm, dtype=np.complex128))
    squared = Y.real**2 + Y.imag**2
    return DividerPlan(twice_conductance=(2 * Y.real).astype(np.float32), squared_admittance=squared.astype(np.float32))
