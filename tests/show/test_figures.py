"""Bokeh figures: labels, limits, sources and proportions, read from the models."""

from __future__ import annotations

import numpy as np
import pytest
from bokeh.models import GlyphRenderer, HoverTool, LogAxis, MultiLine, Patches, VStrip
from show.kitchen import F, change_chart, charts, lift, ohm_chart

from ohmshift.show.charts import Band
from ohmshift.show.charts import Line as ChartLine
from ohmshift.show.figures import draw_figure, figure_columns, figure_properties, figure_shape
from ohmshift.show.looks import FONT_PX, FRAME_WIDTH, THEMES, end_labels


def drawn(*charts: object) -> list:
    """Fill the frames as the script in the page does, and give them."""
    layout = draw_figure(figure_shape(charts))
    filled = [
        *figure_properties(charts).items(),
        *((name, {"data": data}) for name, data in figure_columns(charts).items()),
    ]
    for name, values in filled:
        layout.select_one({"name": name}).update(
            **{key: dict(value) if key == "major_label_overrides" else value for key, value in values.items()}
        )
    return layout.children


def glyphs(plot: object, kind: type) -> list[GlyphRenderer]:
    return [renderer for renderer in plot.renderers if isinstance(renderer.glyph, kind)]


@pytest.mark.source("published", ref="IEC 60263:2020, 4.1 and 4.2, within 1 %")
@pytest.mark.parametrize("chart", [change_chart(10), change_chart(10, y_range=(-23, 22)), ohm_chart(10)])
def test_frame_keeps_the_proportion(chart: object) -> None:
    (plot,) = drawn(chart)
    decade_px = plot.frame_width / np.log10(plot.x_range.end / plot.x_range.start)
    low, high = plot.y_range.start, plot.y_range.end
    db = high - low if chart.scale == "db" else 20 * np.log10(high / low)
    assert decade_px / (plot.frame_height / db) == pytest.approx(chart.db_per_decade, rel=0.01)
    assert chart.db_per_decade in {10, 20, 25, 50}


def test_figure_says_what_the_chart_says() -> None:
    change, ohms = drawn(*charts(10))
    assert change.title.text == "Ladle behind 10 Ω"
    assert change.xaxis[0].axis_label == "Frequency (Hz); 20 dB per decade (IEC 60263)"
    assert ohms.xaxis[0].axis_label == "Frequency (Hz); 1 decade of ohms per decade (IEC 60263)"
    assert change.yaxis[0].axis_label == "Change (dB)"
    assert isinstance(ohms.yaxis[0], LogAxis)
    assert list(change.xaxis[0].major_label_overrides.values())[:4] == ["20", "50", "100", "200"]
    assert change.x_range is ohms.x_range
    assert (change.y_range.start, change.y_range.end) == (-10, 15)
    assert len(glyphs(change, VStrip)) == 1


def test_text_is_at_least_11_points() -> None:
    (plot,) = drawn(change_chart(10))
    sizes = [
        plot.title.text_font_size,
        plot.xaxis[0].axis_label_text_font_size,
        plot.yaxis[0].major_label_text_font_size,
    ]
    sizes += [title.text_font_size for title in plot.above if hasattr(title, "text_font_size")]
    sizes += [r.glyph.text_font_size for r in plot.renderers if hasattr(r.glyph, "text_font_size")]
    pixels = [float(getattr(size, "value", size).removesuffix("px")) for size in sizes]
    assert min(pixels) * 72 / 96 >= 11


def test_drawn_lines_hold_the_values() -> None:
    (plot,) = drawn(change_chart(25))
    (lines,) = glyphs(plot, MultiLine)
    data = lines.data_source.data
    assert data["name"] == ["level.0", "level.1", "line.0", "line.1"]
    np.testing.assert_array_equal(data["ys"][2], lift(25))
    np.testing.assert_array_equal(data["xs"][3], F)
    assert data["dash"][2:] == ["solid", "9 4"]
    assert data["colour"][2] != data["colour"][3]
    (hover,) = plot.select(HoverTool)
    assert ("Change", "$snap_y{0.0} dB") in hover.tooltips
    assert lines in hover.renderers


