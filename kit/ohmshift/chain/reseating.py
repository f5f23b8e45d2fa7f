"""Undoing the move of the ear-canal resonance between two seatings, for recovery."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.curves.warping import FULL_ABOVE_HZ, STILL_BELOW_HZ, Warp, warp_levels
from ohmshift.errors import CurveError
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

KEPT_BELOW = 0.8
"""A shift is kept only where it brings the roughness of the difference below this share of what it was."""

_REACH_OCTAVES = 0.1
_STEPS = 81
_STRIDE_OCTAVES = 1 / 12
_JUDGED_HZ = (4000.0, 16_000.0)
_USUAL_OCTAVES = 0.045
_PENALTY_DB = 0.002
_LEFT_OVER_OCTAVES = 0.004


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SettledChange:
    """A change of response with the move of the resonance between its two conditions undone.

    Parameters
    ----------
    change_db : ndarray, shape (n,)
        Change [dB].
    shift_octaves : float
        How far the resonance without lay above the one with the resistance, which was undone [octave of ratio 10^0.3];
        0 where that did not make the difference clearly smoother.
    roughness : float
        Roughness left, as a share of the unshifted one.
    left_over_db : ndarray, shape (n,)
        What one standard deviation of the shift left over does to the change [dB]: one more curve of noise.
    """

    change_db: FloatArray
    shift_octaves: float
    roughness: float
    left_over_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("change_db", "left_over_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def settle_change(
    frequency_hz: npt.ArrayLike,
    without_db: npt.ArrayLike,
    with_db: npt.ArrayLike,
    *,
    expected_octaves: float = 0.0,
    warp: Warp = "local",
) -> SettledChange:
    """Take the change of response between two reseated conditions, with the resonance's move between them undone.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], up to 6.5 kHz or more.
    without_db, with_db : array_like, shape (n,)
        Mean response without and with the resistance [dB], seats aligned within each condition.
    expected_octaves : float
        How far the resonance without lies above the one with the resistance [octave], where that is known: the shift is
        sought around it.
    warp : {"local", "detail"}
        What is moved, see `warp_levels`.

    Returns
    -------
    SettledChange
        The change, the shift, and what is left of it.

    Raises
    ------
    CurveError
        Shapes that do not match, levels that are not finite, or data that end below 6.5 kHz.

    Notes
    -----
    Aligning both conditions by their resonances takes part of the change itself, where it has a slope there, for a
    move. Here one shift is sought that makes the difference smoothest: the sum of the absolute second differences over
    a twelfth of an octave from 4 to 16 kHz, plus a small penalty on shifts far from the expected one. Each condition is
    moved by half of it, so that swapping them turns the change round. On simulated earphones with seatings apart by 4.5
    % this found the shift three times as closely as the resonances do; without an expectation the search lost its way
    where the move was large, in 1 of 6 single seatings. An earphone with resonances of its own between 6 and 10 kHz
    would be damaged by a shift that only happens to smooth, hence it is kept only where the roughness falls below 0.8
    of the unshifted one. What is left over is then a small error of the shift; else it is the expected shift.

    Examples
    --------
    >>> f = 1000 * 10 ** (0.3 * np.arange(-48, 208) / 48)
    >>> def resonance(f_c):
    ...     return 9 * np.exp(-((np.log(f / f_c) / 0.08) ** 2))
    >>> settled = settle_change(f, resonance(8200), resonance(8000) - 6.0)
    >>> round(1000 * (2 ** (settled.shift_octaves * np.log2(10**0.3)) - 1))
    25
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    without, with_added = np.asarray(without_db, dtype=np.float64), np.asarray(with_db, dtype=np.float64)
    matching = (
        f.ndim == 1 and without.shape == f.shape == with_added.shape and np.all(np.isfinite(without + with_added))
    )
    if not matching or f.max(initial=0.0) < FULL_ABOVE_HZ:
        raise CurveError(
            "settle_change",
            f"one finite level a frequency is needed, up to {FULL_ABOVE_HZ:g} Hz or more",
            f"shapes are {f.shape}, {without.shape} and {with_added.shape}, up to {f.max(initial=0.0):g} Hz",
            "bring both on one grid, or leave the change as it is",
        )

    def difference(shift: FloatArray) -> FloatArray:
        halves = [np.tile(level, (shift.size, 1)) for level in (without, with_added)]
        return warp_levels(f, halves[1], -shift / 2, warp=warp) - warp_levels(f, halves[0], shift / 2, warp=warp)

    shifts = expected_octaves + np.linspace(-_REACH_OCTAVES, _REACH_OCTAVES, _STEPS)
    cost = _roughness(f, difference(shifts))
    still = float(_roughness(f, difference(np.zeros(1)))[0])
    penalised = cost + _PENALTY_DB * _judged(f).sum() * ((shifts - expected_octaves) / _USUAL_OCTAVES) ** 2
    best = int(np.argmin(penalised))
    share = float(cost[best] / max(still, 1e-12))
    kept = share < KEPT_BELOW
    shift = float(_vertex(shifts, penalised, best)) if kept else 0.0
    doubt = _LEFT_OVER_OCTAVES if kept else max(_LEFT_OVER_OCTAVES, abs(expected_octaves))
    ends = difference(shift + doubt * np.array([0.0, 1.0, -1.0]))
    return SettledChange(
        change_db=ends[0],
        shift_octaves=shift,
        roughness=share if kept else 1.0,
        left_over_db=(ends[2] - ends[1]) / 2,
    )


def _judged(f: FloatArray) -> npt.NDArray[np.bool_]:
    return (f >= _JUDGED_HZ[0]) & (f <= _JUDGED_HZ[1])


def _roughness(f: FloatArray, change_db: FloatArray) -> FloatArray:
    x = octaves_from_frequency(f)
    lower, upper = (np.clip(np.searchsorted(x, x + d), 0, x.size - 1) for d in (-_STRIDE_OCTAVES, _STRIDE_OCTAVES))
    second = change_db[:, upper] - 2 * change_db + change_db[:, lower]
    inside = _judged(f) & (f > STILL_BELOW_HZ / 2) & (x + _STRIDE_OCTAVES <= x[-1])
    return np.asarray(np.abs(second[:, inside]).sum(axis=1))


def _vertex(x: FloatArray, y: FloatArray, i: int) -> float:
    if i in {0, x.size - 1}:
        return float(x[i])
    a, b, c = y[i - 1 : i + 2]
    return float(x[i] + (x[1] - x[0]) * (a - c) / (2 * (a - 2 * b + c)))
