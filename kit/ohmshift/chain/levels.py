"""The level that normalised curves have lost, and what brings it back.

The phase of a divider's ratio does not depend on the level, so one number is missing for each resistance: the true
ratio is g h, where h is the ratio as measured. A known impedance at one frequency gives g; so do two different
resistances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import ComplexArray, FloatArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AnchorImpedance:
    """An impedance known at one frequency.

    Parameters
    ----------
    magnitude_ohm : float
        Magnitude of the impedance [ohm].
    frequency_hz : float
        Where it is known [Hz]; 0 for a resistance read with a hand meter.
    spread : float
        Its standard uncertainty as a share of itself; 0.02 is 2 %.
    what : str
        What it is, for the reader: "measured at 1 kHz", "rated", "meter".

    Raises
    ------
    CurveError
        A magnitude that is not positive, or a negative frequency or spread.
    """

    magnitude_ohm: float
    frequency_hz: float = 1000.0
    spread: float = 0.02
    what: str = "measured impedance"

    def __post_init__(self) -> None:
        """Check once."""
        if not (0 < self.magnitude_ohm < np.inf and 0 <= self.frequency_hz < np.inf and 0 <= self.spread < 1):
            raise CurveError(
                "anchor",
                "an anchor needs a magnitude above 0 ohm, a frequency of 0 Hz or more and a spread from 0 to 1",
                f"they are {self.magnitude_ohm:g} ohm, {self.frequency_hz:g} Hz and {self.spread:g}",
                "mend the one that is off",
            )


def level_from_anchor(
    transfer: npt.ArrayLike,
    *,
    magnitude_ohm: npt.ArrayLike,
    added_ohm: npt.ArrayLike,
    source_ohm: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Give the factor that brings a ratio of lost level to a known magnitude of impedance.

    Parameters
    ----------
    transfer : array_like of complex, shape (...)
        Ratio h at the anchor's frequency, level unknown.
    magnitude_ohm : array_like, shape (...)
        Magnitude of the impedance there [ohm].
    added_ohm : array_like, shape (...)
        Resistance added [ohm].
    source_ohm : array_like of complex, shape (...)
        Impedance of amplifier and cable there [ohm].

    Returns
    -------
    ndarray, shape (...)
        Factor g, nan where no passive load fits.

    Notes
    -----
    From Z = R g h / (1 - g h) - R_0 follows |g h (R + R_0) - R_0|^2 = |Z|^2 |1 - g h|^2, a quadratic
    a g^2 + b g + c = 0 with a = |h|^2 (|R + R_0|^2 - |Z|^2), b = -2 Re(h ((R + R_0) R_0* - |Z|^2)) and
    c = |R_0|^2 - |Z|^2. Of two positive roots, as for |Z| < |R_0|, that with the larger Re Z is taken: behind a
    resistance the other belongs to a negative one. Behind a reactance larger than |Z| both may be passive, and the
    anchor alone cannot tell them apart.

    Examples
    --------
    >>> round(float(level_from_anchor(1.0, magnitude_ohm=16.0, added_ohm=16.0)), 6)
    0.5

    An earphone of 8 ohm behind 120 ohm, where the ratio alone is (8 + 120) / (8 + 120 + 75):

    >>> round(float(level_from_anchor(1.0, magnitude_ohm=8.0, added_ohm=75.0, source_ohm=120.0)), 6)
    0.630542
    """
    h, R, R_0 = np.asarray(transfer), np.asarray(added_ohm), np.asarray(source_ohm, dtype=np.complex128)
    square = np.asarray(magnitude_ohm, dtype=np.float64) ** 2
    a = np.abs(h) ** 2 * (np.abs(R + R_0) ** 2 - square)
    b = -2 * np.real(h * ((R + R_0) * np.conj(R_0) - square))
    c = np.abs(R_0) ** 2 - square
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b**2 - 4 * a * c)
        stable = -(b + np.copysign(root, b)) / 2
        both = np.stack(np.broadcast_arrays(stable / a, c / stable))
        loads = R * both * h / (1 - both * h) - R_0
        resistive = np.where((both > 0) & (both * np.abs(h) < 1), loads.real, -np.inf)
    g = np.take_along_axis(both, resistive.argmax(axis=0)[np.newaxis], axis=0)[0]
    return np.where(resistive.max(axis=0) > -np.inf, g, np.nan)


