"""The collection's table: cells with what to sort them by, and a small chart in each row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from ohmshift.chain.prediction import readable_frequencies
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.show.axes import decades
from ohmshift.show.drawings import ohm_range
from ohmshift.show.earphone_facts import file_names
from ohmshift.show.earphone_wording import say_word

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.show.earphone_facts import EarphoneFacts
    from ohmshift.study.impedances import KnownImpedance

NOT_COMPARED = "not compared"
"""What stands for a verdict where there is none."""

ORDER = ("changed", "changed, by no more than", "no change larger than", "cannot tell", NOT_COMPARED)
"""Verdicts in the order in which the table sorts them."""

ORIGINS = ("measured", "recovered", "not known")
"""How an impedance is known, in the order of the filter."""

_WIDTH, _HEIGHT = 132, 44
_HZ = (20.0, 20_000.0)
_LEAST_DB, _MOST_DB = 2.0, 15.0
_POINTS = 80
_REFERENCE_HZ = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectionRow:
    """One earphone's row.

    Parameters
    ----------
    id, name : str
        Where its details are on the page, and the earphone.
    driver_class : str
        Class of its drivers.
    drivers : str
        The class with the count.
    word : str
        Word of the verdict, without the margin.
    verdict : str
        The verdict as shown.
    rank : int
        Place of the verdict in the order of sorting.
    added_ohm, size_db, level_db, impedance_ohm, limit_ohm : float or None
        Resistance compared at [ohm], size of the tonal change and change of level [dB], impedance at 1 kHz and highest
        source impedance [ohm]; infinite where any is within the margin.
    origin : str
        Where the impedance comes from: "measured", "recovered" or "not known".
    change_chart, impedance_chart : Markup
        Small charts, as SVG.
    """

    id: str
    name: str
    driver_class: str
    drivers: str
    word: str
    verdict: str
    rank: int
    added_ohm: float | None
    size_db: float | None
    level_db: float | None
    impedance_ohm: float | None
    limit_ohm: float | None
    origin: str
    change_chart: Markup
    impedance_chart: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallScales:
    """The scales of all small charts, the same in every row.

    Parameters
    ----------
    change_db, impedance_ohm : tuple of float
        Ends of the vertical axes [dB, ohm].
    """

    change_db: tuple[float, float]
    impedance_ohm: tuple[float, float]


def collect_rows(facts: Sequence[EarphoneFacts]) -> tuple[tuple[CollectionRow, ...], SmallScales]:
    """Make the rows of the collection's table.

    Parameters
    ----------
    facts : sequence of EarphoneFacts
        Every earphone.

    Returns
    -------
    rows : tuple of CollectionRow
        The largest change first; what was not compared comes last.
    scales : SmallScales
        Scales of their small charts.
    """
    changes = [one.main.change.band_change_db for one in facts if one.main is not None]
    known = [_magnitude(one.known)[1] for one in facts if one.known.impedance is not None]
    scales = SmallScales(change_db=_whole_range(changes), impedance_ohm=ohm_range(*known or [np.empty(0)]))
    names = file_names(one.name for one in facts)
    rows = [_row(one, f"earphone-{names[one.name]}", scales) for one in facts]
    return tuple(sorted(rows, key=lambda row: np.inf if row.size_db is None else -row.size_db)), scales


def _whole_range(changes_db: Sequence[FloatArray]) -> tuple[float, float]:
    """Give a range in whole dB that holds the changes, up to 15 dB either way."""
    known = np.concatenate([values[np.isfinite(values)] for values in changes_db] + [np.array([-_LEAST_DB, _LEAST_DB])])
    return (float(max(np.floor(known.min()), -_MOST_DB)), float(min(np.ceil(known.max()), _MOST_DB)))


def _row(facts: EarphoneFacts, place: str, scales: SmallScales) -> CollectionRow:
    main, known = facts.main, facts.known
    f, Z = _magnitude(known)
    word = NOT_COMPARED if main is None else main.verdict.word
    inside = f.size > 0 and f[0] <= _REFERENCE_HZ <= f[-1]
    at_1khz = float(np.interp(np.log(_REFERENCE_HZ), np.log(f), Z)) if inside else np.nan
    return CollectionRow(
        id=place,
        name=facts.name,
        driver_class=facts.driver_class,
        drivers=facts.driver_class if facts.driver_count is None else f"{facts.driver_class}, {facts.driver_count}",
        word=word,
        verdict=NOT_COMPARED if main is None else say_word(main.verdict),
        rank=ORDER.index(word),
        added_ohm=None if main is None else main.added_ohm,
        size_db=None if main is None else main.change.size_db,
        level_db=None if main is None or not main.level_known else main.change.level_drop_db,
        impedance_ohm=at_1khz if np.isfinite(at_1khz) else None,
        limit_ohm=None if facts.limit is None else facts.limit.source_ohm,
        origin=ORIGINS[2] if known.impedance is None else ORIGINS[isinstance(known.impedance, RecoveredImpedance)],
        change_chart=Markup() if main is None else _small_change(main.verdict, scales.change_db),
        impedance_chart=_small_impedance(f, Z, scales.impedance_ohm) if f.size else Markup(),
    )


def _magnitude(known: KnownImpedance) -> tuple[FloatArray, FloatArray]:
    """Give the magnitude where it may be read; nan elsewhere."""
    if known.impedance is None:
        return np.empty(0), np.empty(0)
    return known.frequency_hz, np.where(readable_frequencies(known.impedance), np.abs(known.ohms), np.nan)


def _small_change(verdict: Verdict, reach: tuple[float, float]) -> Markup:
    """Draw a change in third octaves with its interval."""
    known = verdict.judged & np.isfinite(verdict.half_width_db)
    if not known.any():
        return Markup()
    x, y = _across(verdict.bands.mid_hz[known]), verdict.change_db[known]
    half = verdict.half_width_db[known]
    low, high, middle = (_up(np.clip(value, *reach), reach) for value in (y - half, y + half, y))
    margins = [_up(np.clip(side * verdict.margin_db, *reach), reach) for side in (-1, 1)]
    zero = float(_up(np.array(0.0), reach))
    band = f"{_path(x, high)}L{_path(x[::-1], low[::-1])[1:]}Z"
    parts = (
        f'<path class="guide" d="M0 {zero:.1f}H{_WIDTH}"/>'
        + "".join(f'<path class="guide faint" d="M0 {float(edge):.1f}H{_WIDTH}"/>' for edge in margins)
        + f'<path class="spread" d="{band}"/><path class="curve" d="{_path(x, middle)}"/>'
    )
    return _picture(parts, f"Change from {y.min():+.1f} to {y.max():+.1f} dB")


def _small_impedance(f: FloatArray, Z: FloatArray, reach: tuple[float, float]) -> Markup:
    known = np.isfinite(Z) & (f >= _HZ[0]) & (f <= _HZ[1])
    if not known.any():
        return Markup()
    some = np.unique(np.linspace(0, known.sum() - 1, _POINTS).astype(int))
    x, ohm = _across(f[known][some]), np.clip(Z[known][some], *reach)
    y = _HEIGHT * (1 - np.log(ohm / reach[0]) / np.log(reach[1] / reach[0]))
    decade = "".join(
        f'<path class="guide faint" d="M0 {_HEIGHT * (1 - np.log(at / reach[0]) / np.log(reach[1] / reach[0])):.1f}H'
        f'{_WIDTH}"/>'
        for at in (1.0, 10.0, 100.0, 1000.0)
        if reach[0] < at < reach[1]
    )
    label = f"Impedance from {np.nanmin(Z):.3g} to {np.nanmax(Z):.3g} ohm"
    return _picture(f'{decade}<path class="curve second" d="{_path(x, y)}"/>', label)


def _picture(parts: str, label: str) -> Markup:
    """Put drawn parts into a picture; both are made of numbers and our own words alone."""
    return Markup(  # noqa: S704
        f'<svg role="img" aria-label="{label}" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}">'
        f"{parts}</svg>"
    )


def _across(f: FloatArray) -> FloatArray:
    return np.asarray(_WIDTH * np.log10(f / _HZ[0]) / decades(_HZ))


def _up(value: FloatArray, reach: tuple[float, float]) -> FloatArray:
    return np.asarray(_HEIGHT * (reach[1] - value) / (reach[1] - reach[0]))


def _path(x: FloatArray, y: FloatArray) -> str:
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))
