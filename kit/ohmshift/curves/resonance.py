"""Where the ear-canal resonance lies, and how far apart it lies in two or more seatings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from ohmshift.curves.grids import POINTS_PER_OCTAVE, octave_grid, resample
from ohmshift.curves.values import ResponseSet
from ohmshift.errors import CurveError
from ohmshift.units import OCTAVE_RATIO, octaves_from_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray, Response

PEAK_BAND_HZ = (5500.0, 11_500.0)
"""Band in which the resonance's peak is looked for."""

SLOPE_BAND_HZ = (5000.0, 12_000.0)
"""Band over which slopes are correlated."""

COVERED_BAND_HZ = (4050.0, 14_800.0)
"""Band the data must cover: the slope band and the largest shift beyond it."""

_LARGEST_LAG = 14
"""Largest shift looked for, points of the common grid: 0.29 octave."""

_PEAK_SIGMA = 1.5
_SLOPE_SIGMA = 2.0
"""Smoothing before peaks are picked and before slopes are taken, points of the common grid."""

_PEAK_REACH = 3
"""How far a slope may displace a peak before it counts as a shoulder, points of the common grid: 1/16 octave."""

_LEAST_PROMINENCE_DB = 0.3

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Resonance:
    """The most prominent peak where the ear-canal resonance may lie.

    Parameters
    ----------
    frequency_hz : float or None
        Its frequency [Hz]; None where there is no peak.
    prominence_db : float
        How far it rises above the higher of the dips beside it, straight trend removed [dB]; 0 where there is no peak.
    """

    frequency_hz: float | None
    prominence_db: float


def find_resonance(curve: Response | ResponseSet) -> tuple[Resonance, ...]:
    """Find the ear-canal resonance of each response by its peak.

    Parameters
    ----------
    curve : Response or ResponseSet
        Responses of m rows, one for a Response, that cover 4.05 to 14.8 kHz.

    Returns
    -------
    tuple of Resonance, length m
        Peak of each row.

    Raises
    ------
    CurveError
        Data that do not cover that band.

    Notes
    -----
    The level is smoothed lightly (1/14 octave at half maximum). Of the peaks between 5.5 and 11.5 kHz the one counts
    that is most prominent once a straight line over log frequency is taken off. Its frequency is the vertex of the
    parabola through the three highest points of the smoothed level.

    Examples
    --------
    >>> from ohmshift.curves.values import Response
    >>> f = octave_grid()
    >>> bump = 9 * np.exp(-((np.log(f / 7300) / 0.1) ** 2))
    >>> (found,) = find_resonance(Response(frequency_hz=f, level_db=bump, label="sieve"))
    >>> round(found.frequency_hz), round(found.prominence_db, 1)
    (7300, 8.3)
    """
    if not covers_resonance(curve):
        f = curve.frequency_hz
        raise CurveError(
            curve.label or "find_resonance",
            f"the resonance needs data from {COVERED_BAND_HZ[0]:g} to {COVERED_BAND_HZ[1]:g} Hz",
            f"they go from {f[0]:g} to {f[-1]:g} Hz",
            "measure up to 16 kHz or further",
        )
    return pick_peaks(resonance_levels(curve.frequency_hz, np.atleast_2d(curve.level_db)))


def covers_resonance(curve: Response | ResponseSet) -> bool:
    """Say whether a curve covers the band in which the resonance is looked for.

    Parameters
    ----------
    curve : Response or ResponseSet
        Curve on any grid.

    Returns
    -------
    bool
        True where it does.
    """
    return bool(curve.frequency_hz[0] <= COVERED_BAND_HZ[0] and curve.frequency_hz[-1] >= COVERED_BAND_HZ[1])


def resonance_levels(frequency_hz: FloatArray, level_db: FloatArray) -> FloatArray:
    """Give the levels about the resonance on the common grid.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising, from 4.05 to 14.8 kHz or further.
    level_db : ndarray, shape (m, n)
        Levels [dB].

    Returns
    -------
    ndarray, shape (m, p)
        Level [dB] at the p points of the common grid from 4.05 to 14.8 kHz.
    """
    start = int(np.searchsorted(frequency_hz, _GRID_HZ[0] * (1 - _ROUNDING)))
    columns = slice(start, start + _GRID_HZ.size)
    f = frequency_hz[columns]
    if f.shape == _GRID_HZ.shape and np.max(np.abs(f / _GRID_HZ - 1)) < _ROUNDING:
        return level_db[:, columns]
    rows = ("",) * len(level_db)
    curves = ResponseSet(frequency_hz=frequency_hz, level_db=level_db, channel=rows, seat=rows)
    return resample(curves, _GRID_HZ).level_db


