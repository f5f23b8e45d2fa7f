"""Draw a chart of levels over frequency as a picture, so that its truth is known to a part of a pixel."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image, ImageDraw, ImageFont

FREQUENCY_HZ = np.geomspace(20, 20_000, 1921)

WIDTH, HEIGHT = 1200, 720
LEFT, RIGHT, TOP, BOTTOM = 90, 1170, 60, 640
LOW_DB, HIGH_DB = 60.0, 120.0
LINE_PX = 2.4

PAPER, GRID, INK = (250, 250, 245), (205, 205, 200), (60, 60, 60)
COLOURS = {"another": "#8c8c5a", "without": "#1f5fa8", "with": "#c2452d"}
LABELS = {"another": "another model", "without": "without", "with": "with the resistor"}

_OVER = 4


def x_of(frequency_hz: np.ndarray) -> np.ndarray:
    """Give where a frequency lies [px]; the middle of the first pixel is at 0.5."""
    return LEFT + 0.5 + (RIGHT - LEFT) * np.log10(frequency_hz / 20) / 3


def y_of(level_db: np.ndarray) -> np.ndarray:
    """Give where a level lies [px] from the top."""
    return BOTTOM + 0.5 - (BOTTOM - TOP) * (level_db - LOW_DB) / (HIGH_DB - LOW_DB)


def draw(curves: dict[str, np.ndarray], *, title: str) -> tuple[bytes, dict[str, dict]]:
    """Draw curves over `FREQUENCY_HZ`, the last on top, and give the file and the two points of each axis."""
    picture = Image.new("RGB", (WIDTH, HEIGHT), PAPER)
    _draw_grid(ImageDraw.Draw(picture), title)
    pixels = np.asarray(picture, dtype=np.float64)
    for name in ("another", "without", "with"):
        colour = np.array([int(COLOURS[name][i : i + 2], 16) for i in (1, 3, 5)])
        cover = _cover(x_of(FREQUENCY_HZ), y_of(curves[name]))[..., None]
        pixels = pixels * (1 - cover) + colour * cover
    finished = Image.fromarray(np.round(pixels).astype(np.uint8))
    _draw_legend(ImageDraw.Draw(finished))
    stream = io.BytesIO()
    finished.save(stream, format="png", optimize=True)
    axes = {
        "frequency": _axis(LEFT + 0.5, 20.0, RIGHT + 0.5, 20_000.0, "log"),
        "level": _axis(BOTTOM + 0.5, LOW_DB, TOP + 0.5, HIGH_DB, "linear"),
    }
    return stream.getvalue(), axes


def _axis(first_px: float, first: float, second_px: float, second: float, scale: str) -> dict:
    return {
        "first_px": first_px,
        "first_value": first,
        "second_px": second_px,
        "second_value": second,
        "scale": scale,
    }


def _cover(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Give how much of each pixel a line covers: the share of 4 x 4 points that lie within half its width."""
    hits = np.zeros((HEIGHT * _OVER, WIDTH * _OVER), dtype=bool)
    along = np.arange(int(np.floor(x[0])) * _OVER, int(np.ceil(x[-1])) * _OVER)
    rows = (np.arange(HEIGHT * _OVER) + 0.5) / _OVER
    for column in along:
        place = (column + 0.5) / _OVER
        near = np.abs(x - place) < LINE_PX
        if not near.any():
            continue
        x_near, y_near = _denser(x[near], y[near])
        inside = np.abs(x_near - place) <= LINE_PX / 2
        reach = np.sqrt(LINE_PX**2 / 4 - (x_near[inside] - place) ** 2)
        for middle, half in zip(y_near[inside], reach, strict=True):
            hits[np.searchsorted(rows, middle - half) : np.searchsorted(rows, middle + half), column] = True
    return hits.reshape(HEIGHT, _OVER, WIDTH, _OVER).mean(axis=(1, 3))


def _denser(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give points no more than half a pixel apart along a line."""
    steps = np.maximum(np.ceil(2 * np.hypot(np.diff(x), np.diff(y))).astype(int), 1)
    place = np.concatenate([k + np.arange(n) / n for k, n in enumerate(steps)] + [[len(x) - 1.0]])
    index = np.arange(len(x))
    return np.interp(place, index, x), np.interp(place, index, y)


def _draw_grid(pen: ImageDraw.ImageDraw, title: str) -> None:
    font = ImageFont.load_default_imagefont()
    for hz in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000):
        x = int(np.floor(x_of(np.array(float(hz)))))
        pen.line([(x, TOP), (x, BOTTOM)], fill=GRID)
        text = f"{hz // 1000}k" if hz >= 1000 else f"{hz}"
        pen.text((x - 3 * len(text), BOTTOM + 8), text, fill=INK, font=font)
    for level in range(int(LOW_DB), int(HIGH_DB) + 1, 10):
        y = int(np.floor(y_of(np.array(float(level)))))
        pen.line([(LEFT, y), (RIGHT, y)], fill=GRID)
        pen.text((LEFT - 30, y - 5), f"{level}", fill=INK, font=font)
    pen.rectangle([(LEFT, TOP), (RIGHT, BOTTOM)], outline=INK)
    pen.text((LEFT, TOP - 22), title, fill=INK, font=font)
    pen.text(((LEFT + RIGHT) // 2 - 40, BOTTOM + 28), "Frequency (Hz)", fill=INK, font=font)
    pen.text((LEFT - 72, TOP - 22), "Level (dB)", fill=INK, font=font)


def _draw_legend(pen: ImageDraw.ImageDraw) -> None:
    font = ImageFont.load_default_imagefont()
    for row, (name, colour) in enumerate(COLOURS.items()):
        y = BOTTOM - 70 + 20 * row
        pen.rectangle([(LEFT + 20, y), (LEFT + 50, y + 1)], fill=colour)
        pen.text((LEFT + 60, y - 5), LABELS[name], fill=INK, font=font)
