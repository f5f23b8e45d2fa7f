"""Charts as Bokeh figures: a frame by their shape alone, and what fills it by name, so that it can change in place."""

from __future__ import annotations

import json
from functools import lru_cache
from itertools import chain
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
from bokeh.embed import json_item
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
    axis_names,
    dash_pattern,
    end_labels,
    minor_ticks,
    x_ticks,
    y_ticks,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bokeh.models.layouts import Column
    from bokeh.models.renderers import DataRenderer

    from ohmshift.curves.values import FloatArray
    from ohmshift.show.charts import Band, Chart

Division: TypeAlias = Literal["log", "linear"]
Shape: TypeAlias = "tuple[tuple[Division, Division, int], ...]"
"""Of each chart: how its axes are divided, and the place of the first chart with the same horizontal ends."""

Columns: TypeAlias = "dict[str, FloatArray | list[str] | list[FloatArray]]"

_FONT = f"{FONT_PX}px"
_LOOKS = THEMES["light"]
_BAR_WIDTH = 3.0
_SOURCES: dict[str, tuple[str, ...]] = {
    "areas": ("xs", "ys", "colour", "opacity"),
    "spans": ("low", "high"),
    "lines": ("name", "label", "xs", "ys", "colour", "opacity", "width", "dash"),
    "points": ("name", "label", "x", "y", "colour", "opacity"),
    "labels": ("x", "y", "text", "x0", "x1", "width", "dash", "colour"),
}


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


def figure_shape(charts: Sequence[Chart]) -> Shape:
    """Give what of charts cannot change in place.

    Parameters
    ----------
    charts : sequence of Chart
        Charts, top to bottom.

    Returns
    -------
    tuple of (str, str, int)
        Of each chart: how its axes are divided, and the place of the first chart with the same horizontal ends.
    """
    ends = [chart.x_ends for chart in charts]
    return tuple(
        (chart.x_scale, "log" if chart.scale == "ohm" else "linear", ends.index(chart.x_ends)) for chart in charts
    )


@lru_cache(maxsize=32)
def figure_item(shape: Shape) -> str:
    """Give a figure without anything in it as text for the browser.

    Parameters
    ----------
    shape : tuple
        From `figure_shape`.

    Returns
    -------
    str
        JSON of `draw_figure`; made once a shape, because making it takes long.
    """
    return json.dumps(json_item(draw_figure(shape)))


def draw_figure(shape: Shape) -> Column:
    """Draw frames without anything in them, one below the other.

    Parameters
    ----------
    shape : tuple
        From `figure_shape`.

    Returns
    -------
    Column
        Layout of figures named "0", "1" ...; `figure_properties` and `figure_columns` tell what to fill in, by name.

    Notes
    -----
    Frames have a fixed size, so that the proportions of IEC 60263 hold until the reader zooms. All lines of a chart
    are one renderer: their number may change, and a browser's time to paint goes with the number of renderers.
    """
    ranges = {owner: Range1d(start=1, end=2, name=f"{owner}.x.range") for _, _, owner in shape}
    return column(
        *(
            _draw_frame(str(i), x_scale=x_scale, y_scale=y_scale, x_range=ranges[owner])
            for i, (x_scale, y_scale, owner) in enumerate(shape)
        )
    )


def figure_properties(charts: Sequence[Chart]) -> dict[str, dict[str, Any]]:
    """Give every property that follows the charts, by model.

    Parameters
    ----------
    charts : sequence of Chart
        Charts, top to bottom.

    Returns
    -------
    dict of str to dict
        Properties of the models of `draw_figure`, which are named after the chart's place and the part: "0.y.range".
    """
    properties: dict[str, dict[str, Any]] = {}
    for i, (chart, (_, _, owner)) in enumerate(zip(charts, figure_shape(charts), strict=True)):
        height = chart.height(FRAME_WIDTH)
        names, minor = axis_names(chart), minor_ticks(chart)
        properties[f"{i}"] = {"frame_height": round(height)}
        properties[f"{i}.title"] = {"text": chart.title}
        properties[f"{i}.note"] = {"text": chart.note or " "}
        properties[f"{i}.hover"] = {"tooltips": _tooltips(chart)}
        properties |= _axis(f"{i}.x", names[0], x_ticks(chart), minor[0])
        properties |= _axis(f"{i}.y", names[1], y_ticks(chart, height=height), minor[1])
        properties[f"{owner}.x.range"] = _range(chart.x_ends)
        properties[f"{i}.y.range"] = _range(chart.y_ends)
    return properties


