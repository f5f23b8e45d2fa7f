"""Fractional-octave smoothing and band means, exact for any rising frequency grid."""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import TYPE_CHECKING, Literal, TypeAlias, TypeVar, get_args

import numpy as np

from ohmshift.curves.values import FloatArray, Impedance, Response, ResponseSet, Step
from ohmshift.curves.windows import Window, average_ranges, average_windows
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.grids import Bands

Curve = TypeVar("Curve", Response, ResponseSet)
Average: TypeAlias = Literal["level", "power"]

_ROUNDING = 1e-9

_NEPER = log(10) / 10
"""Natural logarithm of the power ratio of 1 dB."""


def smooth_fractional_octave(
    curve: Curve,
    fraction: float = 3,
    *,
    window: Window = "rectangular",
    average: Average = "level",
    frequency_hz: npt.ArrayLike | None = None,
) -> Curve:
    """Smooth a curve over a constant fraction of an octave.

    Parameters
    ----------
    curve : Response or ResponseSet
        Curve on any rising grid of n points.
    fraction : float
        Windows an octave: 3 for 1/3-octave smoothing. Octaves are those of base 10, G = 10^0.3.
    window : {"rectangular", "hann", "gaussian"}
        Weight over log frequency. Its full width at half maximum is 1/fraction octave: the rectangular window is that
        wide, the Hann window reaches one such width and the Gaussian four standard deviations to either side.
    average : {"level", "power"}
        What is averaged: the level [dB], or the squared amplitude it stands for.
    frequency_hz : array_like, shape (k,), optional
        Where to evaluate [Hz]; by default at the curve's own points.

    Returns
    -------
    Response or ResponseSet
        New curve. A phase is left behind: it does not belong to an averaged level.

    Raises
    ------
    CurveError
        An impedance, an unknown option, a frequency outside the band that the curve covers, or a power too small.

    Notes
    -----
    The window is integrated exactly over the curve's straight lines in log frequency (of level, or of power), so the
    result does not depend on where the points lie. At the ends of the band the window is cut off there and weighted
    anew, so a constant stays that constant; a slope is flattened there. Smooth on the grid measured and evaluate at the
    points wanted, not the reverse.

    The rectangular window takes running integrals, of a cost that does not grow with its width; the others, and sets of
    curves, blocks of exact weights kept for the grid. A Hann or Gaussian window at every point of a long linear grid
    costs the square of its length: give `frequency_hz`. The running integral of powers is worth less where a curve lies
    100 dB and more below its peak.

    On a straight slope the average of levels has no error; the average of power reads high, by 0.039 dB for
    1/3 octave and 20 dB a decade.

    An impedance is refused: smooth the change that follows from it.

    References
    ----------
    .. [1] J. G. Tylka, B. B. Boren, E. Y. Choueiri, "A Generalized Method for Fractional-Octave Smoothing of Transfer
       Functions that Preserves Log-Frequency Symmetry", J. Audio Eng. Soc. 65(3), 2017, 239-245,
       doi:10.17743/jaes.2016.0053.
    .. [2] IEC 61260-1:2014, equation 1.

    Examples
    --------
    >>> curve = Response(frequency_hz=[100, 1000, 10_000], level_db=[0, 20, 40], label="ladle")
    >>> [round(float(level), 6) for level in smooth_fractional_octave(curve, 3, frequency_hz=[500, 1000]).level_db]
    [13.9794, 20.0]
    """
    _check_options(curve, fraction, window, average)
    target = curve.frequency_hz if frequency_hz is None else _checked_target(curve, frequency_hz)
    f, width = curve.frequency_hz, 1 / fraction
    if average == "level":
        level_db = average_windows(f, curve.level_db, target, width=width, window=window)
    else:
        peak = curve.level_db.max()
        power = average_windows(f, np.exp((curve.level_db - peak) * _NEPER), target, width=width, window=window)
        if not np.all(power > 0):
            raise CurveError(
                curve.label or "smooth_fractional_octave",
                "powers are averaged down to 150 dB below the peak",
                "a part of the curve lies lower",
                "average levels, or leave that part out",
            )
        level_db = np.log(power) / _NEPER + peak
    options = (("fraction", fraction), ("window", window), ("average", average), ("points", int(target.size)))
    history = (*curve.history, Step(name="smooth_fractional_octave", options=options))
    if isinstance(curve, Response):
        return replace(curve, frequency_hz=target, level_db=level_db, phase_deg=None, history=history)
    return replace(curve, frequency_hz=target, level_db=level_db, history=history)


def band_levels(frequency_hz: npt.ArrayLike, level_db: npt.ArrayLike, bands: Bands) -> FloatArray:
    """Give the mean level over each band, with equal weight to each octave.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.
    level_db : array_like, shape (..., n)
        Levels or changes of level [dB].
    bands : Bands
        Bands of b mid-band frequencies.

    Returns
    -------
    ndarray, shape (..., b)
        Mean level [dB] between each band's edges; nan where the data do not cover the whole band, or a level that the
        band needs is not finite.

    Raises
    ------
    CurveError
        Counts that do not match, or a frequency that does not rise.

    Notes
    -----
    The mean is the exact integral of the straight lines between points in log frequency.

    Examples
    --------
    >>> from ohmshift.curves.grids import fractional_octave_bands
    >>> bands = fractional_octave_bands(3, low_hz=800, high_hz=1250)
    >>> [round(float(level), 6) for level in band_levels([890, 1000, 10_000], [0, 0, 20], bands)]
    [nan, 0.25, 2.0]
    """
    return mean_levels(frequency_hz, level_db, low_hz=bands.low_hz, high_hz=bands.high_hz)


