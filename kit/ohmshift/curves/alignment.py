"""Lining responses up: in level, and by the ear-canal resonance that moves with every seating."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.curves.seatings import ChannelAlignment, align_channel
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.curves.values import FloatArray, ResponseSet, Step, read_only
from ohmshift.curves.warping import Warp, warp_levels
from ohmshift.errors import CurveError
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

LEVEL_BAND_HZ = (200.0, 2000.0)
"""Band within which levels are aligned."""

_WARPED_BANDS = fractional_octave_bands(3, low_hz=6300, high_hz=16_000)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LevelAlignment:
    """What was taken off each row to align levels.

    Parameters
    ----------
    low_hz, high_hz : float
        Range whose mean level counts [Hz]; one frequency where both are the same.
    offset_db : ndarray, shape (m,)
        Level taken off each row [dB].
    """

    low_hz: float
    high_hz: float
    offset_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "offset_db", read_only(self.offset_db))

    def summarise(self) -> str:
        """Say in a sentence what was done.

        Returns
        -------
        str
            Range, and by how much the rows' levels differ.
        """
        at = f"at {self.low_hz:g} Hz" if self.low_hz == self.high_hz else f"from {self.low_hz:g} to {self.high_hz:g} Hz"
        return f"Levels aligned {at}; before, they differed by {np.ptp(self.offset_db):.2f} dB."


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResonanceAlignment:
    """Where the ear-canal resonance lies in every row of an earphone, and how the rows are moved.

    Parameters
    ----------
    label : str
        The earphone.
    warp : {"local", "detail"}
        What is moved, see `warp_levels`.
    least_prominence_db : float
        Prominence every peak needs for a channel to be certain [dB].
    largest_disagreement : float
        How far peaks and slopes may differ for a channel to be certain, as a share of the frequency.
    channels : tuple of ChannelAlignment
        One a channel.
    """

    label: str
    warp: Warp
    least_prominence_db: float
    largest_disagreement: float
    channels: tuple[ChannelAlignment, ...]

    @property
    def certain(self) -> bool:
        """Whether every channel is certain."""
        return all(channel.certain for channel in self.channels)

    def summarise(self) -> str:
        """Say in a sentence a channel what was found.

        Returns
        -------
        str
            Sentences.
        """
        return " ".join(channel.summarise() for channel in self.channels)


def align_level(
    curves: ResponseSet, *, low_hz: float = LEVEL_BAND_HZ[0], high_hz: float = LEVEL_BAND_HZ[1]
) -> tuple[ResponseSet, LevelAlignment]:
    """Take off each row its mean level over a range of the midrange.

    Parameters
    ----------
    curves : ResponseSet
        Responses of m rows.
    low_hz, high_hz : float
        Range within 200 to 2000 Hz whose mean level becomes 0 dB, each octave counting the same [Hz]; or the same
        frequency twice, anywhere in the data, whose level becomes 0 dB.

    Returns
    -------
    ResponseSet
        Responses on a relative level.
    LevelAlignment
        Offset of each row.

    Raises
    ------
    CurveError
        Another range, or one that the data do not cover.

    Notes
    -----
    Offsets over the whole band, by least squares or the median, are not offered: they leak a broadband change of
    response into the midrange, 0.6 to 0.8 dB in simulated studies.

    Examples
    --------
    >>> curves = ResponseSet(frequency_hz=[100, 1000, 10_000], level_db=[[90, 94, 90]], channel=("left",), seat=("1",))
    >>> aligned, report = align_level(curves, low_hz=1000, high_hz=1000)
    >>> aligned.level_db, report.offset_db
    (array([[-4.,  0., -4.]]), array([94.]))
    """
    f = curves.frequency_hz
    where = f"{curves.label or 'align_level'}, level alignment"
    if low_hz == high_hz and f[0] <= low_hz <= f[-1]:
        x = octaves_from_frequency(f)
        offset_db = np.array([np.interp(octaves_from_frequency(low_hz), x, row) for row in curves.level_db])
    elif LEVEL_BAND_HZ[0] <= low_hz < high_hz <= LEVEL_BAND_HZ[1]:
        offset_db = mean_levels(f, curves.level_db, low_hz=[low_hz], high_hz=[high_hz])[:, 0]
    else:
        rule = f"it takes a range within {LEVEL_BAND_HZ[0]:g} to {LEVEL_BAND_HZ[1]:g} Hz, or one frequency of the data"
        raise CurveError(where, rule, f"{low_hz:g} to {high_hz:g} Hz is asked for", "choose 200 to 2000 Hz")
    if not np.all(np.isfinite(offset_db)):
        found = f"they go from {f[0]:g} to {f[-1]:g} Hz"
        raise CurveError(where, f"the data must cover {low_hz:g} to {high_hz:g} Hz", found, "choose another range")
    step = Step(name="align_level", options=(("low_hz", low_hz), ("high_hz", high_hz)))
    aligned = replace(
        curves,
        level_db=curves.level_db - offset_db[:, np.newaxis],
        level_reference="relative",
        history=(*curves.history, step),
    )
    return aligned, LevelAlignment(low_hz=low_hz, high_hz=high_hz, offset_db=offset_db)


def align_resonance(
    sets: ResponseSet | Sequence[ResponseSet],
    *,
    warp: Warp = "local",
    target_hz: float | None = None,
    least_prominence_db: float = 4.0,
    largest_disagreement: float = 0.015,
) -> tuple[tuple[ResponseSet, ...], ResonanceAlignment]:
    """Move the ear-canal resonance of every row to the mean of its channel.

    Parameters
    ----------
    sets : ResponseSet or sequence of ResponseSet
        All conditions of one earphone, with and without added resistance.
    warp : {"local", "detail"}
        What is moved, see `warp_levels`.
    target_hz : float, optional
        Frequency that every certain channel's resonance is moved to instead [Hz]. For display only.
    least_prominence_db : float
        Prominence that every peak needs for its channel to be certain [dB].
    largest_disagreement : float
        Largest disagreement of peaks and slopes for a channel to be certain, as a share of the frequency.

    Returns
    -------
    tuple of ResponseSet
        The sets in the same order; rows of a channel that is not certain are as they were.
    ResonanceAlignment
        What was found and done.

    Raises
    ------
    CurveError
        See `find_shifts` and `shift_resonance`.

    Notes
    -----
    Finding the shifts takes most of the time; where only `target_hz` changes, call `find_shifts` once and
    `shift_resonance` each time.
    """
    sets = (sets,) if isinstance(sets, ResponseSet) else tuple(sets)
    report = find_shifts(
        sets, warp=warp, least_prominence_db=least_prominence_db, largest_disagreement=largest_disagreement
    )
    return tuple(shift_resonance(curves, report, target_hz=target_hz) for curves in sets), report


def find_shifts(
    sets: ResponseSet | Sequence[ResponseSet],
    *,
    warp: Warp = "local",
    least_prominence_db: float = 4.0,
    largest_disagreement: float = 0.015,
) -> ResonanceAlignment:
    """Find how far the ear-canal resonance of every row lies from the mean of its channel.

    Parameters
    ----------
    sets : ResponseSet or sequence of ResponseSet
        All conditions of one earphone, with and without added resistance.
    warp : {"local", "detail"}
        What `shift_resonance` will move.
    least_prominence_db : float
        Prominence that every peak needs for its channel to be certain [dB].
    largest_disagreement : float
        Largest disagreement of peaks and slopes for a channel to be certain, as a share of the frequency.

    Returns
    -------
    ResonanceAlignment
        Shift of every row, and whether each channel is certain.

    Raises
    ------
    CurveError
        No set.

    Notes
    -----
    Shifts come from the correlation of slopes over 5 to 12 kHz, checked against the peaks between 5.5 and 11.5 kHz. A
    channel is certain where every peak stands out enough and both ways agree about how far any two rows lie apart. Rows
    of the same channel and seating in several sets were not touched in between: they share one shift and are never
    moved against each other.
    """
    sets = (sets,) if isinstance(sets, ResponseSet) else tuple(sets)
    if not sets:
        raise CurveError("find_shifts", "alignment needs at least one set", "there is none", "give the responses")
    names = dict.fromkeys(name for curves in sets for name in curves.channel)
    channels = tuple(
        align_channel(
            name,
            sets,
            warp=warp,
            least_prominence_db=least_prominence_db,
            largest_disagreement=largest_disagreement,
        )
        for name in names
    )
    return ResonanceAlignment(
        label=sets[0].label,
        warp=warp,
        least_prominence_db=least_prominence_db,
        largest_disagreement=largest_disagreement,
        channels=channels,
    )


def shift_resonance(curves: ResponseSet, report: ResonanceAlignment, *, target_hz: float | None = None) -> ResponseSet:
    """Move each row's ear-canal resonance by the shift found for it.

    Parameters
    ----------
    curves : ResponseSet
        One of the sets that the shifts were found in.
    report : ResonanceAlignment
        The shifts.
    target_hz : float, optional
        Frequency that every certain channel's mean resonance is moved to [Hz], by convention often 8000; by default it
        stays. For display only: changes are read at the mean, where least is moved.

    Returns
    -------
    ResponseSet
        New set; rows of a channel that is not certain, and everything below 4.5 kHz, are as they were.

    Raises
    ------
    CurveError
        A row that is not in the report, or a target more than 0.3 octave from the resonance.
    """
    if target_hz is not None and not 0 < target_hz < np.inf:
        rule = "a resonance is moved to a frequency above 0 Hz"
        raise CurveError(curves.label or "shift_resonance", rule, f"{target_hz:g} Hz is asked for", "choose 8000 Hz")
    shift = np.array([_shift(report, *key, target_hz) for key in zip(curves.channel, curves.seat, strict=True)])
    options = (
        ("warp", report.warp),
        ("target_hz", target_hz),
        ("use", "comparison" if target_hz is None else "display only"),
        ("least_prominence_db", report.least_prominence_db),
        ("largest_disagreement", report.largest_disagreement),
        ("moved", ", ".join(channel.channel for channel in report.channels if channel.certain) or "none"),
    )
    return replace(
        curves,
        level_db=warp_levels(curves.frequency_hz, curves.level_db, shift, warp=report.warp),
        history=(*curves.history, Step(name="align_resonance", options=options)),
    )


def warp_variances(report: ResonanceAlignment, sets: Sequence[ResponseSet]) -> dict[Warp, FloatArray]:
    """Give the variation between the seatings of one earphone above 5 kHz that each warp leaves.

    Parameters
    ----------
    report : ResonanceAlignment
        Its shifts.
    sets : sequence of ResponseSet
        Its conditions, as measured.

    Returns
    -------
    dict of str to ndarray
        For "local" and "detail": variances [dB^2] over conditions, certain channels with two seats or more, and
        third-octave bands from 6.3 to 16 kHz; empty arrays where there is none.
    """
    chosen: dict[Warp, ResonanceAlignment] = {"local": replace(report, warp="local")}
    chosen["detail"] = replace(report, warp="detail")
    return {
        warp: np.concatenate(
            [np.empty(0), *(part for one in sets for part in _variances(shift_resonance(one, moved), moved))]
        )
        for warp, moved in chosen.items()
    }


def choose_warp(variances: Iterable[Mapping[Warp, FloatArray]]) -> Warp:
    """Choose the warp that leaves less variation between seatings above 5 kHz.

    Parameters
    ----------
    variances : iterable of mapping
        Of each earphone of a study, from `warp_variances`.

    Returns
    -------
    {"local", "detail"}
        The warp with the smaller median variance; "local" where no certain channel was seated twice.
    """
    found = list(variances)
    local, detail = (np.concatenate([np.empty(0), *(one[warp] for one in found)]) for warp in ("local", "detail"))
    if not local.size:
        return "local"
    return "detail" if float(np.nanmedian(detail)) < float(np.nanmedian(local)) else "local"


def _variances(curves: ResponseSet, report: ResonanceAlignment) -> list[FloatArray]:
    """Give the variance between the seatings of each certain channel, in each band that is moved."""
    aligned, _ = align_level(curves)
    bands = band_levels(aligned.frequency_hz, aligned.level_db, _WARPED_BANDS)
    found = []
    for channel in report.channels:
        rows = list(curves.rows(channel.channel))
        if channel.certain and len({curves.seat[row] for row in rows}) > 1:
            found.append(np.var(bands[rows], axis=0, ddof=1))
    return found


def _shift(report: ResonanceAlignment, channel: str, seat: str, target_hz: float | None) -> float:
    """Give the whole shift of a row [octave]; 0 where its channel is not certain."""
    for found in report.channels:
        for row in found.rows:
            if (row.channel, row.seat) == (channel, seat):
                if found.resonance_hz is None:
                    return 0.0
                target = found.resonance_hz if target_hz is None else target_hz
                return row.shift_octaves + float(octaves_from_frequency(found.resonance_hz, reference_hz=target))
    raise CurveError(
        f"{report.label or 'shift_resonance'}, {channel}, seat {seat}",
        "every row needs a shift found for it",
        "the report has none",
        "find the shifts of all sets together",
    )
