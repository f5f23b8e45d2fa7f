"""Charts as Bokeh figures, with every moving number in a named column of a named source."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from bokeh.layouts import column
from bokeh.models.annotations import Title
from bokeh.models.ranges import Range1d
from bokeh.models.sources import ColumnDataSource
from bokeh.models.tickers import FixedTicker
from bokeh.models.tools import HoverTool
from bokeh.plotting import figure

from ohmshift.show.looks import (
    BOTTOM,
    FONT_PX,
    FRAME_WIDTH,
    LABEL_PX,
    LEFT,
    LEVEL_DASH,
    LEVEL_WIDTH,
    RIGHT,
    THEMES,
    TITLE_PX,
    TOP,
    Looks,
    Theme,
    axis_names,
    dash_pattern,
    end_labels,
    minor_ticks,
    x_ticks,
    y_ticks,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bokeh.models.layouts import Column
    from bokeh.models.renderers import DataRenderer

    from ohmshift.curves.values import FloatArray
    from ohmshift.show.charts import Band, Chart, Line

Columns: TypeAlias = "dict[str, FloatArray | list[str]]"

_FONT = f"{FONT_PX}px"


def chart_columns(charts: Sequence[Chart], *, theme: Theme = "light") -> dict[str, Columns]:
    """Give every number and label that may move, by source and column.

    Parameters
    ----------
    charts : sequence of Chart
        Charts, top to bottom.
    theme : {"light", "dark"}
        Colours.

    Returns
    -------
    dict of str to dict
        Columns of each source: arrays of numbers, or lists of text. Sources are named after the chart's place and the
        part: "0.line.2", "0.band.0", "0.spans", "0.levels", "0.labels".
    """
    sources: dict[str, Columns] = {}
    for i, chart in enumerate(charts):
        labels = end_labels(chart, height=chart.height(FRAME_WIDTH))
        for j, line in enumerate(chart.lines):
            sources[f"{i}.line.{j}"] = {"x": line.x, "y": line.y}
        for j, band in enumerate(chart.bands):
            sources[f"{i}.band.{j}"] = _band_columns(band)
        sources[f"{i}.spans"] = {
            "low": np.array([span.low for span in chart.spans]),
            "high": np.array([span.high for span in chart.spans]),
        }
        sources[f"{i}.levels"] = {"y": np.array([level.y for level in chart.levels])}
        sources[f"{i}.labels"] = {
            "y": np.array([label.y for label in labels]),
            "text": [label.text for label in labels],
            "x0": np.array([label.x[0] for label in labels]),
            "x1": np.array([label.x[1] for label in labels]),
            "width": np.array([label.width for label in labels]),
            "dash": [" ".join(map(str, label.dash)) or "solid" for label in labels],
            "colour": [THEMES[theme].colour(label.colour) for label in labels],
        }
    return sources


def draw_chart(charts: Chart | Sequence[Chart], *, theme: Theme = "light") -> Column:
    """Draw charts as Bokeh figures, one below the other, with one horizontal axis where they share its ends.

    Parameters
    ----------
    charts : Chart or sequence of Chart
        Charts, top to bottom.
    theme : {"light", "dark"}
        Colours.

    Returns
    -------
    Column
        Layout of figures named "0", "1" ...; its sources carry the names and columns of `chart_columns`.

    Notes
    -----
    Frames have a fixed size, so that the proportions of IEC 60263 hold until the reader zooms.
    """
    stack = as_stack(charts)
    columns = chart_columns(stack, theme=theme)
    ranges: dict[tuple[float, float], Range1d] = {}
    figures = []
    for i, chart in enumerate(stack):
        x_range = ranges.setdefault(chart.x_ends, _range(chart.x_ends))
        sources = {
            name.split(".", 1)[1]: ColumnDataSource(data=dict(data), name=name)
            for name, data in columns.items()
            if name.startswith(f"{i}.")
        }
        figures.append(_draw_one(chart, sources, x_range=x_range, name=str(i), looks=THEMES[theme]))
    return column(*figures)


def as_stack(charts: Chart | Sequence[Chart]) -> tuple[Chart, ...]:
    """Give one chart or several as a tuple.

    Parameters
    ----------
    charts : Chart or sequence of Chart
        One or several.

    Returns
    -------
    tuple of Chart
        All of them.
    """
    return tuple(charts) if isinstance(charts, (list, tuple)) else (charts,)  # type: ignore[return-value]


def _draw_one(
    chart: Chart, sources: Mapping[str, ColumnDataSource], *, x_range: Range1d, name: str, looks: Looks
) -> figure:
    height = chart.height(FRAME_WIDTH)
    plot = figure(
        name=name,
        frame_width=FRAME_WIDTH,
        frame_height=round(height),
        min_border_left=LEFT,
        min_border_right=RIGHT,
        min_border_top=TOP,
        min_border_bottom=BOTTOM,
        x_axis_type=chart.x_scale,
        y_axis_type="log" if chart.scale == "ohm" else "linear",
        x_range=x_range,
        y_range=_range(chart.y_ends),
        tools="pan,box_zoom,wheel_zoom,reset,save",
        active_drag=None,
        active_scroll=None,
        toolbar_location="above",
        background_fill_color=looks.paper,
        border_fill_color=looks.paper,
        outline_line_color=looks.ink,
    )
    plot.toolbar.logo = None
    _dress(plot, chart, height, looks)
    for j, band in enumerate(chart.bands):
        _draw_band(plot, band, sources[f"band.{j}"], looks)
    _draw_spans(plot, sources["spans"], looks)
    _draw_levels(plot, sources["levels"], looks)
    lines = [_draw_line(plot, line, sources[f"line.{j}"], looks) for j, line in enumerate(chart.lines)]
    _draw_labels(plot, chart, sources["labels"], looks)
    plot.add_tools(_hover(chart, [drawn for drawn, line in zip(lines, chart.lines, strict=True) if line.label]))
    return plot


def _range(ends: tuple[float, float]) -> Range1d:
    return Range1d(start=ends[0], end=ends[1])


def _dress(plot: figure, chart: Chart, height: float, looks: Looks) -> None:
    plot.title = Title(
        text=chart.title, name=f"{plot.name}.title", text_font_size=f"{TITLE_PX}px", text_color=looks.ink
    )
    note = Title(
        text=chart.note or " ",
        name=f"{plot.name}.note",
        text_font_size=_FONT,
        text_font_style="normal",
        text_color=looks.ink,
    )
    plot.add_layout(note, "above")
    minor = minor_ticks(chart)
    names = axis_names(chart)
    for axis, grid, ticks, small, label in (
        (plot.xaxis[0], plot.xgrid[0], x_ticks(chart), minor[0], names[0]),
        (plot.yaxis[0], plot.ygrid[0], y_ticks(chart, height=height), minor[1], names[1]),
    ):
        axis.ticker = FixedTicker(ticks=[tick for tick, _ in ticks], minor_ticks=list(small))
        axis.major_label_overrides = dict(ticks)
        axis.axis_label = label
        axis.axis_label_text_font_style = "normal"
        for name in ("axis_label_text_font_size", "major_label_text_font_size"):
            setattr(axis, name, _FONT)
        for name in ("axis_label_text_color", "major_label_text_color", "axis_line_color", "major_tick_line_color"):
            setattr(axis, name, looks.ink)
        grid.ticker = axis.ticker
        grid.grid_line_color = looks.faint


def _draw_line(plot: figure, line: Line, source: ColumnDataSource, looks: Looks) -> DataRenderer:
    colour = looks.colour(line.colour)
    if line.points:
        return plot.scatter(
            "x", "y", source=source, name=line.label, size=9, color=colour, alpha=line.opacity, line_color=looks.ink
        )
    return plot.line(
        "x",
        "y",
        source=source,
        name=line.label,
        color=colour,
        alpha=line.opacity,
        line_width=line.width,
        line_dash=list(dash_pattern(line.dash)),
    )


def _draw_band(plot: figure, band: Band, source: ColumnDataSource, looks: Looks) -> None:
    colour = looks.colour(band.colour)
    if band.bars:
        plot.segment(x0="x", x1="x", y0="low", y1="high", source=source, color=colour, alpha=band.opacity, line_width=3)
    else:
        plot.varea("x", "low", "high", source=source, fill_color=colour, fill_alpha=band.opacity)


def _draw_spans(plot: figure, source: ColumnDataSource, looks: Looks) -> None:
    plot.vstrip(
        x0="low",
        x1="high",
        source=source,
        fill_color=looks.faint,
        fill_alpha=0.35,
        line_color=None,
        hatch_pattern="right_diagonal_line",
        hatch_color=looks.ink,
        hatch_alpha=0.25,
        hatch_scale=14,
        hatch_weight=0.7,
    )


def _draw_levels(plot: figure, source: ColumnDataSource, looks: Looks) -> None:
    plot.hspan(y="y", source=source, line_color=looks.ink, line_width=LEVEL_WIDTH, line_dash=list(LEVEL_DASH))


def _draw_labels(plot: figure, chart: Chart, source: ColumnDataSource, looks: Looks) -> None:
    """Write the names of lines right of the frame, each after a sample of its line.

    Glyphs of the level "annotation" are not cut off at the frame.
    """
    plot.segment(
        x0="x0",
        x1="x1",
        y0="y",
        y1="y",
        source=source,
        level="annotation",
        line_color="colour",
        line_width="width",
        line_dash="dash",
    )
    plot.text(
        x=chart.x_ends[1],
        y="y",
        text="text",
        source=source,
        level="annotation",
        x_offset=LABEL_PX,
        text_font_size=_FONT,
        text_baseline="middle",
        text_color=looks.ink,
    )


def _hover(chart: Chart, renderers: list[DataRenderer]) -> HoverTool:
    digits = "0.00" if chart.scale == "linear" else "0.0"
    x_format = "0.[0]" if chart.x_scale == "log" else "0.[00]"
    return HoverTool(
        renderers=renderers,
        line_policy="nearest",
        tooltips=[
            ("", "$name"),
            (chart.x_label, f"$snap_x{{{x_format}}} {chart.x_unit}"),
            (chart.y_label, f"$snap_y{{{digits}}} {chart.y_unit}"),
        ],
    )


def _band_columns(band: Band) -> Columns:
    """Give a band's outline without gaps: across a gap it has no thickness, because a fill runs through nan."""
    x, low, high = band.x, band.low, band.high
    kept = np.isfinite(low) & np.isfinite(high)
    if band.bars or kept.all():
        return {"x": x, "low": low, "high": high}
    index = np.flatnonzero(kept)
    breaks = np.flatnonzero(np.diff(index) > 1)
    middle = (low[index] + high[index]) / 2
    place = np.repeat(breaks + 1, 2)
    twice = np.stack([breaks, breaks + 1], axis=1).ravel()
    return {
        "x": np.insert(x[index], place, x[index][twice]),
        "low": np.insert(low[index], place, middle[twice]),
        "high": np.insert(high[index], place, middle[twice]),
    }
