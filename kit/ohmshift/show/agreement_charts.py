"""Charts of two parties' changes, their difference, and one figure over several parties."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.evidence.parties import MEASURES
from ohmshift.evidence.wording import ceil_bound
from ohmshift.show.axes import fit_range
from ohmshift.show.charts import Band, Chart, Level, Line, Span
from ohmshift.show.drawings import change_range, ohms
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.agreement import Agreement, RegionAgreement
    from ohmshift.study.forests import Forest
    from ohmshift.study.tracing import TracedCurve

TWO = 2.0
"""Standard uncertainties drawn to either side of one party's change: about 95 %."""


def draw_both(agreement: Agreement, *, alt_text: str) -> Chart:
    """Chart both parties' changes.

    Parameters
    ----------
    agreement : Agreement
        The comparison.
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        Changes against frequency, level apart, each with two standard uncertainties.
    """
    mid_hz, lines, bands = agreement.bands.mid_hz, [], []
    for colour, (side, label) in enumerate(((agreement.own, "own"), (agreement.theirs, "theirs"))):
        y = np.where(agreement.judged, side.change_db, np.nan)
        half = TWO * np.where(agreement.judged, side.sd_db, np.nan)
        lines.append(Line(x=mid_hz, y=y, label=label, colour=colour, width=2.4))
        bands.append(Band(x=mid_hz, low=y - half, high=y + half, label=f"{label}, 95 %", colour=colour))
    return Chart(
        title=f"{agreement.label}: change with {ohms(agreement.own.added_ohm)}, {agreement.theirs.party} and own",
        alt_text=alt_text,
        y_label="Change, level apart",
        y_unit="dB",
        y_range=change_range(*(line.y for line in lines)),
        lines=tuple(lines),
        bands=tuple(bands),
        levels=(Level(y=0.0),),
    )


def draw_difference(agreement: Agreement, region: RegionAgreement) -> Chart:
    """Chart theirs minus own with its simultaneous interval and the margin.

    Parameters
    ----------
    agreement : Agreement
        The comparison.
    region : RegionAgreement
        The region looked at; what lies outside it is hatched.

    Returns
    -------
    Chart
        Difference against frequency.
    """
    mid_hz = agreement.bands.mid_hz
    y, half = agreement.difference_db, agreement.half_width_db
    margin = agreement.margin_db
    return Chart(
        title=f"{agreement.label}: theirs minus own",
        alt_text=_say_difference(region),
        y_label="Difference",
        y_unit="dB",
        y_range=change_range(y, np.array([margin])),
        lines=(Line(x=mid_hz, y=y, label="theirs minus own", colour=2, width=2.4),),
        bands=(Band(x=mid_hz, low=y - half, high=y + half, label="95 % interval", colour=2),),
        spans=_outside(region),
        levels=(Level(y=margin, label="margin"), Level(y=-margin, label="margin"), Level(y=0.0)),
    )


def difference_table(agreement: Agreement) -> pd.DataFrame:
    """Put a comparison's bands into a table.

    Parameters
    ----------
    agreement : Agreement
        The comparison.

    Returns
    -------
    DataFrame
        One row a judged band.
    """
    table = pd.DataFrame(
        {
            "Frequency (Hz)": [nominal_frequency(value) for value in agreement.bands.mid_hz],
            "own (dB)": agreement.own.change_db.round(1) + 0.0,
            "theirs (dB)": agreement.theirs.change_db.round(1) + 0.0,
            "difference (dB)": agreement.difference_db.round(1) + 0.0,
            "half-width (dB)": agreement.half_width_db.round(1),
            "bound (dB)": ceil_bound(agreement.band_bound_db),
            "differs": np.where(agreement.beyond, "beyond the margin", np.where(agreement.differs, "yes", "")),
        }
    )
    return table[agreement.judged].reset_index(drop=True)


