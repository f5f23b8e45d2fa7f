"""Resistor networks between amplifier and earphone: what pads do, and what both of their ends see.

One value covers them all: a resistor in series, one across, and one more in series with the earphone. A lone series
resistor has nothing across; a resistor parallel to the earphone has nothing in series; with both it is an L-pad,
with all three a T.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.circuits import combine_parallel
from ohmshift.chain.elements import check_number
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.errors import CurveError
from ohmshift.units import level_from_ratio

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import Impedance

RESISTORS = ("series", "shunt", "output")
"""Names of a pad's resistors, in the order of the columns of `PadPower`."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Pad:
    """Resistors between amplifier and earphone.

    Parameters
    ----------
    series_ohm : float
        From amplifier to the middle, R_a [ohm]; 0 is a wire.
    shunt_ohm : float
        From the middle to the return, R_b [ohm]; infinite, the default, is nothing.
    output_ohm : float
        From the middle to the earphone, R_c [ohm]; 0, the default, is a wire.

    Raises
    ------
    CurveError
        A negative resistance, or a shunt of 0 ohm.

    Examples
    --------
    >>> pad = Pad(series_ohm=47, shunt_ohm=4.7)
    >>> pad.source_ohm(0).item().real.__round__(3), pad.open_circuit_db(0).item().__round__(2)
    (4.273, -20.83)
    """

    series_ohm: float = 0.0
    shunt_ohm: float = float("inf")
    output_ohm: float = 0.0

    def __post_init__(self) -> None:
        """Check the values."""
        check_number("Pad, series_ohm", self.series_ohm, may_be_zero=True)
        check_number("Pad, output_ohm", self.output_ohm, may_be_zero=True)
        if not np.isinf(self.shunt_ohm):
            check_number("Pad, shunt_ohm", self.shunt_ohm)

    def source_ohm(self, amplifier_ohm: npt.ArrayLike = 0.0) -> ComplexArray:
        """Give the source impedance that the earphone sees.

        Parameters
        ----------
        amplifier_ohm : array_like of complex, any shape
            Output impedance of the amplifier, with the cable before the pad, R_0 [ohm].

        Returns
        -------
        ndarray of complex, same shape
            R_c + R_b || (R_0 + R_a) [ohm].
        """
        before = np.asarray(amplifier_ohm, dtype=np.complex128) + self.series_ohm
        return self.output_ohm + combine_parallel(self.shunt_ohm, before)

    def load_ohm(self, earphone_ohm: npt.ArrayLike) -> ComplexArray:
        """Give the load that the amplifier sees.

        Parameters
        ----------
        earphone_ohm : array_like of complex, any shape
            Impedance of the earphone, with the cable behind the pad [ohm].

        Returns
        -------
        ndarray of complex, same shape
            R_a + R_b || (Z + R_c) [ohm].
        """
        behind = np.asarray(earphone_ohm, dtype=np.complex128) + self.output_ohm
        return self.series_ohm + combine_parallel(self.shunt_ohm, behind)

    def open_circuit_db(self, amplifier_ohm: npt.ArrayLike = 0.0) -> FloatArray:
        """Give the attenuation with no earphone plugged in.

        Parameters
        ----------
        amplifier_ohm : array_like of complex, any shape
            Output impedance of the amplifier, R_0 [ohm].

        Returns
        -------
        ndarray, same shape
            Level of R_b / (R_0 + R_a + R_b) [dB].
        """
        share = (np.asarray(amplifier_ohm, dtype=np.complex128) + self.series_ohm) / self.shunt_ohm
        return -level_from_ratio(1 + share)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PadEffect:
    """What a pad does to one earphone.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    change_db : ndarray, shape (n,)
        Change of the earphone's voltage, with the pad minus straight at the amplifier [dB].
    tonal_change_db : ndarray, shape (n,)
        The change less its mean over the level band [dB].
    level_drop_db : float
        That mean [dB]; negative is quieter.
    source_ohm : ndarray of complex, shape (n,)
        Source impedance that the earphone sees [ohm].
    load_ohm : ndarray of complex, shape (n,)
        Load that the amplifier sees [ohm].
    lowest_load_ohm, lowest_load_hz : float
        Smallest magnitude of that load [ohm], and where [Hz].
    pad : Pad
        The resistors.
    label : str
        The earphone.
    """

    frequency_hz: FloatArray
    change_db: FloatArray
    tonal_change_db: FloatArray
    level_drop_db: float
    source_ohm: ComplexArray
    load_ohm: ComplexArray
    lowest_load_ohm: float
    lowest_load_hz: float
    pad: Pad
    label: str = ""

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "change_db", "tonal_change_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        for name in ("source_ohm", "load_ohm"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.complex128))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PadPower:
    """The power that each resistor of a pad turns into heat.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    power_w : ndarray, shape (n, 3)
        Power in series, shunt and output resistor with a sine at that frequency [W].
    earphone_w : ndarray, shape (n,)
        Power in the earphone [W].
    largest_w : tuple of float, length 3
        Largest power in each resistor over all frequencies [W].
    drive_v : float
        Voltage of the amplifier without load [V r.m.s.].
    caveats : tuple of str
        Where a resistor gets more than its rating.
    """

    frequency_hz: FloatArray
    power_w: FloatArray
    earphone_w: FloatArray
    largest_w: tuple[float, float, float]
    drive_v: float
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "power_w", "earphone_w"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def predict_pad(
    impedance: Impedance,
    pad: Pad,
    *,
    source_ohm: npt.ArrayLike = 0.0,
    level_low_hz: float = 200.0,
    level_high_hz: float = 2000.0,
) -> PadEffect:
    """Predict what a pad does to the response, and what both of its ends see.

    Parameters
    ----------
    impedance : Impedance
        The earphone's.
    pad : Pad
        The resistors.
    source_ohm : array_like of complex, one value or shape (n,)
        Impedance of amplifier and cable before the pad [ohm].
    level_low_hz, level_high_hz : float
        Band whose mean change counts as the level drop [Hz].

    Returns
    -------
    PadEffect
        Change, source impedance and load.

    Raises
    ------
    CurveError
        An impedance that does not cover the level band, or that with the source makes 0 ohm.

    Examples
    --------
    >>> from ohmshift.curves.values import Impedance
    >>> flat = Impedance(frequency_hz=[20, 1000, 20000], impedance_ohm=[8, 8, 8])
    >>> effect = predict_pad(flat, Pad(series_ohm=3.990502, shunt_ohm=8.038082))
    >>> round(effect.level_drop_db, 3), round(effect.lowest_load_ohm, 3)
    (-6.0, 8.0)
    """
    Z = impedance.impedance_ohm
    R_0 = np.broadcast_to(np.asarray(source_ohm, dtype=np.complex128), Z.shape)
    R_th, load = pad.source_ohm(R_0), pad.load_ohm(Z)
    if np.any(Z + R_0 == 0) or np.any(Z + R_th == 0):
        raise CurveError(
            impedance.label or "impedance",
            "earphone and source together must have an impedance that is not 0",
            "one value is 0",
            "drop that frequency",
        )
    change_db = pad.open_circuit_db(R_0) + level_from_ratio((Z + R_0) / (Z + R_th))
    level_db = float(
        mean_levels(impedance.frequency_hz, change_db, low_hz=[level_low_hz], high_hz=[level_high_hz])[..., 0]
    )
    if np.isnan(level_db):
        raise CurveError(
            impedance.label or "impedance",
            f"it must cover the level band, {level_low_hz:g} to {level_high_hz:g} Hz",
            f"it goes from {impedance.frequency_hz[0]:g} to {impedance.frequency_hz[-1]:g} Hz",
            "choose a narrower level band",
        )
    lowest = int(np.argmin(np.abs(load)))
    return PadEffect(
        frequency_hz=impedance.frequency_hz,
        change_db=change_db,
        tonal_change_db=change_db - level_db,
        level_drop_db=level_db,
        source_ohm=R_th,
        load_ohm=load,
        lowest_load_ohm=float(np.abs(load[lowest])),
        lowest_load_hz=float(impedance.frequency_hz[lowest]),
        pad=pad,
        label=impedance.label,
    )


