"""Charts as values: rules, ranges, proportions, tables."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from show.kitchen import REASON, F, change_chart, lift, ohm_chart

from ohmshift.errors import CurveError
from ohmshift.show.charts import DASHES, Band, Chart, Level, Line, Span


def test_values_are_frozen_and_arrays_locked() -> None:
    chart = change_chart(10)
    with pytest.raises(dataclasses.FrozenInstanceError):
        chart.title = "other"
    with pytest.raises(ValueError, match="read-only"):
        chart.lines[0].y[0] = 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"alt_text": " "}, "needs alt_text"),
        ({"db_per_decade": 30}, "10, 20, 25, 50 dB per decade"),
        ({"y_range": (5, 5)}, "must rise"),
        ({"x_range": (0, 20_000)}, "from above 0"),
        ({"scale": "linear", "db_per_decade": 25}, "only dB or ohms"),
        ({"scale": "ohm", "y_range": (-1, 5)}, "from above 0"),
    ],
)
def test_what_breaks_a_rule_is_refused(change: dict, message: str) -> None:
    with pytest.raises(CurveError, match=message):
        change_chart(10, **change)


def test_parts_that_break_a_rule_are_refused() -> None:
    with pytest.raises(CurveError, match="ladle, y: x and the rest"):
        Line(x=np.arange(3), y=np.arange(4), label="ladle")
    with pytest.raises(CurveError, match="infinite"):
        Band(x=np.arange(1), low=np.array([-np.inf]), high=np.array([0.0]))
    with pytest.raises(CurveError, match="a dash is one of"):
        Line(x=np.arange(3), y=np.arange(3), dash="wavy")


def test_lines_of_other_colours_have_other_dashes() -> None:
    dashes = [Line(x=F, y=F, colour=colour).dash for colour in range(7)]
    assert dashes[: len(DASHES)] == list(DASHES)
    assert all(one != other for one, other in pairwise(dashes))


@pytest.mark.source("published", ref="IEC 60263:2020, 4.1: 10, 20, 25 or 50 dB per decade of frequency")
@pytest.mark.parametrize(
    ("y_range", "wanted"), [((0, 15), 10), ((0, 30), 20), ((0, 40), 25), ((0, 60), 50), ((0, 120), 50)]
)
def test_height_follows_the_proportion(y_range: tuple[float, float], wanted: int) -> None:
    chart = change_chart(10, y_range=y_range)
    assert chart.db_per_decade == wanted
    decade_px = 600 / 3
    db_px = chart.height(600) / (y_range[1] - y_range[0])
    assert decade_px / db_px == pytest.approx(wanted)


@pytest.mark.source("published", ref="IEC 60263:2020, 4.2: 0.5, 1, 1.25 or 2.5 decades of ohms per decade of frequency")
@pytest.mark.parametrize(
    ("y_range", "wanted"), [((10, 50), 0.5), ((10, 200), 1.0), ((10, 1000), 1.25), ((1, 1e3), 2.5)]
)
def test_height_of_ohms_follows_the_same_proportion(y_range: tuple[float, float], wanted: float) -> None:
    chart = ohm_chart(10, y_range=y_range)
    decade_px = 600 / 3
    ohm_decade_px = chart.height(600) / np.log10(y_range[1] / y_range[0])
    assert decade_px / ohm_decade_px == pytest.approx(wanted)
    assert chart.db_per_decade == 20 * wanted


def test_open_ranges_hold_the_data() -> None:
    y = lift(10)
    chart = change_chart(10, y_range=None)
    assert chart.y_range == (-5, 10)
    assert chart.y_range[0] < y.min() - 1 < y.max() + 1 < chart.y_range[1]
    assert chart.x_range == (20, 20_000)
    scatter = Chart(
        title="Spread and change",
        alt_text="Three earphones.",
        lines=(Line(x=np.array([1.0, 2, 5]), y=np.array([0.1, 0.4, 0.9]), label="all", points=True),),
        x_label="Spread of impedance",
        x_unit="dB",
        x_scale="linear",
        y_label="Size",
        y_unit="dB",
        scale="linear",
    )
    assert scatter.db_per_decade is None
    assert scatter.x_range == pytest.approx((0.84, 5.16))


@pytest.mark.source("analytic", ref="a straight line in log f is met exactly by interpolation in log f: 10 dB a decade")
def test_table_gives_third_octaves_of_what_the_data_reach() -> None:
    f = np.geomspace(100, 10_000, 5)
    chart = change_chart(
        10,
        lines=(Line(x=f, y=10 * np.log10(f / 1000), label="slope"), Line(x=f, y=f * 0)),
        bands=(),
        spans=(Span(low=4000, high=6000, reason=REASON),),
    )
    table = chart.table()
    assert list(table.columns) == ["Frequency (Hz)", "slope (dB)", "hatched"]
    assert list(table["Frequency (Hz)"])[:3] == ["100", "125", "160"]
    np.testing.assert_allclose(table["slope (dB)"], np.arange(-10, 11), atol=1e-9)
    assert list(table.loc[table["hatched"] == REASON, "Frequency (Hz)"]) == ["4000", "5000"][1:]


def test_table_of_points_has_a_row_for_each() -> None:
    chart = Chart(
        title="Readings",
        alt_text="Two readings.",
        lines=(Line(x=np.array([0.0, 1]), y=np.array([0.42, np.nan]), label="cable", points=True),),
        bands=(
            Band(x=np.array([0.0, 1]), low=np.array([0.4, 0.5]), high=np.array([0.44, 0.6]), label="95 %", bars=True),
        ),
        x_label="Conductor",
        x_unit="",
        x_scale="linear",
        x_ticks=((0, "left"), (1, "return")),
        y_label="Resistance",
        y_unit="Ω",
        scale="linear",
    )
    table = chart.table(decimals=2)
    assert list(table["Conductor"]) == ["left", "return"]
    assert list(table["95 %, high (Ω)"]) == [0.44, 0.6]
    assert table["cable (Ω)"].isna().tolist() == [False, True]


def test_note_says_each_reason_once_and_stays_short() -> None:
    spans = (Span(low=20, high=30, reason=REASON), Span(low=40, high=50, reason=REASON))
    assert change_chart(10, spans=spans).note == f"Hatched: {REASON}."
    assert change_chart(10, spans=()).note == ""
    long = (Span(low=20, high=30, reason="word " * 60),)
    assert len(change_chart(10, spans=long).note) <= 100


def test_levels_and_bands_count_for_the_range() -> None:
    chart = change_chart(10, lines=(), levels=(Level(y=22),), y_range=None)
    assert chart.y_range[1] > 22 - 1e-9
