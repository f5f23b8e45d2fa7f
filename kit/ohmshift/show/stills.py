"""Charts as still pictures, drawn without a browser and the same to the byte each time."""

from __future__ import annotations

import html
import io
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, cast

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter
from PIL import Image

from ohmshift.errors import CurveError
from ohmshift.show.figures import as_stack
from ohmshift.show.fonts import FONT, drawable, other_fonts
from ohmshift.show.looks import (
    FONT_PX,
    LABEL_PX,
    LEVEL_DASH,
    LEVEL_WIDTH,
    THEMES,
    TITLE_PX,
    Ground,
    Looks,
    dash_pattern,
    end_labels,
    minor_ticks,
    x_ticks,
    y_ticks,
)
from ohmshift.show.room import Room, make_room, page_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from ohmshift.show.charts import Band, Chart, Line

PictureFormat: TypeAlias = Literal["png", "svg"]

DPI = 96
"""Pixels an inch at which a px of the layout is a pixel."""

_POINT = 72 / DPI
_EXACT = 32
_MOST_SMALL_PX = 2_000_000
_COMPRESSION = 5
_HALO_PX, _LINE_HALO_PX = 2.2, 1.3
STYLE: dict[Any, Any] = {
    "font.family": FONT,
    "font.size": FONT_PX * _POINT,
    "hatch.linewidth": 0.6,
    "svg.hashsalt": "ohmshift",
    "svg.fonttype": "path",
    "lines.scale_dashes": False,
    "path.simplify": False,
    "text.parse_math": False,
}
"""What matplotlib draws by; a name with dollar signs is a name, no formula."""


def draw_still(
    charts: Chart | Sequence[Chart],
    *,
    width_px: int = 840,
    height_px: int | None = None,
    format: PictureFormat = "png",  # noqa: A002 - the usual word for it
    theme: Ground = "light",
    text_size: float = 1.0,
) -> bytes:
    """Draw charts as a still picture.

    Parameters
    ----------
    charts : Chart or sequence of Chart
        Charts, top to bottom.
    width_px : int
        Width of the picture [px]. Text, lines and frames all grow with it, so a still for a video stays readable.
    height_px : int, optional
        Height of the picture [px]; by default what the charts need. In a lower picture the frames become narrower, in
        a higher one they are centred: their proportions stay.
    format : {"png", "svg"}
        File format.
    theme : {"light", "dark", "transparent"}
        Colours; "transparent" has light words with a dark rim, for any picture behind them.
    text_size : float
        How much larger than on the screens words and lines are, beside a picture of the same width.

    Returns
    -------
    bytes
        Content of the file; the same charts give the same bytes.

    Raises
    ------
    CurveError
        A picture too low for the charts, or no charts.
    """
    stack = as_stack(charts)
    size_px, sheet = draw_sheet(stack, width_px=width_px, height_px=height_px, theme=theme, text_size=text_size)
    with mpl.rc_context(STYLE):
        if format == "svg":
            content = io.BytesIO()
            # No date and no version in the file: the same charts give the same bytes.
            sheet.savefig(content, format="svg", metadata={"Date": None, "Creator": None}, facecolor="auto")
            return _describe_svg(content.getvalue(), stack, size_px)
        canvas = cast("Any", FigureCanvasAgg(sheet))  # it carries no types
        canvas.draw()
        drawn = Image.fromarray(np.asarray(canvas.buffer_rgba()))
    picture = drawn if theme == "transparent" else drawn.convert("RGB")
    if theme != "transparent" and size_px[0] * size_px[1] < _MOST_SMALL_PX:
        return _fewer_colours(picture)
    content = io.BytesIO()
    picture.save(content, format="PNG", compress_level=_COMPRESSION)
    return content.getvalue()


