"""How well curves are read off pictures of charts whose truth is known.

    python tests/benchmarks/bench_pictures.py

Charts 1200 pixels wide, three decades and 45 dB, in nine styles drawn by matplotlib and Pillow and, where Chromium is
there, one by Bokeh; two other curves cross over the one looked for, but in the hairline chart, where it is one. Axes
are clicked to the nearest pixel, which alone is worth up to half a pixel: 0.04 dB and 0.4 % in frequency. The error of
the level is its root mean square from 25 Hz to 16 kHz; that of the frequency is the place of the 8 kHz peak, halfway
between its sides 2 dB below. The column before the last is how many of the stated standard uncertainties hold 95 % of
all points.
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))
import race  # noqa: F401, I001 - it pins the linear algebra library to one thread before numpy loads

import numpy as np
from bokeh.embed import file_html
from bokeh.plotting import figure
from bokeh.resources import INLINE
from browser_fixtures import CHROMIUM, browser_page
from chart_pictures import COLOURS, F, STYLES, Drawn, axes_from, errors, truth
from PIL import Image

from ohmshift.study.pictures import read_picture
from ohmshift.study.tracing import trace_curve


def draw_bokeh(folder: Path) -> Drawn:
    """A chart as the browser draws it; its frame begins where the page is told to."""
    low_db, high_db, width, height = 70.0, 115.0, 1080, 610
    plot = figure(
        x_axis_type="log",
        frame_width=width,
        frame_height=height,
        x_range=(20, 20_000),
        y_range=(low_db, high_db),
        toolbar_location=None,
    )
    for k in (0, 1, 2):
        plot.line(F, truth(k), line_width=2, line_color=COLOURS[k])
    page_file = folder / "chart.html"
    page_file.write_text(file_html(plot, INLINE, "chart"), encoding="utf-8")
    with browser_page(folder / "profile") as page:
        page.set_viewport_size({"width": 1240, "height": 720})
        page.goto(page_file.as_uri())
        page.wait_for_function("() => window.Bokeh && Bokeh.documents.length && Bokeh.documents[0].is_idle")
        left, top = page.evaluate(
            """() => { const view = [...Bokeh.index.roots][0], box = view.frame.bbox;
            const own = view.el.getBoundingClientRect(); return [own.left + box.left, own.top + box.top]; }"""
        )
        data = page.screenshot()
    Image.open(io.BytesIO(data)).verify()

    def to_pixel(f: float, level: float) -> tuple[float, float]:
        x = left + width * np.log10(f / 20) / 3
        return float(x), float(top + height * (high_db - level) / (high_db - low_db))

    return Drawn(data=data, calibration=axes_from(to_pixel, low_db, high_db), colour=COLOURS[0])


def tabulate(name: str, drawn: Drawn, folder: Path) -> None:
    file = folder / "chart.png"
    file.write_bytes(drawn.data)
    picture = read_picture(file)
    start = time.process_time()
    traced = trace_curve(picture, drawn.calibration, drawn.colour)
    took = time.process_time() - start
    f, level = traced.response.frequency_hz, traced.response.level_db
    rms_db, peak = errors(f, level)
    error = np.abs(level - np.interp(np.log(f), np.log(F), truth()))
    within = np.quantile(error / traced.reading_db, 0.95)
    stated = np.median(traced.reading_db)
    seen = 100 * traced.seen.mean()
    print(
        f"| {name} | {rms_db:.3f} | {100 * peak:.2f} | {stated:.3f} | {seen:.0f} | {within:.1f} | {took:.2f} |",
        flush=True,
    )


def main() -> None:
    print(
        "| chart | level, rms (dB) | 8 kHz peak (%) | stated error, median (dB) | seen (%) | 95 % within (errors) "
        "| time (s) |\n|---|---|---|---|---|---|---|"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for style, draw in STYLES.items():
            tabulate(style, draw(), folder)
        if Path(CHROMIUM).exists():
            tabulate("Bokeh in Chromium", draw_bokeh(folder), folder)


if __name__ == "__main__":
    main()
