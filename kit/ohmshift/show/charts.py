"""What a chart is: one frozen value that the live figure, the still picture and the table are all drawn from."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
import pandas as pd

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError
from ohmshift.show.axes import (
    DB_PER_DECADE,
    PLAIN_HEIGHT,
    Scale,
    choose_proportion,
    decades,
    extent_db,
    fit_range,
)
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from collections.abc import Iterable

Dash: TypeAlias = Literal["solid", "dashed", "dotted", "dotdash", "longdash"]

DASHES: tuple[Dash, ...] = ("solid", "dashed", "dotdash", "longdash", "dotted")
"""Dash patterns in the order in which colours take them."""

_LONGEST_NOTE = 100
_MOST_ROWS = 40


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Line:
    """One line, or one row of points.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Values in the chart's units; a y of nan is a gap.
    label : str
        Name at the line's end and in the table; empty for a line that needs none, such as one seat among many.
    colour : int
        Place in the palette, from 0; it goes round.
    dash : str
        Dash pattern; empty for the pattern that goes with the colour.
    width : float
        Line width [px].
    opacity : float
        From 0 to 1.
    points : bool
        Draw a mark at each value instead of a line through them.

    Raises
    ------
    CurveError
        Arrays of different shapes, an infinite value, or an unknown dash.
    """

    x: FloatArray
    y: FloatArray
    label: str = ""
    colour: int = 0
    dash: Dash | Literal[""] = ""
    width: float = 2.0
    opacity: float = 1.0
    points: bool = False

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        _lock(self, ("x", "y"), self.label or "line")
        if self.dash and self.dash not in DASHES:
            raise CurveError(self.label, f"a dash is one of {', '.join(DASHES)}", f"it is {self.dash!r}", "choose one")
        if not self.dash:
            object.__setattr__(self, "dash", DASHES[self.colour % len(DASHES)])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Band:
    """A filled band between two curves, or one bar a point.

    Parameters
    ----------
    x, low, high : ndarray, shape (n,)
        Values in the chart's units; a low or high of nan is a gap.
    label : str
        Name in the table.
    colour : int
        Place in the palette, from 0; it goes round.
    opacity : float
        From 0 to 1.
    bars : bool
        Draw an upright bar at each x instead of one fill.

    Raises
    ------
    CurveError
        Arrays of different shapes, or an infinite value.
    """

    x: FloatArray
    low: FloatArray
    high: FloatArray
    label: str = ""
    colour: int = 0
    opacity: float = 0.2
    bars: bool = False

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        _lock(self, ("x", "low", "high"), self.label or "band")


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A hatched part of the horizontal axis that may not be read.

    Parameters
    ----------
    low, high : float
        Where it starts and ends, in the chart's horizontal unit.
    reason : str
        Why: "not readable: half-width above the margin".
    """

    low: float
    high: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A horizontal line to compare with, such as a margin.

    Parameters
    ----------
    y : float
        Height, in the chart's vertical unit.
    label : str
        What it is, written at its right end: "margin, 1 dB"; may be empty.
    """

    y: float
    label: str = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Chart:
    """One chart, as values.

    Parameters
    ----------
    title : str
        What the chart shows.
    alt_text : str
        The chart in one sentence, with its numbers, for who cannot see it.
    lines : tuple of Line
        Lines, the first one at the back.
    y_label : str
        Name of the vertical axis, without the unit.
    y_unit : str
        Its unit.
    scale : {"db", "ohm", "linear"}
        Vertical axis: dB; a logarithmic quantity; or a plain quantity, for which no standard proportion exists.
    x_label, x_unit : str
        Name and unit of the horizontal axis.
    x_scale : {"log", "linear"}
        Horizontal axis.
    x_range : tuple of float, optional
        Ends of the horizontal axis; by default 20 Hz to 20 kHz when logarithmic, else what the data fill.
    y_range : tuple of float, optional
        Ends of the vertical axis; by default whole steps that hold all data. Give it where a slider moves the data,
        so that the axis stands still.
    db_per_decade : {10, 20, 25, 50}, optional
        How many dB are as long as one decade of frequency; by default the smallest for which the chart is not too
        tall. For ohms it is 20 times the decades of ohms a decade of frequency. None where there is no proportion.
    bands : tuple of Band
        Bands, drawn behind the lines.
    spans : tuple of Span
        Hatched parts of the horizontal axis.
    levels : tuple of Level
        Horizontal lines.
    x_ticks : tuple of (float, str), optional
        Ticks of a linear horizontal axis, where they have names.
    description : str
        What its lines and areas are, for the caption of a report; may be empty.

    Raises
    ------
    CurveError
        An axis that does not rise, a proportion that is not in the standard, or no alternative text.

    References
    ----------
    .. [1] IEC 60263:2020, 4.1 and 4.2.

    Examples
    --------
    >>> import numpy as np
    >>> f = np.geomspace(20, 20_000, 4)
    >>> chart = Chart(title="Change", alt_text="The bass rises by 2 dB.", y_label="Change", y_unit="dB",
    ...               lines=(Line(x=f, y=np.array([2, 1, 0, -1]), label="ladle"),))
    >>> chart.y_range, chart.db_per_decade
    ((-5.0, 5.0), 10)
    """

    title: str
    alt_text: str
    lines: tuple[Line, ...]
    y_label: str
    y_unit: str
    scale: Scale = "db"
    x_label: str = "Frequency"
    x_unit: str = "Hz"
    x_scale: Literal["log", "linear"] = "log"
    x_range: tuple[float, float] | None = None
    y_range: tuple[float, float] | None = None
    db_per_decade: int | None = None
    bands: tuple[Band, ...] = ()
    spans: tuple[Span, ...] = ()
    levels: tuple[Level, ...] = ()
    x_ticks: tuple[tuple[float, str], ...] = ()
    description: str = ""

    def __post_init__(self) -> None:
        """Check once, and choose what was left open."""
        for name in ("lines", "bands", "spans", "levels", "x_ticks"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        if not self.alt_text.strip():
            raise CurveError(self.title, "a chart needs alt_text", "it is empty", "say in a sentence what it shows")
        object.__setattr__(self, "x_range", self.x_range or _fit_x(self))
        object.__setattr__(self, "y_range", self.y_range or _fit_y(self))
        _check_range(self.title, "x_range", self.x_ends, logarithmic=self.x_scale == "log")
        _check_range(self.title, "y_range", self.y_ends, logarithmic=self.scale == "ohm")
        _choose_proportion(self)

    @property
    def x_ends(self) -> tuple[float, float]:
        """The horizontal range, which is always known once the chart is built."""
        return self.x_range or (np.nan, np.nan)

    @property
    def y_ends(self) -> tuple[float, float]:
        """The vertical range, which is always known once the chart is built."""
        return self.y_range or (np.nan, np.nan)

    def height(self, width: float) -> float:
        """Give the height of a frame of a given width.

        Parameters
        ----------
        width : float
            Width between the ends of the horizontal axis [px].

        Returns
        -------
        float
            Height between the ends of the vertical axis [px].
        """
        if self.db_per_decade is None:
            return PLAIN_HEIGHT * width
        return width * extent_db(self.y_ends, scale=self.scale) / self.db_per_decade / decades(self.x_ends)

    @property
    def note(self) -> str:
        """The line below the title: what hatching means."""
        reasons = dict.fromkeys(span.reason.rstrip(".") for span in self.spans)
        return textwrap.shorten(f"Hatched: {'; '.join(reasons)}.", _LONGEST_NOTE, placeholder=" …") if reasons else ""

    def table(self, *, decimals: int = 1) -> pd.DataFrame:
        """Give the chart's numbers as a table to put beside it.

        Parameters
        ----------
        decimals : int
            Decimals kept.

        Returns
        -------
        DataFrame
            Against log frequency: one row for each third-octave mid-band that the data reach, values on the straight
            line (in log frequency) between neighbours. Otherwise: one row for each horizontal value.
            The first column is the horizontal axis; then one for each labelled line and two for each labelled band,
            units in the names; where parts are hatched, the last column tells why.

        References
        ----------
        .. [1] IEC 61260-1:2014, annex E, nominal mid-band frequencies.
        """
        x = self._table_rows()
        first = _with_unit(self.x_label, self.x_unit)
        table = pd.DataFrame({first: self._row_names(x)})
        for line in self.lines:
            if line.label:
                table[_with_unit(line.label, self.y_unit)] = self._at(line.x, line.y, x).round(decimals) + 0.0
        for band in self.bands:
            if band.label:
                table[_with_unit(f"{band.label}, low", self.y_unit)] = self._at(band.x, band.low, x).round(decimals)
                table[_with_unit(f"{band.label}, high", self.y_unit)] = self._at(band.x, band.high, x).round(decimals)
        if self.spans:
            table["hatched"] = [_reason(self.spans, value) for value in x]
        values = [name for name in table.columns if name not in {first, "hatched"}]
        return table.dropna(how="all", subset=values).reset_index(drop=True)

    def _table_rows(self) -> FloatArray:
        if self.x_scale == "log":
            low, high = self.x_ends
            mid_hz = fractional_octave_bands(3, low_hz=low, high_hz=high).mid_hz
            return np.asarray(mid_hz[(mid_hz >= low * 0.99) & (mid_hz <= high * 1.01)])
        parts: tuple[Line | Band, ...] = (*self.lines, *self.bands)
        values = [part.x for part in parts if part.label]
        rows = np.unique(np.concatenate(values)) if values else np.empty(0)
        return rows if rows.size <= _MOST_ROWS else rows[np.linspace(0, rows.size - 1, _MOST_ROWS).astype(int)]

    def _row_names(self, x: FloatArray) -> list[str]:
        if self.x_scale == "log":
            return [nominal_frequency(value) for value in x]
        names = dict(self.x_ticks)
        return [names.get(float(value), f"{value:g}") for value in x]

    def _at(self, x: FloatArray, y: FloatArray, wanted: FloatArray) -> FloatArray:
        if x.size == 0:
            return np.full(wanted.shape, np.nan)
        if self.x_scale == "log":
            x, wanted = np.log(x), np.log(wanted)
        reach = 0.01 if self.x_scale == "log" else 0.0
        value = np.interp(wanted, x, y)
        return np.where((wanted >= x[0] - reach) & (wanted <= x[-1] + reach), value, np.nan)


def _with_unit(name: str, unit: str) -> str:
    return f"{name} ({unit})" if unit else name


def _reason(spans: Iterable[Span], value: float) -> str:
    return "; ".join(span.reason for span in spans if span.low <= value <= span.high)


def _lock(part: Line | Band, names: tuple[str, ...], label: str) -> None:
    for name in names:
        array = read_only(getattr(part, name))
        if array.shape != (part.x.size,):
            raise CurveError(
                f"{label}, {name}", "x and the rest must have the same length", f"it has shape {array.shape}", "cut it"
            )
        if np.any(np.isinf(array)):
            raise CurveError(f"{label}, {name}", "values must not be infinite", "one is", "give nan for a gap")
        object.__setattr__(part, name, array)


def _check_range(title: str, name: str, ends: tuple[float, float], *, logarithmic: bool) -> None:
    low, high = ends
    if not low < high or not np.isfinite([low, high]).all() or (logarithmic and low <= 0):
        rule = "an axis must rise" + (" from above 0" if logarithmic else "")
        raise CurveError(f"{title}, {name}", rule, f"it goes from {low:g} to {high:g}", "give other ends")


def _fit_x(chart: Chart) -> tuple[float, float]:
    if chart.x_scale == "log":
        return (20.0, 20_000.0)
    parts: tuple[Line | Band, ...] = (*chart.lines, *chart.bands)
    values = [part.x for part in parts if part.x.size]
    x = np.concatenate(values) if values else np.array([0.0, 1.0])
    room = 0.04 * float(np.ptp(x)) or 0.5
    return (float(x.min()) - room, float(x.max()) + room)


def _fit_y(chart: Chart) -> tuple[float, float]:
    parts = [line.y for line in chart.lines] + [y for band in chart.bands for y in (band.low, band.high)]
    return fit_range(np.concatenate([*parts, [level.y for level in chart.levels]]), scale=chart.scale)


def _choose_proportion(chart: Chart) -> None:
    if chart.scale == "linear" or chart.x_scale == "linear":
        if chart.db_per_decade is not None:
            rule = "only dB or ohms over logarithmic frequency have a proportion"
            raise CurveError(chart.title, rule, "db_per_decade is given", "leave it out")
        return
    ratio = chart.db_per_decade
    if ratio is None:
        ratio = choose_proportion(extent_db(chart.y_ends, scale=chart.scale), decades(chart.x_ends))
    if ratio not in DB_PER_DECADE:
        raise CurveError(
            f"{chart.title}, db_per_decade",
            f"the proportion is one of {', '.join(map(str, DB_PER_DECADE))} dB per decade (IEC 60263)",
            f"it is {ratio}",
            "choose one of these",
        )
    object.__setattr__(chart, "db_per_decade", ratio)