def draw_sheet(
    stack: Sequence[Chart], *, width_px: int, height_px: int | None, theme: Ground, text_size: float
) -> tuple[tuple[int, int], Figure]:
    """Draw charts on a sheet of matplotlib's.

    Parameters
    ----------
    stack : sequence of Chart
        Charts, top to bottom.
    width_px : int
        Width of the sheet [px].
    height_px : int or None
        Its height [px]; None for what the charts need.
    theme : {"light", "dark", "transparent"}
        Colours.
    text_size : float
        How much larger than on the screens words and lines are.

    Returns
    -------
    size_px : tuple of int
        Width and height.
    sheet : Figure
        The sheet, to be saved under `STYLE`.

    Raises
    ------
    CurveError
        A sheet too low for the charts, or no charts.
    """
    page = page_width(text_size)
    zoom = width_px / page
    rooms = make_room(stack, text_size=text_size)
    page_height, shrink = _page(stack, rooms, page, None if height_px is None else height_px / zoom)
    size_px = width_px, height_px or round(page_height * zoom)
    dpi = DPI * zoom
    with mpl.rc_context(STYLE):
        # The hundredth of a pixel keeps the size from being rounded down.
        sheet = Figure(figsize=((size_px[0] + 0.01) / dpi, (size_px[1] + 0.01) / dpi), dpi=dpi)
        sheet.set_facecolor(THEMES[theme].paper)
        natural = sum(
            room.top + shrink * chart.height(room.width) + room.bottom for chart, room in zip(stack, rooms, strict=True)
        )
        top = page_height - (page_height - natural) / 2
        for chart, room in zip(stack, rooms, strict=True):
            height, width = shrink * chart.height(room.width), shrink * room.width
            left, bottom = room.left + (room.width - width) / 2, top - room.top - height
            axes = sheet.add_axes(
                (left / page, bottom / page_height, width / page, height / page_height), label=f"{top:.6f}"
            )
            _draw_one(axes, chart, room, (width, height), THEMES[theme])
            top -= room.top + height + room.bottom
    return size_px, sheet


def _fewer_colours(picture: Image.Image) -> bytes:
    """Write a PNG with 256 colours, a quarter of the size: the commonest exact, the rims of lines nearly so."""
    packed = np.asarray(picture, dtype=np.int64) @ (1 << 16, 1 << 8, 1)
    found, place, count = np.unique(packed, return_inverse=True, return_counts=True)
    colours = np.stack([found >> 16, found >> 8 & 255, found & 255], axis=1)
    commonest = colours[np.argsort(-count, kind="stable")[:_EXACT]]
    rims = picture.quantize(256 - _EXACT, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).getpalette()
    palette = np.concatenate([commonest, np.reshape(rims or [], (-1, 3))])[:256]
    nearest = ((colours[:, None, :] - palette) ** 2).sum(axis=2).argmin(axis=1)
    few = Image.fromarray(nearest[place].astype(np.uint8).reshape(packed.shape))
    few.putpalette(palette.astype(np.uint8).tobytes())
    smaller = io.BytesIO()
    few.save(smaller, format="PNG", optimize=True)
    return smaller.getvalue()


def _page(charts: Sequence[Chart], rooms: Sequence[Room], page: float, height: float | None) -> tuple[float, float]:
    """Give the page's height and the factor that fits the frames into it."""
    if not charts:
        raise CurveError("draw_still", "a picture needs at least one chart", "there is none", "give a chart")
    around = sum(room.top + room.bottom for room in rooms)
    frames = sum(chart.height(room.width) for chart, room in zip(charts, rooms, strict=True))
    if height is None:
        return around + frames, 1.0
    shrink = min(1.0, (height - around) / frames)
    smallest = 0.25
    if shrink < smallest:
        raise CurveError(
            "draw_still, height_px",
            f"{len(charts)} charts of this width need {(around + smallest * frames) / page:.2f} of it as height",
            f"the height is {height / page:.2f} of the width",
            "give a higher picture or fewer charts",
        )
    return height, shrink


def _draw_one(axes: Axes, chart: Chart, room: Room, size: tuple[float, float], looks: Looks) -> None:
    axes.set_facecolor(looks.paper)
    axes.set_xscale(chart.x_scale)
    axes.set_yscale("log" if chart.scale == "ohm" else "linear")
    axes.set_xlim(*chart.x_ends)
    axes.set_ylim(*chart.y_ends)
    _dress(axes, chart, room, size, looks)
    for band in chart.bands:
        _draw_band(axes, band, looks)
    for span in chart.spans:
        axes.axvspan(span.low, span.high, facecolor=looks.faint, alpha=0.35, linewidth=0)
        axes.axvspan(span.low, span.high, facecolor="none", edgecolor=looks.ink, alpha=0.35, hatch="///", linewidth=0)
    for level in chart.levels:
        style = _linestyle(LEVEL_DASH)
        _rim([axes.axhline(level.y, color=looks.ink, linewidth=LEVEL_WIDTH * _POINT, linestyle=style)], looks)
    for line in chart.lines:
        _draw_line(axes, line, looks)
    for label in end_labels(chart, height=size[1], width=size[0]):
        sample = axes.plot(
            label.x,
            (label.y, label.y),
            clip_on=False,
            color=looks.colour(label.colour),
            linewidth=label.width * _POINT,
            linestyle=_linestyle(label.dash),
            solid_capstyle="butt",
        )
        _rim(sample, looks)
        _write(axes, (1, label.y), label.text, (LABEL_PX, 0), looks)


