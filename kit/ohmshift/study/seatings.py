"""A study's conditions, each lined up in itself, and how single measurements stray from what they share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.curves.alignment import align_resonance

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.curves.values import FloatArray, ResponseSet
    from ohmshift.study.batch import Condition, StudyComparison
    from ohmshift.study.folder import Study

Strays: TypeAlias = "tuple[tuple[FloatArray, FloatArray], ...]"
"""By frequency grid [Hz], shape (n,): residuals [dB], shape (k, n), one row a measurement."""

_KEPT_CORRELATION = 0.99
_CORE_HZ = (50.0, 10_000.0)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Seatings:
    """A study's conditions, each lined up in itself, and how single measurements stray.

    Parameters
    ----------
    aligned : mapping of (earphone, added resistance) to ResponseSet
        Responses; the rows of a condition are lined up with each other, and with no other condition.
    certain : mapping of (earphone, added resistance) to bool
        Whether that was certain.
    strays : tuple of (frequency, residuals)
        How measurements stray from their condition's mean [dB], level included, by frequency grid [Hz]; scaled so that
        rows.T @ rows / k is the covariance of one measurement. Conditions with a flagged file are left aside.
    paired_strays : tuple of (frequency, residuals)
        The same for conditions measured without reseating: what is left when each seat keeps its own mean.
    """

    aligned: Mapping[Condition, ResponseSet]
    certain: Mapping[Condition, bool]
    strays: Strays
    paired_strays: Strays


@lru_cache(maxsize=2)
def line_up_conditions(study: Study, comparison: StudyComparison) -> Seatings:
    """Line up each condition in itself, and gather how its measurements stray.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes, for the conditions and the warp.

    Returns
    -------
    Seatings
        The latest two are kept.
    """
    flagged = set(study.measurements.loc[study.measurements["flags"].astype(str) != "", "file"])
    aligned, certain = {}, {}
    strays: dict[bytes, list[FloatArray]] = {}
    paired: dict[bytes, list[FloatArray]] = {}
    for name in dict.fromkeys(name for name, _ in comparison.aligned):
        measured = {ohm: study.responses(name, added_ohm=ohm) for label, ohm in comparison.aligned if label == name}
        seen: set[tuple[str, str]] = set()
        for ohm, curves in measured.items():
            aligned[name, ohm], certain[name, ohm] = _line_up(curves, comparison)
            if any(origin.source in flagged for origin in curves.provenance):
                continue
            grid = curves.frequency_hz.tobytes()
            strays.setdefault(grid, []).extend(_stray(aligned[name, ohm], seen))
            base = measured.get(0.0, curves)
            if ohm > 0 and base.frequency_hz.tobytes() == grid:
                paired.setdefault(grid, []).extend(_stray_in_pairs(base, curves))
    return Seatings(
        aligned=MappingProxyType(aligned),
        certain=MappingProxyType(certain),
        strays=_stack(strays),
        paired_strays=_stack(paired),
    )


def seat_levels(curves: ResponseSet, channel: str) -> dict[str, FloatArray]:
    """Give the response at each seat of a channel.

    Parameters
    ----------
    curves : ResponseSet
        One condition.
    channel : str
        Channel, "left" or "right".

    Returns
    -------
    dict of str to ndarray, shape (n,)
        Level [dB] by seat; repeats at one seat are averaged, since without reseating they are no repeats.
    """
    rows: dict[str, list[FloatArray]] = {}
    for row in curves.rows(channel):
        rows.setdefault(curves.seat[row], []).append(curves.level_db[row])
    return {seat: np.mean(found, axis=0) for seat, found in rows.items()}


def stray_basis(frequency_hz: FloatArray, strays: Strays) -> FloatArray | None:
    """Give few curves with the covariance of many residuals.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies wanted [Hz].
    strays : tuple of (frequency, residuals)
        Residuals; those that do not reach from 50 Hz to 10 kHz count only where none does.

    Returns
    -------
    ndarray, shape (r, n), or None
        Curves [dB] with basis.T @ basis the covariance of one measurement: its variance at each frequency exactly, its
        correlations but for a hundredth; None where there are no residuals. Beyond their own grid residuals go on
        level.
    """
    if not strays:
        return None
    f = np.log(frequency_hz)
    wide = [one for one in strays if one[0][0] <= _CORE_HZ[0] and one[0][-1] >= _CORE_HZ[1]]
    rows = np.concatenate(
        [[np.interp(f, np.log(grid), row) for row in residuals] for grid, residuals in wide or strays]
    )
    sd = np.maximum(np.sqrt(np.mean(rows**2, axis=0)), 1e-9)
    _, size, shapes = np.linalg.svd(rows / sd / np.sqrt(len(rows)), full_matrices=False)
    r = int(np.searchsorted(np.cumsum(size**2), _KEPT_CORRELATION * np.sum(size**2))) + 1
    basis = size[:r, np.newaxis] * shapes[:r]
    return np.asarray(basis * sd / np.sqrt(np.sum(basis**2, axis=0)))


def _line_up(curves: ResponseSet, comparison: StudyComparison) -> tuple[ResponseSet, bool]:
    if comparison.warp == "none":
        return curves, False
    (moved,), report = align_resonance(curves, warp="detail" if comparison.warp == "detail" else "local")
    return moved, report.certain


def _stray(curves: ResponseSet, seen: set[tuple[str, str]]) -> list[FloatArray]:
    """Give the residuals of a condition's seats; a seat that several conditions share counts once."""
    found = []
    for channel in dict.fromkeys(curves.channel):
        seats = seat_levels(curves, channel)
        level_db = np.array([row for seat, row in seats.items() if (channel, seat) not in seen])
        seen |= {(channel, seat) for seat in seats}
        if len(level_db) > 1:
            found.append(_about_mean(level_db))
    return found


def _stray_in_pairs(without: ResponseSet, with_added: ResponseSet) -> list[FloatArray]:
    """Give the residuals of differences seat by seat, as those of one measurement."""
    found = []
    for channel in dict.fromkeys(without.channel):
        first, second = seat_levels(without, channel), seat_levels(with_added, channel)
        differences = np.array([second[seat] - row for seat, row in first.items() if seat in second])
        if len(differences) > 1:
            found.append(_about_mean(differences) / np.sqrt(2))
    return found


def _about_mean(level_db: FloatArray) -> FloatArray:
    n = len(level_db)
    return np.asarray((level_db - level_db.mean(axis=0)) * np.sqrt(n / (n - 1)))


def _stack(rows: Mapping[bytes, Sequence[FloatArray]]) -> Strays:
    return tuple((np.frombuffer(grid), np.concatenate(found)) for grid, found in rows.items() if found)