def predict_pad_power(
    impedance: Impedance,
    pad: Pad,
    *,
    drive_v: float,
    source_ohm: npt.ArrayLike = 0.0,
    rating_w: float | None = None,
) -> PadPower:
    """Predict the power in each resistor of a pad.

    Parameters
    ----------
    impedance : Impedance
        The earphone's.
    pad : Pad
        The resistors.
    drive_v : float
        Voltage of the amplifier without load [V r.m.s.], above 0.
    source_ohm : array_like of complex, one value or shape (n,)
        Impedance of amplifier and cable before the pad [ohm].
    rating_w : float, optional
        Power that each resistor may take [W]; without it nothing is cautioned.

    Returns
    -------
    PadPower
        Power at each frequency, as if a sine of the whole voltage played there; music is gentler.

    Raises
    ------
    CurveError
        A voltage or a rating that is not above 0.

    Examples
    --------
    >>> from ohmshift.curves.values import Impedance
    >>> flat = Impedance(frequency_hz=[20, 20000], impedance_ohm=[16, 16])
    >>> heat = predict_pad_power(flat, Pad(series_ohm=32, shunt_ohm=16), drive_v=4, rating_w=0.25)
    >>> [round(w, 3) for w in heat.largest_w], heat.caveats
    ([0.32, 0.04, 0.0], ('the series resistor gets up to 0.32 W at 20 Hz, more than its 0.25 W',))
    """
    check_number("predict_pad_power, drive_v", drive_v)
    if rating_w is not None:
        check_number("predict_pad_power, rating_w", rating_w)
    f, Z = impedance.frequency_hz, impedance.impedance_ohm
    behind = Z + pad.output_ohm
    middle = combine_parallel(pad.shunt_ohm, behind)
    current = drive_v / (np.asarray(source_ohm) + pad.series_ohm + middle)
    middle_v = current * middle
    output = np.abs(middle_v / behind) ** 2
    power_w = np.stack(
        [np.abs(current) ** 2 * pad.series_ohm, np.abs(middle_v) ** 2 / pad.shunt_ohm, output * pad.output_ohm], axis=-1
    )
    largest = power_w.max(axis=0)
    at_hz = f[power_w.argmax(axis=0)]
    caveats = tuple(
        f"the {name} resistor gets up to {watt:.2g} W at {hz:.4g} Hz, more than its {rating_w:g} W"
        for name, watt, hz in zip(RESISTORS, largest, at_hz, strict=True)
        if rating_w is not None and watt > rating_w
    )
    return PadPower(
        frequency_hz=f,
        power_w=power_w,
        earphone_w=output * Z.real,
        largest_w=(float(largest[0]), float(largest[1]), float(largest[2])),
        drive_v=drive_v,
        caveats=caveats,
    )
