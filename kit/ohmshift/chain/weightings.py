"""Frequency weightings and programme spectra: A by IEC 61672-1, K by ITU-R BS.1770, programme by IEC 60268-1."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

_A_POLES_HZ = (20.598997057618316, 107.65264864304629, 737.8622307362901, 12194.217147998012)
"""f_1 to f_4 of IEC 61672-1:2013, annex E, from its equations, not rounded [Hz]."""

K_RATE_HZ = 48_000.0
"""Sampling rate that the coefficients of BS.1770 are printed for [Hz]."""

K_STAGES = (
    ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)
"""Numerators and denominators of both stages of K-weighting: ITU-R BS.1770-4, tables 1 and 2."""

PROGRAMME_HZ = read_only(10.0 ** (np.arange(13, 44) / 10))
"""Exact mid-bands of the third octaves from 20 Hz to 20 kHz [Hz]."""

PROGRAMME_DB = read_only(
    (
        *(-13.5, -10.2, -7.4, -5.2, -3.5, -2.3, -1.4, -0.9, -0.5, -0.2, -0.1, 0, 0, 0, 0, 0),
        *(0, -0.1, -0.3, -0.6, -1.0, -1.6, -2.5, -3.7, -5.1, -7.0, -9.4, -11.9, -14.8, -18.2, -21.6),
    )
)
"""Level of simulated programme in each third octave, re the middle ones [dB]: IEC 60268-1:1985, table II."""


def a_weighting_db(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Give frequency weighting A.

    Parameters
    ----------
    frequency_hz : array_like, any shape
        Frequency [Hz], positive.

    Returns
    -------
    ndarray, same shape
        Weighting [dB], 0 at 1 kHz.

    Raises
    ------
    CurveError
        A frequency that is not positive and finite.

    References
    ----------
    .. [1] IEC 61672-1:2013, annex E, equations E.6 and E.1 to E.5.

    Examples
    --------
    >>> a_weighting_db([100, 1000, 10_000]).round(1) + 0.0
    array([-19.1,   0. ,  -2.5])
    """
    f2 = _checked(frequency_hz) ** 2
    return np.asarray(_a_unscaled(f2) - _a_unscaled(np.array(1e6)))


def _a_unscaled(f2: FloatArray) -> FloatArray:
    p1, p2, p3, p4 = (pole**2 for pole in _A_POLES_HZ)
    gain = p4 * f2**2 / ((f2 + p1) * np.sqrt(f2 + p2) * np.sqrt(f2 + p3) * (f2 + p4))
    return np.asarray(20 * np.log10(gain))


def k_weighting_db(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Give K-weighting, the one of programme loudness.

    Parameters
    ----------
    frequency_hz : array_like, any shape
        Frequency [Hz], positive, below 24 kHz.

    Returns
    -------
    ndarray, same shape
        Weighting [dB]; 0.691 dB at 997 Hz, which BS.1770 takes off again.

    Raises
    ------
    CurveError
        A frequency that is not positive, or not below 24 kHz.

    Notes
    -----
    The response of the printed filters at 48 kHz. They model a head in a sound field in front of loudspeakers; for an
    earphone they are a convention, as weighting A is.

    References
    ----------
    .. [1] ITU-R BS.1770-4, tables 1 and 2.

    Examples
    --------
    >>> k_weighting_db([100, 997, 10_000]).round(2)
    array([-1.13,  0.69,  4.04])
    """
    f = _checked(frequency_hz)
    if f.size and f.max() >= K_RATE_HZ / 2:
        raise CurveError("frequency_hz", "K-weighting ends below 24 kHz", f"one is {f.max():g} Hz", "leave it out")
    z = np.exp(-2j * np.pi * f / K_RATE_HZ)
    gain = np.ones(f.shape, dtype=np.complex128)
    for numerator, denominator in K_STAGES:
        gain = gain * np.polyval(numerator[::-1], z) / np.polyval(denominator[::-1], z)
    return np.asarray(20 * np.log10(np.abs(gain)))


def _checked(frequency_hz: npt.ArrayLike) -> FloatArray:
    f = np.asarray(frequency_hz, dtype=np.float64)
    if f.size and not (f.min() > 0 and f.max() < np.inf):
        raise CurveError("frequency_hz", "frequency must be above 0 Hz and finite", "one is not", "leave it out")
    return f
