"""Read a curve off a picture of a chart: calibrate two axes, choose a line, correct it, and save how it was done."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets
import numpy as np
import pandas as pd

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.curves.smoothing import band_levels
from ohmshift.errors import OhmshiftError
from ohmshift.show.agreement_charts import draw_traced, empty_chart
from ohmshift.show.live import summary_line
from ohmshift.show.panels.base import Draft, Panel, View, button
from ohmshift.show.panels.trace_settings import (
    TraceSettings,
    lay_out,
    settings_of_tracing,
    trace_controls,
    traced_axis,
)
from ohmshift.show.picture_figure import Overlay, PictureFigure
from ohmshift.study.findings import Quantity
from ohmshift.study.pictures import ENDINGS, Picture, pick_colour, read_picture
from ohmshift.study.published_rows import TRACING, Tracing
from ohmshift.study.tracing import TracedCurve, colour_name, trace_curve
from ohmshift.study.tracings import read_tracing, save_tracing
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.study.folder import Study

NO_PICTURE = "no picture yet"

CLICKS = (
    "look",
    "1st frequency",
    "2nd frequency",
    "1st level",
    "2nd level",
    "the line",
    "add a correction",
    "take one out",
)
"""What a click on the picture does."""

_EMPTY = (
    "No picture yet: save a chart as PNG or JPEG, put it into published/, and run this notebook again (menu Run, Run "
    "All Cells)."
)
_HEX = re.compile("#[0-9a-f]{6}")
_NEAR_PX = 25.0


class TracePanel(Panel[TraceSettings]):
    """Trace a curve by clicks or by numbers.

    Parameters
    ----------
    study : Study
        The study, with pictures in published/.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.folder: Path = study.folder / "published"
        names = _pictures(self.folder) or [NO_PICTURE]
        settings = self._opening(names[0])
        self.click = widgets.ToggleButtons(
            options=CLICKS,
            description="A click means",
            style={"button_width": "auto", "description_width": "110px"},
            tooltips=[f"A click on the picture sets: {name}" for name in CLICKS],
        )
        self.canvas = PictureFigure(self._on_tap, self._on_points)
        super().__init__(self._view, settings, trace_controls(names))
        self.saving = SaveTracing(self)
        settle, summary, figure, drawer = tuple(getattr(self, "children"))  # noqa: B009 - typed as nothing known
        rows = lay_out(self.controls)
        settle.children = (*rows, settle.children[-1])
        self.children = (settle, self.click, self.canvas, summary, figure, self.saving, drawer)
        self._paint()

    def saved(self, name: str) -> Tracing | None:
        """Find a tracing that was saved for a picture.

        Parameters
        ----------
        name : str
            The picture.

        Returns
        -------
        Tracing or None
            The first by the name of its file.
        """
        for path in sorted(self.folder.glob(f"*{TRACING}")) if self.folder.is_dir() else []:
            try:
                tracing = read_tracing(path)
            except OhmshiftError:
                continue
            if tracing.picture == name:
                return tracing
        return None

    def _opening(self, name: str) -> TraceSettings:
        """Give the settings of a tracing that was saved for a picture, or a guess from its size."""
        tracing = self.saved(name)
        if tracing is not None:
            return settings_of_tracing(tracing)
        try:
            picture = self._picture(name)
        except OhmshiftError:
            return TraceSettings(picture=name)
        return TraceSettings(
            picture=name,
            x_first_px=round(0.1 * picture.width),
            x_second_px=round(0.95 * picture.width),
            y_first_px=round(0.9 * picture.height),
            y_second_px=round(0.1 * picture.height),
        )

    @lru_cache(maxsize=8)  # noqa: B019 - a panel lives as long as its notebook
    def _picture(self, name: str) -> Picture:
        return read_picture(self.folder / name, source=f"published/{name}")

    @property
    def line(self) -> TracedCurve | None:
        """The curve as the settings stand; None where they make none."""
        try:
            return self.traced(self.settings)
        except OhmshiftError:
            return None

    @lru_cache(maxsize=32)  # noqa: B019
    def traced(self, settings: TraceSettings) -> TracedCurve:
        """Trace by some settings.

        Parameters
        ----------
        settings : TraceSettings
            The settings.

        Returns
        -------
        TracedCurve
            The curve.

        Raises
        ------
        OhmshiftError
            A picture, an axis or a colour that makes no curve.
        """
        colour = settings.colour if _HEX.fullmatch(settings.colour) else "#000000"
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        picture = self._picture(settings.picture)
        return trace_curve(picture, settings.calibration(), (red, green, blue), corrections=settings.points())

    def _view(self, settings: TraceSettings) -> View:
        if settings.picture == NO_PICTURE:
            return _nothing(_EMPTY)
        try:
            line = self.traced(settings)
        except OhmshiftError as error:
            return _nothing(f"Not traced. {error}.")
        f, reading = line.response.frequency_hz, line.reading_db
        middle = (f > 100) & (f < 5000)  # noqa: PLR2004 - the region judged first
        typical = float(np.median(reading[middle] if middle.any() else reading))
        sentence = (
            f"{settings.picture}: a line {line.line_px:.1f} pixels wide, {f[0]:.0f} Hz to {f[-1]:.0f} Hz, "
            f"{line.response.level_db.min():.1f} to {line.response.level_db.max():.1f} dB; standard uncertainty of "
            f"reading {typical:.2f} dB from 100 Hz to 5 kHz, up to {reading.max():.1f} dB. "
            f"Corrections: {len(settings.points())}.{''.join(f' {text}.' for text in line.caveats)}"
        )
        return View(
            charts=(draw_traced(line, ends_db=(settings.y_first_db, settings.y_second_db), alt_text=sentence),),
            sentence=sentence,
            table=_table(line),
            draft=Draft(
                statement=sentence,
                quantities=(Quantity(name="reading error, 100 Hz to 5 kHz", value=typical, unit="dB"),),
                data={line.response.provenance.source: line.response.provenance.sha256},
                caveats=line.caveats,
            ),
        )

    def _set(self, settings: TraceSettings) -> None:
        another = settings.picture != self.settings.picture
        super()._set(self._opening(settings.picture) if another else settings)
        if another:
            self.saving.fill()
        self._show_settings()
        self._paint()

    def _paint(self) -> None:
        """Draw over the picture what the settings say."""
        settings = self.settings
        try:
            picture = self._picture(settings.picture)
        except OhmshiftError:
            return
        empty = np.empty(0)
        line = self.line
        x_px, y_px = (empty, empty) if line is None else (line.x_px, line.y_px)
        overlay = Overlay(x_px=x_px, y_px=y_px, points=settings.points(), marks=settings.marks())
        self.canvas.show_picture(picture, overlay, spoken=self.view.sentence)

    def _on_tap(self, x: float, y: float) -> None:
        mode, settings = self.click.value, self.settings
        fields = {"1st frequency": "x_first_px", "2nd frequency": "x_second_px"}
        fields |= {"1st level": "y_first_px", "2nd level": "y_second_px"}
        if mode in fields:
            moved: dict[str, Any] = {fields[mode]: round(x if "frequency" in mode else y, 2)}
            self._move_to(replace(settings, **moved))
        elif mode == "the line":
            try:
                colour = colour_name(pick_colour(self._picture(settings.picture), x, y))
            except OhmshiftError:
                return
            self._move_to(replace(settings, colour=colour))
        elif mode == "add a correction":
            self._on_points([*settings.points(), (x, y)])
            return
        elif mode == "take one out":
            points = list(settings.points())
            far = [float(np.hypot(x - point[0], y - point[1])) for point in points]
            if far and min(far) < _NEAR_PX:
                del points[int(np.argmin(far))]
                self._on_points(points)
            return
        if mode in CLICKS[1:5]:
            self.click.value = CLICKS[CLICKS.index(mode) + 1]

    def _on_points(self, points: list[tuple[float, float]]) -> None:
        text = "; ".join(f"{x:.1f} {y:.1f}" for x, y in sorted(points))
        if sorted(points) != sorted(self.settings.points()):
            self._move_to(replace(self.settings, corrections=text))

    def _move_to(self, settings: TraceSettings) -> None:
        """Take over settings that came from the picture, so that Undo takes them back."""
        self._before.append(self.settings)
        self._last_move = ("", 0.0)
        self._set(settings)


