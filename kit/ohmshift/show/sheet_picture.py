"""The review sheet as a picture, drawn without a browser and the same to the byte each time."""

from __future__ import annotations

import io
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from PIL import Image, ImageDraw, ImageFont, features

from ohmshift.show.fonts import drawable, font_file, letters_of, other_fonts, runs_right_to_left
from ohmshift.show.looks import BOTTOM, FRAME_WIDTH, LEFT, RIGHT, THEMES, TOP
from ohmshift.show.stills import draw_still

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.show.review_sheet import ReviewSheet

PAGE_PX = (1654, 2339)
"""Width and height of the picture [px]: A4 at 200 dots an inch."""

_EDGE, _GAP, _LEFT = 80, 40, 470
_SOFT, _NOTE = "#595959", "#F3F3EE"
_SMALL, _TEXT, _HEADLINE, _TITLE = 20, 23, 27, 46
_LINE = 1.36
_LEAST_CHART = 560


class _Words(NamedTuple):
    """A line of text: where, what, how large [px], bold or not, colour."""

    x: float
    y: float
    text: str
    size: int
    bold: bool = False
    colour: str = THEMES["light"].ink


def draw_sheet_picture(sheet: ReviewSheet) -> bytes:
    """Draw a review sheet as a picture of one page.

    Parameters
    ----------
    sheet : ReviewSheet
        The sheet.

    Returns
    -------
    bytes
        A PNG file; the same sheet gives the same bytes. Cautions that do not fit are counted, and stand on the page.
    """
    width, height = PAGE_PX
    paper = Image.new("RGB", PAGE_PX, THEMES["light"].paper)
    pen = ImageDraw.Draw(paper)
    top = _write(pen, _head(sheet))
    foot = _block(sheet.origin, _EDGE, 0, width - 2 * _EDGE, _SMALL, colour=_SOFT)
    floor = height - _EDGE - _height(foot)
    pen.line((_EDGE, floor - 16, width - _EDGE, floor - 16), fill=THEMES["light"].faint, width=2)
    _write(pen, [line._replace(y=line.y + floor) for line in foot])
    facts = _facts(sheet, top)
    _write(pen, _fit(facts, floor - 32))
    left = _EDGE + _LEFT + _GAP
    warned = _warn(sheet, left, width - _EDGE)
    room = floor - 32 - top
    charts = _charts(sheet, width - _EDGE - left, max(room - _height(warned) - _GAP, room // 2))
    for chart in charts:
        paper.paste(chart, (left, top))
        top += chart.height + 8
    warned = _fit([line._replace(y=line.y + top + _GAP) for line in warned], floor - 32)
    pen.rectangle((left, top + _GAP // 2, width - _EDGE, warned[-1].y + 2 * _TEXT), fill=_NOTE)
    _write(pen, warned)
    content = io.BytesIO()
    few = paper.quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    few.save(content, format="PNG")
    return content.getvalue()


def _head(sheet: ReviewSheet) -> list[_Words]:
    width = PAGE_PX[0] - 2 * _EDGE
    title = _shorten(_block([sheet.name], _EDGE, _EDGE, width - _TITLE, _TITLE, bold=True))
    below = title[-1].y + _LINE * _TITLE
    study = _shorten(_block([f"Review sheet. {sheet.study}"], _EDGE, below, width - _TEXT, _TEXT, colour=_SOFT))
    below = study[-1].y + 1.8 * _TEXT
    return title + study + _block([sheet.headline], _EDGE, below, width, _HEADLINE, bold=True)


def _shorten(lines: list[_Words]) -> list[_Words]:
    """Keep two lines, and say so where there are more."""
    return lines if len(lines) <= 2 else [lines[0], lines[1]._replace(text=f"{lines[1].text}…")]  # noqa: PLR2004


def _facts(sheet: ReviewSheet, top: float) -> list[_Words]:
    lines: list[_Words] = []
    for name, fact in sheet.rows:
        below = lines[-1].y + 1.9 * _TEXT if lines else top
        lines += _block([name], _EDGE, below, _LEFT, _TEXT, bold=True)
        lines += _block([fact], _EDGE, lines[-1].y + _LINE * _TEXT, _LEFT, _TEXT)
    return lines


def _warn(sheet: ReviewSheet, left: int, right: int) -> list[_Words]:
    start = _Words(left + 20, 0, "Cautions", _TEXT, bold=True)
    texts = [f"• {caution}" for caution in sheet.cautions]
    return [start, *_block(texts, left + 20, _LINE * _TEXT, right - left - 40, _TEXT)]


def _charts(sheet: ReviewSheet, width: int, room: float) -> list[Image.Image]:
    """Draw the charts as wide as the room lets them be."""
    tall = sum(TOP + chart.height(FRAME_WIDTH) + BOTTOM for chart in sheet.charts) / (LEFT + FRAME_WIDTH + RIGHT)
    fitting = width if tall == 0 else min(width, max(_LEAST_CHART, int((room - 8 * len(sheet.charts)) / tall)))
    return [_picture(draw_still(chart, width_px=fitting)) for chart in sheet.charts]


def _picture(content: bytes) -> Image.Image:
    with Image.open(io.BytesIO(content)) as opened:
        return opened.convert("RGB")


def _write(pen: ImageDraw.ImageDraw, lines: Sequence[_Words]) -> int:
    """Write lines, and give where the next block starts."""
    for line in lines:
        base = line.y + _font(font_file(bold=line.bold), line.size, shaped=False).getmetrics()[0]
        x = line.x
        for font, part in _runs(line.text, line.size, bold=line.bold):
            pen.text((x, base), part, fill=line.colour, font=font, anchor="ls")
            x += font.getlength(part)
    return int(lines[-1].y + 2 * lines[-1].size)


def _height(lines: Sequence[_Words]) -> float:
    return lines[-1].y - lines[0].y + _LINE * lines[-1].size


def _fit(lines: list[_Words], floor: float) -> list[_Words]:
    """Leave out what would run off the page, and say so."""
    kept = [line for line in lines if line.y + _LINE * line.size <= floor]
    if len(kept) < len(lines):
        kept[-1] = kept[-1]._replace(text="… more on the page of this sheet.")
    return kept


def _block(
    texts: Sequence[str],
    x: float,
    y: float,
    width: float,
    size: int,
    *,
    bold: bool = False,
    colour: str = THEMES["light"].ink,
) -> list[_Words]:
    """Break texts into lines of a width, each text on a line of its own."""
    lines = []
    for text in texts:
        for part in _wrap(text, width, size, bold=bold):
            lines.append(_Words(x, y, part, size, bold=bold, colour=colour))
            y += _LINE * size
    return lines


def _wrap(text: str, width: float, size: int, *, bold: bool) -> list[str]:
    lines = [""]
    for word in drawable(" ".join(text.split())).split(" "):
        longer = f"{lines[-1]} {word}".lstrip()
        if _length(longer, size, bold=bold) <= width:
            lines[-1] = longer
            continue
        lines += [""] if lines[-1] else []
        for letter in word:  # a word longer than the line is broken
            if _length(lines[-1] + letter, size, bold=bold) > width:
                lines.append("")
            lines[-1] += letter
    return lines


def _length(text: str, size: int, *, bold: bool) -> float:
    return sum(font.getlength(part) for font, part in _runs(text, size, bold=bold))


def _runs(text: str, size: int, *, bold: bool) -> list[tuple[ImageFont.FreeTypeFont, str]]:
    """Split a text where its font changes: the kit's own has most letters, another of the computer's the rest."""
    files = [font_file(bold=bold), *(font.file for font in other_fonts(text))]
    shaped = runs_right_to_left(text)
    if len(files) == 1:
        return [(_font(files[0], size, shaped=shaped), text)]
    runs = groupby(text, lambda letter: next((file for file in files if ord(letter) in letters_of(file)), files[0]))
    return [(_font(file, size, shaped=shaped), "".join(letters)) for file, letters in runs]


@cache
def _font(file: str, size: int, *, shaped: bool) -> ImageFont.FreeTypeFont:
    """Load a font; the kit's own makes the same picture on every machine, save of letters that must be shaped."""
    engine = ImageFont.Layout.RAQM if shaped and features.check("raqm") else ImageFont.Layout.BASIC
    return ImageFont.truetype(file, size, layout_engine=engine)
