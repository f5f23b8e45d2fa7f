"""The list of a study's recordings: recordings.csv, which a study may have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from ohmshift.chain.sweeps import Sweep, SweepForm
from ohmshift.errors import OhmshiftError
from ohmshift.study.manifest import Table, read_table
from ohmshift.study.problems import Problem
from ohmshift.study.recordings import inspect_format
from ohmshift.study.rows import Number, Row, Rule, Whole, keep_inside

MANIFEST = "recordings.csv"
"""Its name, at the top of the study."""

_MISSING = "this column is missing"


_Positive: TypeAlias = Annotated[
    Number,
    Field(gt=0),
    Rule(rule="it must be a number above 0, up to 1e9", mend="write it without its unit, or leave it blank"),
]
_ChannelNumber: TypeAlias = Annotated[
    Whole, Rule(rule="a channel of a file is numbered from 1", mend="write 1 or 2, or leave it blank")
]


class RecordingRow(Row):
    """One row of recordings.csv.

    Parameters
    ----------
    file : str
        Audio file, relative to the study, with forward slashes.
    holds : {"response", "impedance", "known_resistor", "open", "short"}
        What was recorded: a sweep by the microphone; two voltages at a sense resistor, with the earphone, with a known
        resistor in its place, with nothing, or with the wires joined.
    earphone : str
        Name, as in earphones.csv; blank where there was none.
    channel : {"left", "right"}, optional
        Side.
    added_ohm : float, optional
        Resistance added in series [ohm]; 0 is "without".
    seat : str
        Name of the seating.
    level_reference : {"absolute", "relative"}, optional
        "absolute" where the same drive and gain were kept.
    measured_channel : int
        Channel of the file that holds the microphone, or the voltage at the earphone.
    reference_channel : int, optional
        Channel with the loopback, or the voltage before the sense resistor; blank for no loopback.
    reference_file : str
        File of the loopback; blank where it is in the same file.
    start_hz, stop_hz, sweep_s : float, optional
        The sweep that was played: ends [Hz] and duration [s].
    sweep_form : {"synchronised", "plain"}
        Its form.
    sense_ohm : float, optional
        Sense resistor [ohm].
    known_ohm : float, optional
        Known resistor [ohm].
    correction_file : str
        The microphone's response, as a text file.
    full_scale_pa : float, optional
        Sound pressure that full scale stands for [Pa].
    notes : str
        Anything else.
    """

    file: Annotated[str, Field(min_length=1), Rule(rule="it must name an audio file", mend="fill it in")]
    holds: Annotated[
        Literal["response", "impedance", "known_resistor", "open", "short"],
        Rule(
            rule="a recording holds a response, an impedance, a known_resistor, an open or a short",
            mend="write one of these words, in small letters",
        ),
    ]
    earphone: Annotated[str, Rule(rule="a response or an impedance belongs to an earphone", mend="name it")] = ""
    channel: Annotated[
        Literal["left", "right"] | None,
        Rule(rule="a response or an impedance is of the left or the right side", mend="write left or right"),
    ] = None
    added_ohm: Annotated[
        Annotated[Number, Field(ge=0)] | None,
        Rule(rule="a response is with a resistance of 0 ohm or more", mend="write 0 for without"),
    ] = None
    seat: Annotated[str, Rule(rule="a response needs the name of its seating", mend="write 1, 2, 3 … anew")] = ""
    level_reference: Annotated[
        Literal["absolute", "relative"] | None,
        Rule(rule="a level is absolute or relative", mend="write one of them, or leave it blank"),
    ] = None
    measured_channel: _ChannelNumber = 1
    reference_channel: Annotated[
        _ChannelNumber | None,
        Rule(rule="an impedance needs the channel before the sense resistor", mend="write its number, such as 2"),
    ] = None
    reference_file: str = ""
    start_hz: Annotated[
        _Positive | None, Rule(rule="a response states the sweep that was played", mend="write its first frequency")
    ] = None
    stop_hz: Annotated[
        _Positive | None, Rule(rule="a response states the sweep that was played", mend="write its last frequency")
    ] = None
    sweep_s: Annotated[
        _Positive | None, Rule(rule="a response states the sweep that was played", mend="write its duration")
    ] = None
    sweep_form: Annotated[
        SweepForm, Rule(rule="a sweep is synchronised or plain", mend="write synchronised for one made by the kit")
    ] = "synchronised"
    sense_ohm: Annotated[
        _Positive | None, Rule(rule="an impedance needs the sense resistor, above 0 ohm", mend="measure and write it")
    ] = None
    known_ohm: Annotated[
        _Positive | None, Rule(rule="a known resistor has a resistance above 0 ohm", mend="measure and write it")
    ] = None
    correction_file: str = ""
    full_scale_pa: _Positive | None = None
    notes: str = ""

    @field_validator("file", "reference_file", "correction_file")
    @classmethod
    def _stays_inside(cls, value: str) -> str:
        return value and keep_inside(value, folder="the study folder", mend="copy the file into recordings/")

    @field_validator(
        "earphone", "channel", "added_ohm", "seat", "start_hz", "stop_hz", "sweep_s", "reference_channel",
        "sense_ohm", "known_ohm",
    )  # fmt: skip
    @classmethod
    def _is_stated(cls, value: float | str | None, info: ValidationInfo) -> float | str | None:
        holds, name = info.data.get("holds"), info.field_name or ""
        if value in (None, "") and holds is not None and name in _NEEDED[holds]:
            raise PydanticCustomError("stated", "it must be stated")
        return value

    def sweep(self, sampling_rate_hz: int) -> Sweep:
        """Give the sweep that was played.

        Parameters
        ----------
        sampling_rate_hz : int
            Rate of the recording [Hz].

        Returns
        -------
        Sweep
            With the kit's own fades.

        Raises
        ------
        CurveError
            Numbers that make no sweep, or that the rate cannot hold.
        """
        return Sweep(
            start_hz=self.start_hz or 0.0,
            stop_hz=self.stop_hz or 0.0,
            duration_s=self.sweep_s or 0.0,
            sampling_rate_hz=sampling_rate_hz,
            form=self.sweep_form,
        )


_TWO_CHANNELS = ("reference_channel", "sense_ohm")
_NEEDED = {
    "response": ("earphone", "channel", "added_ohm", "seat", "start_hz", "stop_hz", "sweep_s"),
    "impedance": ("earphone", "channel", *_TWO_CHANNELS),
    "known_resistor": (*_TWO_CHANNELS, "known_ohm"),
    "open": _TWO_CHANNELS,
    "short": _TWO_CHANNELS,
}


def read_recording_rows(folder: Path | str) -> Table[RecordingRow]:
    """Read a study's list of recordings.

    Parameters
    ----------
    folder : Path or str
        The study.

    Returns
    -------
    Table
        Good rows and problems; empty where there is no recordings.csv. Columns that are left out count as blank.
    """
    if not (Path(folder) / MANIFEST).exists():
        return Table(name=MANIFEST, rows=(), problems=())
    table = read_table(Path(folder), MANIFEST, RecordingRow)
    problems = tuple(p for p in table.problems if not (p.rule == _MISSING and p.effect == "flagged"))
    return Table(name=MANIFEST, rows=table.rows, problems=problems)


def check_recordings(folder: Path | str) -> tuple[Problem, ...]:
    """List what is wrong with a study's recordings: rows, and files that are missing or cannot be measured with.

    Parameters
    ----------
    folder : Path or str
        The study.

    Returns
    -------
    tuple of Problem
        Rows first, then files by their rows; only the files' headers are read.
    """
    root, table = Path(folder), read_recording_rows(folder)
    problems = list(table.problems)
    for line, row in table.rows:
        for column in ("file", "reference_file"):
            file = getattr(row, column)
            try:
                if file:
                    inspect_format(root / file, source=file)
            except OhmshiftError as error:
                problems.append(
                    Problem(
                        file=MANIFEST,
                        row=line,
                        column=column,
                        value=f"{file}, {error.found}",
                        rule=error.rule,
                        mend=error.mend,
                        effect="left out",
                        earphone=row.earphone,
                    )
                )
    return tuple(problems)
