"""Pictures of charts with known truth, drawn by general plotting libraries."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import matplotlib as mpl
import matplotlib.style
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image, ImageDraw

from ohmshift.study.picture_axes import Calibration, PictureAxis

if TYPE_CHECKING:
    from collections.abc import Callable

F = np.geomspace(20, 20_000, 2400)
COLOURS = ((0, 114, 178), (213, 94, 0), (0, 158, 115))


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A picture's bytes, its axes as clicked to the nearest pixel, and the colour of the curve looked for."""

    data: bytes
    calibration: Calibration
    colour: tuple[int, int, int]


def truth(kind: int = 0) -> np.ndarray:
    """Level of an invented earphone [dB] at F: bass, a broad peak, an ear-canal resonance and a dip."""
    x = np.log2(F)

    def peak(mid_hz: float, octaves: float, height_db: float) -> np.ndarray:
        return height_db * np.exp(-0.5 * ((x - np.log2(mid_hz)) / octaves) ** 2)

    canal_hz = (8000.0, 6900.0, 9300.0)[kind]
    level = 95 + 7 / (1 + (F / 150) ** 1.5) + peak(2900, 0.5, 9) + peak(canal_hz, 0.11, 9)
    level = level + peak(1.44 * canal_hz, 0.12, -7)
    level = level - 5 * np.maximum(np.log2(F / 9000), 0)
    return level + (kind * 2.5 * np.cos(x * 1.3 + kind) - 1.5 * kind if kind else 0)


def to_pixel_centre(value: float) -> float:
    """Where somebody clicks who aims at a point: the middle of its pixel."""
    return float(np.floor(value) + 0.5)


def axes_from(to_pixel: Callable[[float, float], tuple[float, float]], low_db: float, high_db: float) -> Calibration:
    x = [to_pixel_centre(to_pixel(f, low_db)[0]) for f in (20.0, 20_000.0)]
    y = [to_pixel_centre(to_pixel(20.0, level)[1]) for level in (low_db, high_db)]
    return Calibration(
        x=PictureAxis(
            name="frequency", first_px=x[0], first_value=20.0, second_px=x[1], second_value=20_000.0, scale="log"
        ),
        y=PictureAxis(name="level", first_px=y[0], first_value=low_db, second_px=y[1], second_value=high_db),
    )


def draw_matplotlib(
    style: str = "default",
    *,
    curves: int = 3,
    dash: str = "-",
    width: float = 1.5,
    grid: bool = True,
    colour: str | None = None,
    low_db: float = 70.0,
    high_db: float = 115.0,
    file_format: str = "png",
    level_db: np.ndarray | None = None,
) -> Drawn:
    """A chart 1200 pixels wide; the curve looked for is the first, and the others are drawn over it."""
    with mpl.style.context(["default", style]):
        figure = Figure(figsize=(12, 6.75), dpi=100)
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        cycle = mpl.rcParams["axes.prop_cycle"].by_key()["color"]
        for k in range(curves):
            y = truth(k) if level_db is None or k else level_db
            ink = colour if k == 0 and colour else cycle[k]
            axes.semilogx(F, y, dash if k == 0 else "-", lw=width, color=ink, label=f"curve {k + 1}")
        axes.set(xlim=(20, 20_000), ylim=(low_db, high_db), xlabel="Frequency (Hz)", ylabel="Level (dB)", title="Chart")
        if grid:
            axes.grid(visible=True, which="both", lw=0.6)
        axes.legend(loc="lower left")
        canvas.draw()
        stream = io.BytesIO()
        rgba = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
        rgba.save(stream, format=file_format, **({"quality": 90} if file_format == "jpeg" else {}))
        height = rgba.height

        def to_pixel(f: float, level: float) -> tuple[float, float]:
            x, y = axes.transData.transform((f, level))
            return float(x), float(height - y)

        first = mpl.colors.to_rgb(colour or cycle[0])
        return Drawn(
            data=stream.getvalue(),
            calibration=axes_from(to_pixel, low_db, high_db),
            colour=tuple(round(255 * part) for part in first),
        )


def draw_pillow(*, dark: bool = False) -> Drawn:
    """A chart drawn without soft edges, three pixels wide, with solid grid lines."""
    ink, paper = ((230, 230, 230), (20, 24, 30)) if dark else ((0, 0, 0), (255, 255, 255))
    picture = Image.new("RGB", (1200, 700), paper)
    pen = ImageDraw.Draw(picture)
    left, right, top, bottom = 80, 1160, 30, 640

    def to_pixel(f: float, level: float) -> tuple[float, float]:
        x = left + (right - left) * np.log10(f / 20) / 3
        return float(x), float(bottom - (bottom - top) * (level - 70) / 45)

    for f in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000):
        pen.line([to_pixel(f, 70), to_pixel(f, 115)], fill=(128, 128, 128))
    for level in range(70, 116, 5):
        pen.line([to_pixel(20, level), to_pixel(20_000, level)], fill=(128, 128, 128))
    for k in range(3):
        pen.line(
            [tuple(round(value) for value in to_pixel(f, y)) for f, y in zip(F, truth(k), strict=True)],
            fill=ink if k == 0 else COLOURS[k],
            width=3,
        )
    stream = io.BytesIO()
    picture.save(stream, format="png")
    return Drawn(data=stream.getvalue(), calibration=axes_from(to_pixel, 70.0, 115.0), colour=ink)


STYLES: dict[str, Callable[[], Drawn]] = {
    "matplotlib, default": draw_matplotlib,
    "matplotlib, grey paper and white grid": lambda: draw_matplotlib("ggplot"),
    "matplotlib, dark": lambda: draw_matplotlib("dark_background"),
    "matplotlib, dashed": lambda: draw_matplotlib(dash="--"),
    "matplotlib, thick black with grey grid": lambda: draw_matplotlib("classic", colour="black", width=3.0),
    "matplotlib, hairline": lambda: draw_matplotlib("bmh", width=0.8, curves=2),
    "matplotlib, JPEG": lambda: draw_matplotlib(file_format="jpeg"),
    "Pillow, hard edges": draw_pillow,
    "Pillow, hard edges, dark": lambda: draw_pillow(dark=True),
}


def errors(traced_f: np.ndarray, traced_db: np.ndarray, level_db: np.ndarray | None = None) -> tuple[float, float]:
    """Root mean square error [dB] over 25 Hz to 16 kHz, and error of the frequency [share] of the 8 kHz peak."""
    expected = truth() if level_db is None else level_db
    inside = (F > 25) & (F < 16_000)
    level = np.interp(np.log(F), np.log(traced_f), traced_db)
    rms = float(np.sqrt(np.mean((level - expected)[inside] ** 2)))
    near, known = (traced_f > 7000) & (traced_f < 9500), (F > 7000) & (F < 9500)
    found = centre_of_peak(traced_f[near], traced_db[near])
    return rms, abs(found / centre_of_peak(F[known], expected[known]) - 1)


def centre_of_peak(f: np.ndarray, level_db: np.ndarray) -> float:
    """Middle between the two points 2 dB below a peak, in log frequency."""
    top = int(np.argmax(level_db))
    wanted = level_db[top] - 2
    below = np.interp(wanted, level_db[: top + 1], np.log(f[: top + 1]))
    above = np.interp(-wanted, -level_db[top:], np.log(f[top:]))
    return float(np.exp((below + above) / 2))
