"""The tables of a data package: tidy, with what each column holds and in which unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from ohmshift.curves.values import Impedance, Response
from ohmshift.evidence.wording import describe_change
from ohmshift.study.findings import findings_table, quantities_table
from ohmshift.study.problems import problems_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.findings import FindingsLog
    from ohmshift.study.folder import Study

FieldType: TypeAlias = Literal["string", "number", "integer", "boolean"]
Reference: TypeAlias = tuple[str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One column.

    Parameters
    ----------
    name : str
        Its name, with the unit at the end.
    type : {"string", "number", "integer", "boolean"}
        What its cells are.
    description : str
        What it holds, and in which unit.
    required : bool
        Whether every row has it.
    """

    name: str
    type: FieldType
    description: str
    required: bool = False


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TidyTable:
    """One table of a package.

    Parameters
    ----------
    name : str
        Its name.
    description : str
        What a row is.
    rows : DataFrame
        Its rows; columns as in `fields`.
    fields : tuple of Field
        What the columns hold.
    key : tuple of str
        Columns that no two rows share.
    refers : tuple of (str, str, str)
        Column, and the table and column that it refers to.
    """

    name: str
    description: str
    rows: pd.DataFrame
    fields: tuple[Field, ...]
    key: tuple[str, ...] = ()
    refers: tuple[Reference, ...] = ()


def tidy_tables(study: Study, comparison: StudyComparison, log: FindingsLog) -> tuple[TidyTable, ...]:
    """Put a study into tidy tables.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    log : FindingsLog
        Its findings.

    Returns
    -------
    tuple of TidyTable
        Earphones, measurements, responses, impedances, meter, changes, bands, findings, numbers, problems.
    """
    return (
        _earphones(study),
        _measurements(study),
        _responses(study),
        _impedances(study),
        _meter(study),
        _changes(comparison),
        _bands(comparison),
        _findings(log),
        _numbers(log),
        _problems(study),
    )


def _text(name: str, description: str, *, required: bool = False) -> Field:
    return Field(name=name, type="string", description=description, required=required)


def _value(name: str, description: str, *, required: bool = False) -> Field:
    return Field(name=name, type="number", description=description, required=required)


def _flag(name: str, description: str) -> Field:
    return Field(name=name, type="boolean", description=description, required=True)


_EARPHONE = _text("earphone", "Name of the earphone.", required=True)
_FILE = _text("file", "File of the curve, as measurements.csv names it, relative to study/.", required=True)
_ADDED = _value("added_ohm", "Resistance added in series [ohm]; 0 is without.")
_HZ = _value("frequency_hz", "Frequency [Hz].", required=True)
_NOTES = _text("notes", "Anything else, in the words of who measured.")


def _table(
    name: str,
    description: str,
    rows: pd.DataFrame,
    fields: tuple[Field, ...],
    *,
    key: tuple[str, ...] = (),
    refers: tuple[Reference, ...] = (),
) -> TidyTable:
    return TidyTable(
        name=name,
        description=description,
        rows=rows[[field.name for field in fields]],
        fields=fields,
        key=key,
        refers=refers,
    )


def _earphones(study: Study) -> TidyTable:
    fields = (
        _EARPHONE,
        _text("driver_class", "Class of its drivers, in the words of who measured.", required=True),
        Field(name="driver_count", type="integer", description="Drivers a side."),
        _value("rated_ohm", "Rated impedance [ohm]."),
        _value("sensitivity_db", "Sensitivity [dB], re the reference beside it."),
        _text("sensitivity_reference", "dB/mW or dB/V."),
        _NOTES,
    )
    return _table("earphones", "One row an earphone.", study.earphones, fields, key=("earphone",))


