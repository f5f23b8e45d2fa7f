"""What changed: with the resistance minus without, at equal loudness, and the level lost apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from ohmshift.curves.values import FloatArray, ResponseSet, Step, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.repeats import (
    Deviations,
    SeatLevels,
    default_bands,
    pool_variance,
    read_seats,
    share_grid,
    stray_from_mean,
    stray_from_pairs,
)

if TYPE_CHECKING:
    from ohmshift.curves.grids import Bands

_ARRAYS = (
    "frequency_hz",
    "change_db",
    "band_change_db",
    "channel_band_change_db",
    "channel_variance_factor",
    "seat_band_change_db",
    "own_variance_db2",
    "own_degrees",
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Change:
    """What a resistance did to one earphone's response.

    Parameters
    ----------
    label : str
        The earphone.
    added_ohm : float
        Resistance added between the conditions [ohm], with minus without.
    bands : Bands
        Bands of the change.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    change_db : ndarray, shape (n,)
        Change [dB], level removed: mean over seats, then over channels.
    band_change_db : ndarray, shape (b,)
        The same as band means [dB]; nan where the data do not cover a band wholly.
    channels : tuple of str, length c
        Channels that both conditions hold.
    channel_band_change_db : ndarray, shape (c, b)
        Change of each channel, mean over seats [dB].
    seat_band_change_db : ndarray, shape (k, b)
        Change of each seat with the resistance [dB]: against the same seat without it where the earphone was not
        reseated, against the channel's mean without it otherwise.
    seat_channel, seat : tuple of str, length k
        Channel and name of those seats.
    level_drop_db : float
        Change of level [dB], negative when quieter with the resistance; nan where levels do not compare.
    level_drop_interval_db : tuple of two floats, or None
        95 % interval of it from the seats' own repeatability; None without repeats.
    size_db : float
        Size of the tonal change [dB]: standard deviation of the change over the bands. Does not depend on how the
        level was removed.
    reseated : bool
        Whether the earphone was reseated between the conditions.
    seats : tuple of two int
        Seats a channel, without and with the resistance; the fewest of any channel.
    variance_factor : float
        Variance of `band_change_db` over the variance of one measurement.
    channel_variance_factor : ndarray, shape (c,)
        The same for each channel alone.
    own_variance_db2 : ndarray, shape (b,)
        Variance of one measurement from these sets' own repeats [dB^2]; nan without repeats.
    own_degrees : ndarray, shape (b,)
        Its degrees of freedom.
    history : tuple of Step
        How the curves without the resistance were made, and this step.
    caveats : tuple of str
        What to keep in mind.
    """

    label: str
    added_ohm: float
    bands: Bands
    frequency_hz: FloatArray
    change_db: FloatArray
    band_change_db: FloatArray
    channels: tuple[str, ...]
    channel_band_change_db: FloatArray
    seat_band_change_db: FloatArray
    seat_channel: tuple[str, ...]
    seat: tuple[str, ...]
    level_drop_db: float
    level_drop_interval_db: tuple[float, float] | None
    size_db: float
    reseated: bool
    seats: tuple[int, int]
    variance_factor: float
    channel_variance_factor: FloatArray
    own_variance_db2: FloatArray
    own_degrees: FloatArray
    history: tuple[Step, ...]
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in _ARRAYS:
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _ChannelChange:
    """Change of one channel, and what its repeats say."""

    channel: str
    change_db: FloatArray
    band_db: FloatArray
    level_db: float
    seat_band_db: FloatArray
    seat: tuple[str, ...]
    factor: float
    deviations: tuple[Deviations, ...]
    count: tuple[int, int]


def measure_change(
    without: ResponseSet,
    with_added: ResponseSet,
    *,
    bands: Bands | None = None,
    level_low_hz: float = 200.0,
    level_high_hz: float = 2000.0,
) -> Change:
    """Measure what an added resistance changed: with minus without.

    Parameters
    ----------
    without, with_added : ResponseSet
        Both conditions of one earphone, resonances aligned, levels as measured.
    bands : Bands, optional
        Bands of the change; by default third octaves from 25 Hz to 16 kHz.
    level_low_hz, level_high_hz : float
        The level is the mean of the curve over this band [Hz], equal weight per octave.

    Returns
    -------
    Change
        Change of tone, and change of level apart.

    Raises
    ------
    EvidenceError
        Two earphones, no channel or no frequency band in common, or data that do not cover the band of the level.

    Notes
    -----
    The same seat name in both conditions of a channel means that the earphone was not touched in between: differences
    are then taken seat by seat, and vary far less. Where only some seats have a partner, the conditions count as
    reseated, which overstates their uncertainty, unless one condition holds all seats of the other: then the seats
    without a partner are left aside. Channels count alike, whatever their number of seats.
    """
    _check_one_earphone(without, with_added)
    bands = default_bands() if bands is None else bands
    before, after = (
        read_seats(curves, bands=bands, level_low_hz=level_low_hz, level_high_hz=level_high_hz)
        for curves in share_grid(without, with_added)
    )
    channels = tuple(name for name in dict.fromkeys(before.channel) if name in after.channel)
    if not channels:
        raise EvidenceError(
            without.label or "measure_change",
            "both conditions must hold one channel in common",
            f"one holds {', '.join(sorted(set(before.channel)))} and the other {', '.join(sorted(set(after.channel)))}",
            "measure one channel in both conditions",
        )
    reseated, seat_caveats = _tell_reseating(before, after, channels)
    parts = [_compare_channel(before, after, channel, reseated=reseated) for channel in channels]
    level_caveats = _check_levels(without, with_added)
    caveats = (
        *_check_source(without, with_added),
        *_check_channels(before, after),
        *seat_caveats,
        *level_caveats,
        *_check_cover(parts[0].band_db, bands),
    )
    step = Step(name="measure_change", options=(("level_low_hz", level_low_hz), ("level_high_hz", level_high_hz)))
    return _gather_channels(
        parts,
        without=without,
        with_added=with_added,
        bands=bands,
        frequency_hz=before.frequency_hz,
        reseated=reseated,
        level_offered=not level_caveats,
        step=step,
        caveats=caveats,
    )


def _gather_channels(
    parts: list[_ChannelChange],
    *,
    without: ResponseSet,
    with_added: ResponseSet,
    bands: Bands,
    frequency_hz: FloatArray,
    reseated: bool,
    level_offered: bool,
    step: Step,
    caveats: tuple[str, ...],
) -> Change:
    band_db = np.mean([part.band_db for part in parts], axis=0)
    factors = np.array([part.factor for part in parts])
    factor = float(factors.sum()) / len(parts) ** 2
    own = pool_variance([group for part in parts for group in part.deviations], count=len(bands))
    drop = float(np.mean([part.level_db for part in parts])) if level_offered else float("nan")
    return Change(
        label=without.label,
        added_ohm=with_added.added_ohm - without.added_ohm,
        bands=bands,
        frequency_hz=frequency_hz,
        change_db=np.mean([part.change_db for part in parts], axis=0),
        band_change_db=band_db,
        channels=tuple(part.channel for part in parts),
        channel_band_change_db=np.array([part.band_db for part in parts]),
        seat_band_change_db=np.concatenate([part.seat_band_db for part in parts]),
        seat_channel=tuple(part.channel for part in parts for _ in part.seat),
        seat=tuple(name for part in parts for name in part.seat),
        level_drop_db=drop,
        level_drop_interval_db=level_interval(drop, own.level_db2 * factor, own.degrees),
        size_db=float(np.nanstd(band_db)),
        reseated=reseated,
        seats=(min(part.count[0] for part in parts), min(part.count[1] for part in parts)),
        variance_factor=factor,
        channel_variance_factor=factors,
        own_variance_db2=own.band_db2,
        own_degrees=own.band_degrees,
        history=(*without.history, step),
        caveats=caveats,
    )


def level_interval(drop_db: float, variance_db2: float, degrees: float) -> tuple[float, float] | None:
    """Give the 95 % interval of a change of level.

    Parameters
    ----------
    drop_db : float
        Change of level [dB].
    variance_db2 : float
        Its variance [dB^2].
    degrees : float
        Degrees of freedom of that variance.

    Returns
    -------
    tuple of two floats, or None
        Ends of the t interval [dB]; None without a change of level or without degrees of freedom.

    Examples
    --------
    >>> low_db, high_db = level_interval(-3.0, 0.04, 4)
    >>> round(low_db, 3), round(high_db, 3)
    (-3.555, -2.445)
    """
    if not (np.isfinite(drop_db) and degrees > 0):
        return None
    half = float(stats.t.isf(0.025, degrees) * np.sqrt(variance_db2))
    return (drop_db - half, drop_db + half)


def _check_one_earphone(without: ResponseSet, with_added: ResponseSet) -> None:
    if without.label != with_added.label:
        raise EvidenceError(
            "measure_change",
            "a change is between two conditions of one earphone",
            f"the sets are of {without.label!r} and {with_added.label!r}",
            "give two sets of one earphone",
        )


def _tell_reseating(before: SeatLevels, after: SeatLevels, channels: tuple[str, ...]) -> tuple[bool, tuple[str, ...]]:
    """Tell by the seat names whether the earphone was reseated, with a caveat where they do not match."""
    pairs = [(set(before.seats(channel)), set(after.seats(channel))) for channel in channels]
    if not any(first & second for first, second in pairs):
        return True, ()
    if not all(first and second and (first <= second or second <= first) for first, second in pairs):
        return True, ("only some seats are in both conditions, so they count as reseated: uncertainty is overstated",)
    odd = sorted({name for first, second in pairs for name in first ^ second})
    if odd:
        return False, (f"left aside, because measured in one condition only: seat {', '.join(odd)}",)
    return False, ()


def _compare_channel(before: SeatLevels, after: SeatLevels, channel: str, *, reseated: bool) -> _ChannelChange:
    first, second = before.seats(channel), after.seats(channel)
    names = tuple(second) if reseated else tuple(name for name in second if name in first)
    i = list(first.values()) if reseated else [first[name] for name in names]
    j = [second[name] for name in names]
    band_0, band_1 = before.band_db[i], after.band_db[j]
    level_0, level_1 = before.level_db[i], after.level_db[j]
    deviations: tuple[Deviations, ...]
    if reseated:
        deviations = (stray_from_mean(band_0, level_0), stray_from_mean(band_1, level_1))
    else:
        deviations = (stray_from_pairs(np.stack([band_0, band_1]), np.stack([level_0, level_1])),)
    return _ChannelChange(
        channel=channel,
        change_db=after.tone_db[j].mean(axis=0) - before.tone_db[i].mean(axis=0),
        band_db=band_1.mean(axis=0) - band_0.mean(axis=0),
        level_db=float(level_1.mean() - level_0.mean()),
        seat_band_db=band_1 - (band_0.mean(axis=0) if reseated else band_0),
        seat=names,
        factor=1 / len(i) + 1 / len(j),
        deviations=deviations,
        count=(len(i), len(j)),
    )


def _check_levels(without: ResponseSet, with_added: ResponseSet) -> tuple[str, ...]:
    """Say why levels of the two conditions do not compare, if so."""
    if "relative" in {without.level_reference, with_added.level_reference}:
        return ("levels do not compare, because a level reference is relative: no change of level is given",)
    if any(step.name == "align_level" for step in (*without.history, *with_added.history)):
        return ("levels do not compare, because the curves were brought to one level: no change of level is given",)
    return ()


def _check_source(without: ResponseSet, with_added: ResponseSet) -> tuple[str, ...]:
    if without.source_ohm == with_added.source_ohm:
        return ()
    return (f"the source differed as well: {without.source_ohm:g} ohm without, {with_added.source_ohm:g} ohm with",)


def _check_channels(before: SeatLevels, after: SeatLevels) -> tuple[str, ...]:
    first, second = set(before.channel), set(after.channel)
    found = [
        f"the {name} channel was measured in one condition only and is left aside" for name in sorted(first ^ second)
    ]
    if len(first & second) == 1:
        found.append(f"one channel only ({next(iter(first & second))}): left and right cannot be compared")
    return tuple(found)


def _check_cover(band_db: FloatArray, bands: Bands) -> tuple[str, ...]:
    missing = bands.mid_hz[~np.isfinite(band_db)]
    if missing.size == len(bands):
        raise EvidenceError(
            "measure_change",
            "the data must cover at least one band wholly",
            "they cover none",
            "choose wider data or narrower bands",
        )
    if not missing.size:
        return ()
    names = ", ".join(f"{mid:.4g}" for mid in missing)
    return (f"not judged, because the data do not cover them wholly: bands at {names} Hz",)