def mean_levels(
    frequency_hz: npt.ArrayLike, level_db: npt.ArrayLike, *, low_hz: npt.ArrayLike, high_hz: npt.ArrayLike
) -> FloatArray:
    """Give the mean level between pairs of frequencies, with equal weight to each octave.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.
    level_db : array_like, shape (..., n)
        Levels or changes of level [dB].
    low_hz, high_hz : array_like, shape (b,)
        Edges of each range [Hz], low below high.

    Returns
    -------
    ndarray, shape (..., b)
        Mean level [dB]; nan where the data do not cover the whole range, or a level that it needs is not finite.

    Raises
    ------
    CurveError
        Counts that do not match, a frequency that does not rise, or an empty range.

    Examples
    --------
    >>> float(mean_levels([100, 1000, 10_000], [0, 20, 40], low_hz=[100], high_hz=[1000])[0])
    10.0
    """
    f, levels = _checked_axis(frequency_hz, level_db)
    low, high = (np.atleast_1d(np.asarray(edge, dtype=np.float64)) for edge in (low_hz, high_hz))
    if low.shape != high.shape or not np.all((low > 0) & (low < high)):
        raise CurveError("mean_levels", "each range needs 0 < low_hz < high_hz", "one has not", "widen that range")
    covered = (low >= f[0] * (1 - _ROUNDING)) & (high <= f[-1] * (1 + _ROUNDING))
    result = np.full((*levels.shape[:-1], low.size), np.nan)
    unknown = None if np.isfinite(levels.sum()) else ~np.isfinite(levels)
    if unknown is not None:
        levels = np.where(unknown, 0.0, levels)
    if np.any(covered):
        result[..., covered] = average_ranges(f, levels, low_hz=low[covered], high_hz=high[covered])
    if unknown is not None:
        result[_needs(f, unknown, low, high)] = np.nan
    return result


def _needs(f: FloatArray, points: npt.NDArray[np.bool_], low: FloatArray, high: FloatArray) -> npt.NDArray[np.bool_]:
    """Say whether the mean over each range (..., b) needs any of some points (..., n)."""
    first = np.maximum(np.searchsorted(f, low, "right") - 1, 0)
    last = np.minimum(np.searchsorted(f, high), f.size - 1)
    before = np.concatenate([np.zeros((*points.shape[:-1], 1), dtype=np.int64), np.cumsum(points, axis=-1)], axis=-1)
    return np.asarray(before[..., last + 1] > before[..., first])


def _check_options(curve: object, fraction: float, window: str, average: str) -> None:
    where = getattr(curve, "label", "") or "smooth_fractional_octave"
    if isinstance(curve, Impedance):
        raise CurveError(
            where, "a response is smoothed", "this is an impedance", "smooth the change that follows from it"
        )
    if not (np.isfinite(fraction) and fraction > 0):
        raise CurveError(where, "the fraction must be above 0", f"it is {fraction}", "give 3 for 1/3 octave")
    for name, value, known in (("window", window, get_args(Window)), ("average", average, get_args(Average))):
        if value not in known:
            raise CurveError(
                f"{where}, {name}", f"it must be one of {', '.join(known)}", f"it is {value!r}", "choose one"
            )


def _checked_target(curve: Response | ResponseSet, frequency_hz: npt.ArrayLike) -> FloatArray:
    f, target = curve.frequency_hz, np.asarray(frequency_hz, dtype=np.float64)
    inside = (target >= f[0] * (1 - _ROUNDING)) & (target <= f[-1] * (1 + _ROUNDING))
    if not np.all(inside):
        raise CurveError(
            curve.label or "smooth_fractional_octave",
            f"the curve covers {f[0]:g} to {f[-1]:g} Hz and is not extrapolated",
            f"a value is asked for at {target[~inside][0]:g} Hz",
            "choose frequencies inside that band",
        )
    return target


def _checked_axis(frequency_hz: npt.ArrayLike, level_db: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    f, levels = np.asarray(frequency_hz, dtype=np.float64), np.asarray(level_db, dtype=np.float64)
    if f.ndim != 1 or levels.shape[-1:] != f.shape:
        raise CurveError(
            "level_db",
            "its last axis must have one value a frequency",
            f"shapes are {levels.shape} and {f.shape}",
            "give the frequencies of these levels",
        )
    if f.size < 2 or not (f[0] > 0 and f[-1] < np.inf and np.all(np.diff(f) > 0)):  # noqa: PLR2004 - the shortest curve
        raise CurveError("frequency_hz", "frequency must be above 0 Hz and rise", "it does not", "sort the frequencies")
    return f, levels
