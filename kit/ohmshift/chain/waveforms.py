"""What a recorded waveform itself warns of: clipping, an offset, silence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.units import level_from_ratio

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

PIECE = 4096
"""Samples over which flat tops are looked for."""

FLAT_SHARE = 0.08
"""Share of a piece's samples within 0.1 % of its peak from which on it counts as clipped. A sine has 2.9 % there; one
that is clipped by 0.1 dB has 10 %."""

OFFSET_SHARE = 0.01
"""Offset over root mean square from which on a caveat is given."""

_NEAR = 1e-3
_LOUD = 0.9
_FULL_SCALE = 1 - 1.5 / 2**15
_LEAST_PEAK = 0.01
_AT_FULL_SCALE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveformReport:
    """What one channel of a recording looks like.

    Parameters
    ----------
    samples : int
        Samples seen.
    peak : float
        Largest magnitude, 1 being full scale.
    offset : float
        Mean.
    rms : float
        Root mean square about the mean.
    flat_share : float
        Largest share of samples within 0.1 % of the peak, over pieces as loud as the loudest.
    at_full_scale : int
        Samples at full scale; 0 where samples may exceed it.
    """

    samples: int
    peak: float
    offset: float
    rms: float
    flat_share: float
    at_full_scale: int

    @property
    def silent(self) -> bool:
        """Whether there is nothing but a constant."""
        return self.rms == 0

    @property
    def clipped(self) -> bool:
        """Whether tops are flat, or several samples stand at full scale."""
        flat = self.peak >= _LEAST_PEAK and self.flat_share >= FLAT_SHARE
        return not self.silent and (flat or self.at_full_scale >= _AT_FULL_SCALE)

    @property
    def peak_dbfs(self) -> float:
        """Largest magnitude [dB re full scale]; minus infinity for silence."""
        return float(level_from_ratio(self.peak))

    def caveats(self, channel: str) -> tuple[str, ...]:
        """Say what is doubtful.

        Parameters
        ----------
        channel : str
            What to call the channel.

        Returns
        -------
        tuple of str
            One sentence each; empty where nothing is.
        """
        found = []
        if self.clipped:
            found.append(
                f"{channel} is clipped: tops are flat at {self.peak_dbfs:.1f} dBFS. Its level reads low and its "
                "distortion is the recorder's; record it anew with less gain."
            )
        if abs(self.offset) > OFFSET_SHARE * self.rms:
            found.append(f"{channel} has an offset of {100 * self.offset:.2g} % of full scale, which is taken off.")
        return tuple(found)


def inspect_waveform(blocks: Iterable[npt.ArrayLike], *, bounded: bool = True) -> WaveformReport:
    """Look through one channel.

    Parameters
    ----------
    blocks : iterable of array_like, each of shape (k,)
        The channel, piece by piece: a whole recording is one piece.
    bounded : bool
        Whether samples cannot exceed full scale, as in whole-number formats.

    Returns
    -------
    WaveformReport
        Peak, offset, level and signs of clipping.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    >>> inspect_waveform([0.5 * tone]).clipped, inspect_waveform([np.clip(0.5 * tone, -0.45, 0.45)]).clipped
    (False, True)
    """
    count, total, squares, peak, full = 0, 0.0, 0.0, 0.0, 0
    tops: list[FloatArray] = []
    shares: list[FloatArray] = []
    for given in blocks:
        y = np.asarray(given, dtype=np.float64)
        count += y.size
        total += float(y.sum())
        squares += float(np.dot(y, y))
        magnitude = np.abs(y)
        peak = max(peak, float(magnitude.max(initial=0.0)))
        full += int(np.count_nonzero(magnitude >= _FULL_SCALE)) if bounded else 0
        pieces = magnitude[: magnitude.size // PIECE * PIECE].reshape(-1, PIECE)
        top = pieces.max(axis=1, initial=0.0)
        tops.append(top)
        shares.append(np.mean(pieces >= (1 - _NEAR) * top[:, np.newaxis], axis=1))
    mean = total / max(count, 1)
    top, share = (np.concatenate([*parts, np.empty(0)]) for parts in (tops, shares))
    loud = share[top >= _LOUD * peak]
    return WaveformReport(
        samples=count,
        peak=peak,
        offset=mean,
        rms=float(np.sqrt(max(squares / max(count, 1) - mean**2, 0.0))),
        flat_share=float(loud.max(initial=0.0)),
        at_full_scale=full,
    )
