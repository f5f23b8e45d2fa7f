"""What a return wire shared by both sides does: crosstalk, and another source for mono than for the difference.

In a three-wire cable the currents of left and right flow back through one resistance R_c. With identical sides, Z
behind R_s each, the sum and the difference of the channels see two independent circuits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.circuits import combine_parallel
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.elements import check_number
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.units import level_from_ratio

if TYPE_CHECKING:
    from ohmshift.curves.values import Impedance


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Crosstalk:
    """What a shared return resistance does to both sides of one earphone.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    crosstalk_db : ndarray, shape (n,)
        Level of the side that is not driven re the side that is [dB].
    crosstalk_ratio : ndarray of complex, shape (n,)
        The same as a ratio of voltages; its minus sign is the opposite polarity.
    driven_source_ohm : ndarray of complex, shape (n,)
        Source impedance that one side sees when it alone plays [ohm].
    mono_source_ohm, difference_source_ohm : float
        Source resistance that each side sees when both play the same, and when they play opposites [ohm].
    mono_change_db : ndarray, shape (n,)
        Change of a mono signal by the shared wire, with minus without [dB]; the difference signal does not change.
    return_ohm, series_ohm : float
        R_c and R_s [ohm].
    label : str
        The earphone.
    """

    frequency_hz: FloatArray
    crosstalk_db: FloatArray
    crosstalk_ratio: ComplexArray
    driven_source_ohm: ComplexArray
    mono_source_ohm: float
    difference_source_ohm: float
    mono_change_db: FloatArray
    return_ohm: float
    series_ohm: float
    label: str = ""

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "crosstalk_db", "mono_change_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        for name in ("crosstalk_ratio", "driven_source_ohm"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.complex128))


def predict_crosstalk(impedance: Impedance, *, return_ohm: float, series_ohm: float = 0.0) -> Crosstalk:
    """Predict what a shared return wire does.

    Parameters
    ----------
    impedance : Impedance
        One side of the earphone; the other is taken to be the same.
    return_ohm : float
        Resistance that both sides share, R_c [ohm], 0 or more.
    series_ohm : float
        Resistance of each side alone, R_s [ohm]: amplifier, its own wire, its adapter; 0 or more.

    Returns
    -------
    Crosstalk
        Crosstalk, and the source that each kind of signal sees.

    Raises
    ------
    CurveError
        A negative resistance.

    Notes
    -----
    Sum and difference of the two loop equations E = I (Z + R_s) + (I_left + I_right) R_c give R_s + 2 R_c for equal
    signals and R_s for opposite ones. With the other amplifier silent its side is a load of Z + R_s across R_c. A
    resistor put into the shared wire counts as R_c.

    Examples
    --------
    >>> from ohmshift.curves.values import Impedance
    >>> flat = Impedance(frequency_hz=[20, 20000], impedance_ohm=[15.5, 15.5])
    >>> shared = predict_crosstalk(flat, return_ohm=0.5, series_ohm=0)
    >>> float(shared.crosstalk_db[0].round(2)), shared.mono_source_ohm
    (-30.1, 1.0)
    """
    check_number("predict_crosstalk, return_ohm", return_ohm, may_be_zero=True)
    check_number("predict_crosstalk, series_ohm", series_ohm, may_be_zero=True)
    Z, R_c, R_s = impedance.impedance_ohm, return_ohm, series_ohm
    ratio = -R_c / (Z + R_s + R_c)
    return Crosstalk(
        frequency_hz=impedance.frequency_hz,
        crosstalk_db=level_from_ratio(ratio),
        crosstalk_ratio=ratio,
        driven_source_ohm=R_s + combine_parallel(R_c, Z + R_s),
        mono_source_ohm=R_s + 2 * R_c,
        difference_source_ohm=R_s,
        mono_change_db=divider_change_db(Z, added_ohm=2 * R_c, source_ohm=R_s),
        return_ohm=R_c,
        series_ohm=R_s,
        label=impedance.label,
    )
