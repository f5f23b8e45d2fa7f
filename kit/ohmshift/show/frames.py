"""Charts for a video: 16 to 9, words as large as subtitles, on a light, a dark or no ground."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, get_args

from ohmshift.show.axes import DB_PER_DECADE
from ohmshift.show.fonts import say_boxes
from ohmshift.show.looks import Ground
from ohmshift.show.room import make_room, page_width
from ohmshift.show.stills import draw_still

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.show.charts import Chart
    from ohmshift.show.stills import PictureFormat

SIZES: tuple[tuple[int, int], ...] = ((1920, 1080), (3840, 2160))
"""Width and height of the stills [px]."""

TEXT_SIZE = 1.4
"""How much larger than on the screens words are: 48 px in a picture 1080 px high, as large as subtitles."""

SHAPE = 16 / 9
"""Width over height."""

_TALL_ENOUGH = 0.9


def fit_chart(chart: Chart, *, text_size: float = TEXT_SIZE, shape: float = SHAPE) -> Chart:
    """Choose the proportion at which a chart fills a picture best.

    Parameters
    ----------
    chart : Chart
        Any chart.
    text_size : float
        How much larger than on the screens words are.
    shape : float
        Width of the picture over its height.

    Returns
    -------
    Chart
        The same values at the largest magnification of IEC 60263 that fits; as it is where it has no proportion.
    """
    if chart.db_per_decade is None:
        return chart
    for ratio in DB_PER_DECADE:
        wanted = replace(chart, db_per_decade=ratio)
        (room,) = make_room([wanted], text_size=text_size)
        space = page_width(text_size) / shape - room.top - room.bottom
        if _TALL_ENOUGH * wanted.height(room.width) <= space:
            return wanted
    return replace(chart, db_per_decade=DB_PER_DECADE[-1])


def draw_frame(
    chart: Chart,
    *,
    size_px: tuple[int, int] = SIZES[0],
    format: PictureFormat = "png",  # noqa: A002 - the usual word for it
    theme: Ground = "light",
) -> bytes:
    """Draw a chart as a still for a video.

    Parameters
    ----------
    chart : Chart
        The chart, with the same values as on the screens.
    size_px : tuple of int
        Width and height [px].
    format : {"png", "svg"}
        File format.
    theme : {"light", "dark", "transparent"}
        Ground and colours.

    Returns
    -------
    bytes
        Content of the file; the same chart gives the same bytes.

    Raises
    ------
    CurveError
        A picture too low for the chart.
    """
    width, height = size_px
    return draw_still(
        fit_chart(chart), width_px=width, height_px=height, format=format, theme=theme, text_size=TEXT_SIZE
    )


def write_frames(chart: Chart, folder: Path, stem: str) -> list[Path]:
    """Write a chart in all sizes, formats and grounds, with its alternative text beside it.

    Parameters
    ----------
    chart : Chart
        The chart.
    folder : Path
        Folder to write into; made where it is not there.
    stem : str
        How the files' names begin.

    Returns
    -------
    list of Path
        Stem, ground and height: ``stem_dark_1080.png``; ``stem_dark.svg``; ``stem.txt`` for the alternative text.
    """
    folder.mkdir(parents=True, exist_ok=True)
    contents: dict[str, bytes] = {}
    for ground in get_args(Ground):
        for size in SIZES:
            contents[f"{stem}_{ground}_{size[1]}.png"] = draw_frame(chart, size_px=size, theme=ground)
        contents[f"{stem}_{ground}.svg"] = draw_frame(chart, format="svg", theme=ground)
    contents[f"{stem}.txt"] = f"{chart.alt_text} {say_boxes(chart.title)}".strip().encode() + b"\n"
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in contents]