def draw_forest(forest: Forest, *, alt_text: str) -> Chart:
    """Chart one figure of every party with its 95 % interval, and all of them together at the right.

    Parameters
    ----------
    forest : Forest
        The figures.
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        Parties from left to right.
    """
    table, pooled = forest.table, forest.pooled
    x = np.arange(len(table), dtype=np.float64)
    y, half = table["figure"].to_numpy(dtype=float), TWO * table["standard_error"].to_numpy(dtype=float)
    what, unit = MEASURES[forest.measure]
    lines = [Line(x=x, y=y, label="a party", colour=0, points=True)]
    bands = [Band(x=x, low=y - half, high=y + half, label="95 % interval", colour=0, opacity=0.9, bars=True)]
    ticks = [(float(i), name) for i, name in enumerate(table["party"])]
    ends = [y - half, y + half]
    if pooled is not None:
        at = np.array([float(len(table))])
        low, high = np.array([pooled.low]), np.array([pooled.high])
        lines.append(Line(x=at, y=np.array([pooled.mean]), label="together", colour=1, points=True))
        bands.append(Band(x=at, low=low, high=high, label="95 % interval, together", colour=1, opacity=0.9, bars=True))
        ticks.append((float(at[0]), "all together"))
        ends += [low, high]
    low_end, high_end = _forest_range(ends)
    return Chart(
        title=f"{forest.model}: {what}, with {ohms(forest.added_ohm)}, party by party",
        alt_text=alt_text,
        y_label=forest.measure.capitalize(),
        y_unit=unit,
        scale="linear",
        x_label="Party",
        x_unit="",
        x_scale="linear",
        x_range=(-0.6, len(ticks) - 0.4),
        x_ticks=tuple(ticks),
        y_range=(low_end, high_end),
        lines=tuple(lines),
        bands=tuple(bands),
        levels=(Level(y=0.0),),
    )


def draw_traced(traced: TracedCurve, *, ends_db: tuple[float, float], alt_text: str) -> Chart:
    """Chart a curve read off a picture, with its reading error.

    Parameters
    ----------
    traced : TracedCurve
        The curve.
    ends_db : tuple of float
        Levels of the picture's two points [dB], between which the axis stands still while the curve moves.
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        Level against frequency, with two standard uncertainties of reading.
    """
    f, y = traced.response.frequency_hz, traced.response.level_db
    thin = slice(None, None, max(1, f.size // 480))
    half = TWO * traced.reading_db
    return Chart(
        title="The curve read off the picture",
        alt_text=alt_text,
        y_label="Level or change",
        y_unit="dB",
        y_range=fit_range(np.concatenate([y, np.array(ends_db)])),
        lines=(Line(x=f[thin], y=y[thin], label="traced", colour=0, width=2.0),),
        bands=(
            Band(x=f[thin], low=(y - half)[thin], high=(y + half)[thin], label="reading, 95 %", colour=0, opacity=0.35),
        ),
    )


def empty_chart(title: str, sentence: str) -> Chart:
    """Chart nothing, where there is nothing to show.

    Parameters
    ----------
    title : str
        Title.
    sentence : str
        Why there is nothing.

    Returns
    -------
    Chart
        Empty axes.
    """
    x = np.array([20.0, 20_000.0])
    return Chart(
        title=title,
        alt_text=sentence,
        y_label="Change",
        y_unit="dB",
        y_range=(-5.0, 5.0),
        lines=(Line(x=x, y=np.full(2, np.nan)),),
    )


def _say_difference(region: RegionAgreement) -> str:
    if not np.isfinite(region.largest_db):
        return f"Theirs minus own, {region.name}: not covered by both."
    where = nominal_frequency(region.largest_hz)
    return f"Theirs minus own, {region.name}: as measured up to {region.largest_db:+.1f} dB, at {where} Hz."


def _outside(region: RegionAgreement) -> tuple[Span, ...]:
    low, high = 20.0, 20_000.0
    if not np.isfinite(region.low_hz):
        return (Span(low=low, high=high, reason="not covered by both"),)
    reason = f"outside the region looked at ({region.name})"
    spans = []
    if region.low_hz > low * 1.2:
        spans.append(Span(low=low, high=region.low_hz, reason=reason))
    if region.high_hz < high / 1.2:
        spans.append(Span(low=region.high_hz, high=high, reason=reason))
    return tuple(spans)


def _forest_range(ends: list[FloatArray]) -> tuple[float, float]:
    """Give whole numbers that hold all intervals and zero, but no more than twice what the parties need."""
    parties = np.concatenate([*ends[:2], np.zeros(1)])
    reach = max(float(np.abs(parties).max()) * 2, 1.0)
    low, high = (float(np.clip(edge, -reach, reach)) for edge in _extremes(np.concatenate([*ends, np.zeros(1)])))
    room = 0.08 * (high - low) or 0.5
    return (low - room, high + room)


def _extremes(values: FloatArray) -> tuple[float, float]:
    return float(values.min()), float(values.max())
