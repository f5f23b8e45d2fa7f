"""Which responses of a study look unlike their repeats: flagged for the user to look at, never dropped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.grids import octave_grid
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ohmshift.curves.values import Response

LEVEL_BAND_HZ = (200.0, 2000.0)
"""Band whose mean is a response's level [Hz]."""

LEVEL_OUTLIER_DB = 6.0
"""Distance of a level from its group's median that is flagged [dB]."""

SEAT_BAND_HZ = (25.0, 4000.0)
"""Band in which seats are compared [Hz]: leaks show below, the ear-canal resonance moves with every seat above."""

SEAT_OUTLIER_DB = 1.5
"""Distance of a seat from its group's median curve below which it is never flagged [dB]."""

SEAT_OUTLIER_TIMES = 4.0
"""Distance of a seat, in upper quartiles of all distances in the study, above which it is flagged."""

_POINTS_PER_OCTAVE = 6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Repeat:
    """One response and the group it repeats.

    Parameters
    ----------
    file : str
        Its file.
    earphone : str
        The earphone.
    channel : str
        The side.
    added_ohm : float
        Added resistance [ohm].
    level_db : float or None
        Mean level over 200 to 2000 Hz [dB]; None where the level is relative.
    tone_db : ndarray, shape (n,)
        Curve less that level on the grid of `coarse_grid` [dB]; nan where it does not reach.
    """

    file: str
    earphone: str
    channel: str
    added_ohm: float
    level_db: float | None
    tone_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "tone_db", read_only(self.tone_db))


def coarse_grid() -> FloatArray:
    """Give the frequencies at which seats are compared.

    Returns
    -------
    ndarray, shape (n,)
        25 Hz to 4 kHz, six an octave [Hz].
    """
    return octave_grid(_POINTS_PER_OCTAVE, low_hz=SEAT_BAND_HZ[0], high_hz=SEAT_BAND_HZ[1])


def summarise_repeat(file: str, earphone: str, channel: str, added_ohm: float, response: Response) -> Repeat:
    """Keep of a response what screening compares.

    Parameters
    ----------
    file : str
        Its file.
    earphone : str
        The earphone.
    channel : str
        The side.
    added_ohm : float
        Added resistance [ohm].
    response : Response
        The curve; it covers 200 to 2000 Hz.

    Returns
    -------
    Repeat
        Level and coarse curve.
    """
    f, (low, high) = response.frequency_hz, LEVEL_BAND_HZ
    level_db = float(mean_levels(f, response.level_db, low_hz=[low], high_hz=[high])[0])
    tone_db = np.interp(np.log(coarse_grid()), np.log(f), response.level_db - level_db, left=np.nan, right=np.nan)
    return Repeat(
        file=file,
        earphone=earphone,
        channel=channel,
        added_ohm=added_ohm,
        level_db=level_db if response.level_reference == "absolute" else None,
        tone_db=tone_db,
    )


def find_duplicates(files: Iterable[tuple[str, str, str]]) -> list[Problem]:
    """Flag files that hold the same bytes as an earlier one.

    Parameters
    ----------
    files : iterable of (file, earphone, sha256)
        Files with the hashes of their bytes.

    Returns
    -------
    list of Problem
        One for each later copy.
    """
    first: dict[str, str] = {}
    problems = []
    for file, earphone, sha256 in files:
        original = first.setdefault(sha256, file)
        if original != file:
            rule = "each measurement has a file of its own"
            mend = "see which of the two measurements is missing: a copy makes repeats look better than they are"
            problems.append(_flag(file, earphone, "duplicate", f"a copy of {original}", rule=rule, mend=mend))
    return problems


