"""Tracing charts with known truth."""

from __future__ import annotations

import csv
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from chart_pictures import STYLES, Drawn, F, draw_matplotlib, errors, truth
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.curves.values import Provenance
from ohmshift.errors import CurveError, FileMissingError, FileRefusedError, StudyError
from ohmshift.study.picture_axes import Calibration, PictureAxis
from ohmshift.study.pictures import Picture, read_picture
from ohmshift.study.tracing import TracedCurve, colour_name, trace_curve
from ohmshift.study.tracings import read_tracing, replay_tracing, save_tracing

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
DRAWN = "the curve that was drawn, by matplotlib or Pillow; axes clicked to the nearest pixel"
TIMED = (
    "matplotlib, default",
    "matplotlib, grey paper and white grid",
    "matplotlib, dashed",
    "matplotlib, thick black with grey grid",
    "matplotlib, JPEG",
    "Pillow, hard edges, dark",
)


def picture_of(drawn: Drawn, tmp_path: Path) -> Picture:
    file = tmp_path / "chart.png"
    file.write_bytes(drawn.data)
    return read_picture(file)


def trace(drawn: Drawn, tmp_path: Path, **options: object) -> TracedCurve:
    return trace_curve(picture_of(drawn, tmp_path), drawn.calibration, drawn.colour, **options)


@pytest.mark.source("independent", ref=DRAWN)
@pytest.mark.parametrize("style", TIMED)
def test_styles_of_charts(style: str, tmp_path: Path):
    traced = trace(STYLES[style](), tmp_path)
    f, level = traced.response.frequency_hz, traced.response.level_db
    rms_db, peak = errors(f, level)
    assert rms_db < 0.15
    assert peak < 0.005
    known = np.interp(np.log(f), np.log(F), truth())
    # The error stated holds: 95 % of all points lie within two standard uncertainties, hidden ones included.
    assert np.quantile(np.abs(level - known) / traced.reading_db, 0.95) < 2


