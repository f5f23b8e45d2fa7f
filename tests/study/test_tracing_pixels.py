"""Which pixels a line covers: runs by hand, and a large picture that does not fill the memory."""

from __future__ import annotations

import io
import tracemalloc

import numpy as np
import pytest
from chart_pictures import draw_matplotlib
from PIL import Image

from ohmshift.curves.values import Provenance
from ohmshift.study import tracing_pixels
from ohmshift.study.pictures import Picture
from ohmshift.study.tracing import trace_curve
from ohmshift.study.tracing_pixels import Cover, find_runs

DRAWN = draw_matplotlib()
RGB = np.array(Image.open(io.BytesIO(DRAWN.data)).convert("RGB"))


def picture_of(rgb: np.ndarray) -> Picture:
    return Picture(name="chart.png", rgb=rgb, provenance=Provenance(source="chart.png", sha256="0" * 64))


@pytest.mark.source("analytic", ref="centre of gravity: (0.5 * 1.5 + 1 * 2.5) / 1.5 and (1 * 0.5 + 0.25 * 1.5) / 1.25")
def test_runs_by_hand() -> None:
    line = np.zeros((5, 3), dtype=np.float32)
    line[1:3, 0] = 0.5, 1
    line[:2, 2] = 1, 0.25
    line[4, 2] = 0.2  # too faint to be a line
    other = np.zeros((5, 3), dtype=bool)
    other[3, 2] = True
    runs = find_runs(Cover(line=line, other=other), first_column=10)
    np.testing.assert_array_equal(runs.column, [10, 12])
    np.testing.assert_array_equal(runs.top, [1, 0])
    np.testing.assert_array_equal(runs.bottom, [3, 2])
    np.testing.assert_allclose(runs.mass, [1.5, 1.25])
    np.testing.assert_allclose(runs.centre, [3.25 / 1.5, 0.875 / 1.25])
    np.testing.assert_array_equal(runs.touched, [False, True])


def test_a_picture_without_the_colour_has_no_runs() -> None:
    nothing = Cover(line=np.zeros((5, 3), dtype=np.float32), other=np.zeros((5, 3), dtype=bool))
    assert find_runs(nothing).column.size == 0


def test_rows_at_a_time_change_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = trace_curve(picture_of(RGB), DRAWN.calibration, DRAWN.colour)
    for rows in (7, 10_000):
        monkeypatch.setattr(tracing_pixels, "_ROWS", rows)
        other = trace_curve(picture_of(RGB), DRAWN.calibration, DRAWN.colour)
        np.testing.assert_array_equal(other.y_px, whole.y_px)
        np.testing.assert_array_equal(other.reading_db, whole.reading_db)


def test_a_large_picture_takes_little_memory() -> None:
    large = picture_of(np.concatenate([RGB, np.full((2000, RGB.shape[1], 3), 255, dtype=np.uint8)]))
    tracemalloc.start()
    try:
        trace_curve(large, DRAWN.calibration, DRAWN.colour)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak / (large.width * large.height) < 30, "bytes a pixel: it was 22, and 45 before rows were taken in parts"
