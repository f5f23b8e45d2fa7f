"""Phase from level: the gain-phase integral of minimum-phase systems, exact for piecewise-linear curves.

The level is taken as piecewise linear over the logarithm of frequency, for which the integral has a closed form. What
lies outside the measured band has to be continued: as the voltage divider does it, or by edge slopes that die out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from scipy.special import spence

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

Continuation: TypeAlias = Literal["divider", "slope"]

LEAST_LOSS = 1e-6
"""Smallest loss that counts as one [neper]: a passive load behind a resistance never has less than none."""

_OCTAVE = float(np.log(2))
_OUTSIDE_OCTAVES = 6
_OUTSIDE_PER_OCTAVE = 12
_FIT_OCTAVES = 1 / 3
_FEWEST_IN_FIT = 3
_MOST_FREQUENCIES = 2500
_SLOPE_OCTAVES = (1.0, 2.0)
_MODE_OCTAVES = 3.0
# Powers of frequency by which |Z|^2 rises and falls beyond the low and the high edge, and octaves over which they die
# out: see `minimum_phase`.
_RISE = (2.0, 1.5)
_FALL = (2.0, 0.25)
_REACH_OCTAVES = (100.0, 4.0)
_DOUBTED_SLOPE = 0.15
# Spread of the unknown further slopes below and above the band: a constant, a share of the edge's slope, and a share of
# the median gain; from what thirteen simulated earphones behind 5, 15 and 75 ohm would have needed.
_SPREAD_LOW = (0.001, 0.2)
_SPREAD_HIGH = (0.002, 0.15, 0.08)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GainPhase:
    """The gain-phase integral on one frequency grid, built once and reused.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    outside : ndarray, shape (k,)
        Distances from either band edge at which the continued curve is taken [neper of frequency].
    operator : ndarray, shape (n + 2k, n)
        What turns the logarithm of gain [neper], continued below and above, into phase [rad] by `gain @ operator`.
    slopes : ndarray, shape (n, 2)
        What turns the logarithm of gain into its slope at the low and at the high edge, by `gain @ slopes`.
    middle : float
        How far above the low edge the middle of that slope's stretch lies [neper of frequency].
    edge_modes : ndarray, shape (2, n)
        Phase [rad] made by a unit of further slope [neper per neper] below and above the band; it dies out over 3
        octaves.
    """

    frequency_hz: FloatArray
    outside: FloatArray
    operator: FloatArray
    slopes: FloatArray
    middle: float
    edge_modes: FloatArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "outside", "operator", "slopes", "edge_modes"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def plan_gain_phase(frequency_hz: npt.ArrayLike) -> GainPhase:
    """Build the gain-phase integral for a frequency grid, or take the one built before.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising; any spacing.

    Returns
    -------
    GainPhase
        Operator, edge slopes and edge modes; the latest grids are kept.

    Raises
    ------
    CurveError
        Fewer than 4 frequencies, more than 2500, or frequencies that do not rise.

    Notes
    -----
    With u = ln f and A = ln|H| the phase at u_0 is (1/pi) times the integral of (dA/du) ln coth(|u - u_0|/2) du [1]_.
    A straight piece from u_j to u_(j+1) gives its slope times F(u_(j+1) - u_0) - F(u_j - u_0), where
    F(x) = sign(x) (pi^2/4 - Li2(z) + Li2(-z)), z = exp(-|x|), is the integral of ln coth(|v|/2) from 0 to x: derived by
    writing the logarithm as ln(1 + z) - ln(1 - z) and integrating term by term. There is no quadrature error.

    References
    ----------
    .. [1] H. W. Bode, Network Analysis and Feedback Amplifier Design, Van Nostrand 1945, chapter 14.

    Examples
    --------
    >>> plan_gain_phase([100, 200, 400, 800, 1600]).operator.shape
    (149, 5)
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    rising = f.ndim == 1 and f.size > _FEWEST_IN_FIT and f[0] > 0 and f[-1] < np.inf and bool(np.all(np.diff(f) > 0))
    if not rising:
        raise CurveError(
            "frequency_hz",
            "the gain-phase integral needs 4 frequencies or more, above 0 Hz and rising",
            f"there are {f.size}" if f.size <= _FEWEST_IN_FIT else "they are not",
            "sort the rows or drop duplicates",
        )
    if f.size > _MOST_FREQUENCIES:
        raise CurveError(
            "frequency_hz",
            f"the gain-phase integral takes {_MOST_FREQUENCIES} frequencies at most: its size goes with their square",
            f"there are {f.size}",
            "resample the curve first",
        )
    return _plan(f.tobytes())


