"""What each row of a manifest, and each key of study.toml, may hold."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Annotated, Literal, NoReturn, TypeAlias, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

Value = TypeVar("Value")

_LONGEST_PATH, _LONGEST_NAME = 1000, 255


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Rule:
    """What a column may hold, in words for its user.

    Parameters
    ----------
    rule : str
        The rule, as a clause.
    mend : str
        What the user can do.
    """

    rule: str
    mend: str


def _plain_number(value: object) -> object:
    """Take 0,5 as 0.5; leave 1,000, which may be a thousand, a truth value and 1_000 to be refused."""
    if isinstance(value, bool) or (isinstance(value, str) and "_" in value):
        return f"{value}?"
    if isinstance(value, str) and re.fullmatch(r"[+-]?\d+,(\d{1,2}|\d{4,})", value):
        return value.replace(",", ".")
    return value


Number: TypeAlias = Annotated[float, BeforeValidator(_plain_number), Field(ge=-1e9, le=1e9)]
"""A number of any quantity in a manifest: what lies beyond a thousand million is a slip, and would overflow later."""

Whole: TypeAlias = Annotated[int, BeforeValidator(_plain_number), Field(ge=1, le=999)]
"""A whole number that counts something."""

Text: TypeAlias = Annotated[
    str, Field(min_length=1), Rule(rule="it must be text, and not empty", mend="fill it in, as text")
]
"""Text that may not be left out."""

_Ohm: TypeAlias = Annotated[
    Number, Field(ge=0), Rule(rule="it must be a number of ohms, 0 to 1e9", mend="write it as 15 or 0.5, no unit")
]
_RatedOhm: TypeAlias = Annotated[
    Number,
    Field(gt=0),
    Rule(rule="it must be a number of ohms above 0, up to 1e9", mend="write it as 16, or leave it blank"),
]
_Decibel: TypeAlias = Annotated[
    Number,
    Field(ge=-1000, le=1000),
    Rule(rule="it must be a number of decibels, -1000 to 1000", mend="write it as 104, or leave it blank"),
]


def leaves_folder(value: str) -> bool:
    """Say whether a path of a manifest may lead out of its folder, on any system.

    Parameters
    ----------
    value : str
        The path as written, with forward slashes.

    Returns
    -------
    bool
        Whether it is absolute, goes up, or names a drive.

    Examples
    --------
    >>> [leaves_folder(path) for path in ("responses/wok.txt", "../wok.txt", "/wok.txt", "C:wok.txt")]
    [False, True, True, True]
    """
    path = PurePosixPath(value)
    return path.is_absolute() or ".." in path.parts or re.match(r"[A-Za-z]:", value) is not None


def keep_inside(value: str, *, folder: str, mend: str) -> str:
    """Give a path of a manifest in its plainest form, or refuse it as a validator does.

    Parameters
    ----------
    value : str
        The path as written.
    folder : str
        What it is relative to, in words.
    mend : str
        What the user can do with a file that lies elsewhere.

    Returns
    -------
    str
        With single forward slashes, and no dot for a folder.

    Raises
    ------
    PydanticCustomError
        It may lead out of its folder on some system, or is longer than one can hold.
    """
    slashed = value.replace("\\", "/")
    if leaves_folder(slashed):
        _refuse(f"a path stays inside {folder}", mend)
    if slashed != value:
        _refuse("a path has forward slashes", f"write {slashed}")
    path = PurePosixPath(value)
    if len(value) > _LONGEST_PATH or any(len(part.encode()) > _LONGEST_NAME for part in path.parts):
        _refuse(f"a path has at most {_LONGEST_PATH} letters, and each name in it {_LONGEST_NAME} bytes", "shorten it")
    return str(path)


class Row(BaseModel):
    """What all rows share: nothing unknown, nothing that is not finite, nothing changed after reading."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True)


