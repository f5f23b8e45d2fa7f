"""Moving the part of a response about the ear-canal resonance along the frequency axis, and nothing below it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from scipy.interpolate import CubicSpline

from ohmshift.curves.windows import average_windows
from ohmshift.errors import CurveError
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

Warp: TypeAlias = Literal["local", "detail"]

STILL_BELOW_HZ = 4500.0
"""Below this frequency a warp moves nothing."""

FULL_ABOVE_HZ = 6500.0
"""Above this frequency a warp moves everything by the whole shift."""

LARGEST_SHIFT_OCTAVES = 0.3
"""Largest shift: a larger one would fold the frequency axis between 4.5 and 6.5 kHz."""


def warp_levels(
    frequency_hz: FloatArray, level_db: FloatArray, shift_octaves: npt.ArrayLike, *, warp: Warp = "local"
) -> FloatArray:
    """Move features above 6.5 kHz down by a shift, leaving everything below 4.5 kHz in place.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising.
    level_db : ndarray, shape (m, n)
        Levels [dB].
    shift_octaves : array_like, shape (m,)
        Shift of each row [octave of ratio 10^0.3]; above 0 moves features to lower frequencies.
    warp : {"local", "detail"}
        "local" moves the level itself. "detail" leaves the one-octave trend (Gaussian window) and moves the rest.

    Returns
    -------
    ndarray, shape (m, n)
        Moved levels [dB] at the same frequencies.

    Raises
    ------
    CurveError
        A shift above 0.3 octave, or an unknown warp.

    Notes
    -----
    The shift grows from nothing at 4.5 kHz to the whole at 6.5 kHz as t^2 (3 - 2 t) over log frequency. Where it would
    ask for levels beyond the last frequency measured, it falls back to nothing over the last two shifts' width below
    that frequency, so that no level is made up. Moving a whole curve instead puts an error of 0.3 dB into 200 Hz to
    2 kHz and of 0.6 dB into 2 to 5 kHz.

    Examples
    --------
    >>> f = 1000 * 10 ** (0.3 * np.arange(-48, 208) / 48)
    >>> bump = np.exp(-((np.log(f / 8500) / 0.1) ** 2))[np.newaxis]
    >>> moved = warp_levels(f, bump, [np.log10(8500 / 8000) / 0.3])
    >>> float(f[np.argmax(moved)]).__round__()
    7943
    """
    shift = np.asarray(shift_octaves, dtype=np.float64)
    _check(shift, warp)
    if not np.any(shift):
        return level_db
    if warp == "local":
        return _moved(frequency_hz, level_db, shift)
    trend = average_windows(frequency_hz, level_db, frequency_hz, width=1.0, window="gaussian")
    return np.asarray(trend + _moved(frequency_hz, level_db - trend, shift))


def _moved(f: FloatArray, level_db: FloatArray, shift: FloatArray) -> FloatArray:
    """Read each row at the frequencies its features come from, by a cubic spline over log frequency."""
    x = octaves_from_frequency(f)
    start = int(np.searchsorted(f, STILL_BELOW_HZ))
    if start >= f.size:
        return level_db
    s = shift[:, np.newaxis]
    source = np.minimum(x[start:] + s * _share(x[start:], s, x[-1]), x[-1])
    c = CubicSpline(x, level_db, axis=-1).c
    row = np.arange(len(level_db))[:, np.newaxis]
    i = np.clip(np.searchsorted(x, source, "right") - 1, 0, x.size - 2)
    t = source - x[i]
    moved = level_db.copy()
    moved[:, start:] = ((c[0, i, row] * t + c[1, i, row]) * t + c[2, i, row]) * t + c[3, i, row]
    return moved


def _share(x: FloatArray, s: FloatArray, end: float) -> FloatArray:
    """Give the share of the shift that applies at each point, for each row."""
    low, high = octaves_from_frequency([STILL_BELOW_HZ, FULL_ABOVE_HZ])
    upward = _step((x - low) / (high - low))
    room = 2 * np.maximum(s, 1e-12)
    return np.where(s > 0, upward * _step((end - x) / room), upward)


def _step(t: FloatArray) -> FloatArray:
    t = np.clip(t, 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


def _check(shift: FloatArray, warp: str) -> None:
    if warp not in {"local", "detail"}:
        raise CurveError("warp", 'it must be "local" or "detail"', f"it is {warp!r}", "choose one")
    if np.any(np.abs(shift) > LARGEST_SHIFT_OCTAVES):
        raise CurveError(
            "alignment of the resonance",
            f"a resonance is moved by {LARGEST_SHIFT_OCTAVES} octave at most",
            f"{np.max(np.abs(shift)):.2f} octave is asked for",
            "choose a frequency nearer to the resonance",
        )
