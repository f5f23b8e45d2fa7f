"""How much room the words of a still take around its frame, and how they are broken into lines."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from ohmshift.show.fonts import FONT, drawable, other_fonts
from ohmshift.show.looks import (
    BOTTOM,
    FONT_PX,
    FRAME_WIDTH,
    LABEL_PX,
    LEFT,
    RIGHT,
    TITLE_PX,
    TOP,
    axis_names,
    shorten_label,
    y_ticks,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.show.charts import Chart

TITLE_LINE, TEXT_LINE = 21.0, 19.0
"""Distance of two lines of a title, and of other text [px]."""

_EDGE = 10.0
_TICK_PX = 32.0
_NOTE_AT = 14.0
_TITLE_AT = 34.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """The frame of one chart and the words around it, in px of a page that is drawn larger or smaller as a whole.

    Parameters
    ----------
    width : float
        Width of the frame.
    left : float
        Room left of it.
    top, bottom : float
        Room above and below it.
    title, note : tuple of (str, float)
        Lines, each with its height above the frame.
    x_name, y_name : str
        Names of the axes, broken into lines.
    """

    width: float
    left: float
    top: float
    bottom: float
    title: tuple[tuple[str, float], ...]
    note: tuple[tuple[str, float], ...]
    x_name: str
    y_name: str


def page_width(text_size: float) -> float:
    """Give the width of the page.

    Parameters
    ----------
    text_size : float
        How much larger than on the screens the words are, beside a picture of the same width.

    Returns
    -------
    float
        Width [px].
    """
    return (LEFT + FRAME_WIDTH + RIGHT) / text_size


def make_room(charts: Sequence[Chart], *, text_size: float) -> tuple[Room, ...]:
    """Lay out the words around the frames of charts.

    Parameters
    ----------
    charts : sequence of Chart
        Charts, one below the other; their frames are equally wide.
    text_size : float
        How much larger than on the screens the words are.

    Returns
    -------
    tuple of Room
        One a chart.
    """
    page = page_width(text_size)
    right = RIGHT if text_size == 1 else max((_right(chart) for chart in charts), default=0.0)
    y_names = [_wrap_y(chart, page - LEFT - right) if text_size != 1 else [axis_names(chart)[1]] for chart in charts]
    ticks = [text_px(tick) for chart in charts for _, tick in y_ticks(chart, height=chart.height(FRAME_WIDTH))]
    left = LEFT + TEXT_LINE * (max(map(len, y_names), default=1) - 1) + max(0.0, max(ticks, default=0.0) - _TICK_PX)
    return tuple(
        _room(chart, "\n".join(lines), page=page, left=left, right=float(right), close=text_size != 1)
        for chart, lines in zip(charts, y_names, strict=True)
    )


def _right(chart: Chart) -> float:
    """Give the room that the names of lines and levels need right of the frame, whether they reach it or not."""
    labels = [line.label for line in chart.lines] + [level.label for level in chart.levels]
    names = [shorten_label(label) for label in labels]
    return max((LABEL_PX + text_px(name) for name in names if name), default=0.0) + 2 * _EDGE


def _wrap_y(chart: Chart, width: float) -> list[str]:
    """Break the name of the vertical axis where the frame is lower than it is long."""
    return wrap(axis_names(chart)[1], chart.height(width) + BOTTOM)


def _room(chart: Chart, y_name: str, *, page: float, left: float, right: float, close: bool) -> Room:
    width = page - left - right
    title = wrap(chart.title, page - left - _EDGE, size=TITLE_PX, bold=True)
    note = wrap(chart.note, page - left - _EDGE) if chart.note else []
    base = _TITLE_AT - TEXT_LINE if close and not note else _TITLE_AT
    base += TEXT_LINE * max(0, len(note) - 1)
    x_name = axis_names(chart)[0]
    two = text_px(x_name) > width + 2 * min(left, right) - _EDGE
    return Room(
        width=width,
        left=left,
        top=TOP - _TITLE_AT + base + TITLE_LINE * (len(title) - 1),
        bottom=BOTTOM + TEXT_LINE * two,
        title=tuple((line, base + TITLE_LINE * i) for i, line in enumerate(reversed(title))),
        note=tuple((line, _NOTE_AT + TEXT_LINE * i) for i, line in enumerate(reversed(note))),
        x_name=x_name.replace("; ", "\n", 1) if two else x_name,
        y_name=y_name,
    )


def wrap(text: str, width: float, *, size: float = FONT_PX, bold: bool = False) -> list[str]:
    """Break a text into lines at blanks.

    Parameters
    ----------
    text : str
        The text.
    width : float
        Width of a line [px].
    size : float
        Text size [px].
    bold : bool
        Whether it is bold.

    Returns
    -------
    list of str
        Lines; a word wider than the width has a line of its own.
    """
    lines: list[str] = []
    for word in text.split():
        if lines and text_px(longer := f"{lines[-1]} {word}", size=size, bold=bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines or [""]


@lru_cache(maxsize=4096)
def text_px(text: str, *, size: float = FONT_PX, bold: bool = False) -> float:
    """Measure a text.

    Parameters
    ----------
    text : str
        The text.
    size : float
        Text size [px].
    bold : bool
        Whether it is bold.

    Returns
    -------
    float
        Width [px].
    """
    families = [FONT, *(font.family for font in other_fonts(text))]
    font = FontProperties(family=families, weight="bold" if bold else "normal", size=size)
    return float(text_to_path.get_text_width_height_descent(drawable(text), font, ismath=False)[0])