class EarphoneRow(Row):
    """One row of earphones.csv.

    Parameters
    ----------
    earphone : str
        Name, as the measurements use it.
    driver_class : str
        Class of its drivers, in the user's own words.
    driver_count : int, optional
        Drivers a side.
    rated_ohm : float, optional
        Rated impedance [ohm].
    sensitivity_db : float, optional
        Sensitivity [dB].
    sensitivity_reference : {"dB/mW", "dB/V"}, optional
        Its reference.
    notes : str
        Anything else.
    """

    earphone: Text
    driver_class: Text
    driver_count: (
        Annotated[Whole, Rule(rule="it must be a whole number, 1 to 999", mend="count one side, or leave it blank")]
        | None
    ) = None
    rated_ohm: _RatedOhm | None = None
    sensitivity_db: _Decibel | None = None
    sensitivity_reference: Annotated[
        Literal["dB/mW", "dB/V"] | None,
        Rule(rule="a sensitivity is dB/mW or dB/V", mend="write dB/mW or dB/V beside it, or leave both blank"),
    ] = None
    notes: str = ""

    @field_validator("sensitivity_reference")
    @classmethod
    def _has_reference(cls, value: str | None, info: ValidationInfo) -> str | None:
        return _demand(value, unless=info.data.get("sensitivity_db") is None)


class MeasurementRow(Row):
    """One row of measurements.csv.

    Parameters
    ----------
    file : str
        Curve file, relative to the study, with forward slashes.
    earphone : str
        Name, as in earphones.csv.
    channel : {"left", "right"}
        Side.
    quantity : {"response", "impedance"}
        What the file holds.
    added_ohm : float
        Resistance added in series [ohm]; 0 is "without". May be blank for an impedance.
    source_ohm : float, optional
        Resistance of the amplifier's output [ohm]; blank for the study's own.
    seat : str
        Name of the seating. May be blank for an impedance.
    level_reference : {"absolute", "relative"}
        "absolute": the same drive voltage was kept. May be blank for an impedance.
    notes : str
        Anything else.
    """

    file: Text
    earphone: Text
    channel: Annotated[
        Literal["left", "right"], Rule(rule="a channel is left or right", mend="write left or right, in small letters")
    ]
    quantity: Annotated[
        Literal["response", "impedance"],
        Rule(rule="a quantity is response or impedance", mend="write response or impedance, in small letters"),
    ]
    added_ohm: _Ohm | None = None
    source_ohm: _Ohm | None = None
    seat: Annotated[
        str, Rule(rule="a response needs the name of its seating", mend="write 1, 2, 3 … anew for each reseating")
    ] = ""
    level_reference: Annotated[
        Literal["absolute", "relative"] | None,
        Rule(
            rule="the level of a response is absolute or relative",
            mend="write absolute where the same drive voltage was kept, relative otherwise",
        ),
    ] = None
    notes: str = ""

    @field_validator("file")
    @classmethod
    def _stays_inside(cls, value: str) -> str:
        return keep_inside(value, folder="the study folder", mend="copy the file into responses/ or impedances/")

    @field_validator("seat", "level_reference", "added_ohm")
    @classmethod
    def _stated_for_responses(cls, value: float | str | None, info: ValidationInfo) -> float | str | None:
        quantity = info.data.get("quantity")
        if quantity == "impedance" and info.field_name == "added_ohm" and value:
            _refuse("an impedance is the earphone's own, without an added resistance", "write 0 or leave it blank")
        return _demand(value, unless=quantity != "response")


class MeterRow(Row):
    """One row of meter.csv: one reading.

    Parameters
    ----------
    item : str
        What was measured: a cable, a plug, an amplifier.
    sample : str
        Which one of them.
    conductor : str
        Which conductor.
    reading_ohm : float
        What the meter showed [ohm].
    lead_ohm : float, optional
        What it showed with its leads shorted [ohm].
    meter : str
        Which meter.
    range_ohm : float, optional
        Its range [ohm].
    notes : str
        Anything else.
    """

    item: Text
    sample: Text
    conductor: Text
    reading_ohm: _Ohm
    lead_ohm: _Ohm | None = None
    meter: str = ""
    range_ohm: _RatedOhm | None = None
    notes: str = ""