def find_outliers(repeats: Sequence[Repeat]) -> list[Problem]:
    """Flag levels and seats far from those of their group: one earphone, channel and resistance.

    Parameters
    ----------
    repeats : sequence of Repeat
        Every response of a study.

    Returns
    -------
    list of Problem
        Levels first, then seats.

    Notes
    -----
    A level is the mean over 200 to 2000 Hz, equal weight an octave, and is flagged from 6 dB on: half the amplitude or
    twice. Reseating moves it by some tenths of a decibel to 2 dB; a forgotten gain step moves it by 6 dB and more.
    Responses with a relative level are not compared in level.

    The distance of a seat is the root mean square over 25 Hz to 4 kHz, six points an octave, of its curve without its
    level, minus its group's median curve. It is flagged above 1.5 dB and four times the upper quartile of all distances
    in the study, so that a study of earphones that all seal badly is not flagged throughout. The median of distances
    would be too small a measure: in a group of three, one seat often is the median curve itself.

    In a group of two each is compared with the other, so both are flagged: there is no telling which is wrong. One
    alone is not compared.
    """
    groups: dict[tuple[str, str, float], list[int]] = {}
    for i, repeat in enumerate(repeats):
        groups.setdefault((repeat.earphone, repeat.channel, repeat.added_ohm), []).append(i)
    level = np.array([np.nan if repeat.level_db is None else repeat.level_db for repeat in repeats])
    tone = np.array([repeat.tone_db for repeat in repeats]).reshape(len(repeats), coarse_grid().size)
    level_distance, seat_distance = np.full(level.size, np.nan), np.full(level.size, np.nan)
    for members in map(np.array, groups.values()):
        levelled = members[np.isfinite(level[members])]
        level_distance[levelled] = _deviation(level[levelled])
        seat_distance[members] = _root_mean_square(_deviation(tone[members]))
    problems = [_level_flag(repeats[i], level_distance[i]) for i in _beyond(abs(level_distance), LEVEL_OUTLIER_DB)]
    if np.any(np.isfinite(seat_distance)):
        usual = float(np.nanquantile(seat_distance, 0.75))
        limit = max(SEAT_OUTLIER_DB, SEAT_OUTLIER_TIMES * usual)
        problems += [_seat_flag(repeats[i], seat_distance[i], usual) for i in _beyond(seat_distance, limit)]
    return problems


def _deviation(values: FloatArray) -> FloatArray:
    """Give the distance of rows (m, ...) from their median; of two, from each other; of one, nan."""
    if len(values) > 2:  # noqa: PLR2004 - two have no median of their own
        return values - np.median(values, axis=0)
    return values - values[::-1] if len(values) > 1 else np.full_like(values, np.nan)


def _root_mean_square(values: FloatArray) -> FloatArray:
    """Give the root mean square of each row (m, n) over its finite values; nan where it has none."""
    finite = np.isfinite(values)
    count = finite.sum(axis=1)
    total = np.where(finite, values, 0.0)
    return np.where(count > 0, np.sqrt((total**2).sum(axis=1) / np.maximum(count, 1)), np.nan)


def _beyond(distance: FloatArray, limit: float) -> list[int]:
    return [int(i) for i in np.flatnonzero(np.nan_to_num(distance) >= limit)]


def _level_flag(repeat: Repeat, distance_db: float) -> Problem:
    rule = f"a level is within {LEVEL_OUTLIER_DB:g} dB of its repeats"
    mend = "check the gain and the plug of that measurement, then measure again or leave the file out"
    return _flag(repeat.file, repeat.earphone, "level", f"{distance_db:+.1f} dB from them", rule=rule, mend=mend)


def _seat_flag(repeat: Repeat, distance_db: float, usual_db: float) -> Problem:
    rule = "a seat gives the same curve as its repeats, within the study's usual variation"
    found = f"{distance_db:.1f} dB from them; usual: {usual_db:.1f} dB"
    mend = "look at its bass for a leak, then measure again or leave the file out"
    return _flag(repeat.file, repeat.earphone, "seat", found, rule=rule, mend=mend)


def _flag(file: str, earphone: str, column: str, value: str, *, rule: str, mend: str) -> Problem:
    return Problem(
        file=file, row=None, column=column, value=value, rule=rule, mend=mend, effect="flagged", earphone=earphone
    )
