"""Harmonic distortion out of the recording of one sweep, order by order."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.gating import GATE_MS, cut_piece
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from ohmshift.chain.deconvolution import ImpulseResponse, Noise
    from ohmshift.chain.gating import Piece

HIGHEST_ORDER = 5
"""Order up to which harmonics are looked for where nothing else is said."""

LEAST_SNR_DB = 10.0
"""How far a harmonic must stand above the noise to be shown [dB], by common practice."""

_SHORTEST_S = 0.008
_PERIODS = 2.0
_BEHIND, _AHEAD = 0.6, 0.3
_ABOVE_START = 2.0
_EDGE = 2 ** (1 / 24)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Distortion:
    """Harmonic distortion over the frequency of the fundamental.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency of the fundamental [Hz].
    orders : tuple of int, length k
        Orders that fit, from 2.
    level_db : ndarray, shape (k, n)
        Level of each harmonic re the fundamental that made it [dB]; nan where it is not readable.
    noise_db : ndarray, shape (k, n)
        What noise alone would show [dB re the fundamental]; nan where it is not known.
    """

    frequency_hz: FloatArray
    orders: tuple[int, ...]
    level_db: FloatArray
    noise_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "level_db", "noise_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def total_db(self) -> FloatArray:
        """Give the root of the summed squares of all orders that are readable.

        Returns
        -------
        ndarray, shape (n,)
            Total harmonic distortion re the fundamental [dB]; nan where no order is readable.
        """
        power = np.where(np.isnan(self.level_db), 0, 10 ** (self.level_db / 10)).sum(axis=0)
        return 10 * np.log10(np.where(power > 0, power, np.nan))


def separate_harmonics(
    impulse: ImpulseResponse,
    *,
    noise: Noise | None = None,
    highest_order: int = HIGHEST_ORDER,
    gate_ms: float = GATE_MS,
    least_snr_db: float = LEAST_SNR_DB,
) -> Distortion:
    """Separate the harmonics that a system adds to a sweep.

    Parameters
    ----------
    impulse : ImpulseResponse
        From `deconvolve`.
    noise : Noise, optional
        From `estimate_noise`; without it nothing is hidden by noise.
    highest_order : int
        Highest order wanted; those that do not fit into the sweep are left out.
    gate_ms : float
        Longest piece after the arrival of each harmonic [ms]; less where the next lower order comes sooner.
    least_snr_db : float
        How far a harmonic must stand above the noise to be shown [dB].

    Returns
    -------
    Distortion
        Levels re the fundamental, over its frequency.

    Raises
    ------
    CurveError
        An order below 2, or a sweep so short that not even the second harmonic stands apart.

    Notes
    -----
    Harmonic m is the sweep itself, L ln(m) earlier [1]_ [2]_: its piece of the impulse response, transformed, gives at
    frequency f what the fundamental at f/m made. It is known as far as the sweep reaches. The response of recorder and
    microphone at f and at f/m is in it. An order is left out where less than 8 ms separates it from the order below.

    References
    ----------
    .. [1] A. Farina, "Simultaneous Measurement of Impulse Response and Distortion with a Swept-Sine Technique", 108th
       Convention of the Audio Engineering Society, 2000.
    .. [2] A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application, and Implementation", J. Audio
       Eng. Soc. 63(10), 2015, 786-798, doi:10.17743/jaes.2015.0071.
    """
    sweep, f_s = impulse.plan.sweep, impulse.sampling_rate_hz
    orders = _fitting_orders(sweep.rate_s, sweep.start_hz, sweep.stop_hz, highest_order)
    f = octave_grid(low_hz=sweep.start_hz * _ABOVE_START, high_hz=sweep.stop_hz / orders[0] / _EDGE)
    ahead = round(min(gate_ms / 1e3, _AHEAD * sweep.lead_s(2)) * f_s)
    linear = cut_piece(impulse, impulse.arrival, ahead, round(gate_ms / 1e3 * f_s), noise=noise)
    fundamental = np.interp(f, linear.frequency_hz, np.abs(linear.spectrum))
    level, floor = np.full((len(orders), f.size), np.nan), np.full((len(orders), f.size), np.nan)
    for row, m in enumerate(orders):
        behind_s = min(gate_ms / 1e3, _BEHIND * sweep.rate_s * log(m / (m - 1)))
        ahead_s = min(behind_s, _AHEAD * sweep.rate_s * log((m + 1) / m))
        at = impulse.arrival - round(sweep.lead_s(m) * f_s)
        piece = cut_piece(impulse, at, round(ahead_s * f_s), round(behind_s * f_s), noise=noise)
        level[row], floor[row] = _relate(piece, m * f, fundamental)
        known = (m * f >= _PERIODS / behind_s) & (m * f <= sweep.stop_hz / _EDGE)
        hidden = level[row] - floor[row] < least_snr_db  # false where the noise is not known
        level[row, ~known | hidden] = np.nan
        floor[row, ~known] = np.nan
    return Distortion(frequency_hz=f, orders=orders, level_db=level, noise_db=floor)


def _relate(piece: Piece, harmonic_hz: FloatArray, fundamental: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the levels of a harmonic and of its noise re the fundamental."""
    magnitude = np.interp(harmonic_hz, piece.frequency_hz, np.abs(piece.spectrum))
    noise = np.sqrt(np.interp(harmonic_hz, piece.frequency_hz, piece.noise_power))
    with np.errstate(divide="ignore"):
        return 20 * np.log10(magnitude / fundamental), 20 * np.log10(noise / fundamental)


def _fitting_orders(rate_s: float, start_hz: float, stop_hz: float, highest: int) -> tuple[int, ...]:
    if highest < 2:  # noqa: PLR2004 - the fundamental is no distortion
        raise CurveError("highest_order", "harmonics begin at order 2", f"it is {highest}", "give 2 or more")
    orders = tuple(
        m for m in range(2, highest + 1) if rate_s * log(m / (m - 1)) >= _SHORTEST_S and 2 * m * start_hz < stop_hz
    )
    if not orders:
        raise CurveError(
            "sweep",
            f"the second harmonic stands {_SHORTEST_S * 1e3:g} ms before the fundamental or more",
            f"it stands {1e3 * rate_s * log(2):.1f} ms before it",
            "play a longer sweep",
        )
    return orders
