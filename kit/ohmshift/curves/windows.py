"""Exact averages of the straight lines between a curve's points in log frequency, over windows and ranges."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import log, pi, sqrt
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from scipy.special import ndtr

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

Window: TypeAlias = Literal["rectangular", "hann", "gaussian"]

_KEPT_WEIGHTS = 4_000_000
"""Most weights that are kept for another curve on the same grid; more are worked out block by block and dropped."""

_BLOCK = 32
"""Smoothed points in one block of weights: two thirds of an octave of the common grid."""

_FEW_CURVES = 4
_LONG_GRID = 2048
"""Up to so many curves, or from so many points on, running integrals are quicker than weights."""

_CHUNK = 256
"""Curves weighted at once, so that what is worked on stays near the processor."""


def average_windows(
    frequency_hz: FloatArray, values: FloatArray, target_hz: FloatArray, *, width: float, window: Window
) -> FloatArray:
    """Average values under a window centred on each target.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising.
    values : ndarray, shape (..., n)
        Values, joined by straight lines in log frequency.
    target_hz : ndarray, shape (k,)
        Centres [Hz], inside the band of the data.
    width : float
        Full width of the window at half maximum [octave of ratio 10^0.3].
    window : {"rectangular", "hann", "gaussian"}
        Its shape.

    Returns
    -------
    ndarray, shape (..., k)
        Averages; a window is cut off at the data's ends and weighted anew.
    """
    key = (frequency_hz.tobytes(), b"" if target_hz is frequency_hz else target_hz.tobytes(), width)
    if window == "rectangular" and (values.ndim == 1 or len(values) <= _FEW_CURVES or frequency_hz.size >= _LONG_GRID):
        return _plan_windows(*key).means(values)
    rows = values.reshape(-1, frequency_hz.size)
    result = np.empty((len(rows), target_hz.size))
    kept = _kept_blocks(*key, window)
    room = np.empty((min(_CHUNK, len(rows)), frequency_hz.size))
    for start in range(0, len(rows), _CHUNK):
        chunk, smoothed = rows[start : start + _CHUNK], result[start : start + _CHUNK]
        y = np.subtract(chunk, chunk[:, :1], out=room[: len(chunk)])
        for block in _build_blocks(*_octaves(*key[:2]), width, window) if kept is None else kept:
            np.matmul(y[:, block.columns], block.weights, out=smoothed[:, block.rows])
        smoothed += chunk[:, :1]
    return result.reshape(*values.shape[:-1], target_hz.size)


def average_ranges(
    frequency_hz: FloatArray, values: FloatArray, *, low_hz: FloatArray, high_hz: FloatArray
) -> FloatArray:
    """Average values between pairs of frequencies.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising.
    values : ndarray, shape (..., n)
        Values, joined by straight lines in log frequency.
    low_hz, high_hz : ndarray, shape (b,)
        Edges of each range [Hz], low below high, inside the band of the data.

    Returns
    -------
    ndarray, shape (..., b)
        Averages with equal weight to each octave.
    """
    key = (frequency_hz.tobytes(), low_hz.tobytes(), high_hz.tobytes())
    if values.size <= _FEW_CURVES * frequency_hz.size or frequency_hz.size >= _LONG_GRID:
        return _plan_ranges(*key).means(values)
    base = values[..., :1]
    return np.asarray((values - base) @ _range_weights(*key) + base)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Edge:
    """Where range edges lie: point to the left, and weights of that point and the next in the piece up to the edge."""

    point: npt.NDArray[np.intp]
    left: FloatArray
    right: FloatArray

    def integral(self, running: FloatArray, y: FloatArray) -> FloatArray:
        """Give the integral from the first point to each edge."""
        total: FloatArray = running.take(self.point, -1, mode="clip")
        total += y.take(self.point, -1, mode="clip") * self.left
        total += y.take(self.point + 1, -1, mode="clip") * self.right
        return total


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _RunningMeans:
    """Means over ranges of the straight lines between points, by one running integral."""

    half_step: FloatArray
    low: _Edge
    high: _Edge
    per_length: FloatArray

    def means(self, values: FloatArray) -> FloatArray:
        """Give the means (..., b) of values (..., n); the first value is set aside, so that a constant stays exact."""
        base = values[..., :1]
        y = values - base
        running = np.zeros_like(y)
        np.cumsum((y[..., 1:] + y[..., :-1]) * self.half_step, axis=-1, out=running[..., 1:])
        total = self.high.integral(running, y)
        total -= self.low.integral(running, y)
        total *= self.per_length
        total += base
        return total


@lru_cache(maxsize=32)
def _plan_ranges(frequency_hz: bytes, low_hz: bytes, high_hz: bytes) -> _RunningMeans:
    """Plan means between edges; the arrays come as bytes, for the plan to be kept by."""
    x, low, high = (octaves_from_frequency(np.frombuffer(part)) for part in (frequency_hz, low_hz, high_hz))
    return _plan_running(x, low, high)


@lru_cache(maxsize=16)
def _range_weights(frequency_hz: bytes, low_hz: bytes, high_hz: bytes) -> FloatArray:
    """Give the weights (n, b) of each point in each mean."""
    n = np.frombuffer(frequency_hz).size
    return read_only(_plan_ranges(frequency_hz, low_hz, high_hz).means(np.eye(n)))


@lru_cache(maxsize=16)
def _plan_windows(frequency_hz: bytes, target_hz: bytes, width: float) -> _RunningMeans:
    """Plan means over rectangular windows about each target, all frequencies if empty, cut off at the data's ends."""
    x, y = _octaves(frequency_hz, target_hz)
    return _plan_running(x, y - width / 2, y + width / 2)


