"""What the list of published curves and a saved tracing may hold."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from ohmshift.study.rows import Number, Row, Rule, Text, Whole, keep_inside

LIST = "published/published.csv"
"""The list of published curves and tables, in a study."""

TRACING = ".trace.json"
"""Ending of a saved tracing of a picture."""

Shows = Literal["change", "without", "with"]

_Added = Annotated[
    Number,
    Field(gt=0),
    Rule(rule="it must be a number of ohms above 0, up to 1e9", mend="write what was added, such as 33"),
]
_Source = Annotated[
    Number,
    Field(ge=0),
    Rule(rule="it must be a number of ohms, 0 to 1e9", mend="write their amplifier and cable together"),
]
_Shows = Annotated[
    Shows, Rule(rule="a curve shows the change, or the response without, or with", mend="write change, without or with")
]
_Seats = Annotated[
    Whole, Rule(rule="it must be a whole number, 1 to 999", mend="write how many seats it is the mean of")
]
_Error = Annotated[
    Number,
    Field(ge=0, le=100),
    Rule(rule="it must be a number of decibels, 0 to 100", mend="half the last digit is common"),
]


class PublishedRow(Row):
    """One row of published/published.csv: a curve or a table that somebody published.

    Parameters
    ----------
    file : str
        File in published/, any text format that a response may have.
    party : str
        Who published it.
    earphone : str
        The model.
    added_ohm : float
        Resistance they added [ohm].
    source_ohm : float
        Their amplifier and cable together [ohm]; 0 where they do not say.
    shows : {"change", "without", "with"}
        What the file holds; "without" and "with" of one party, earphone and resistance belong together.
    seats : int
        Seats that it is the mean of; 1 where they do not say.
    error_db : float
        Standard uncertainty of its numbers, such as rounding [dB].
    notes : str
        Anything else.
    """

    file: Text
    party: Text
    earphone: Text
    added_ohm: _Added
    source_ohm: _Source = 0.0
    shows: _Shows = "change"
    seats: _Seats = 1
    error_db: _Error = 0.0
    notes: str = ""

    @field_validator("file")
    @classmethod
    def _stays_inside(cls, value: str) -> str:
        return keep_inside(value, folder="published/", mend="copy the file into published/, and write its name alone")


class TracedAxis(BaseModel):
    """Two points of an axis, as a saved tracing holds them.

    Parameters
    ----------
    first_px, second_px : float
        Where they lie [px].
    first_value, second_value : float
        What they stand for [Hz or dB].
    scale : {"log", "linear"}
        How values go with pixels.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    first_px: Number
    second_px: Number
    first_value: Number
    second_value: Number
    scale: Literal["log", "linear"]


class Tracing(BaseModel):
    """A saved tracing: how one curve is read off a picture, and what it is.

    Parameters
    ----------
    picture : str
        File in published/.
    sha256 : str
        Hash of its bytes, in hexadecimal.
    party, earphone : str
        Who published it, and the model.
    added_ohm, source_ohm : float
        Resistance added, and their amplifier and cable together [ohm].
    shows : {"change", "without", "with"}
        What the curve is.
    seats : int
        Seats that it is the mean of.
    frequency_axis, level_axis : TracedAxis
        The calibration.
    colour : str
        Colour of the line, as #0072b2.
    corrections : tuple of (x, y)
        Points that it passes through [px].
    notes : str
        Anything else.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    picture: Annotated[str, Field(pattern=r"^[^/\\]+$")]
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    party: Text
    earphone: Text
    added_ohm: _Added
    source_ohm: _Source = 0.0
    shows: _Shows
    seats: _Seats = 1
    frequency_axis: TracedAxis
    level_axis: TracedAxis
    colour: Annotated[str, Field(pattern="^#[0-9a-f]{6}$")]
    corrections: tuple[tuple[float, float], ...] = ()
    notes: str = ""

    @property
    def rgb(self) -> tuple[int, int, int]:
        """Red, green and blue, 0 to 255."""
        red, green, blue = (int(self.colour[i : i + 2], 16) for i in (1, 3, 5))
        return red, green, blue
