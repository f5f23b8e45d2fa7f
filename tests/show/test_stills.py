"""Stills: size, proportion, and the same bytes each time."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image
from show.kitchen import change_chart, charts, lift, ohm_chart

from ohmshift.errors import CurveError
from ohmshift.show import stills
from ohmshift.show.stills import draw_still


@pytest.fixture
def sheets(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """Collect the matplotlib figures that are drawn."""
    made: list[Figure] = []

    def record(*args: object, **options: object) -> Figure:
        made.append(Figure(*args, **options))
        return made[-1]

    monkeypatch.setattr(stills, "Figure", record)
    return made


@pytest.mark.source("published", ref="IEC 60263:2020, 4.1 and 4.2, within 1 %")
@pytest.mark.parametrize("size", [{}, {"width_px": 1920, "height_px": 1080}, {"width_px": 700, "height_px": 500}])
def test_frames_keep_the_proportion(sheets: list[Figure], size: dict) -> None:
    drawn = (change_chart(10), ohm_chart(10))
    picture = Image.open(io.BytesIO(draw_still(drawn, **size)))
    for axes, chart in zip(sheets[0].axes, drawn, strict=True):
        box = axes.get_position()
        decade_px = box.width * picture.width / 3
        low, high = axes.get_ylim()
        db = high - low if chart.scale == "db" else 20 * np.log10(high / low)
        assert decade_px / (box.height * picture.height / db) == pytest.approx(chart.db_per_decade, rel=0.01)
        assert 0 <= box.y0 < box.y1 <= 1


def test_size_is_as_asked() -> None:
    assert Image.open(io.BytesIO(draw_still(change_chart(10)))).width == 840
    assert Image.open(io.BytesIO(draw_still(charts(10), width_px=1280, height_px=720))).size == (1280, 720)
    with pytest.raises(CurveError, match="higher picture"):
        draw_still(charts(10), width_px=1280, height_px=300)
    with pytest.raises(CurveError, match="at least one chart"):
        draw_still(())


def test_drawn_lines_hold_the_values(sheets: list[Figure]) -> None:
    draw_still(change_chart(25), format="svg")
    axes = sheets[0].axes[0]
    np.testing.assert_array_equal(axes.lines[2].get_ydata(), lift(25))
    assert axes.get_xlabel() == "Frequency (Hz); 20 dB per decade (IEC 60263)"
    assert axes.get_ylabel() == "Change (dB)"
    assert [text.get_text() for text in axes.texts][:2] == ["Ladle behind 25 Ω", change_chart(25).note]
    assert {"left", "right", "margin, 1 dB"} <= {text.get_text() for text in axes.texts}
    assert min(text.get_fontsize() for text in axes.texts) >= 11


@pytest.mark.parametrize("format_", ["png", "svg"])
def test_another_process_draws_the_same_bytes(format_: str) -> None:
    program = (
        "import sys; sys.path.insert(0, 'tests'); from show.kitchen import charts; "
        "from ohmshift.show.stills import draw_still; "
        f"sys.stdout.buffer.write(draw_still(charts(10), format={format_!r}))"
    )
    root = Path(__file__).parents[2]
    other = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, cwd=root).stdout
    assert other == draw_still(charts(10), format=format_)
    assert other != draw_still(charts(11), format=format_)


def test_svg_has_size_and_alternative_text() -> None:
    root = ET.fromstring(draw_still(change_chart(10, alt_text='Less than 1 dB, "flat" & < 2.'), format="svg"))  # noqa: S314
    assert root.get("aria-label") == 'Less than 1 dB, "flat" & < 2.'
    assert root.get("role") == "img"
    assert root.get("width") == "840px"


def test_png_is_small_and_its_paper_exact() -> None:
    content = draw_still(charts(10))
    assert len(content) < 60_000
    for theme, paper in (("light", (255, 255, 255)), ("dark", (22, 24, 27))):
        picture = Image.open(io.BytesIO(draw_still(change_chart(10), theme=theme))).convert("RGB")
        assert picture.getpixel((2, 2)) == paper
