"""Axes of charts: ranges in whole steps, ticks, the proportions of IEC 60263, and labels that keep apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.curves.values import FloatArray

Scale: TypeAlias = Literal["db", "ohm", "linear"]
Ends: TypeAlias = tuple[float, float]

DB_PER_DECADE = (10, 20, 25, 50)
"""The aspect ratios of IEC 60263:2020, 4.1 [dB per decade]; 4.2 gives the same ratios for logarithmic quantities."""

DECADE_DB = 20
"""What one decade of a field quantity is in dB."""

PLAIN_HEIGHT = 0.45
"""Height of a frame as a part of its width where no standard proportion exists."""

_TALLEST = 0.54
"""Tallest frame as a part of its width when the proportion is chosen: three charts then fit a page."""

_STEPS = (1.0, 2.0, 5.0)


def decades(ends: Ends) -> float:
    """Give the decades between the ends of a logarithmic axis.

    Parameters
    ----------
    ends : tuple of float
        Both above zero.

    Returns
    -------
    float
        Decades.
    """
    return float(np.log10(ends[1] / ends[0]))


def extent_db(ends: Ends, *, scale: Scale) -> float:
    """Give the extent of a vertical axis.

    Parameters
    ----------
    ends : tuple of float
        Ends of the axis, in dB, or in a quantity that is plotted logarithmically.
    scale : {"db", "ohm"}
        Which of the two.

    Returns
    -------
    float
        Extent [dB]; one decade counts as 20 dB.

    Examples
    --------
    >>> extent_db((-5, 5), scale="db"), extent_db((1, 100), scale="ohm")
    (10, 40.0)
    """
    return ends[1] - ends[0] if scale == "db" else DECADE_DB * decades(ends)


def choose_proportion(extent_db: float, decades: float) -> int:
    """Choose the largest magnification of IEC 60263 for which a chart does not grow too tall.

    Parameters
    ----------
    extent_db : float
        Extent of the vertical axis [dB].
    decades : float
        Extent of the frequency axis.

    Returns
    -------
    int
        Proportion [dB per decade]; 50 where every one is too tall.

    References
    ----------
    .. [1] IEC 60263:2020, 4.1 and 4.2.

    Examples
    --------
    >>> choose_proportion(10, 3), choose_proportion(40, 3)
    (10, 25)
    """
    fitting = [ratio for ratio in DB_PER_DECADE if extent_db / ratio / decades <= _TALLEST]
    return fitting[0] if fitting else DB_PER_DECADE[-1]


def fit_range(values: FloatArray, *, scale: Scale = "db") -> Ends:
    """Give the ends of a vertical axis that hold all values, in whole steps.

    Parameters
    ----------
    values : ndarray
        Values; nan counts for nothing, nor does a value of zero or below on a logarithmic axis.
    scale : {"db", "ohm", "linear"}
        dB go in steps of 5, a logarithmic quantity in steps of 1, 2, 5, 10.

    Returns
    -------
    tuple of float
        Lower and upper end.

    Examples
    --------
    >>> import numpy as np
    >>> fit_range(np.array([-7.0, 2.0])), fit_range(np.array([13.0, 41.0]), scale="ohm")
    ((-10.0, 5.0), (10.0, 50.0))
    """
    y = values[np.isfinite(values) & ((values > 0) | (scale != "ohm"))]
    low, high = (float(y.min()), float(y.max())) if y.size else (1.0, 9.0)
    if scale == "ohm":
        decade = 10.0 ** np.floor(np.log10(low)), 10.0 ** np.floor(np.log10(high))
        below = [step * decade[0] for step in (0.5, *_STEPS) if step * decade[0] < low]
        return (float(below[-1]), float(next(s * decade[1] for s in (*_STEPS, 10.0, 20.0) if s * decade[1] > high)))
    step = 5.0 if scale == "db" else float(10.0 ** np.floor(np.log10((high - low) or 1.0))) / 2
    low, high = step * float(np.floor(low / step)), step * float(np.ceil(high / step))
    return (low - step, high + step) if high - low < 1.5 * step else (low, high)


def log_ticks(ends: Ends) -> tuple[float, ...]:
    """Give the ticks 1, 2, 5, 10 ... of a logarithmic axis.

    Parameters
    ----------
    ends : tuple of float
        Ends of the axis.

    Returns
    -------
    tuple of float
        Ticks inside the ends.

    Examples
    --------
    >>> log_ticks((20, 500))
    (20.0, 50.0, 100.0, 200.0, 500.0)
    """
    return _log_ticks(ends, _STEPS)


def minor_log_ticks(ends: Ends) -> tuple[float, ...]:
    """Give the ticks between those of `log_ticks`.

    Parameters
    ----------
    ends : tuple of float
        Ends of the axis.

    Returns
    -------
    tuple of float
        Ticks inside the ends.
    """
    return _log_ticks(ends, (3.0, 4.0, 6.0, 7.0, 8.0, 9.0))


def _log_ticks(ends: Ends, steps: Sequence[float]) -> tuple[float, ...]:
    low, high = ends
    exponents = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    ticks = [float(f"{step:g}e{exponent}") for exponent in exponents for step in steps]
    return tuple(tick for tick in ticks if low * (1 - 1e-9) <= tick <= high * (1 + 1e-9))


def even_ticks(ends: Ends, *, length: float, apart: float = 34.0) -> tuple[float, ...]:
    """Give ticks in steps of 1, 2 or 5 times a power of ten.

    Parameters
    ----------
    ends : tuple of float
        Ends of the axis.
    length : float
        Its length [px].
    apart : float
        Least distance of two ticks [px].

    Returns
    -------
    tuple of float
        Ticks inside the ends.

    Examples
    --------
    >>> even_ticks((-10, 10), length=300)
    (-10.0, -5.0, 0.0, 5.0, 10.0)
    """
    low, high = ends
    least = (high - low) * apart / length
    power = 10.0 ** np.floor(np.log10(least))
    step = float(next(s * power for s in (*_STEPS, 10.0, 20.0) if s * power >= least * (1 - 1e-9)))
    k = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1)
    return tuple(float(f"{value * step + 0.0:.10g}") for value in k)


def spread(wanted: Sequence[float], *, low: float, high: float, apart: float) -> tuple[float, ...]:
    """Move positions as little as needed until no two are closer than a distance.

    Parameters
    ----------
    wanted : sequence of float
        Positions, in any order.
    low, high : float
        Where they must stay.
    apart : float
        Least distance; less where they do not all fit.

    Returns
    -------
    tuple of float
        Positions in the same order as given.

    Notes
    -----
    Positions that touch are merged into a block centred on the mean of what its members wanted, and blocks that touch
    are merged again: the least-squares answer (isotonic regression by pooling adjacent violators) on shifted positions.

    Examples
    --------
    >>> spread([5, 5, 20], low=0, high=30, apart=4)
    (3.0, 7.0, 20.0)
    """
    n = len(wanted)
    if n == 0:
        return ()
    apart = min(apart, (high - low) / max(n - 1, 1))
    order = np.argsort(np.asarray(wanted, dtype=float), kind="stable")
    shift = apart * np.arange(n)
    blocks: list[list[float]] = []
    for value in np.asarray(wanted, dtype=float)[order] - shift:
        blocks.append([float(value), 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, size = blocks.pop()
            total = blocks[-1][1] + size
            blocks[-1] = [(blocks[-1][0] * blocks[-1][1] + mean * size) / total, total]
    pooled = np.concatenate([np.full(int(size), mean) for mean, size in blocks])
    position = np.clip(pooled, low, high - shift[-1]) + shift
    result = np.empty(n)
    result[order] = position
    return tuple(float(value) for value in result)
