"""How charts look, whoever draws them: sizes, colours, dashes, and where the labels at the line ends go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.show.axes import DECADE_DB, even_ticks, extent_db, log_ticks, minor_log_ticks, spread

if TYPE_CHECKING:
    from ohmshift.show.charts import Chart, Dash, Line

Theme: TypeAlias = Literal["light", "dark"]
Ground: TypeAlias = Literal["light", "dark", "transparent"]
"""What a still is drawn on."""

FRAME_WIDTH = 600
"""Width between the ends of the horizontal axis [px]: the whole picture is 840 px wide, and fits beside the file
browser on a screen of 1280 px."""

LEFT, RIGHT, TOP, BOTTOM = 66, 174, 58, 58
"""Room around the frame for axis names, line labels, title and note [px]."""

FONT_PX = 15
"""Text size [px]: 11.25 points."""

TITLE_PX = 17
LABEL_APART = 18.0
"""Least distance of two labels [px]."""

DASH_PATTERNS: dict[str, tuple[int, ...]] = {
    "solid": (),
    "dashed": (9, 4),
    "dotted": (2, 3),
    "dotdash": (9, 3, 2, 3),
    "longdash": (18, 5),
}
"""Lengths on and off [px]."""

LABEL_PX = 42
"""Where labels start, right of the frame [px]; a sample of the line comes before."""

LEVEL_WIDTH = 1.2
LEVEL_DASH = (2, 3)
"""How the lines to compare with are drawn [px]."""

_SAMPLE_PX = (6.0, 36.0)
_POINT_PX = (17.0, 25.0)
_STEP_PX = 2.0
_LONGEST_LABEL = 17
_TICK_PX = 34.0

# The general-purpose palette of Okabe and Ito, "Color Universal Design" (2008), without its yellow, which
# is hard to see as a thin line on white. Each colour's dash is the second cue.
_PALETTE = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#56B4E9", "#E69F00")
_PALETTE_DARK = ("#56B4E9", "#D55E00", "#009E73", "#CC79A7", "#FFFFFF", "#0072B2", "#E69F00")


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """The colours of a theme.

    Parameters
    ----------
    paper, ink, faint : str
        Background, text, and grid.
    palette : tuple of str
        Colours of lines and bands.
    halo : str
        Rim of text and lines, where nobody knows what will be behind them; empty for none.
    """

    paper: str
    ink: str
    faint: str
    palette: tuple[str, ...]
    halo: str = ""

    def colour(self, place: int | None) -> str:
        """Give a colour.

        Parameters
        ----------
        place : int or None
            Place in the palette; it goes round. None for ink.

        Returns
        -------
        str
            Colour, #RRGGBB.
        """
        return self.ink if place is None else self.palette[place % len(self.palette)]


THEMES: dict[str, Looks] = {
    "light": Looks(paper="#FFFFFF", ink="#1A1A1A", faint="#D9D9D9", palette=_PALETTE),
    "dark": Looks(paper="#16181B", ink="#EDEDED", faint="#44484D", palette=_PALETTE_DARK),
    "transparent": Looks(paper="none", ink="#FFFFFF", faint="#9A9FA5", palette=_PALETTE_DARK, halo="#101214"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EndLabel:
    """The label at the end of a line, and a sample of the line before it.

    Parameters
    ----------
    y : float
        Height, in the chart's vertical unit.
    text : str
        The line's name.
    x : tuple of float
        Ends of the sample, in the chart's horizontal unit, right of the frame.
    colour : int or None
        Place in the palette; None for ink.
    dash : tuple of int
        Lengths on and off [px].
    width : float
        Width of the sample [px].
    """

    y: float
    text: str
    x: tuple[float, float]
    colour: int | None
    dash: tuple[int, ...]
    width: float


def end_labels(chart: Chart, *, height: float, width: float = FRAME_WIDTH) -> tuple[EndLabel, ...]:
    """Place the labels at the ends of lines and levels so that none covers another.

    Parameters
    ----------
    chart : Chart
        The chart.
    height : float
        Height of its frame [px].
    width : float
        Width of its frame [px].

    Returns
    -------
    tuple of EndLabel
        One for each labelled level, and for each labelled line that has a value inside the horizontal range.

    Notes
    -----
    Labels move in steps of 2 px: laying text out costs a browser more than drawing the lines.
    """
    lines = [line for line in chart.lines if line.label and np.isfinite(_last_value(chart, line))]
    levels = [level for level in chart.levels if level.label]
    margin = LABEL_APART / 2
    ends = [_last_value(chart, line) for line in lines] + [level.y for level in levels]
    wanted = [min(max(_to_pixels(chart, end, height), margin), height - margin) for end in ends]
    placed = spread(wanted, low=margin, high=height - margin, apart=LABEL_APART)
    y = [_from_pixels(chart, _STEP_PX * round(pixels / _STEP_PX), height) for pixels in placed]
    sample, point = _beside(chart, _SAMPLE_PX, width), _beside(chart, _POINT_PX, width)
    return (
        *(
            EndLabel(
                y=at,
                text=shorten_label(line.label),
                x=point if line.points else sample,
                colour=line.colour,
                dash=() if line.points else dash_pattern(line.dash),
                width=_POINT_PX[1] - _POINT_PX[0] if line.points else line.width,
            )
            for line, at in zip(lines, y[: len(lines)], strict=True)
        ),
        *(
            EndLabel(y=at, text=shorten_label(level.label), x=sample, colour=None, dash=LEVEL_DASH, width=LEVEL_WIDTH)
            for level, at in zip(levels, y[len(lines) :], strict=True)
        ),
    )


def dash_pattern(dash: Dash | Literal[""]) -> tuple[int, ...]:
    """Give the lengths of a dash pattern.

    Parameters
    ----------
    dash : str
        Name of the pattern.

    Returns
    -------
    tuple of int
        Lengths on and off [px]; empty for a solid line.
    """
    return DASH_PATTERNS[dash]


def x_ticks(chart: Chart, *, width: float = FRAME_WIDTH) -> tuple[tuple[float, str], ...]:
    """Give the ticks of the horizontal axis, no more than have room for their names.

    Parameters
    ----------
    chart : Chart
        The chart.
    width : float
        Width of its frame [px].

    Returns
    -------
    tuple of (float, str)
        Place and name.
    """
    if chart.x_ticks:
        return chart.x_ticks
    if chart.x_scale == "log":
        return tuple((tick, tick_name(tick)) for tick in _roomy(log_ticks(chart.x_ends), chart.x_ends, width))
    return tuple((tick, f"{tick:.10g}") for tick in even_ticks(chart.x_ends, length=width, apart=80))


def y_ticks(chart: Chart, *, height: float) -> tuple[tuple[float, str], ...]:
    """Give the ticks of the vertical axis.

    Parameters
    ----------
    chart : Chart
        The chart.
    height : float
        Height of its frame [px].

    Returns
    -------
    tuple of (float, str)
        Place and name.
    """
    ticks = log_ticks(chart.y_ends) if chart.scale == "ohm" else even_ticks(chart.y_ends, length=height)
    return tuple((tick, tick_name(tick)) for tick in ticks)


def minor_ticks(chart: Chart) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Give the small ticks of both axes.

    Parameters
    ----------
    chart : Chart
        The chart.

    Returns
    -------
    tuple of tuple of float
        Of the horizontal and of the vertical axis; none on an even axis.
    """
    x = minor_log_ticks(chart.x_ends) if chart.x_scale == "log" else ()
    return x, (minor_log_ticks(chart.y_ends) if chart.scale == "ohm" else ())


