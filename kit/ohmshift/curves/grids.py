"""Base-10 fractional-octave grids and bands (IEC 61260-1), and bringing curves onto them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from scipy.interpolate import Akima1DInterpolator

from ohmshift.curves.values import FloatArray, Impedance, Response, ResponseSet, Step, read_only
from ohmshift.curves.windows import average_ranges
from ohmshift.errors import CurveError
from ohmshift.units import OCTAVE_RATIO, octaves_from_frequency

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

Curve = TypeVar("Curve", Response, Impedance, ResponseSet)

POINTS_PER_OCTAVE = 48
"""Density of the common grid."""

_DENSE = 4
"""Native points in one grid step from which on a step is averaged instead of interpolated."""

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Bands:
    """Fractional-octave bands.

    Parameters
    ----------
    fraction : int
        Bands an octave: 3 for third-octave bands.
    low_hz, mid_hz, high_hz : ndarray, shape (b,)
        Lower band-edge, exact mid-band and upper band-edge frequency [Hz].
    """

    fraction: int
    low_hz: FloatArray
    mid_hz: FloatArray
    high_hz: FloatArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("low_hz", "mid_hz", "high_hz"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def __len__(self) -> int:
        """Give the number of bands."""
        return int(self.mid_hz.size)


def fractional_octave_bands(fraction: int = 3, *, low_hz: float = 25.0, high_hz: float = 16_000.0) -> Bands:
    """Give the exact base-10 mid-band and edge frequencies of fractional-octave bands.

    Parameters
    ----------
    fraction : int
        Bands an octave, b in the standard.
    low_hz, high_hz : float
        Frequencies [Hz] that lie in the first and in the last band.

    Returns
    -------
    Bands
        Edges and exact mid-bands [Hz].

    Raises
    ------
    CurveError
        A fraction below 1, or a range that is empty.

    Notes
    -----
    For an even b no band is centred on 1 kHz: 1 kHz is an edge.

    References
    ----------
    .. [1] IEC 61260-1:2014, clauses 5.2 to 5.6, equations 1 to 5.

    Examples
    --------
    >>> bands = fractional_octave_bands(3)
    >>> len(bands), round(float(bands.mid_hz[-1]), 3)
    (29, 15848.932)
    """
    _check_range("fractional_octave_bands", fraction, low_hz, high_hz)
    b, G = fraction, OCTAVE_RATIO
    offset = 0.0 if b % 2 else 0.5
    position = octaves_from_frequency(np.array([low_hz, high_hz])) * b - offset
    first, last = np.rint(position).astype(int)
    x = np.arange(first, last + 1)
    f_m = 1000.0 * G ** ((x + offset) / b)  # Eq. 2 (b odd) and eq. 3 (b even) of [1]
    half = G ** (1 / (2 * b))  # Eqs. 4 and 5 of [1]
    return Bands(fraction=b, low_hz=f_m / half, mid_hz=f_m, high_hz=f_m * half)


def octave_grid(
    points_per_octave: int = POINTS_PER_OCTAVE, *, low_hz: float = 20.0, high_hz: float = 20_000.0
) -> FloatArray:
    """Give the common frequency grid, anchored at 1 kHz.

    Parameters
    ----------
    points_per_octave : int
        Points in one base-10 octave.
    low_hz, high_hz : float
        Range to stay within [Hz].

    Returns
    -------
    ndarray, shape (n,)
        Frequency [Hz], 1000 G^(k / points_per_octave); empty where the range lies between two points.

    Raises
    ------
    CurveError
        Fewer than one point an octave, or `low_hz` not above 0 and below `high_hz`.

    Examples
    --------
    >>> grid = octave_grid()
    >>> grid.size, bool(np.any(grid == 1000))
    (480, True)
    """
    _check_range("octave_grid", points_per_octave, low_hz, high_hz)
    low, high = octaves_from_frequency(np.array([low_hz, high_hz])) * points_per_octave
    k = np.arange(np.ceil(low - _ROUNDING), np.floor(high + _ROUNDING) + 1)
    return np.asarray(1000.0 * OCTAVE_RATIO ** (k / points_per_octave))


def resample(curve: Curve, frequency_hz: npt.ArrayLike | None = None) -> Curve:
    """Bring a curve onto a frequency grid, without extrapolation.

    Parameters
    ----------
    curve : Response, Impedance or ResponseSet
        Curve on any rising grid.
    frequency_hz : array_like, shape (n,), optional
        Grid wanted [Hz]; by default the common grid of 48 points an octave, as far as the curve reaches.

    Returns
    -------
    Response, Impedance or ResponseSet
        New curve on that grid.

    Raises
    ------
    CurveError
        A grid that leaves the band that the curve covers, or that does not rise.

    Notes
    -----
    Between sparse points a modified Akima spline in log frequency is used: on a 48-point grid its error at a sharp
    resonance is a small part of the straight line's. Where the curve holds four or more points in one grid step, as a
    linear grid does at high frequencies, the step's mean is taken, so that noise is not picked point by point.
    Real and imaginary part of an impedance are treated separately.
    """
    f = curve.frequency_hz
    if frequency_hz is None:
        frequency_hz = octave_grid(low_hz=float(f[0]), high_hz=float(f[-1]))
    target = np.asarray(frequency_hz, dtype=np.float64)
    if target.ndim != 1:
        found = f"its shape is {target.shape}"
        raise CurveError(curve.label or "resample", "a grid is a row of frequencies", found, "give a row")
    if target.size and (target[0] < f[0] * (1 - _ROUNDING) or target[-1] > f[-1] * (1 + _ROUNDING)):
        raise CurveError(
            curve.label or "resample",
            f"the curve covers {f[0]:g} to {f[-1]:g} Hz and is not extrapolated",
            f"the grid goes from {target[0]:g} to {target[-1]:g} Hz",
            "choose a grid inside that band",
        )
    if target.shape == f.shape and np.allclose(target, f, rtol=_ROUNDING, atol=0):
        return curve
    step = Step(name="resample", options=(("points", int(target.size)), ("interpolation", "modified Akima, log f")))
    history = (*curve.history, step)
    if isinstance(curve, Impedance):
        Z = curve.impedance_ohm
        Z = _onto(f, Z.real, target) + 1j * _onto(f, Z.imag, target)
        return replace(curve, frequency_hz=target, impedance_ohm=Z, history=history)
    level_db = _onto(f, curve.level_db, target)
    if isinstance(curve, ResponseSet):
        return replace(curve, frequency_hz=target, level_db=level_db, history=history)
    phase_deg = None if curve.phase_deg is None else _onto(f, np.unwrap(curve.phase_deg, period=360), target)
    return replace(curve, frequency_hz=target, level_db=level_db, phase_deg=phase_deg, history=history)


def gather_responses(
    responses: Sequence[Response],
    *,
    channel: Sequence[str],
    seat: Sequence[str],
    added_ohm: float = 0.0,
    source_ohm: float = 0.0,
    label: str = "",
) -> ResponseSet:
    """Put responses of one earphone in one condition onto one grid.

    Parameters
    ----------
    responses : sequence of Response, length m
        Measurements, each on its own grid.
    channel, seat : sequence of str, length m
        Channel and seating of each.
    added_ohm, source_ohm : float
        Added resistance, and resistance of amplifier and cable [ohm].
    label : str
        The earphone.

    Returns
    -------
    ResponseSet
        On the part of the common grid that all of them cover. Its level counts as absolute only if every one's does.

    Raises
    ------
    CurveError
        No responses, or no common band.
    """
    if not responses:
        raise CurveError(
            label or "gather_responses",
            "a set needs at least one response",
            "there is none",
            "check the earphone, channel and resistance asked for",
        )
    low = max(response.frequency_hz[0] for response in responses)
    high = min(response.frequency_hz[-1] for response in responses)
    if high <= low:
        raise CurveError(
            label or "gather_responses",
            "responses must share a frequency band",
            f"one starts at {low:g} Hz and another ends at {high:g} Hz",
            "leave one of them out",
        )
    grid = octave_grid(low_hz=low, high_hz=high)
    absolute = all(response.level_reference == "absolute" for response in responses)
    return ResponseSet(
        frequency_hz=grid,
        level_db=np.array([resample(response, grid).level_db for response in responses]),
        channel=tuple(channel),
        seat=tuple(seat),
        added_ohm=added_ohm,
        source_ohm=source_ohm,
        level_reference="absolute" if absolute else "relative",
        label=label,
        provenance=tuple(response.provenance for response in responses),
        history=(Step(name="gather_responses", options=(("points_per_octave", POINTS_PER_OCTAVE),)),),
    )


def pick_channel(curves: ResponseSet, channel: str) -> ResponseSet:
    """Take the responses of one channel out of a set.

    Parameters
    ----------
    curves : ResponseSet
        Responses of one condition.
    channel : str
        Channel, "left" or "right".

    Returns
    -------
    ResponseSet
        The rows of that channel.

    Raises
    ------
    CurveError
        The set holds no row of that channel.
    """
    rows = curves.rows(channel)
    return replace(
        curves,
        level_db=curves.level_db[list(rows)],
        channel=tuple(curves.channel[i] for i in rows),
        seat=tuple(curves.seat[i] for i in rows),
        provenance=tuple(curves.provenance[i] for i in rows) if curves.provenance else (),
        history=(*curves.history, Step(name="pick_channel", options=(("channel", channel),))),
    )


def _onto(f: FloatArray, values: FloatArray, target: FloatArray) -> FloatArray:
    """Evaluate values (..., n) at the target frequencies: spline where sparse, mean of the step where dense."""
    x, y = np.log(f), np.log(np.clip(target, f[0], f[-1]))
    result = np.asarray(Akima1DInterpolator(x, values, axis=-1, method="makima")(y), dtype=np.float64)
    if y.size < 2:  # noqa: PLR2004 - a step lies between two points
        return result
    middle = (y[1:] + y[:-1]) / 2
    edge = np.concatenate([[2 * y[0] - middle[0]], middle, [2 * y[-1] - middle[-1]]])
    count = np.diff(np.searchsorted(x, edge))
    dense = (count >= _DENSE) & (edge[:-1] >= x[0]) & (edge[1:] <= x[-1])
    if np.any(dense):
        low_hz, high_hz = np.exp(edge[:-1][dense]), np.exp(edge[1:][dense])
        result[..., dense] = average_ranges(f, values, low_hz=low_hz, high_hz=high_hz)
    return result


def _check_range(where: str, fraction: int, low_hz: float, high_hz: float) -> None:
    if not (1 <= fraction < np.inf and fraction == int(fraction)):
        raise CurveError(where, "the fraction must be a whole number, 1 or more", f"it is {fraction}", "give 3 for 1/3")
    if not 0 < low_hz < high_hz < np.inf:
        raise CurveError(where, "0 < low_hz < high_hz", f"they are {low_hz:g} and {high_hz:g} Hz", "widen the range")