def figure_columns(charts: Sequence[Chart]) -> dict[str, Columns]:
    """Give every number and label that is drawn, by source and column.

    Parameters
    ----------
    charts : sequence of Chart
        Charts, top to bottom.

    Returns
    -------
    dict of str to dict
        Columns of each source of `draw_figure`: arrays of numbers, lists of arrays, or lists of text. Sources are
        named after the chart's place and the part: "0.areas", "0.spans", "0.lines", "0.points", "0.labels".
        Rows of lines and points have names: "line.2" for the chart's third line, "level.0", "bar.1.0".
    """
    sources: dict[str, Columns] = {}
    for i, chart in enumerate(charts):
        rows = {
            "areas": (_area(band) for band in chart.bands if not band.bars),
            "spans": ((span.low, span.high) for span in chart.spans),
            "lines": chain(_bars(chart), _levels(chart), _lines(chart)),
            "points": _points(chart),
            "labels": _labels(chart),
        }
        for part, names in _SOURCES.items():
            sources[f"{i}.{part}"] = _columns(names, list(rows[part]))
    return sources


def _columns(names: tuple[str, ...], rows: list[tuple[Any, ...]]) -> Columns:
    """Turn rows into columns; those of plain numbers into arrays."""
    columns = [list(values) for values in zip(*rows, strict=True)] or [[] for _ in names]
    return {
        name: np.array(values) if values and isinstance(values[0], float) else values
        for name, values in zip(names, columns, strict=True)
    }


def _area(band: Band) -> tuple[FloatArray, FloatArray, str, float]:
    """Give a band's outline, one closed part between two gaps."""
    kept = np.flatnonzero(np.isfinite(band.low) & np.isfinite(band.high))
    gap = np.array([np.nan])
    x: list[FloatArray] = []
    y: list[FloatArray] = []
    for run in np.split(kept, np.flatnonzero(np.diff(kept) > 1) + 1):
        x += [band.x[run], band.x[run[::-1]], gap]
        y += [band.low[run], band.high[run[::-1]], gap]
    return np.concatenate(x)[:-1], np.concatenate(y)[:-1], _LOOKS.colour(band.colour), band.opacity


def _bars(chart: Chart) -> Iterator[tuple[Any, ...]]:
    for j, band in enumerate(chart.bands):
        if band.bars:
            for k, (x, low, high) in enumerate(zip(band.x, band.low, band.high, strict=True)):
                ends = np.array([x, x]), np.array([low, high])
                yield f"bar.{j}.{k}", band.label, *ends, _LOOKS.colour(band.colour), band.opacity, _BAR_WIDTH, "solid"


def _levels(chart: Chart) -> Iterator[tuple[Any, ...]]:
    x = np.array(chart.x_ends)
    for j, level in enumerate(chart.levels):
        yield f"level.{j}", level.label, x, np.full(2, level.y), _LOOKS.ink, 1.0, LEVEL_WIDTH, _dash(LEVEL_DASH)


def _lines(chart: Chart) -> Iterator[tuple[Any, ...]]:
    for j, line in enumerate(chart.lines):
        if not line.points:
            looks = _LOOKS.colour(line.colour), float(line.opacity), float(line.width), _dash(dash_pattern(line.dash))
            yield f"line.{j}", line.label, line.x, line.y, *looks


def _points(chart: Chart) -> Iterator[tuple[Any, ...]]:
    for j, line in enumerate(chart.lines):
        if line.points:
            for x, y in zip(line.x, line.y, strict=True):
                yield f"line.{j}", line.label, float(x), float(y), _LOOKS.colour(line.colour), float(line.opacity)


def _labels(chart: Chart) -> Iterator[tuple[Any, ...]]:
    for label in end_labels(chart, height=chart.height(FRAME_WIDTH)):
        sample = *label.x, label.width, _dash(label.dash), _LOOKS.colour(label.colour)
        yield chart.x_ends[1], label.y, label.text, *sample


def _dash(pattern: tuple[int, ...]) -> str:
    return " ".join(map(str, pattern)) or "solid"


def _axis(
    name: str, label: str, ticks: Sequence[tuple[float, str]], minor: Sequence[float]
) -> dict[str, dict[str, Any]]:
    return {
        name: {"axis_label": label, "major_label_overrides": list(ticks)},
        f"{name}.ticks": {"ticks": [tick for tick, _ in ticks], "minor_ticks": list(minor)},
    }


def _range(ends: tuple[float, float]) -> dict[str, float]:
    return {"start": ends[0], "end": ends[1], "reset_start": ends[0], "reset_end": ends[1]}


