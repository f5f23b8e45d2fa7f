"""How a curve is read off a picture, as one settings value, and the boxes that edit it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import ipywidgets as widgets

from ohmshift.show.panels.base import choice
from ohmshift.study.picture_axes import AxisScale, Calibration, PictureAxis
from ohmshift.study.published_rows import TracedAxis

if TYPE_CHECKING:
    from ohmshift.study.published_rows import Tracing

_KILOHERTZ = 1000.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TraceSettings:
    """How a curve is read off a picture.

    Parameters
    ----------
    picture : str
        File in published/.
    x_first_px, x_second_px : float
        Two points of the frequency axis [px from the left].
    x_first_hz, x_second_hz : float
        Their frequencies [Hz].
    x_scale : {"log", "linear"}
        Frequency axis.
    y_first_px, y_second_px : float
        Two points of the level axis [px from the top].
    y_first_db, y_second_db : float
        Their levels [dB].
    y_scale : {"linear", "log"}
        Level axis.
    colour : str
        Colour of the line, as #0072b2.
    corrections : str
        Points that the line passes through, as "x y; x y" [px].
    """

    picture: str
    x_first_px: float = 100.0
    x_second_px: float = 1000.0
    x_first_hz: float = 20.0
    x_second_hz: float = 20_000.0
    x_scale: AxisScale = "log"
    y_first_px: float = 500.0
    y_second_px: float = 100.0
    y_first_db: float = 60.0
    y_second_db: float = 110.0
    y_scale: AxisScale = "linear"
    colour: str = "#0000ff"
    corrections: str = ""

    def calibration(self) -> Calibration:
        """Give both axes.

        Returns
        -------
        Calibration
            From pixels to values.
        """
        return Calibration(
            x=PictureAxis(
                name="frequency",
                first_px=self.x_first_px,
                first_value=self.x_first_hz,
                second_px=self.x_second_px,
                second_value=self.x_second_hz,
                scale=self.x_scale,
            ),
            y=PictureAxis(
                name="level",
                first_px=self.y_first_px,
                first_value=self.y_first_db,
                second_px=self.y_second_px,
                second_value=self.y_second_db,
                scale=self.y_scale,
            ),
        )

    def points(self) -> tuple[tuple[float, float], ...]:
        """Give the corrections that are written as two numbers.

        Returns
        -------
        tuple of (x, y)
            Points [px].
        """
        found = []
        for part in self.corrections.split(";"):
            numbers = part.replace(",", " ").split()
            try:
                x, y = (float(number) for number in numbers)
            except ValueError:
                continue
            found.append((x, y))
        return tuple(found)

    def marks(self) -> list[tuple[float, float, str]]:
        """Give the points of both axes, to draw over the picture.

        Returns
        -------
        list of (x, y, text)
            Points [px], each with what it stands for.
        """
        return [
            (self.x_first_px, self.y_first_px, f"{_hertz(self.x_first_hz)}, {self.y_first_db:g} dB"),
            (self.x_second_px, self.y_first_px, _hertz(self.x_second_hz)),
            (self.x_first_px, self.y_second_px, f"{self.y_second_db:g} dB"),
        ]


def _hertz(frequency_hz: float) -> str:
    """Write a frequency that somebody typed; it may be none yet."""
    return f"{frequency_hz / 1000:g} kHz" if frequency_hz >= _KILOHERTZ else f"{frequency_hz:g} Hz"


def settings_of_tracing(tracing: Tracing) -> TraceSettings:
    """Give the settings that a saved tracing was made with.

    Parameters
    ----------
    tracing : Tracing
        The tracing.

    Returns
    -------
    TraceSettings
        Those.
    """
    x, y = tracing.frequency_axis, tracing.level_axis
    return TraceSettings(
        picture=tracing.picture,
        x_first_px=x.first_px,
        x_first_hz=x.first_value,
        x_second_px=x.second_px,
        x_second_hz=x.second_value,
        x_scale=x.scale,
        y_first_px=y.first_px,
        y_first_db=y.first_value,
        y_second_px=y.second_px,
        y_second_db=y.second_value,
        y_scale=y.scale,
        colour=tracing.colour,
        corrections="; ".join(f"{point[0]:.1f} {point[1]:.1f}" for point in tracing.corrections),
    )


def traced_axis(axis: PictureAxis) -> TracedAxis:
    """Give an axis as a tracing keeps it.

    Parameters
    ----------
    axis : PictureAxis
        The axis.

    Returns
    -------
    TracedAxis
        The same.
    """
    return TracedAxis(
        first_px=axis.first_px,
        first_value=axis.first_value,
        second_px=axis.second_px,
        second_value=axis.second_value,
        scale=axis.scale,
    )


def trace_controls(names: list[str]) -> dict[str, Any]:
    """Give one control a field: boxes that take numbers from the keyboard.

    Parameters
    ----------
    names : list of str
        Pictures.

    Returns
    -------
    dict of str to widget
        By field.
    """
    left, top = "From the picture's left edge.", "From the picture's upper edge."
    return {
        "picture": choice("Picture", names, help_text="A picture in published/."),
        "x_first_px": _number("1st frequency at", "px", left),
        "x_first_hz": _number("is", "Hz", "Frequency of that point."),
        "x_second_px": _number("2nd frequency at", "px", left),
        "x_second_hz": _number("is", "Hz", "Frequency of that point."),
        "x_scale": _scale("Frequency"),
        "y_first_px": _number("1st level at", "px", top),
        "y_first_db": _number("is", "dB", "Level of that point."),
        "y_second_px": _number("2nd level at", "px", top),
        "y_second_db": _number("is", "dB", "Level of that point."),
        "y_scale": _scale("Level"),
        "colour": widgets.ColorPicker(
            description="Colour of the line", style={"description_width": "150px"}, layout={"width": "270px"}
        ),
        "corrections": widgets.Text(
            description="Corrections (px)",
            placeholder="x y; x y",
            tooltip="Points that the line passes through, as x y; x y. Unit: px from the left and from the top.",
            continuous_update=False,
            style={"description_width": "150px"},
            layout={"width": "720px"},
        ),
    }


def _number(text: str, unit: str, help_text: str) -> widgets.FloatText:
    return widgets.FloatText(
        description=f"{text} ({unit})",
        tooltip=f"{help_text} Unit: {unit}.",
        step=0.5 if unit == "px" else 1.0,
        style={"description_width": "150px"},
        layout={"width": "270px"},
    )


def _scale(text: str) -> widgets.Dropdown:
    return widgets.Dropdown(
        options=["log", "linear"],
        description=text,
        tooltip=f"{text}: logarithmic or linear",
        style={"description_width": "90px"},
        layout={"width": "190px"},
    )


def lay_out(controls: dict[str, Any]) -> tuple[widgets.Widget, ...]:
    """Put the boxes of a point side by side.

    Parameters
    ----------
    controls : dict of str to widget
        One a field.

    Returns
    -------
    tuple of widget
        Rows, top to bottom.
    """
    axes: tuple[Literal["x", "y"], ...] = ("x", "y")
    rows: list[widgets.Widget] = [controls["picture"]]
    for axis, unit in zip(axes, ("hz", "db"), strict=True):
        rows.append(
            widgets.HBox([controls[f"{axis}_first_px"], controls[f"{axis}_first_{unit}"], controls[f"{axis}_scale"]])
        )
        rows.append(widgets.HBox([controls[f"{axis}_second_px"], controls[f"{axis}_second_{unit}"]]))
    return (*rows, controls["colour"], controls["corrections"])
