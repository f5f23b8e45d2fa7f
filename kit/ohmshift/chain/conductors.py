"""What a copper conductor's resistance should be: by gauge or cross-section, length and temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.elements import check_number
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

COPPER_OHM_MM2_PER_M = 1 / 58
"""Resistivity of annealed copper at 20 °C [ohm mm²/m]: 0.15328 ohm g/m² at 8.89 g/cm³, 100 % IACS (IEC 60028)."""

_INFERRED_ZERO_C = 234.5
"""Where the line through copper's resistance would reach 0 [°C below zero]; IEC 60228 states its factors with it."""

_COLDEST_C, _HOTTEST_C = -40.0, 150.0
_AWG_ENDS = (0, 50)


def copper_resistance_ohm(
    length_m: npt.ArrayLike, *, area_mm2: npt.ArrayLike, temperature_c: float = 20.0
) -> FloatArray:
    """Give the resistance of a copper conductor.

    Parameters
    ----------
    length_m : array_like, any shape
        Length of the wire itself [m]: there and back is twice the cable's.
    area_mm2 : array_like, broadcast against `length_m`
        Cross-section of the copper, all strands together [mm²].
    temperature_c : float
        Temperature [°C].

    Returns
    -------
    ndarray
        Resistance [ohm].

    Raises
    ------
    CurveError
        A negative length, no cross-section, or a temperature outside -40 to 150 °C.

    Notes
    -----
    Strands twisted or wound around a thread are longer than the cable, often by a few per cent, and copper alloyed or
    tinned resists more: a real earphone lead lies above this figure for its copper.

    References
    ----------
    .. [1] IEC 60028 and NBS Handbook 100 (1966): resistivity of annealed copper.
    .. [2] IEC 60228: factor (234.5 + t) / 254.5 for temperature.

    Examples
    --------
    >>> there_and_back = copper_resistance_ohm(2.4, area_mm2=awg_area_mm2(28))
    >>> there_and_back.round(3).item()
    0.511
    """
    L, A = np.asarray(length_m, dtype=np.float64), np.asarray(area_mm2, dtype=np.float64)
    where = "copper_resistance_ohm"
    for name, values, may_be_zero in (("length_m", L, True), ("area_mm2", A, False)):
        check_number(f"{where}, {name}", float(values.min()), may_be_zero=may_be_zero)
    return COPPER_OHM_MM2_PER_M * copper_temperature_factor(temperature_c) * L / A


def copper_temperature_factor(temperature_c: float) -> float:
    """Give the resistance of copper at a temperature against that at 20 °C.

    Parameters
    ----------
    temperature_c : float
        Temperature [°C].

    Returns
    -------
    float
        Ratio.

    Raises
    ------
    CurveError
        A temperature outside -40 to 150 °C.

    Examples
    --------
    >>> round(copper_temperature_factor(23.0), 5)
    1.01179
    """
    if not _COLDEST_C <= temperature_c <= _HOTTEST_C:
        raise CurveError(
            "temperature_c", "it is between -40 and 150 °C", f"it is {temperature_c:g} °C", "give the room's"
        )
    return (_INFERRED_ZERO_C + temperature_c) / (_INFERRED_ZERO_C + 20.0)


def awg_diameter_mm(gauge: npt.ArrayLike) -> FloatArray:
    """Give the diameter of a solid wire by its American wire gauge.

    Parameters
    ----------
    gauge : array_like, any shape
        Gauge, 0 to 50.

    Returns
    -------
    ndarray, same shape
        Diameter [mm].

    Raises
    ------
    CurveError
        A gauge outside 0 to 50.

    Notes
    -----
    The formula itself. Printed tables start from diameters rounded to a ten-thousandth of an inch, and differ by up to
    1.3 % in resistance.

    References
    ----------
    .. [1] ASTM B258: geometric steps from 0.46 inch (0000) to 0.005 inch (36).

    Examples
    --------
    >>> awg_diameter_mm([20, 36]).round(4).tolist()
    [0.8118, 0.127]
    """
    n = np.asarray(gauge, dtype=np.float64)
    if n.size and not (n.min() >= _AWG_ENDS[0] and n.max() <= _AWG_ENDS[1]):
        raise CurveError("gauge", "a gauge is between 0 and 50", f"one is {n.max():g}", "earphone leads have 24 to 36")
    return np.asarray(0.127 * 92 ** ((36 - n) / 39))


def awg_area_mm2(gauge: npt.ArrayLike) -> FloatArray:
    """Give the cross-section of a wire by its American wire gauge.

    Parameters
    ----------
    gauge : array_like, any shape
        Gauge, 0 to 50; of a stranded wire, its copper counts as one solid wire.

    Returns
    -------
    ndarray, same shape
        Cross-section [mm²].

    Examples
    --------
    >>> awg_area_mm2(28).round(4).item()
    0.081
    """
    return np.asarray(np.pi / 4 * awg_diameter_mm(gauge) ** 2)


def awg_from_area(area_mm2: npt.ArrayLike) -> FloatArray:
    """Give the American wire gauge that has a cross-section.

    Parameters
    ----------
    area_mm2 : array_like, any shape
        Cross-section [mm²], above 0.

    Returns
    -------
    ndarray, same shape
        Gauge, not rounded.

    Raises
    ------
    CurveError
        A cross-section that is not above 0.

    Examples
    --------
    >>> awg_from_area(awg_area_mm2([26, 30])).round(6).tolist()
    [26.0, 30.0]
    """
    A = np.asarray(area_mm2, dtype=np.float64)
    check_number("awg_from_area, area_mm2", float(A.min()))
    return np.asarray(36 - 39 * np.log(np.sqrt(4 * A / np.pi) / 0.127) / np.log(92))


def copper_area_mm2(resistance_ohm: float, *, length_m: float, temperature_c: float = 20.0) -> float:
    """Give the copper cross-section that would have a measured resistance.

    Parameters
    ----------
    resistance_ohm : float
        Resistance of the conductor [ohm], above 0.
    length_m : float
        Its length [m], above 0.
    temperature_c : float
        Temperature [°C].

    Returns
    -------
    float
        Cross-section [mm²].

    Raises
    ------
    CurveError
        A resistance or length that is not above 0, or a temperature outside -40 to 150 °C.

    Examples
    --------
    >>> round(copper_area_mm2(0.511, length_m=2.4), 3)
    0.081
    """
    check_number("copper_area_mm2, resistance_ohm", resistance_ohm)
    check_number("copper_area_mm2, length_m", length_m)
    return COPPER_OHM_MM2_PER_M * copper_temperature_factor(temperature_c) * length_m / resistance_ohm