def _tooltips(chart: Chart) -> list[tuple[str, str]]:
    digits = "0.00" if chart.scale == "linear" else "0.0"
    x_format = "0.[0]" if chart.x_scale == "log" else "0.[00]"
    return [
        ("", "@label"),
        (chart.x_label, f"$snap_x{{{x_format}}} {chart.x_unit}"),
        (chart.y_label, f"$snap_y{{{digits}}} {chart.y_unit}"),
    ]


def _draw_frame(name: str, *, x_scale: Division, y_scale: Division, x_range: Range1d) -> figure:
    plot = figure(
        name=name,
        frame_width=FRAME_WIDTH,
        frame_height=FRAME_WIDTH // 2,
        min_border_left=LEFT,
        min_border_right=RIGHT,
        min_border_top=TOP,
        min_border_bottom=BOTTOM,
        x_axis_type=x_scale,
        y_axis_type=y_scale,
        x_range=x_range,
        y_range=Range1d(start=1, end=2, name=f"{name}.y.range"),
        tools="pan,box_zoom,wheel_zoom,reset,save",
        active_drag=None,
        active_scroll=None,
        toolbar_location="above",
        background_fill_color=_LOOKS.paper,
        border_fill_color=_LOOKS.paper,
        outline_line_color=_LOOKS.ink,
    )
    plot.toolbar.logo = None
    _dress(plot)
    sources = {
        part: ColumnDataSource(data={column: [] for column in columns}, name=f"{name}.{part}")
        for part, columns in _SOURCES.items()
    }
    _draw_areas(plot, sources["areas"])
    _draw_spans(plot, sources["spans"])
    drawn = [_draw_lines(plot, sources["lines"]), _draw_points(plot, sources["points"])]
    _draw_labels(plot, sources["labels"])
    plot.add_tools(HoverTool(name=f"{name}.hover", renderers=drawn, line_policy="nearest"))
    return plot


def _dress(plot: figure) -> None:
    """Give a frame its title, its note and its axes.

    Axes are on a layer of their own: they are painted only when they change, not when the lines do.
    """
    plot.title = Title(name=f"{plot.name}.title", text_font_size=f"{TITLE_PX}px", text_color=_LOOKS.ink)
    note = Title(name=f"{plot.name}.note", text_font_size=_FONT, text_font_style="normal", text_color=_LOOKS.ink)
    plot.add_layout(note, "above")
    for side, axis, grid in (("x", plot.xaxis[0], plot.xgrid[0]), ("y", plot.yaxis[0], plot.ygrid[0])):
        axis.name = f"{plot.name}.{side}"
        axis.level = "overlay"
        axis.ticker = FixedTicker(name=f"{axis.name}.ticks")
        axis.axis_label_text_font_style = "normal"
        for name in ("axis_label_text_font_size", "major_label_text_font_size"):
            setattr(axis, name, _FONT)
        for name in ("axis_label_text_color", "major_label_text_color", "axis_line_color", "major_tick_line_color"):
            setattr(axis, name, _LOOKS.ink)
        grid.ticker = axis.ticker
        grid.grid_line_color = _LOOKS.faint


def _draw_areas(plot: figure, source: ColumnDataSource) -> None:
    plot.patches("xs", "ys", source=source, fill_color="colour", fill_alpha="opacity", line_color=None)


def _draw_spans(plot: figure, source: ColumnDataSource) -> None:
    plot.vstrip(
        x0="low",
        x1="high",
        source=source,
        fill_color=_LOOKS.faint,
        fill_alpha=0.35,
        line_color=None,
        hatch_pattern="right_diagonal_line",
        hatch_color=_LOOKS.ink,
        hatch_alpha=0.25,
        hatch_scale=14,
        hatch_weight=0.7,
    )


def _draw_lines(plot: figure, source: ColumnDataSource) -> DataRenderer:
    return plot.multi_line(
        "xs", "ys", source=source, line_color="colour", line_alpha="opacity", line_width="width", line_dash="dash"
    )


def _draw_points(plot: figure, source: ColumnDataSource) -> DataRenderer:
    return plot.scatter("x", "y", source=source, size=9, fill_color="colour", alpha="opacity", line_color=_LOOKS.ink)


def _draw_labels(plot: figure, source: ColumnDataSource) -> None:
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
        x="x",
        y="y",
        text="text",
        source=source,
        level="annotation",
        x_offset=LABEL_PX,
        text_font_size=_FONT,
        text_baseline="middle",
        text_color=_LOOKS.ink,
    )