def _dress(axes: Axes, chart: Chart, room: Room, size: tuple[float, float], looks: Looks) -> None:
    minor = minor_ticks(chart)
    axes.set_axisbelow(True)
    axes.grid(visible=True, which="major", color=looks.faint, linewidth=_POINT)
    axes.tick_params(which="both", colors=looks.ink, width=_POINT)
    for axis, ticks, small, label in (
        (axes.xaxis, x_ticks(chart, width=size[0]), minor[0], room.x_name),
        (axes.yaxis, y_ticks(chart, height=size[1]), minor[1], room.y_name),
    ):
        axis.set_major_locator(FixedLocator([tick for tick, _ in ticks]))
        axis.set_major_formatter(FixedFormatter([name for _, name in ticks]))
        axis.set_minor_locator(FixedLocator(small))
        axis.set_minor_formatter(NullFormatter())
        axis.set_label_text(label, color=looks.ink)
        if looks.halo:
            _rim([axis.label, *axis.get_ticklabels()], looks)
    for spine in axes.spines.values():
        spine.set(color=looks.ink, linewidth=_POINT)
    for line, above in room.title:
        _write(axes, (0, chart.y_ends[1]), line, (0, above), looks, bold=True)
    for line, above in room.note:
        _write(axes, (0, chart.y_ends[1]), line, (0, above), looks)


def _draw_line(axes: Axes, line: Line, looks: Looks) -> None:
    colour = looks.colour(line.colour)
    if line.points:
        axes.plot(
            line.x,
            line.y,
            linestyle="none",
            marker="o",
            markersize=9 * _POINT,
            color=colour,
            alpha=line.opacity,
            markeredgecolor=looks.ink,
            markeredgewidth=_POINT,
        )
        return
    drawn = axes.plot(
        line.x,
        line.y,
        color=colour,
        alpha=line.opacity,
        linewidth=line.width * _POINT,
        linestyle=_linestyle(dash_pattern(line.dash)),
        dash_capstyle="butt",
    )
    _rim(drawn, looks)


def _linestyle(pattern: Sequence[float]) -> Any:
    """Give matplotlib's form of a dash pattern in px."""
    return (0, tuple(length * _POINT for length in pattern)) if pattern else "solid"


def _draw_band(axes: Axes, band: Band, looks: Looks) -> None:
    colour = looks.colour(band.colour)
    if band.bars:
        axes.vlines(band.x, band.low, band.high, color=colour, alpha=band.opacity, linewidth=3 * _POINT)
        return
    kept = np.isfinite(band.low) & np.isfinite(band.high)
    axes.fill_between(band.x, band.low, band.high, where=kept, color=colour, alpha=band.opacity, linewidth=0)


def _write(
    axes: Axes,
    at: tuple[float, float],
    text: str,
    offset: tuple[float, float],
    looks: Looks,
    *,
    bold: bool = False,
) -> None:
    """Write text at a place across the frame (0 to 1) and a value of the vertical axis, moved by an offset in px."""
    written = axes.annotate(
        drawable(text),
        at,
        (offset[0] * _POINT, offset[1] * _POINT),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        color=looks.ink,
        va="center",
        annotation_clip=False,
        fontfamily=[FONT, *(font.family for font in other_fonts(text))],
        fontsize=(TITLE_PX if bold else FONT_PX) * _POINT,
        fontweight="bold" if bold else "normal",
    )
    _rim([written], looks)


def _rim(parts: Sequence[Artist], looks: Looks) -> None:
    """Give words and lines a rim where the theme has one."""
    if looks.halo:
        for part in parts:
            line = part.get_linewidth() if isinstance(part, Line2D) else None
            wide = 2 * _POINT * (_HALO_PX if line is None else _LINE_HALO_PX) + (line or 0)
            part.set_path_effects([withStroke(linewidth=wide, foreground=looks.halo)])


def _describe_svg(content: bytes, charts: Sequence[Chart], size_px: tuple[int, int]) -> bytes:
    """Give the picture its size in px, and its alternative text to who reads it aloud."""
    text = content.decode("utf-8")
    start = text.index("<svg ")
    head = text[start : text.index(">", start)]
    kept = [part for part in head.split("\n") if part]
    attributes = " ".join(kept)
    for name, value in (("width", size_px[0]), ("height", size_px[1])):
        before, rest = attributes.split(f' {name}="', 1)
        attributes = f'{before} {name}="{value}px"{rest[rest.index(chr(34)) + 1 :]}'
    spoken = html.escape(" ".join(chart.alt_text for chart in charts), quote=True)
    attributes = attributes.replace("<svg ", f'<svg role="img" aria-label="{spoken}" ', 1)
    return text.replace(head, attributes, 1).encode("utf-8")