def tick_name(value: float) -> str:
    """Write a tick, thousands as k.

    Parameters
    ----------
    value : float
        Value at the tick.

    Returns
    -------
    str
        Its name.

    Examples
    --------
    >>> tick_name(20), tick_name(2000), tick_name(-10), tick_name(0.5)
    ('20', '2k', '−10', '0.5')
    """
    text = f"{value / 1000:.10g}k" if abs(value) >= 1000 else f"{value:.10g}"  # noqa: PLR2004 - k is 1000
    return text.replace("-", "−")


def axis_names(chart: Chart) -> tuple[str, str]:
    """Write the names of both axes with their units, and the proportion, where there is one.

    Parameters
    ----------
    chart : Chart
        The chart.

    Returns
    -------
    tuple of str
        Names of the horizontal and of the vertical axis.
    """
    names = [f"{label} ({unit})" if unit else label for label, unit in _labels(chart)]
    if chart.db_per_decade is not None:
        ohms = f"{chart.db_per_decade / 20:g} decade{'' if chart.db_per_decade == DECADE_DB else 's'} of ohms"
        per = ohms if chart.scale == "ohm" else f"{chart.db_per_decade} dB"
        names[0] += f"; {per} per decade (IEC 60263)"
    return names[0], names[1]


def _labels(chart: Chart) -> tuple[tuple[str, str], tuple[str, str]]:
    return (chart.x_label, chart.x_unit), (chart.y_label, chart.y_unit)


def _roomy(ticks: tuple[float, ...], ends: tuple[float, float], width: float) -> list[float]:
    """Keep decades first, then the ends, then the rest, as long as names do not touch."""
    place = {tick: width * float(np.log(tick / ends[0]) / np.log(ends[1] / ends[0])) for tick in ticks}
    kept: list[float] = []
    for tick in sorted(ticks, key=lambda tick: (f"{tick:.3e}"[:5] != "1.000", tick not in ends, tick)):
        if all(abs(place[tick] - place[other]) >= _TICK_PX for other in kept):
            kept.append(tick)
    return sorted(kept)


def _beside(chart: Chart, pixels: tuple[float, float], width: float) -> tuple[float, float]:
    """Give places right of the frame in the chart's horizontal unit."""
    low, high = chart.x_ends
    near, far = (
        high * (high / low) ** (px / width) if chart.x_scale == "log" else high + (high - low) * px / width
        for px in pixels
    )
    return near, far


def shorten_label(label: str) -> str:
    """Cut a label that is too long to stand beside a frame.

    Parameters
    ----------
    label : str
        The label.

    Returns
    -------
    str
        At most 17 characters.
    """
    return label if len(label) <= _LONGEST_LABEL else label[: _LONGEST_LABEL - 1].rstrip() + "…"


def _last_value(chart: Chart, line: Line) -> float:
    low, high = chart.x_ends
    inside = np.flatnonzero(np.isfinite(line.y) & (line.x >= low) & (line.x <= high))
    if inside.size == 0 or (chart.scale == "ohm" and line.y[inside[-1]] <= 0):
        return np.nan
    return float(line.y[inside[-1]])


def _to_pixels(chart: Chart, value: float, height: float) -> float:
    low, high = chart.y_ends
    if chart.scale == "ohm":
        return height * extent_db((low, value), scale="ohm") / extent_db((low, high), scale="ohm")
    return height * (value - low) / (high - low)


def _from_pixels(chart: Chart, pixels: float, height: float) -> float:
    low, high = chart.y_ends
    if chart.scale == "ohm":
        return float(low * (high / low) ** (pixels / height))
    return low + (high - low) * pixels / height