@pytest.mark.source("independent", ref="data_demo/source/truth/true_picture.csv: the curves that were drawn")
@pytest.mark.parametrize(("shows", "column"), [("without", "without_db"), ("with", "with_47_ohm_db")])
def test_the_demo_picture(shows: str, column: str):
    tracing = read_tracing(DEMO / f"published/repair_cafe_tureen_{shows}.trace.json")
    traced = replay_tracing(DEMO / "published", tracing)
    with (DEMO / "source/truth/true_picture.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    f = np.array([float(row["frequency_hz"]) for row in rows])
    known = np.array([float(row[column]) for row in rows])
    level = np.interp(np.log(f), np.log(traced.response.frequency_hz), traced.response.level_db)
    inside = (f > 25) & (f < 16_000)
    assert np.sqrt(np.mean((level - known)[inside] ** 2)) < 0.02
    assert traced.seen.mean() > 0.99
    assert traced.response.level_reference == "relative"
    assert traced.response.provenance.source == "published/repair_cafe_tureen.png"
    assert traced.response.history[0].name == "trace_curve"


@pytest.mark.source("independent", ref=DRAWN)
def test_a_level_curve_is_not_taken_for_a_grid_line(tmp_path: Path):
    flat = np.full(F.size, 92.3)
    traced = trace(draw_matplotlib(level_db=flat, curves=1), tmp_path)
    assert np.abs(traced.response.level_db - 92.3).max() < 0.1


@pytest.mark.source("independent", ref=DRAWN)
def test_a_correction_leads_to_the_other_curve_of_the_same_colour(tmp_path: Path):
    """Two curves of one colour: a point on the one wanted decides."""
    low = 85 + 2 * np.cos(np.log2(F))
    drawn = draw_matplotlib(curves=1, level_db=low, colour="#1f77b4", grid=False)
    other = draw_matplotlib(curves=1, colour="#1f77b4", grid=False)
    first, second = (picture_of(one, tmp_path).rgb for one in (drawn, other))
    both = replace(picture_of(drawn, tmp_path), rgb=np.minimum(first, second))
    x = drawn.calibration.x.pixel(np.array([60.0, 1000.0, 6000.0]))
    for wanted in (low, truth()):
        y = drawn.calibration.y.pixel(np.interp(np.log([60.0, 1000.0, 6000.0]), np.log(F), wanted))
        points = tuple(zip(x.tolist(), y.tolist(), strict=True))
        traced = trace_curve(both, drawn.calibration, drawn.colour, corrections=points)
        level = np.interp(np.log(F), np.log(traced.response.frequency_hz), traced.response.level_db)
        inside = (F > 40) & (F < 9000)  # they cross above
        assert np.sqrt(np.mean((level - wanted)[inside] ** 2)) < 0.3
        assert traced.response.history[0].options[3][1] is not None


def test_what_is_hidden_is_drawn_through_and_said(tmp_path: Path):
    drawn = draw_matplotlib(curves=1, grid=False)
    picture = picture_of(drawn, tmp_path)
    rgb = picture.rgb.copy()
    left, right = (round(float(drawn.calibration.x.pixel(np.array(f)))) for f in (900.0, 1100.0))
    rgb[:, left:right] = 255
    traced = trace_curve(replace(picture, rgb=rgb), drawn.calibration, drawn.colour)
    gap = (traced.response.frequency_hz > 920) & (traced.response.frequency_hz < 1080)
    assert not traced.seen[gap].any()
    assert "not seen" in traced.caveats[0]
    known = np.interp(np.log(traced.response.frequency_hz), np.log(F), truth())
    assert np.abs(traced.response.level_db - known)[gap].max() < 0.3


@pytest.mark.source(
    "analytic",
    ref="an arc of n px whose slope turns by d stands n d/8 above its chord: 27 and 49 px, slopes of the curve",
)
@pytest.mark.parametrize(("low_hz", "high_hz"), [(900.0, 1100.0), (2500.0, 3600.0)])
def test_a_gap_adds_the_arc_that_a_bend_can_hide(low_hz: float, high_hz: float, tmp_path: Path):
    drawn = draw_matplotlib(curves=1, grid=False)
    picture = picture_of(drawn, tmp_path)
    rgb = picture.rgb.copy()
    left, right = (round(float(drawn.calibration.x.pixel(np.array(f)))) for f in (low_hz, high_hz))
    rgb[:, left:right] = 255
    whole, cut = (trace_curve(one, drawn.calibration, drawn.colour) for one in (picture, replace(picture, rgb=rgb)))
    f = cut.response.frequency_hz
    gap = np.flatnonzero((f > 1.02 * low_hz) & (f < 0.98 * high_hz))
    seen_db = np.interp(f, whole.response.frequency_hz, whole.reading_db)
    added_db = np.sqrt((cut.reading_db**2 - seen_db**2)[gap].max())
    known = np.interp(np.log(f), np.log(F), truth())
    slope = np.gradient(known, drawn.calibration.x.pixel(f))  # dB per px
    arc_db = (right - left) * abs(slope[gap[-1] + 6] - slope[gap[0] - 6]) / 8
    assert added_db == pytest.approx(arc_db, rel=0.1)


def test_a_colour_that_is_not_there_is_refused(tmp_path: Path):
    drawn = draw_matplotlib(curves=1)
    picture = picture_of(drawn, tmp_path)
    with pytest.raises(CurveError, match="click on the curve again"):
        trace_curve(picture, drawn.calibration, (255, 0, 255))
    with pytest.raises(CurveError, match="nearly the background"):
        trace_curve(picture, drawn.calibration, (254, 255, 250))


# ------------------------------------------------------------ axes


@pytest.mark.parametrize("point", [(1e12, 5.0), (-1e5, 5.0), (200.0, 1e9), (float("nan"), 5.0), (5.0, 100.0)])
def test_a_correction_outside_is_refused(tmp_path: Path, point: tuple[float, float]):
    with pytest.raises(CurveError, match="a point that the curve passes through lies in the picture"):
        trace(STYLES["matplotlib, default"](), tmp_path, corrections=(point,))


@pytest.mark.parametrize("ends_px", [(5000.0, 6000.0), (-6000.0, -5000.0), (100.0, 121.0)])
def test_an_axis_outside_the_picture_is_refused(tmp_path: Path, ends_px: tuple[float, float]):
    drawn = STYLES["matplotlib, default"]()
    axis = replace(drawn.calibration.x, first_px=ends_px[0], second_px=ends_px[1])
    with pytest.raises(CurveError, match="the frequency axis spans 30 columns of the picture or more"):
        trace_curve(picture_of(drawn, tmp_path), replace(drawn.calibration, x=axis), drawn.colour)


@pytest.mark.source("analytic", ref="a line of known pixels on a linear axis: 100 Hz a pixel from 0 Hz at pixel 20")
def test_a_linear_axis_that_begins_at_0_hz_is_read_above_it():
    rgb = np.full((120, 260, 3), 255, dtype=np.uint8)
    rgb[60, 5:] = (200, 0, 0)
    picture = Picture(name="linear.png", rgb=rgb, provenance=Provenance(source="linear.png"))
    x = PictureAxis(name="frequency", first_px=20, second_px=220, first_value=0, second_value=20_000)
    y = PictureAxis(name="level", first_px=10, second_px=110, first_value=10, second_value=-10)
    traced = trace_curve(picture, Calibration(x=x, y=y), (200, 0, 0))
    assert traced.response.frequency_hz[:2].tolist() == pytest.approx([50, 150])
    assert traced.response.level_db == pytest.approx(-0.1)


def test_a_colour_all_over_the_picture_is_refused_and_not_followed_for_minutes():
    rgb = np.full((900, 1200, 3), 255, dtype=np.uint8)
    rgb[np.random.default_rng(1).random((900, 1200)) < 0.3] = (200, 0, 0)
    picture = Picture(name="sand.png", rgb=rgb, provenance=Provenance(source="sand.png"))
    x = PictureAxis(name="frequency", first_px=5, second_px=1195, first_value=20, second_value=20_000, scale="log")
    y = PictureAxis(name="level", first_px=10, second_px=890, first_value=10, second_value=-10)
    start = time.process_time()
    with pytest.raises(CurveError, match="colour is in few places of a column, but the colour #c80000 is in 1"):
        trace_curve(picture, Calibration(x=x, y=y), (200, 0, 0))
    assert time.process_time() - start < 5


@pytest.mark.source("analytic", ref="a third of three decades is one decade; linear axes are linear")
def test_axes_by_hand():
    x = PictureAxis(name="frequency", first_px=0, first_value=20, second_px=300, second_value=20_000, scale="log")
    assert x.value(np.array([100.0, 200.0])) == pytest.approx([200, 2000])
    y = PictureAxis(name="level", first_px=600, first_value=60, second_px=100, second_value=110)
    assert y.value(np.array([350.0])) == pytest.approx([85])
    # Two points at the same error: least in the middle, 0.29 times sqrt(1/2), and 0.29 at the points.
    assert x.click_px(np.array([0.0, 150.0, 300.0])) == pytest.approx([0.29, 0.29 / np.sqrt(2), 0.29])


@given(st.floats(20, 20_000), st.sampled_from(["log", "linear"]))
def test_there_and_back(value: float, scale: str):
    axis = PictureAxis(name="x", first_px=90, first_value=20, second_px=1100, second_value=20_000, scale=scale)
    assert float(axis.value(axis.pixel(np.array(value)))) == pytest.approx(value, rel=1e-9)


def test_an_axis_may_run_backwards(tmp_path: Path):
    drawn = draw_matplotlib(curves=1)
    x = drawn.calibration.x
    turned = PictureAxis(
        name="frequency",
        first_px=x.second_px,
        first_value=x.second_value,
        second_px=x.first_px,
        second_value=x.first_value,
        scale="log",
    )
    one = trace(drawn, tmp_path)
    other = trace_curve(picture_of(drawn, tmp_path), Calibration(x=turned, y=drawn.calibration.y), drawn.colour)
    np.testing.assert_allclose(one.response.level_db, other.response.level_db)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"second_px": 105.0}, "20 pixels apart"),
        ({"second_value": 20.0}, "two values"),
        ({"first_value": 0.0}, "above 0"),
        ({"first_px": float("nan")}, "numbers"),
        ({"first_value": 1e-300}, "are 0.001 to 1e"),
        ({"second_value": 1e300}, r"to 1e\+07"),
    ],
)
def test_bad_axes_are_refused(change: dict[str, float], match: str):
    good = {"first_px": 100.0, "first_value": 20.0, "second_px": 900.0, "second_value": 20_000.0}
    with pytest.raises(CurveError, match=match):
        PictureAxis(name="frequency", scale="log", **good | change)