def minimum_phase(
    plan: GainPhase,
    log_gain: npt.ArrayLike,
    *,
    continuation: Continuation = "divider",
    edge_slope: npt.ArrayLike | None = None,
) -> FloatArray:
    """Give the phase of a minimum-phase system from its gain.

    Parameters
    ----------
    plan : GainPhase
        Integral on the gain's frequency grid.
    log_gain : array_like, shape (..., n)
        Natural logarithm of the gain [neper].
    continuation : {"divider", "slope"}
        How the gain goes on outside the band.
    edge_slope : array_like, shape (..., 2), optional
        Further slope below and above the band [neper per neper].

    Returns
    -------
    ndarray, shape (..., n)
        Phase [rad].

    Notes
    -----
    "slope": the slope at each edge, by least squares over a third of an octave, dies out exponentially, over 1 octave
    below and 2 octaves above. It is linear in the gain and serves any gain.

    "divider": for gain = |W / (W + R)| the quantity 1/q, with q = gain^-2 - 1 = R (2 Re W + R) / |W|^2, goes as |W|^2
    where the resistive part is steady. Beyond the low edge it goes on as (1 - b) + b x^2, x being the frequency ratio
    outwards (a series capacitor's rise towards low frequency, for which it is exact) or (1 - b) + b x^-2 (the mass side
    of a resonance). The slope is found over a third of an octave, hence at its middle; b is what this law needs at the
    edge to have that slope there. A slope s below about 0.15 may be noise, which would be taken for a capacitor: it
    counts s^2 / (s^2 + 0.15^2) times. Beyond the high edge it rises with the power 1.5, between the lossy
    inductance's 1 and the pure one's 2, falls with the power 0.25, and dies out over 4 octaves. So the gain stays below
    1 and steady loads stay steady. Powers and reach were chosen on thirteen simulated earphones, the doubt of small
    slopes on random networks, with and without noise; `tests/benchmarks/bench_recovery.py` compares both continuations
    on others. It serves gains below 1; those above count as a loss of 1e-6 neper.

    Examples
    --------
    A first-order low-pass at its corner, 45 degrees behind:

    >>> f = np.geomspace(1, 1e6, 601)
    >>> phase = minimum_phase(plan_gain_phase(f), -0.5 * np.log1p((f / 1000) ** 2), continuation="slope")
    >>> round(float(np.degrees(phase[300])), 1)
    -45.0
    """
    A = np.asarray(log_gain, dtype=np.float64)
    below, above = _continue_slopes(plan, A) if continuation == "slope" else _continue_divider(plan, A)
    phase = np.concatenate([below[..., ::-1], A, above], axis=-1) @ plan.operator
    if edge_slope is not None:
        phase = phase + np.asarray(edge_slope, dtype=np.float64) @ plan.edge_modes
    return np.asarray(phase)


def edge_slope_spread(plan: GainPhase, log_gain: npt.ArrayLike) -> FloatArray:
    """Give how far the gain's slope outside the band may differ from its continuation as a divider.

    Parameters
    ----------
    plan : GainPhase
        Integral on the gain's frequency grid.
    log_gain : array_like, shape (..., n)
        Natural logarithm of the gain [neper].

    Returns
    -------
    ndarray, shape (..., 2)
        Standard deviation of the further slope below and above the band [neper per neper].

    Notes
    -----
    An empirical rule: the slopes that thirteen simulated earphones would have needed have about this spread. The check
    on others is the coverage of the bands built from it.

    Examples
    --------
    >>> plan = plan_gain_phase([100, 200, 400, 800, 1600])
    >>> edge_slope_spread(plan, [-0.5] * 5).round(3)
    array([0.001, 0.042])
    """
    A = np.asarray(log_gain, dtype=np.float64)
    slope = np.abs(A @ plan.slopes)
    low = _SPREAD_LOW[0] + _SPREAD_LOW[1] * slope[..., 0]
    high = _SPREAD_HIGH[0] + _SPREAD_HIGH[1] * slope[..., 1] + _SPREAD_HIGH[2] * np.abs(np.median(A, axis=-1))
    return np.stack([low, high], axis=-1)