def levels_from_resistances(
    transfer: npt.ArrayLike, *, added_ohm: npt.ArrayLike, weights: npt.ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Give the lost levels of several resistances from their being one load.

    Parameters
    ----------
    transfer : array_like of complex, shape (..., m, n)
        Ratios h, level unknown, one row a resistance.
    added_ohm : array_like, shape (..., m)
        Resistances added [ohm], no two alike.
    weights : array_like, shape (n,)
        Weight of each frequency.

    Returns
    -------
    factors : ndarray, shape (..., m)
        Factors g.
    condition : ndarray, shape (...)
        Condition number of the least squares: how far errors of shape are blown up into errors of level.

    Notes
    -----
    1/(g_i h_i) = 1 + R_i Y holds for each resistance with one Y. Eliminating Y between resistance i and the largest, r,
    leaves R_r x_i / h_i - R_i x_r / h_r = R_r - R_i, linear in x = 1/g: least squares over real and imaginary parts of
    all frequencies, each row divided by the size of its error. A flat load makes the equations of all frequencies
    alike, so the condition number grows without bound.
    """
    h, R = np.asarray(transfer), np.asarray(added_ohm, dtype=np.float64)
    m = h.shape[-2]
    last = int(np.argmax(R.reshape(-1, m)[0]))
    normal = np.zeros((*h.shape[:-2], m, m))
    right = np.zeros((*h.shape[:-2], m))
    for i in (row for row in range(m) if row != last):
        at = [i, last]
        rows = np.stack([R[..., last, None] / h[..., i, :], -R[..., i, None] / h[..., last, :]], axis=-2)
        w = np.asarray(weights) / np.sum(np.abs(rows) ** 2, axis=-2)
        step = (R[..., last] - R[..., i])[..., None]
        normal[..., np.ix_(at, at)[0], np.ix_(at, at)[1]] += np.real(
            (rows * w[..., None, :]) @ np.conj(rows).swapaxes(-1, -2)
        )
        right[..., at] += np.real(np.sum(rows * w[..., None, :], axis=-1)) * step
    factors = 1 / np.linalg.solve(normal, right[..., None])[..., 0]
    return factors, np.sqrt(np.linalg.cond(normal))


def passive_level_limit(
    transfer: ComplexArray, *, added_ohm: npt.ArrayLike, source_ohm: npt.ArrayLike = 0.0
) -> FloatArray:
    """Give the largest factor on a ratio of lost level that a passive load allows.

    Parameters
    ----------
    transfer : ndarray of complex, shape (..., n)
        Ratio h, level unknown.
    added_ohm : array_like, shape (...)
        Resistance added [ohm].
    source_ohm : array_like, shape (...)
        Resistive part of the source impedance [ohm].

    Returns
    -------
    ndarray, shape (...)
        Largest factor g.

    Notes
    -----
    H = g h must stay in the disk of a passive load: |H|^2 - (1 + k) |H| cos(arg H) + k <= 0 with k = R_0 / (R + R_0).
    For R_0 = 0 the limit is the smallest cos(arg h) / |h|.

    Examples
    --------
    >>> float(passive_level_limit([0.5 + 0j, 0.8 + 0j], added_ohm=10.0))
    1.25
    """
    h = np.asarray(transfer)
    R, R_0 = np.asarray(added_ohm)[..., None], np.asarray(source_ohm)[..., None]
    k = R_0 / (R + R_0)
    reach = (1 + k) * np.cos(np.angle(h))
    largest = (reach + np.sqrt(np.maximum(reach**2 - 4 * k, 0))) / 2
    return np.asarray(np.min(np.maximum(largest, 0) / np.abs(h), axis=-1))
