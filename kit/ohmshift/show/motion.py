"""The response while the resistance rises: a short film without flicker, and a picture of before and after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import av
import matplotlib as mpl
import numpy as np
from av.video.reformatter import Colorspace
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ohmshift.chain.prediction import predict_change
from ohmshift.curves.grids import pick_channel
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.evidence.repeats import default_bands
from ohmshift.evidence.wording import name_frequency
from ohmshift.show.charts import Chart, Line
from ohmshift.show.drawings import ohms
from ohmshift.show.fonts import say_boxes
from ohmshift.show.frames import SIZES, TEXT_SIZE, fit_chart
from ohmshift.show.looks import THEMES
from ohmshift.show.stills import DPI, STYLE, draw_sheet
from ohmshift.study.impedances import know_impedance

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt
    from matplotlib.artist import Artist

    from ohmshift.curves.values import ResponseSet
    from ohmshift.show.looks import Theme
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

FRAMES_A_SECOND = 25
HOLD_S, RISE_S, REST_S = 1.4, 8.0, 2.6
"""How long the film stands at no resistance, rises, and stands at the largest [s]."""

_STEPS = round(RISE_S * FRAMES_A_SECOND)
_KNEE_OHM = 10.0
_STRIP = 0.1
_COUNT_PX = 19.0
_LEAST_DB = 0.05
_STEP_DB = 5.0
_ROOM_DB = 2.0
_QUALITY = {"crf": "18", "preset": "veryfast", "threads": "1"}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sweep:
    """A response while the resistance rises, level apart.

    Parameters
    ----------
    label : str
        The earphone.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    without_db : ndarray, shape (n,)
        Measured without added resistance, less its level from 200 Hz to 2 kHz [dB].
    added_ohm : ndarray, shape (k,)
        Resistances, rising from 0 [ohm].
    with_db : ndarray, shape (k, n)
        Predicted with each of them, less its own level [dB].
    level_drop_db : ndarray, shape (k,)
        How the level changed [dB].
    origin : str
        Where the impedance behind the prediction comes from.
    measured_db : ndarray, shape (n,)
        Measured with the largest of the resistances, less its level [dB].
    """

    label: str
    frequency_hz: FloatArray
    without_db: FloatArray
    added_ohm: FloatArray
    with_db: FloatArray
    level_drop_db: FloatArray
    origin: str
    measured_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "without_db", "added_ohm", "with_db", "level_drop_db", "measured_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def sentence(self) -> str:
        """The film in words."""
        return (
            f"{self.label}: the response, level apart, while the added resistance rises from 0 to "
            f"{ohms(self.added_ohm[-1])}. By then it is {abs(self.level_drop_db[-1]):.1f} dB quieter, and apart from "
            f"that it has changed by {self.say_most(self.with_db[-1])}. Predicted by the voltage divider; impedance "
            f"{self.origin}."
        )

    def say_most(self, level_db: FloatArray) -> str:
        """Say how much a response differs most from the one without, in third octaves as the verdict counts.

        Parameters
        ----------
        level_db : ndarray, shape (n,)
            A response at the same frequencies, less its level [dB].

        Returns
        -------
        str
            Such as "up to +2.1 dB, at 5 kHz".
        """
        bands = default_bands()
        change_db = np.nan_to_num(band_levels(self.frequency_hz, level_db - self.without_db, bands))
        i = int(np.argmax(np.abs(change_db)))
        if abs(change_db[i]) < _LEAST_DB:
            return f"less than {_LEAST_DB:g} dB in every third octave"
        return f"up to {change_db[i]:+.1f} dB, at {name_frequency(float(bands.mid_hz[i]))}"


def sweep_resistance(study: Study, comparison: StudyComparison, earphone: str) -> Sweep | None:
    """Predict an earphone's response up to the largest resistance that it was measured with.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    earphone : str
        The earphone.

    Returns
    -------
    Sweep or None
        None where its impedance is neither measured nor can be recovered, or where it was compared at no resistance.

    Raises
    ------
    StudyError
        No such earphone.
    """
    resistances = comparison.resistances(earphone)
    known = know_impedance(study, comparison, earphone)
    if not resistances or known.impedance is None:
        return None
    without = comparison.aligned[earphone, 0.0]
    steps = _rise(resistances[-1])
    predicted = [predict_change(known.impedance, added_ohm=ohm, source_ohm=without.source_ohm) for ohm in steps]
    largest = comparison.aligned[earphone, resistances[-1]]
    f = predicted[0].frequency_hz
    inside = (f >= max(without.frequency_hz[0], largest.frequency_hz[0])) & (
        f <= min(without.frequency_hz[-1], largest.frequency_hz[-1])
    )
    f = f[inside]
    base = _level_apart(without, f)
    return Sweep(
        label=earphone,
        frequency_hz=f,
        without_db=base,
        added_ohm=steps,
        with_db=np.array([base + change.tonal_change_db[inside] for change in predicted]),
        level_drop_db=np.array([change.level_drop_db for change in predicted]),
        origin=known.origin,
        measured_db=_level_apart(largest, f),
    )


def draw_pair(sweep: Sweep) -> tuple[Chart, Chart]:
    """Chart a response before and after, on the same axes.

    Parameters
    ----------
    sweep : Sweep
        The response while the resistance rises.

    Returns
    -------
    before, after : Chart
        Without the resistance; and with it as measured, beside the one without.
    """
    f, largest = sweep.frequency_hz, ohms(sweep.added_ohm[-1])
    first = Line(x=f, y=sweep.without_db, label="without", colour=0, width=3.0, dash="solid")
    last = Line(x=f, y=sweep.measured_db, label=f"with {largest}", colour=1, width=3.0, dash="solid")
    faint = Line(x=f, y=sweep.without_db, label="without", colour=0, width=2.0, dash="dashed")
    not_yet = Line(x=f, y=np.full(f.size, np.nan), label=f"with {largest}", colour=1)
    before = f"{sweep.label} as measured without added resistance, level apart."
    said = (
        f"{sweep.label} as measured without and with {largest}, level apart: it changed by "
        f"{sweep.say_most(sweep.measured_db)}."
    )
    return (
        _chart(sweep, f"{sweep.label} without added resistance", before, (first, not_yet)),
        _chart(sweep, f"{sweep.label} with {largest} added, level apart", said, (faint, last)),
    )


def write_motion(
    sweep: Sweep, path: Path, *, size_px: tuple[int, int] = SIZES[0], theme: Theme = "dark"
) -> tuple[Path, Path]:
    """Write the film, and its description in words beside it.

    Parameters
    ----------
    sweep : Sweep
        What to show.
    path : Path
        The file to write, MP4.
    size_px : tuple of int
        Width and height [px], both even.
    theme : {"light", "dark"}
        Colours.

    Returns
    -------
    film, words : Path
        H.264 video at 25 frames a second; and a text file of the same name. The same sweep gives the same bytes with
        the same encoder.

    Notes
    -----
    Only the curve and two numbers move, for 8 s, between two pauses. Nothing flashes (WCAG 2.3.1 allows three flashes
    a second; here brightness never jumps).
    """
    words = path.with_suffix(".txt")
    words.write_text(f"{sweep.sentence} {say_boxes(sweep.label)}".strip() + "\n", encoding="utf-8", newline="\n")
    with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"}) as film:
        stream = film.add_stream("libx264", rate=FRAMES_A_SECOND, options=dict(_QUALITY))
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.codec_context.colorspace = Colorspace.ITU709
        shown = 0
        for pixels, count in film_frames(sweep, size_px=size_px, theme=theme):
            picture = av.VideoFrame.from_ndarray(pixels, format="rgb24")
            picture = picture.reformat(format="yuv420p", dst_colorspace=Colorspace.ITU709)
            for _ in range(count):
                picture.pts, shown = shown, shown + 1
                film.mux(stream.encode(picture))
        film.mux(stream.encode(None))
    return path, words


def film_frames(
    sweep: Sweep, *, size_px: tuple[int, int] = SIZES[0], theme: Theme = "dark"
) -> Iterator[tuple[npt.NDArray[np.uint8], int]]:
    """Draw the frames of the film.

    Parameters
    ----------
    sweep : Sweep
        What to show.
    size_px : tuple of int
        Width and height [px].
    theme : {"light", "dark"}
        Colours.

    Yields
    ------
    pixels : ndarray of uint8, shape (height, width, 3)
        A frame.
    count : int
        How many frames long it stands.
    """
    width, height = size_px
    strip_px = round(_STRIP * height)
    lines = (
        Line(x=sweep.frequency_hz, y=sweep.without_db, label="without", colour=0, width=2.0, dash="dashed"),
        Line(x=sweep.frequency_hz, y=sweep.with_db[-1], label="with", colour=1, width=3.4, dash="solid"),
    )
    chart = _chart(sweep, f"{sweep.label}: response, level apart", sweep.sentence, lines)
    chart = fit_chart(chart, shape=width / (height - strip_px))
    holds = {0: round(HOLD_S * FRAMES_A_SECOND), sweep.added_ohm.size - 1: round(REST_S * FRAMES_A_SECOND)}
    with mpl.rc_context(STYLE):
        _, sheet = draw_sheet([chart], width_px=width, height_px=height - strip_px, theme=theme, text_size=TEXT_SIZE)
        strip = Figure(figsize=((width + 0.01) / sheet.dpi, (strip_px + 0.01) / sheet.dpi), dpi=sheet.dpi)
        strip.set_facecolor(sheet.get_facecolor())
        moving = next(line for line in sheet.axes[0].lines if np.array_equal(line.get_ydata(), chart.lines[1].y))
        counter = strip.text(
            0.11, 0.6, "", color=THEMES[theme].ink, fontsize=_COUNT_PX * 72 / DPI, fontweight="bold", va="center"
        )
        above, below = _Moving(sheet, moving), _Moving(strip, counter)
    for i, ohm in enumerate(sweep.added_ohm):
        moving.set_ydata(sweep.with_db[i])
        counter.set_text(_count(sweep, i, float(ohm)))
        yield np.concatenate([above.draw(), below.draw()]), holds.get(i, 1)


class _Moving:
    """A sheet of which one part moves: the rest is drawn once."""

    def __init__(self, sheet: Figure, part: Artist) -> None:
        self.canvas = cast("Any", FigureCanvasAgg(sheet))  # it carries no types
        self.part = part
        part.set_animated(True)
        self.canvas.draw()
        self.still = self.canvas.copy_from_bbox(sheet.bbox)

    def draw(self) -> npt.NDArray[np.uint8]:
        """Give the pixels as they are now, shape (height, width, 3)."""
        self.canvas.restore_region(self.still)
        self.part.draw(self.canvas.get_renderer())
        return np.asarray(self.canvas.buffer_rgba())[:, :, :3]


def _count(sweep: Sweep, i: int, ohm: float) -> str:
    drop = f"{round(float(sweep.level_drop_db[i]), 1) + 0.0:.1f}".replace("-", "−")
    return f"{ohm:.0f} of {sweep.added_ohm[-1]:g} ohm added    level {drop} dB"


def _chart(sweep: Sweep, title: str, alt_text: str, lines: tuple[Line, ...]) -> Chart:
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label="Level re 0.2 to 2 kHz",
        y_unit="dB",
        y_range=_reach(sweep),
        lines=lines,
    )


def _reach(sweep: Sweep) -> tuple[float, float]:
    """Give a range that holds every position of the curve, so that the axis stands still."""
    low = min(sweep.with_db.min(), sweep.without_db.min(), sweep.measured_db.min()) - _ROOM_DB
    high = max(sweep.with_db.max(), sweep.without_db.max(), sweep.measured_db.max()) + _ROOM_DB
    return (_STEP_DB * float(np.floor(low / _STEP_DB)), _STEP_DB * float(np.ceil(high / _STEP_DB)))


def _rise(most_ohm: float) -> FloatArray:
    """Give resistances that rise slowly at first and at the end, evenly in between on a scale like the ear's."""
    t = np.linspace(0.0, 1.0, _STEPS)
    gentle = t * t * (3 - 2 * t)
    knee = min(_KNEE_OHM, most_ohm)
    return np.asarray(knee * np.expm1(gentle * np.log1p(most_ohm / knee)))


def _level_apart(responses: ResponseSet, frequency_hz: FloatArray) -> FloatArray:
    """Average over seats, then over channels, take the level off, and give the values at other frequencies."""
    channels = dict.fromkeys(responses.channel)
    level_db = np.mean([pick_channel(responses, name).level_db.mean(axis=0) for name in channels], axis=0)
    level_db = level_db - mean_levels(responses.frequency_hz, level_db, low_hz=[200.0], high_hz=[2000.0])
    return np.asarray(np.interp(np.log(frequency_hz), np.log(responses.frequency_hz), level_db))