def _continue_slopes(plan: GainPhase, A: FloatArray) -> tuple[FloatArray, FloatArray]:
    slopes = A @ plan.slopes
    below = A[..., :1] - slopes[..., :1] * _die_out(plan.outside, _SLOPE_OCTAVES[0])
    above = A[..., -1:] + slopes[..., 1:] * _die_out(plan.outside, _SLOPE_OCTAVES[1])
    return below, above


def _die_out(distance: FloatArray, octaves: float) -> FloatArray:
    """Give the distance that an exponentially dying slope adds up to."""
    reach = octaves * _OCTAVE
    return np.asarray(reach * -np.expm1(-distance / reach))


def _continue_divider(plan: GainPhase, A: FloatArray) -> tuple[FloatArray, FloatArray]:
    y = -np.log(np.expm1(-2 * np.minimum(A, -LEAST_LOSS)))  # ln 1/q
    outwards = y @ plan.slopes * [-1.0, 1.0]
    outside = []
    for edge, end in ((0, slice(0, 1)), (1, slice(-1, None))):
        s = outwards[..., edge : edge + 1]
        power = np.where(s > 0, _RISE[edge], -_FALL[edge])
        b = s / power
        if edge == 0:
            middle = np.exp(-power * plan.middle)  # x^power where the slope was found
            trust = s**2 / (s**2 + _DOUBTED_SLOPE**2)
            b = trust * b / (middle + b * (1 - middle))
        b = np.minimum(b, 1.0)
        on = y[..., end] + np.log1p(b * np.expm1(power * _die_out(plan.outside, _REACH_OCTAVES[edge])))
        outside.append(-0.5 * np.log1p(np.exp(-on)))
    return outside[0], outside[1]


@lru_cache(maxsize=4)
def _plan(frequency_hz: bytes) -> GainPhase:
    f = np.frombuffer(frequency_hz)
    u = np.log(f)
    x = np.arange(1, _OUTSIDE_OCTAVES * _OUTSIDE_PER_OCTAVE + 1) / _OUTSIDE_PER_OCTAVE * _OCTAVE
    knots = np.concatenate([u[0] - x[::-1], u, u[-1] + x])
    pieces = np.diff(_integral(knots[:, np.newaxis] - u), axis=0) / np.pi
    operator = np.zeros((knots.size, u.size))
    operator[1:] += pieces / np.diff(knots)[:, np.newaxis]
    operator[:-1] -= pieces / np.diff(knots)[:, np.newaxis]
    away = np.concatenate([[0.0], x])
    steps = np.diff(_die_out(away, _MODE_OCTAVES)) / np.diff(away)
    low, high = steps[::-1] @ pieces[: x.size], steps @ pieces[-x.size :]
    reach = _FIT_OCTAVES * _OCTAVE
    inside = (
        _enough(u <= u[0] + reach, slice(0, _FEWEST_IN_FIT)),
        _enough(u >= u[-1] - reach, slice(-_FEWEST_IN_FIT, None)),
    )
    return GainPhase(
        frequency_hz=f,
        outside=x,
        operator=operator,
        slopes=np.stack([_slope_weights(u, at) for at in inside], axis=1),
        middle=float(u[inside[0]].mean() - u[0]),
        edge_modes=np.stack([low, high]),
    )


def _integral(x: FloatArray) -> FloatArray:
    """Integrate ln coth(|v|/2) from 0 to x."""
    z = np.exp(-np.abs(x))
    return np.asarray(np.sign(x) * (np.pi**2 / 4 - spence(1 - z) + spence(1 + z)))


def _enough(inside: npt.NDArray[np.bool_], fewest: slice) -> npt.NDArray[np.bool_]:
    if np.count_nonzero(inside) < _FEWEST_IN_FIT:
        inside = np.zeros(inside.size, dtype=bool)
        inside[fewest] = True
    return inside


def _slope_weights(u: FloatArray, inside: npt.NDArray[np.bool_]) -> FloatArray:
    d = u[inside] - u[inside].mean()
    weights = np.zeros(u.size)
    weights[inside] = d / (d @ d)
    return weights
