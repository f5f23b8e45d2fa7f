"""Repeated measurements: their band levels at equal loudness, and how far they stray from what they share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.grids import Bands, fractional_octave_bands, octave_grid, resample
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.curves.values import FloatArray, ResponseSet, read_only
from ohmshift.errors import EvidenceError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeatLevels:
    """One condition of one earphone, one row a channel and seat, level and tone apart.

    Parameters
    ----------
    label : str
        The earphone.
    added_ohm : float
        Resistance added [ohm].
    channel, seat : tuple of str, length m
        Channel and seating of each row.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    tone_db : ndarray, shape (m, n)
        Curves less their level [dB].
    band_db : ndarray, shape (m, b)
        Band means of those [dB]; nan where the data do not cover a band wholly.
    level_db : ndarray, shape (m,)
        The levels taken off [dB].
    """

    label: str
    added_ohm: float
    channel: tuple[str, ...]
    seat: tuple[str, ...]
    frequency_hz: FloatArray
    tone_db: FloatArray
    band_db: FloatArray
    level_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "tone_db", "band_db", "level_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def seats(self, channel: str) -> dict[str, int]:
        """Give the row of each seat of one channel.

        Parameters
        ----------
        channel : str
            Channel, "left" or "right".

        Returns
        -------
        dict of str to int
            Row numbers by seat, in the order of the rows.
        """
        return {
            seat: row for row, (name, seat) in enumerate(zip(self.channel, self.seat, strict=True)) if name == channel
        }


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Deviations:
    """How far repeats stray from what they share.

    Parameters
    ----------
    band_db : ndarray, shape (k, b)
        Residuals [dB], scaled to the variance of one measurement: the mean of their squares estimates it without bias.
    level_db : ndarray, shape (k,)
        The same for the level [dB].
    degrees : int
        Degrees of freedom.
    channel : str
        The channel.
    places : tuple of (float, str), length k
        Resistance and seat of each residual.
    """

    band_db: FloatArray
    level_db: FloatArray
    degrees: int
    channel: str = ""
    places: tuple[tuple[float, str], ...] = ()

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("band_db", "level_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PooledVariance:
    """The variance of one measurement, pooled over groups of repeats.

    Parameters
    ----------
    band_db2 : ndarray, shape (b,)
        Variance in each band [dB^2]; nan where there are no degrees of freedom.
    band_degrees : ndarray, shape (b,)
        Degrees of freedom in each band.
    level_db2 : float
        Variance of the level [dB^2]; nan where there are no degrees of freedom.
    degrees : int
        Degrees of freedom of the level, and of every band that all groups cover.
    """

    band_db2: FloatArray
    band_degrees: FloatArray
    level_db2: float
    degrees: int

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("band_db2", "band_degrees"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class EarphoneRepeats:
    """What one earphone tells about how measurements repeat.

    Parameters
    ----------
    label : str
        The earphone.
    reseated : tuple of Deviations
        From seating to seating.
    unreseated : tuple of Deviations
        Between conditions measured without reseating.
    """

    label: str
    reseated: tuple[Deviations, ...]
    unreseated: tuple[Deviations, ...]


def default_bands() -> Bands:
    """Give the bands in which changes are judged: third octaves from 25 Hz to 16 kHz.

    Returns
    -------
    Bands
        29 bands.
    """
    return fractional_octave_bands(3, low_hz=25.0, high_hz=16_000.0)


def share_grid(first: ResponseSet, second: ResponseSet) -> tuple[ResponseSet, ResponseSet]:
    """Bring two sets onto one frequency grid, the part of the common grid that both cover.

    Parameters
    ----------
    first, second : ResponseSet
        Sets on any grids.

    Returns
    -------
    tuple of two ResponseSet
        The same sets on one grid; untouched where they already share theirs.

    Raises
    ------
    EvidenceError
        They share no band.
    """
    f, g = first.frequency_hz, second.frequency_hz
    if f.shape == g.shape and np.array_equal(f, g):
        return first, second
    low, high = float(max(f[0], g[0])), float(min(f[-1], g[-1]))
    grid = octave_grid(low_hz=low, high_hz=high) if low < high else np.empty(0)
    if grid.size < 2:  # noqa: PLR2004 - two points make the shortest curve
        raise EvidenceError(
            first.label or "share_grid",
            "both conditions must cover a common band",
            f"one starts at {low:g} Hz and the other ends at {high:g} Hz",
            "measure both over the whole band",
        )
    return resample(first, grid), resample(second, grid)


def read_seats(curves: ResponseSet, *, bands: Bands, level_low_hz: float, level_high_hz: float) -> SeatLevels:
    """Take level and band levels of each channel and seat.

    Parameters
    ----------
    curves : ResponseSet
        One condition of one earphone, resonances aligned.
    bands : Bands
        Bands wanted.
    level_low_hz, level_high_hz : float
        Band that defines the level [Hz].

    Returns
    -------
    SeatLevels
        Rows of one channel with the same seat are averaged into one: without reseating they are no repeats.

    Raises
    ------
    EvidenceError
        The data do not cover the band that defines the level.
    """
    f, level_db = curves.frequency_hz, curves.level_db
    level = mean_levels(f, level_db, low_hz=[level_low_hz], high_hz=[level_high_hz])[:, 0]
    if not np.all(np.isfinite(level)):
        raise EvidenceError(
            curves.label or "read_seats",
            f"the level is the mean from {level_low_hz:g} to {level_high_hz:g} Hz and needs all of that band",
            f"the data cover {f[0]:g} to {f[-1]:g} Hz",
            "choose level_low_hz and level_high_hz inside the data",
        )
    tone = level_db - level[:, None]
    band = band_levels(f, level_db, bands) - level[:, None]
    places = list(zip(curves.channel, curves.seat, strict=True))
    kept = list(dict.fromkeys(places))
    if len(kept) < len(places):
        merge = np.array([[place == name for place in places] for name in kept], dtype=np.float64)
        merge /= merge.sum(axis=1, keepdims=True)
        tone, band, level = merge @ tone, merge @ band, merge @ level
    return SeatLevels(
        label=curves.label,
        added_ohm=curves.added_ohm,
        channel=tuple(channel for channel, _ in kept),
        seat=tuple(seat for _, seat in kept),
        frequency_hz=f,
        tone_db=tone,
        band_db=band,
        level_db=level,
    )


def collect_repeats(
    sets: Iterable[ResponseSet], *, bands: Bands, level_low_hz: float, level_high_hz: float
) -> EarphoneRepeats:
    """Collect how far the repeats of one earphone stray.

    Parameters
    ----------
    sets : iterable of ResponseSet
        Its conditions, resonances aligned, levels as measured; at least one.
    bands : Bands
        Bands.
    level_low_hz, level_high_hz : float
        Band that defines the level [Hz].

    Returns
    -------
    EarphoneRepeats
        Small enough to be kept for many earphones; of the conditions that cover the band of the level.
    """
    conditions: list[SeatLevels] = []
    label = ""
    for curves in sets:
        label = curves.label
        try:
            conditions.append(read_seats(curves, bands=bands, level_low_hz=level_low_hz, level_high_hz=level_high_hz))
        except EvidenceError:  # measure_change says so
            continue
    return EarphoneRepeats(
        label=label,
        reseated=tuple(_collect_seats(conditions)),
        unreseated=tuple(_collect_pairs(conditions)) if conditions else (),
    )


def stray_from_mean(band_db: FloatArray, level_db: FloatArray) -> Deviations:
    """Give the deviations of seats from their mean.

    Parameters
    ----------
    band_db : ndarray, shape (n, b)
        Band levels of n seats [dB].
    level_db : ndarray, shape (n,)
        Their levels [dB].

    Returns
    -------
    Deviations
        With n - 1 degrees of freedom.
    """
    n = len(level_db)
    scale = np.sqrt(n / max(n - 1, 1))
    return Deviations(
        band_db=(band_db - band_db.mean(axis=0)) * scale,
        level_db=(level_db - level_db.mean()) * scale,
        degrees=n - 1,
    )


def stray_from_pairs(band_db: FloatArray, level_db: FloatArray) -> Deviations:
    """Give the deviations that are left when each seat and each condition keeps its own mean.

    Parameters
    ----------
    band_db : ndarray, shape (c, n, b)
        Band levels of c conditions at the same n seats, not reseated in between [dB].
    level_db : ndarray, shape (c, n)
        Their levels [dB].

    Returns
    -------
    Deviations
        With (c - 1)(n - 1) degrees of freedom.

    Notes
    -----
    For two conditions the variance found is half the variance of the paired differences, as it must be.
    """
    c, n = level_db.shape
    degrees = (c - 1) * (n - 1)
    scale = np.sqrt(c * n / max(degrees, 1))
    band = band_db - band_db.mean(axis=0) - band_db.mean(axis=1, keepdims=True) + band_db.mean(axis=(0, 1))
    level = level_db - level_db.mean(axis=0) - level_db.mean(axis=1, keepdims=True) + level_db.mean()
    return Deviations(band_db=(band * scale).reshape(c * n, -1), level_db=(level * scale).ravel(), degrees=degrees)


def pool_variance(groups: Sequence[Deviations], *, count: int) -> PooledVariance:
    """Pool the variances of groups of repeats.

    Parameters
    ----------
    groups : sequence of Deviations
        Groups, each of one condition of one channel.
    count : int
        Number of bands.

    Returns
    -------
    PooledVariance
        Sums of squares over degrees of freedom.
    """
    square, band_degrees, level, degrees = np.zeros(count), np.zeros(count), 0.0, 0
    for group in groups:
        if group.degrees == 0:
            continue
        mean_square = (group.band_db**2).mean(axis=0)
        covered = np.isfinite(mean_square)
        square += np.where(covered, mean_square, 0.0) * group.degrees
        band_degrees += covered * group.degrees
        level += float((group.level_db**2).mean()) * group.degrees
        degrees += group.degrees
    return PooledVariance(
        band_db2=np.divide(square, band_degrees, out=np.full(count, np.nan), where=band_degrees > 0),
        band_degrees=band_degrees,
        level_db2=level / degrees if degrees else float("nan"),
        degrees=degrees,
    )


def _collect_seats(conditions: list[SeatLevels]) -> list[Deviations]:
    """Give the deviations of one earphone's seats; a seat that several conditions share counts once."""
    found, seen = [], set[tuple[str, str]]()
    for condition in conditions:
        for channel in dict.fromkeys(condition.channel):
            seats = condition.seats(channel)
            new = {seat: row for seat, row in seats.items() if (channel, seat) not in seen}
            seen |= {(channel, seat) for seat in seats}
            if len(new) > 1:
                rows, places = list(new.values()), tuple((condition.added_ohm, seat) for seat in new)
                group = stray_from_mean(condition.band_db[rows], condition.level_db[rows])
                found.append(replace(group, channel=channel, places=places))
    return found


def _collect_pairs(conditions: list[SeatLevels]) -> list[Deviations]:
    """Give the deviations of one earphone's conditions that share their seats with the one of least resistance."""
    base, *others = sorted(conditions, key=lambda condition: condition.added_ohm)
    found = []
    for channel in dict.fromkeys(base.channel):
        tables: dict[tuple[str, ...], list[SeatLevels]] = {}
        for other in others:
            common = tuple(seat for seat in base.seats(channel) if seat in other.seats(channel))
            if len(common) > 1:
                tables.setdefault(common, [base]).append(other)
        for common, members in tables.items():
            rows = [[member.seats(channel)[seat] for seat in common] for member in members]
            band = np.stack([member.band_db[row] for member, row in zip(members, rows, strict=True)])
            level = np.stack([member.level_db[row] for member, row in zip(members, rows, strict=True)])
            places = tuple((member.added_ohm, seat) for member in members for seat in common)
            found.append(replace(stray_from_pairs(band, level), channel=channel, places=places))
    return found