def _measurements(study: Study) -> TidyTable:
    rows = study.measurements.assign(
        sha256=[study.curves[file].provenance.sha256 for file in study.measurements["file"]]
    )
    fields = (
        _FILE,
        _EARPHONE,
        _text("channel", "left or right.", required=True),
        _text("quantity", "response or impedance.", required=True),
        _ADDED,
        _value("source_ohm", "Resistance of amplifier and cable together [ohm]."),
        _text("seat", "Name of the seating; the same name twice means that the earphone was not touched in between."),
        _text("level_reference", "absolute where the drive voltage was kept, so that levels compare; else relative."),
        _NOTES,
        _text("flags", "What was found doubtful; the curve is used all the same."),
        _text("sha256", "SHA-256 of the file as measured.", required=True),
    )
    refers = (("earphone", "earphones", "earphone"),)
    return _table("measurements", "One row a usable curve.", rows, fields, key=("file",), refers=refers)


def _responses(study: Study) -> TidyTable:
    parts = [
        pd.DataFrame(
            {
                "file": file,
                "frequency_hz": curve.frequency_hz,
                "level_db": curve.level_db,
                "phase_deg": np.nan if curve.phase_deg is None else curve.phase_deg,
            }
        )
        for file, curve in study.curves.items()
        if isinstance(curve, Response)
    ]
    fields = (
        _FILE,
        _HZ,
        _value("level_db", "Level [dB] re 20 µPa, or re an unknown constant where the reference is relative."),
        _value("phase_deg", "Phase [degree], where the file has it."),
    )
    return _curves("responses", "One row a frequency of a frequency response, as measured.", parts, fields)


def _impedances(study: Study) -> TidyTable:
    parts = [
        pd.DataFrame(
            {
                "file": file,
                "frequency_hz": curve.frequency_hz,
                "resistance_ohm": curve.impedance_ohm.real,
                "reactance_ohm": curve.impedance_ohm.imag,
            }
        )
        for file, curve in study.curves.items()
        if isinstance(curve, Impedance)
    ]
    fields = (
        _FILE,
        _HZ,
        _value("resistance_ohm", "Real part of the impedance [ohm]."),
        _value("reactance_ohm", "Imaginary part of the impedance [ohm]."),
    )
    return _curves("impedances", "One row a frequency of a complex impedance, as measured.", parts, fields)


def _curves(name: str, description: str, parts: list[pd.DataFrame], fields: tuple[Field, ...]) -> TidyTable:
    columns = {field.name: pd.Series(dtype=object if field.type == "string" else float) for field in fields}
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns)
    return _table(
        name, description, rows, fields, key=("file", "frequency_hz"), refers=(("file", "measurements", "file"),)
    )


def _meter(study: Study) -> TidyTable:
    fields = (
        _text("item", "What was measured: a cable, a plug, an amplifier.", required=True),
        _text("sample", "Which one of them.", required=True),
        _text("conductor", "Which conductor.", required=True),
        _value("reading_ohm", "What the meter showed [ohm].", required=True),
        _value("lead_ohm", "What it showed with its leads shorted [ohm]."),
        _text("meter", "Which meter."),
        _value("range_ohm", "Its range [ohm]."),
        _NOTES,
    )
    return _table("meter", "One row a reading of a meter.", study.meter, fields)


def _changes(comparison: StudyComparison) -> TidyTable:
    rows = pd.DataFrame([_change_row(comparison, name, ohm) for name, ohm in comparison.changes])
    fields = (
        _EARPHONE,
        _ADDED,
        _text("verdict", "What may be said of the change at the margin.", required=True),
        _value("margin_db", "Smallest change that matters [dB]."),
        _value("bound_db", "Smallest margin [dB] that no change larger than would hold for; INF where nothing can."),
        _value("level_drop_db", "Change of the mean level over 200 Hz to 2 kHz [dB]; missing where it is not known."),
        _value("level_drop_low_db", "Lower end of its 95 % interval [dB]."),
        _value("level_drop_high_db", "Upper end of its 95 % interval [dB]."),
        _value("size_db", "Size of the tonal change: standard deviation over the bands [dB]."),
        _text("description", "The change in plain words.", required=True),
    )
    refers = (("earphone", "earphones", "earphone"),)
    what = "One row an earphone and resistance: with the resistance minus without."
    return _table("changes", what, rows, fields, key=("earphone", "added_ohm"), refers=refers)


