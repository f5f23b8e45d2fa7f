"""Whether the ear-canal resonance of one channel can be followed from seating to seating, and by how much it moves."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.curves.resonance import (
    COVERED_BAND_HZ,
    PEAK_BAND_HZ,
    Resonance,
    correlate_slopes,
    covers_resonance,
    pick_peaks,
    resonance_levels,
)
from ohmshift.curves.warping import LARGEST_SHIFT_OCTAVES, Warp, warp_levels
from ohmshift.units import OCTAVE_RATIO

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.curves.values import FloatArray, ResponseSet

_Part: TypeAlias = "tuple[FloatArray, FloatArray]"
"""Frequencies [Hz] of a set, and levels [dB] of those of its rows that belong to the channel."""

_OCTAVE = log(OCTAVE_RATIO)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RowAlignment:
    """Where the resonance lies in one row, and how far the row is moved.

    Parameters
    ----------
    channel, seat : str
        Channel and seating of the row.
    added_ohm : float
        Added resistance of the row's set [ohm].
    resonance_hz : float or None
        Frequency of the peak [Hz]; None where there is none, or where the data do not reach.
    prominence_db : float
        Prominence of the peak [dB].
    shift_octaves : float
        How far the resonance lies above the mean of the channel's seatings, by the correlation of slopes [octave]. A
        row of a certain channel is moved down by so much.
    """

    channel: str
    seat: str
    added_ohm: float
    resonance_hz: float | None
    prominence_db: float
    shift_octaves: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChannelAlignment:
    """Whether one channel's resonance can be aligned, and why.

    Parameters
    ----------
    channel : str
        The channel.
    certain : bool
        Whether its rows are moved.
    why : str
        The reason, as a clause.
    resonance_hz : float or None
        Mean resonance of its rows [Hz]; None where the channel is not certain.
    rows : tuple of RowAlignment
        Its rows, set by set.
    """

    channel: str
    certain: bool
    why: str
    resonance_hz: float | None
    rows: tuple[RowAlignment, ...]

    def summarise(self) -> str:
        """Say in a sentence what was found.

        Returns
        -------
        str
            Resonance and largest shift, or why there is none.
        """
        if self.resonance_hz is None:
            return (
                f"{self.channel.capitalize()}: no seat is moved, because {self.why}: above 5 kHz read the heights of "
                "peaks, not their positions."
            )
        largest = max(abs(row.shift_octaves) for row in self.rows)
        return (
            f"{self.channel.capitalize()}: the resonance lies at {self.resonance_hz:.0f} Hz on average and seats are "
            f"moved by up to {100 * (OCTAVE_RATIO**largest - 1):.1f} %, because {self.why}."
        )


def align_channel(
    channel: str,
    sets: Sequence[ResponseSet],
    *,
    warp: Warp,
    least_prominence_db: float,
    largest_disagreement: float,
) -> ChannelAlignment:
    """Find how far the resonance of each row of one channel lies from their mean.

    Parameters
    ----------
    channel : str
        The channel.
    sets : sequence of ResponseSet
        All conditions of one earphone.
    warp : {"local", "detail"}
        How rows will be moved.
    least_prominence_db : float
        Prominence that every peak needs [dB].
    largest_disagreement : float
        Largest disagreement of peaks and slopes about how far two rows lie apart, as a share of the frequency.

    Returns
    -------
    ChannelAlignment
        Shift of each row, and whether it is certain.

    Notes
    -----
    Rows of one seating, with and without added resistance, count once and share one shift: between them nothing moved.
    What the slopes still tell apart once the rows are moved is added to the shifts, so that aligning aligned rows moves
    them no more.
    """
    held = [(curves, row) for curves in sets for row in curves.rows(channel)]
    seats = [curves.seat[row] for curves, row in held]
    if not all(covers_resonance(curves) for curves, _ in held):
        why = f"the data do not cover {COVERED_BAND_HZ[0]:g} to {COVERED_BAND_HZ[1]:g} Hz"
        none = [Resonance(frequency_hz=None, prominence_db=0.0)] * len(held)
        return _report(channel, held, none, np.zeros(len(held)), doubt=why, why="")
    parts = [(curves.frequency_hz, curves.level_db[list(curves.rows(channel))]) for curves in sets]
    peaks = pick_peaks(np.concatenate([resonance_levels(*part) for part in parts]))
    shift = _seat_shifts(parts, seats)
    if np.max(np.abs(shift)) <= LARGEST_SHIFT_OCTAVES:
        shift = shift + _seat_shifts(_warped(parts, shift, warp), seats)
    doubt, why = _judge(peaks, seats, shift, least_prominence_db, largest_disagreement)
    return _report(channel, held, peaks, shift, doubt=doubt, why=why)


def _seat_shifts(parts: Sequence[_Part], seats: Sequence[str]) -> FloatArray:
    """Give the shift of each row; rows of one seating are averaged first and share theirs."""
    levels = np.concatenate([resonance_levels(*part) for part in parts])
    member = np.array([[seat == name for seat in seats] for name in dict.fromkeys(seats)], dtype=np.float64)
    mean = (member / member.sum(axis=1, keepdims=True)) @ levels
    return np.asarray(member.T @ correlate_slopes(mean))


def _warped(parts: Sequence[_Part], shift: FloatArray, warp: Warp) -> list[_Part]:
    shifts = np.split(shift, np.cumsum([len(levels) for _, levels in parts])[:-1])
    return [(f, warp_levels(f, levels, s, warp=warp)) for (f, levels), s in zip(parts, shifts, strict=True)]


def _judge(
    peaks: Sequence[Resonance],
    seats: Sequence[str],
    shift: FloatArray,
    least_prominence_db: float,
    largest_disagreement: float,
) -> tuple[str, str]:
    """Give what speaks against the shifts, or nothing and what speaks for them."""
    for peak, seat in zip(peaks, seats, strict=True):
        if peak.frequency_hz is None:
            return f"seat {seat} has no peak between {PEAK_BAND_HZ[0]:g} and {PEAK_BAND_HZ[1]:g} Hz", ""
        if peak.prominence_db < least_prominence_db:
            return (
                f"the peak of seat {seat} stands out by {peak.prominence_db:.1f} dB, below {least_prominence_db:g} dB",
                "",
            )
    position = np.log([peak.frequency_hz or np.nan for peak in peaks])
    left = position - shift * _OCTAVE
    disagreement = float(np.expm1(np.ptp(left)))
    if disagreement > largest_disagreement:
        seat = seats[int(np.argmax(np.abs(left - np.median(left))))]
        limit = f"more than {100 * largest_disagreement:.1f} %"
        return f"peaks and slopes disagree by {100 * disagreement:.1f} %, {limit}, most at seat {seat}", ""
    if np.max(np.abs(shift)) > LARGEST_SHIFT_OCTAVES:
        return f"the rows lie more than {LARGEST_SHIFT_OCTAVES} octave apart", ""
    prominence = f"every peak stands out by {min(peak.prominence_db for peak in peaks):.1f} dB or more"
    if len(set(seats)) == 1:
        return "", f"{prominence} (one seating: nothing to compare it with)"
    return "", f"{prominence} and peaks and slopes agree within {100 * disagreement:.1f} %"


def _report(
    channel: str,
    held: Sequence[tuple[ResponseSet, int]],
    peaks: Sequence[Resonance],
    shift: FloatArray,
    *,
    doubt: str,
    why: str,
) -> ChannelAlignment:
    rows = tuple(
        RowAlignment(
            channel=channel,
            seat=curves.seat[row],
            added_ohm=curves.added_ohm,
            resonance_hz=peak.frequency_hz,
            prominence_db=peak.prominence_db,
            shift_octaves=float(s),
        )
        for (curves, row), peak, s in zip(held, peaks, shift, strict=True)
    )
    mean_hz = None if doubt else float(np.exp(np.mean(np.log([row.resonance_hz for row in rows if row.resonance_hz]))))
    return ChannelAlignment(channel=channel, certain=not doubt, why=doubt or why, resonance_hz=mean_hz, rows=rows)