# ------------------------------------------------------------ saved tracings


def test_a_tracing_is_saved_once_and_reads_back(tmp_path: Path):
    (tmp_path / "published").mkdir()
    tracing = read_tracing(DEMO / "published/repair_cafe_tureen_with.trace.json")
    path = save_tracing(tmp_path, tracing)
    assert path.name == "repaircafe_tureen_47ohm_with.trace.json"
    assert read_tracing(path) == tracing
    with pytest.raises(StudyError, match="never written over"):
        save_tracing(tmp_path, tracing)
    assert colour_name(tracing.rgb) == tracing.colour


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"added_ohm": -3}, "added_ohm"),
        ({"colour": "red"}, "colour"),
        ({"picture": "../secret.png"}, "picture"),
        ({"more": 1}, "more"),
        ({"corrections": [[1]]}, "corrections"),
    ],
)
def test_a_broken_tracing_is_refused(tmp_path: Path, change: dict[str, object], match: str):
    good = json.loads((DEMO / "published/repair_cafe_tureen_with.trace.json").read_text("utf-8"))
    file = tmp_path / "bad.trace.json"
    file.write_text(json.dumps(good | change), encoding="utf-8")
    with pytest.raises(FileRefusedError, match=match):
        read_tracing(file)
    file.write_text("{", encoding="utf-8")
    with pytest.raises(FileRefusedError, match="JSON"):
        read_tracing(file)


def test_a_tracing_belongs_to_its_picture(tmp_path: Path):
    tracing = read_tracing(DEMO / "published/repair_cafe_tureen_with.trace.json")
    with pytest.raises(FileMissingError):
        replay_tracing(tmp_path, tracing)
    (tmp_path / tracing.picture).write_bytes((DEMO / "published" / tracing.picture).read_bytes() + b" ")
    with pytest.raises(FileRefusedError, match="changed since"):
        replay_tracing(tmp_path, tracing)
