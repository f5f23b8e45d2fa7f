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
    coefficients : ndarray of float32, shape (3, ..., n)
        With Y = 1 / (Z + R_0): the squared magnitude of Y [S^2], twice its real part [S], and 1; what R^2, R and 1 are
        multiplied by.
    """

    coefficients: SingleArray

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "coefficients", read_only(self.coefficients, np.float32))

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
        squared, twice, _ = c = self.coefficients
        if R.size == 1:
            power = squared * R.item()
            power += twice
            power *= R.item()
            power += 1
        else:  # one matrix product is quicker than these four passes
            power = np.stack([R * R, R, np.ones_like(R)], axis=-1).reshape(-1, 3) @ c.reshape(3, -1)
        power = power.reshape(R.shape + c.shape[1:])
        np.log(power, out=power)
        power *= _PER_NEPER_OF_POWER
        return np.asarray(power, dtype=np.float32)


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
    c = np.stack([Y.real**2 + Y.imag**2, 2 * Y.real, np.ones_like(Y.real)])
    return DividerPlan(coefficients=c.astype(np.float32))