class MeterSpecRow(Row):
    """One `[[meters]]` table of study.toml: what a meter's data sheet says of one range.

    Parameters
    ----------
    meter : str
        Which meter, as meter.csv names it.
    range_ohm : float, optional
        Which range [ohm]; left out where all its ranges are alike.
    percent : float
        Accuracy, the part in per cent of the reading.
    digits : float
        Accuracy, the part in steps of the display.
    resolution_ohm : float
        Step of the display [ohm].
    """

    meter: Text
    range_ohm: _RatedOhm | None = None
    percent: Annotated[
        Number,
        Field(ge=0, le=100),
        Rule(rule="it must be a number of per cent, 0 to 100", mend="write percent = 0.8 for 0.8 % of the reading"),
    ]
    digits: Annotated[
        Number,
        Field(ge=0, le=1000),
        Rule(rule="it must be a number of steps of the display, 0 to 1000", mend="write digits = 3"),
    ]
    resolution_ohm: Annotated[
        Number,
        Field(gt=0),
        Rule(
            rule="it must be a number of ohms above 0, up to 1e9",
            mend="write the display's last step: resolution_ohm = 0.1",
        ),
    ]


class StudySettings(Row):
    """What study.toml says.

    Parameters
    ----------
    title : str
        Title of the study.
    question : str
        The question it asks.
    licence : str
        Licence of its data.
    authors : str
        Who to cite, with semicolons in between.
    ear_simulator : str
        The ear simulator or coupler.
    alignment_hz : float
        Frequency that the ear-canal resonance is shown at [Hz].
    source_ohm : float
        Output impedance of the amplifier [ohm].
    cable_ohm : float
        Resistance of the cable, both conductors [ohm].
    margin_db : float
        The smallest change that matters [dB]; `change_db` under `[margins]` in the file.
    meters : tuple of MeterSpecRow
        What the data sheets of the meters say; one `[[meters]]` table a meter and range.
    """

    title: Text = "Untitled study"
    question: str = ""
    licence: str = ""
    authors: str = ""
    ear_simulator: str = ""
    alignment_hz: Annotated[
        Number, Field(ge=5000, le=12_000), Rule(rule="it must be between 5000 and 12000 Hz", mend="write 8000")
    ] = 8000.0
    source_ohm: _Ohm = 0.0
    cable_ohm: _Ohm = 0.0
    margin_db: Annotated[
        Number, Field(gt=0, le=100), Rule(rule="a margin is a number of dB above 0, up to 100", mend="write 1.0")
    ] = 1.0
    meters: Annotated[
        tuple[MeterSpecRow, ...],
        Rule(
            rule="meters are tables", mend='write [[meters]] and below it meter = "…", percent, digits, resolution_ohm'
        ),
    ] = ()


def rule_of(model: type[Row], column: str) -> Rule:
    """Give the rule that a column or key keeps.

    Parameters
    ----------
    model : type
        The kind of row.
    column : str
        Column or key.

    Returns
    -------
    Rule
        Its rule and how to mend it.
    """
    field = model.model_fields[column]
    nested = (item for part in get_args(field.annotation) for item in getattr(part, "__metadata__", ()))
    for item in (*field.metadata, *nested):
        if isinstance(item, Rule):
            return item
    return Rule(rule="it must be text", mend="write text")


def _demand(value: Value, *, unless: bool) -> Value:
    if value in (None, "") and not unless:
        raise PydanticCustomError("stated", "it must be stated")
    return value


def _refuse(rule: str, mend: str) -> NoReturn:
    """Refuse a value by a rule of its own, in place of its column's."""
    raise PydanticCustomError("own_rule", "{rule}", {"rule": rule, "mend": mend})