def _plan_running(x: FloatArray, low: FloatArray, high: FloatArray) -> _RunningMeans:
    low, high = np.maximum(low, x[0]), np.minimum(high, x[-1])
    step = np.diff(x)

    def place(edge: FloatArray) -> _Edge:
        i = np.clip(np.searchsorted(x, edge, "right") - 1, 0, x.size - 2)
        t = edge - x[i]
        right = t * t / (2 * step[i])
        return _Edge(point=i, left=t - right, right=right)

    return _RunningMeans(half_step=step / 2, low=place(low), high=place(high), per_length=1 / (high - low))


def _octaves(frequency_hz: bytes, target_hz: bytes) -> tuple[FloatArray, FloatArray]:
    x = octaves_from_frequency(np.frombuffer(frequency_hz))
    return x, (octaves_from_frequency(np.frombuffer(target_hz)) if target_hz else x)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Block:
    """Weights (columns, rows) of neighbouring smoothed points, the rows, over the points their windows reach."""

    rows: slice
    columns: slice
    weights: FloatArray


@lru_cache(maxsize=8)
def _kept_blocks(frequency_hz: bytes, target_hz: bytes, width: float, window: Window) -> tuple[_Block, ...] | None:
    """Give all blocks of weights, or None where they are too many to keep."""
    x, y = _octaves(frequency_hz, target_hz)
    reach = _reach(window, width)
    points = np.searchsorted(x, y + reach) - np.searchsorted(x, y - reach)
    return tuple(_build_blocks(x, y, width, window)) if int(points.sum()) <= _KEPT_WEIGHTS else None


def _build_blocks(x: FloatArray, y: FloatArray, width: float, window: Window) -> Iterator[_Block]:
    """Work out the integral of each point's hat function under each window.

    With K the window's second antiderivative, that integral is the second divided difference of K; at an end of the
    data its first antiderivative stands for the missing side. The weights of a window are divided by their sum.
    """
    reach = _reach(window, width)
    first = np.clip(np.searchsorted(x, y - reach, "right") - 1, 0, x.size - 2)
    last = np.clip(np.searchsorted(x, y + reach), 1, x.size - 1)
    for start in range(0, y.size, _BLOCK):
        rows = slice(start, min(start + _BLOCK, y.size))
        columns = slice(int(first[rows].min()), int(last[rows].max()) + 1)
        u = x[columns, np.newaxis] - y[rows]
        once, twice = _antiderivatives(u, width, window)
        rise = np.diff(twice, axis=0) / np.diff(x[columns])[:, np.newaxis]
        weights = np.diff(np.concatenate([once[:1], rise, once[-1:]]), axis=0)
        yield _Block(rows=rows, columns=columns, weights=weights / weights.sum(axis=0))


def _reach(window: Window, width: float) -> float:
    """Give how far a window of this full width at half maximum reaches to either side."""
    return {"rectangular": width / 2, "hann": width, "gaussian": 4 * _sigma(width)}[window]


def _sigma(width: float) -> float:
    return width / sqrt(8 * log(2))


def _antiderivatives(u: FloatArray, width: float, window: Window) -> tuple[FloatArray, FloatArray]:
    """Give the first and second antiderivative of a window, up to a common factor, from its left end."""
    reach = _reach(window, width)
    v, beyond = np.clip(u, -reach, reach), np.maximum(u - reach, 0)
    if window == "rectangular":
        return (v + reach) / width, (v + reach) ** 2 / (2 * width) + beyond
    if window == "hann":
        a = pi / reach  # window (1 + cos a u) / (2 reach)
        once = (v + reach) / (2 * reach) + np.sin(a * v) / (2 * pi)
        return once, (v + reach) ** 2 / (4 * reach) - (1 + np.cos(a * v)) / (2 * pi * a) + beyond
    s, tail = _sigma(width), ndtr(-reach / _sigma(width))
    once = ndtr(v / s)
    twice = v * once + s / sqrt(2 * pi) * np.exp(-0.5 * (v / s) ** 2)
    left_end = -reach * tail + s / sqrt(2 * pi) * np.exp(-0.5 * (reach / s) ** 2)
    return once - tail, twice - left_end - tail * (v + reach) + beyond * (1 - 2 * tail)