def test_bars_and_points_are_drawn_where_their_values_are() -> None:
    x = np.arange(3.0)
    bars = Band(x=x, low=x - 1, high=x + 1, label="interval", bars=True)
    points = ChartLine(x=x, y=x / 2, label="size", points=True)
    columns = figure_columns([change_chart(10, bands=(bars,), lines=(points,), levels=())])
    assert columns["0.lines"]["name"] == ["bar.0.0", "bar.0.1", "bar.0.2"]
    np.testing.assert_array_equal(columns["0.lines"]["ys"], np.stack([x - 1, x + 1], axis=1))
    assert columns["0.points"]["name"] == ["line.0"] * 3
    np.testing.assert_array_equal(columns["0.points"]["y"], x / 2)
    assert columns["0.areas"]["xs"] == []


def test_every_source_and_every_property_has_a_place_in_the_frames() -> None:
    plots = drawn(*charts(10))
    sources = {renderer.data_source.name: renderer.data_source for plot in plots for renderer in plot.renderers}
    assert sources.keys() == figure_columns(charts(10)).keys()
    empty = draw_figure(figure_shape(charts(10)))
    for name, data in figure_columns(charts(10)).items():
        assert set(empty.select_one({"name": name}).data) == set(data)


def test_the_shape_is_all_that_a_change_of_charts_may_not_touch() -> None:
    assert figure_shape(charts(10)) == (("log", "linear", 0), ("log", "log", 0))
    apart = figure_shape([change_chart(10), ohm_chart(10, x_range=(100.0, 1000.0))])
    assert apart == (("log", "linear", 0), ("log", "log", 1))
    assert figure_shape([change_chart(10, bands=(), lines=(), y_range=(-50, 50), y_label="Level")]) == apart[:1]


@pytest.mark.source("analytic", ref="the area between two parallel lines is their distance times the width")
def test_a_band_has_no_area_across_a_gap() -> None:
    x = np.arange(8.0) + 20
    low, high = np.zeros(8), np.ones(8)
    high[3:5] = np.nan
    band = Band(x=x, low=low, high=high)
    data = figure_columns([change_chart(10, bands=(band,))])["0.areas"]
    (break_at,) = np.flatnonzero(np.isnan(data["ys"][0]))
    parts = [slice(0, break_at), slice(break_at + 1, None)]
    areas = [enclosed(data["xs"][0][part], data["ys"][0][part]) for part in parts]
    assert areas == pytest.approx([2, 2])
    assert len(glyphs(drawn(change_chart(10, bands=(band,)))[0], Patches)) == 1


def enclosed(x: np.ndarray, y: np.ndarray) -> float:
    """Area of a closed outline, by the shoelace formula."""
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def test_end_labels_keep_apart_and_inside() -> None:
    lines = tuple(ChartLine(x=F, y=F * 0 + i / 10, label=f"spoon {i}", colour=i) for i in range(9))
    chart = change_chart(10, lines=lines)
    height = chart.height(FRAME_WIDTH)
    labels = end_labels(chart, height=height)
    pixels = np.array([(label.y + 10) / 25 * height for label in labels])
    assert np.diff(np.sort(pixels)).min() >= FONT_PX
    assert pixels.min() >= FONT_PX / 2
    assert pixels.max() <= height - FONT_PX / 2
    assert [label.text for label in labels] == [*(f"spoon {i}" for i in range(9)), "margin, 1 dB"]
    assert [label.text for label in sorted(labels, key=lambda label: label.y)][:9] == [f"spoon {i}" for i in range(9)]


def test_a_line_without_values_has_no_label() -> None:
    lines = (
        ChartLine(x=F, y=F * np.nan, label="nothing"),
        ChartLine(x=F, y=F * 0, label="a very long name of a spoon"),
    )
    labels = end_labels(change_chart(10, lines=lines, levels=()), height=250)
    assert [label.text for label in labels] == ["a very long name…"]


@pytest.mark.source("published", ref="WCAG 2.2, 1.4.11: 3 to 1 for graphics; relative luminance as defined there")
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_and_the_first_colours_stand_out(theme: str) -> None:
    looks = THEMES[theme]
    assert contrast(looks.ink, looks.paper) >= 7
    first = [contrast(colour, looks.paper) for colour in looks.palette[:3]]
    assert min(first) >= 3


def contrast(one: str, other: str) -> float:
    def luminance(colour: str) -> float:
        channels = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
