"""Bokeh figures: labels, limits, sources and proportions, read from the models."""

from __future__ import annotations

import numpy as np
import pytest
from bokeh.models import GlyphRenderer, HoverTool, Line, LogAxis, VArea, VStrip
from show.kitchen import F, change_chart, charts, lift, ohm_chart

from ohmshift.show.charts import Band
from ohmshift.show.charts import Line as ChartLine
from ohmshift.show.figures import chart_columns, draw_chart
from ohmshift.show.looks import FONT_PX, FRAME_WIDTH, THEMES, end_labels


def glyphs(plot: object, kind: type) -> list[GlyphRenderer]:
    return [renderer for renderer in plot.renderers if isinstance(renderer.glyph, kind)]


@pytest.mark.source("published", ref="IEC 60263:2020, 4.1 and 4.2, within 1 %")
@pytest.mark.parametrize("chart", [change_chart(10), change_chart(10, y_range=(-23, 22)), ohm_chart(10)])
def test_frame_keeps_the_proportion(chart: object) -> None:
    (plot,) = draw_chart(chart).children
    decade_px = plot.frame_width / np.log10(plot.x_range.end / plot.x_range.start)
    low, high = plot.y_range.start, plot.y_range.end
    db = high - low if chart.scale == "db" else 20 * np.log10(high / low)
    assert decade_px / (plot.frame_height / db) == pytest.approx(chart.db_per_decade, rel=0.01)
    assert chart.db_per_decade in {10, 20, 25, 50}


def test_figure_says_what_the_chart_says() -> None:
    change, ohms = draw_chart(charts(10)).children
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
    (plot,) = draw_chart(change_chart(10)).children
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
    (plot,) = draw_chart(change_chart(25)).children
    left, right = glyphs(plot, Line)
    np.testing.assert_array_equal(left.data_source.data["y"], lift(25))
    np.testing.assert_array_equal(right.data_source.data["x"], F)
    assert (left.glyph.line_dash, right.glyph.line_dash) == ([], [9, 4])
    assert left.glyph.line_color != right.glyph.line_color
    (hover,) = plot.select(HoverTool)
    assert ("Change", "$snap_y{0.0} dB") in hover.tooltips
    assert hover.renderers == [left, right]


def test_sources_carry_the_columns_that_move() -> None:
    columns = chart_columns(charts(10))
    layout = draw_chart(charts(10))
    for name, data in columns.items():
        source = layout.select_one({"name": name})
        assert set(source.data) == set(data)
        for column, values in data.items():
            np.testing.assert_array_equal(source.data[column], values)


@pytest.mark.source("analytic", ref="a closed outline that doubles back on itself encloses no area")
def test_a_band_has_no_area_across_a_gap() -> None:
    x = np.arange(8.0) + 20
    low, high = np.zeros(8), np.ones(8)
    high[3:5] = np.nan
    outline = chart_columns([change_chart(10, bands=(Band(x=x, low=low, high=high),))])["0.band.0"]
    area = np.trapezoid(outline["high"] - outline["low"], outline["x"])
    assert area == pytest.approx(2 + 2)
    assert np.isfinite(outline["high"]).all()
    assert (plot := draw_chart(change_chart(10, bands=(Band(x=x, low=low, high=high),))).children[0])
    assert len(glyphs(plot, VArea)) == 1


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
