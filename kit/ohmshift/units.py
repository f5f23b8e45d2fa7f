"""Levels, ratios and octaves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

OCTAVE_RATIO = 10**0.3
"""The octave frequency ratio G of IEC 61260-1:2014, equation 1."""

_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def level_from_ratio(ratio: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Give the level of an amplitude ratio.

    Parameters
    ----------
    ratio : array_like
        Amplitude ratio, any shape; a complex ratio counts by its magnitude.

    Returns
    -------
    ndarray
        Level [dB], same shape; minus infinity for zero.

    Examples
    --------
    >>> round(float(level_from_ratio(2)), 4)
    6.0206
    """
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(np.abs(np.asarray(ratio))), dtype=np.float64)


def octaves_from_frequency(frequency_hz: npt.ArrayLike, *, reference_hz: float = 1000.0) -> npt.NDArray[np.float64]:
    """Give the distance of frequencies from a reference in base-10 octaves.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency [Hz], positive, any shape.
    reference_hz : float
        Frequency at distance zero [Hz].

    Returns
    -------
    ndarray
        Distance in octaves of the ratio G = 10^0.3, same shape.

    Examples
    --------
    >>> round(float(octaves_from_frequency(10_000)), 6)
    3.333333
    """
    return np.asarray(np.log10(np.asarray(frequency_hz, dtype=np.float64) / reference_hz) / 0.3)


def nominal_frequency(mid_hz: float) -> str:
    """Give the nominal name of a third-octave mid-band frequency.

    Parameters
    ----------
    mid_hz : float
        Exact mid-band frequency [Hz].

    Returns
    -------
    str
        Nominal frequency [Hz].

    References
    ----------
    .. [1] IEC 61260-1:2014, annex E.

    Examples
    --------
    >>> nominal_frequency(31.623), nominal_frequency(1258.9), nominal_frequency(15848.9)
    ('31.5', '1250', '16000')
    """
    k = round(10 * np.log10(mid_hz))
    return f"{_NOMINAL[k % 10] * 10.0 ** (k // 10):.10g}"