class SaveTracing(widgets.VBox):  # type: ignore[misc]
    """Say what a traced curve is, and save how it is read off.

    Parameters
    ----------
    panel : TracePanel
        The panel whose tracing is saved.
    """

    def __init__(self, panel: TracePanel) -> None:
        self.panel = panel
        wide = {"description_width": "110px"}
        self.party = widgets.Text(style=wide, description="Party", tooltip="Who published the chart.")
        self.earphone = widgets.Combobox(
            style=wide,
            description="Model",
            options=list(panel.study.names),
            tooltip="The model, as your study spells it.",
        )
        self.added_ohm = widgets.BoundedFloatText(
            style=wide,
            value=33.0,
            min=0.001,
            max=1e6,
            description="Added (ohm)",
            tooltip="Resistance that they added. Unit: ohm.",
        )
        self.source_ohm = widgets.BoundedFloatText(
            style=wide,
            value=0.0,
            min=0.0,
            max=1e6,
            description="Source (ohm)",
            tooltip="Their amplifier and cable. Unit: ohm.",
        )
        self.shows = widgets.Dropdown(
            style=wide, options=["without", "with", "change"], description="Shows", tooltip="What this curve is."
        )
        self.save = button("Save the tracing", "Write how this curve is read into published/", self._on_save)
        self.status = summary_line("Nothing saved from here yet.")
        first = widgets.HBox([self.party, self.earphone, self.shows])
        second = widgets.HBox([self.added_ohm, self.source_ohm, self.save])
        super().__init__([first, second, self.status])
        self.fill()

    def fill(self) -> None:
        """Take over what is known of the panel's picture from a tracing that was saved for it."""
        tracing = self.panel.saved(self.panel.settings.picture)
        if tracing is not None:
            for name in ("party", "earphone", "added_ohm", "source_ohm", "shows"):
                getattr(self, name).value = getattr(tracing, name)

    def tracing(self) -> Tracing:
        """Give what would be saved.

        Returns
        -------
        Tracing
            How the curve is read, and what it is.
        """
        settings = self.panel.settings
        return Tracing(
            picture=settings.picture,
            sha256=self.panel._picture(settings.picture).provenance.sha256,
            party=self.party.value.strip(),
            earphone=self.earphone.value.strip(),
            added_ohm=self.added_ohm.value,
            source_ohm=self.source_ohm.value,
            shows=self.shows.value,
            frequency_axis=traced_axis(settings.calibration().x),
            level_axis=traced_axis(settings.calibration().y),
            colour=settings.colour,
            corrections=settings.points(),
        )

    def _on_save(self) -> None:
        if self.panel.line is None or not (self.party.value.strip() and self.earphone.value.strip()):
            self._say("Not saved. A tracing needs a traced line, a party and a model; fill them in.")
            return
        try:
            path = save_tracing(self.panel.study.folder, self.tracing())
        except (OhmshiftError, OSError) as error:
            self._say(f"Not saved. {error}")
            return
        self._say(f'Saved as published/{path.name}. Press "Read published/ again" below to check it.')

    def _say(self, text: str) -> None:
        self.status.value = summary_line(text).value


def _pictures(folder: Path) -> list[str]:
    found = sorted(folder.iterdir()) if folder.is_dir() else []
    return [path.name for path in found if path.suffix.lower() in ENDINGS and path.is_file()]


def _table(line: TracedCurve) -> pd.DataFrame:
    bands = fractional_octave_bands(3)
    f = line.response.frequency_hz
    table = pd.DataFrame(
        {
            "Frequency (Hz)": [nominal_frequency(value) for value in bands.mid_hz],
            "level (dB)": band_levels(f, line.response.level_db, bands).round(1) + 0.0,
            "reading error (dB)": np.sqrt(band_levels(f, line.reading_db**2, bands)).round(2),
        }
    )
    return table.dropna().reset_index(drop=True)


def _nothing(sentence: str) -> View:
    chart = empty_chart("The curve read off the picture", sentence)
    return View(charts=(chart,), sentence=sentence, table=pd.DataFrame({"why": [sentence]}))