def _change_row(comparison: StudyComparison, name: str, added_ohm: float) -> dict[str, Any]:
    change, verdict = comparison.change(name, added_ohm), comparison.verdict(name, added_ohm)
    low, high = verdict.level_drop_interval_db or (np.nan, np.nan)
    return {
        "earphone": name,
        "added_ohm": added_ohm,
        "verdict": verdict.word,
        "margin_db": verdict.margin_db,
        "bound_db": verdict.bound_db,
        "level_drop_db": change.level_drop_db,
        "level_drop_low_db": low,
        "level_drop_high_db": high,
        "size_db": change.size_db,
        "description": ", ".join(describe_change(change, verdict).words),
    }


def _bands(comparison: StudyComparison) -> TidyTable:
    rows = pd.concat(list(_band_rows(comparison)), ignore_index=True)
    fields = (
        _EARPHONE,
        _ADDED,
        _value("frequency_hz", "Exact mid-band frequency of the third octave, IEC 61260-1 [Hz].", required=True),
        _value("change_db", "Tonal change of the band [dB]."),
        _value(
            "half_width_db", "Half-width of its 95 % interval, for all judged bands at once [dB]; INF for no limit."
        ),
        _value("bound_db", "Change that is ruled out in this band alone, at 5 % [dB]; INF where none is."),
        _flag("changed", "Whether the band changed."),
        _flag("readable", "Whether the half-width is within the margin."),
    )
    refers = (("earphone", "earphones", "earphone"),)
    key = ("earphone", "added_ohm", "frequency_hz")
    return _table("bands", "One row a judged band of a change.", rows, fields, key=key, refers=refers)


def _band_rows(comparison: StudyComparison) -> Iterator[pd.DataFrame]:
    for name, added_ohm in comparison.changes:
        verdict = comparison.verdict(name, added_ohm)
        table = pd.DataFrame(
            {
                "earphone": name,
                "added_ohm": added_ohm,
                "frequency_hz": verdict.bands.mid_hz,
                "change_db": verdict.change_db,
                "half_width_db": verdict.half_width_db,
                "bound_db": verdict.band_bound_db,
                "changed": verdict.changed,
                "readable": verdict.readable,
            }
        )
        yield table[verdict.judged]


def _findings(log: FindingsLog) -> TidyTable:
    fields = (
        _text("id", "Identifier.", required=True),
        _text("recorded_at", "When it was recorded, UTC.", required=True),
        _text("earphone", "The earphone it is about; empty for one across earphones."),
        _text("statement", "What was found.", required=True),
        _text("caveat", "What it does not show.", required=True),
        _text("notebook", "The notebook that asked."),
        _flag("retracted", "Whether it was withdrawn since."),
        _text("reason", "Why it was withdrawn, or reinstated."),
    )
    return _table("findings", "One row a finding.", findings_table(log), fields, key=("id",))


def _numbers(log: FindingsLog) -> TidyTable:
    rows = quantities_table(log).rename(columns={"id": "finding"})
    fields = (
        _text("finding", "Identifier of the finding.", required=True),
        _text("quantity", "What the number is.", required=True),
        _value("value", "The number, in the unit beside it.", required=True),
        _value("low", "Lower end of its 95 % interval, in the same unit."),
        _value("high", "Upper end of its 95 % interval, in the same unit."),
        _text("unit", "Unit; 1 for a pure number.", required=True),
    )
    return _table("numbers", "One row a number of a finding.", rows, fields, refers=(("finding", "findings", "id"),))


def _problems(study: Study) -> TidyTable:
    fields = (
        _text("file", "File of the study.", required=True),
        Field(name="row", type="integer", description="Line in it, from 1."),
        _text("column", "Column or key."),
        _text("value", "What was found."),
        _text("rule", "The rule.", required=True),
        _text("mend", "What can be done.", required=True),
        _text("effect", "left out, or flagged and used.", required=True),
        _text("earphone", "The earphone concerned."),
    )
    return _table("problems", "One row a thing that is wrong or doubtful.", problems_table(study.problems), fields)