def pick_peaks(level_db: FloatArray) -> tuple[Resonance, ...]:
    """Pick the resonance's peak in each row.

    Parameters
    ----------
    level_db : ndarray, shape (m, p)
        Levels [dB] about the resonance, as `resonance_levels` gives them.

    Returns
    -------
    tuple of Resonance, length m
        The most prominent peak between 5.5 and 11.5 kHz.
    """
    smooth = gaussian_filter1d(level_db, _PEAK_SIGMA, axis=-1)[:, _PEAK_COLUMNS]
    flattened = smooth - smooth @ _LINE @ _LINE.T
    return tuple(_pick_peak(row, flat) for row, flat in zip(smooth, flattened, strict=True))


def _pick_peak(level: FloatArray, flattened: FloatArray) -> Resonance:
    """Pick the peak of the flattened level; its vertex is that of the level as a chart shows it, where that has one."""
    peaks, found = find_peaks(flattened, prominence=_LEAST_PROMINENCE_DB)
    position = _PEAK_HZ[peaks]
    inside = (position >= PEAK_BAND_HZ[0]) & (position <= PEAK_BAND_HZ[1])
    if not np.any(inside):
        return Resonance(frequency_hz=None, prominence_db=0.0)
    best = int(np.argmax(np.where(inside, found["prominences"], -np.inf)))
    i = int(peaks[best])
    near = np.arange(max(i - _PEAK_REACH, 1), min(i + _PEAK_REACH + 1, level.size - 1))
    top = int(near[np.argmax(level[near])])
    if level[top] > max(level[top - 1], level[top + 1]):
        point = top + float(_vertex(level[top - 1], level[top], level[top + 1]))
    else:
        point = i + float(_vertex(flattened[i - 1], flattened[i], flattened[i + 1]))
    frequency_hz = float(_PEAK_HZ[0] * OCTAVE_RATIO ** (point / POINTS_PER_OCTAVE))
    return Resonance(frequency_hz=frequency_hz, prominence_db=float(found["prominences"][best]))


def correlate_slopes(level_db: FloatArray) -> FloatArray:
    """Give how far apart curves lie, from the correlation of their slopes over log frequency.

    Parameters
    ----------
    level_db : ndarray, shape (m, p)
        Levels [dB] about the resonance, as `resonance_levels` gives them.

    Returns
    -------
    ndarray, shape (m,)
        Shift of each curve from their mean [octave]; above 0 where its resonance lies higher. They sum to 0.

    Notes
    -----
    Every pair is compared at every lag up to 0.29 octave, the best lag refined by a parabola, and each curve takes the
    mean of its lags against all others. Slopes do not see the level, and see broad tonal differences little.
    """
    slope = np.gradient(gaussian_filter1d(level_db, _SLOPE_SIGMA, axis=-1), axis=-1)
    core = slope[:, _SLOPE_COLUMNS]
    lags = np.arange(-_LARGEST_LAG, _LARGEST_LAG + 1)
    moved = np.lib.stride_tricks.sliding_window_view(slope, core.shape[1], axis=1)
    moved = moved[:, _SLOPE_COLUMNS.start + lags]
    m = len(level_db)
    likeness = (_standard(core) @ _standard(moved).reshape(m * lags.size, -1).T).reshape(m, m, lags.size)
    best = np.clip(np.argmax(likeness, axis=-1), 1, lags.size - 2)
    at = [np.take_along_axis(likeness, best[..., np.newaxis] + k, -1)[..., 0] for k in (-1, 0, 1)]
    lag = (lags[best] + _vertex(*at)) / POINTS_PER_OCTAVE
    return np.asarray((lag.mean(axis=0) - lag.mean(axis=1)) / 2)


def _standard(values: FloatArray) -> FloatArray:
    centred = values - values.mean(axis=-1, keepdims=True)
    return np.asarray(centred / np.maximum(np.linalg.norm(centred, axis=-1, keepdims=True), 1e-12))


def _vertex(a: npt.ArrayLike, b: npt.ArrayLike, c: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Give where the parabola through three neighbours is highest, from the middle one, at most one point off."""
    a, b, c = (np.asarray(value, dtype=np.float64) for value in (a, b, c))
    bend = a - 2 * b + c
    hollow = bend >= 0
    return np.where(hollow, 0.0, np.clip((a - c) / (2 * np.where(hollow, 1.0, bend)), -1, 1))


def _columns(band_hz: tuple[float, float], margin: int = 0) -> slice:
    first, last = np.searchsorted(_GRID_HZ, band_hz)
    return slice(max(int(first) - margin, 0), int(last) + margin)


_GRID_HZ = octave_grid(low_hz=COVERED_BAND_HZ[0], high_hz=COVERED_BAND_HZ[1])
_SLOPE_COLUMNS = _columns(SLOPE_BAND_HZ)
_PEAK_COLUMNS = _columns(PEAK_BAND_HZ, POINTS_PER_OCTAVE // 4)
_PEAK_HZ = _GRID_HZ[_PEAK_COLUMNS]
_LINE = np.linalg.qr(np.vander(octaves_from_frequency(_PEAK_HZ), 2))[0]
