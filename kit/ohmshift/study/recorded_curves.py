"""Curves from recordings as text files that the kit reads, and the rows that take them into a study."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from ohmshift.curves.values import Impedance, Response
from ohmshift.errors import StudyError
from ohmshift.study.rows import MeasurementRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.study.recording_rows import RecordingRow

FOLDER = "findings/from_recordings"
"""Where curves from recordings are written, relative to the study."""

_MADE = "# Made from a recording by the kit"
_NOT_IN_NAMES = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
"""What a file's name cannot hold on some system."""


def write_curve(folder: Path | str, curve: Response | Impedance, row: RecordingRow) -> Path:
    """Write a curve from a recording as a text file that the kit reads.

    Parameters
    ----------
    folder : Path or str
        The study.
    curve : Response or Impedance
        The curve.
    row : RecordingRow
        Row of its recording.

    Returns
    -------
    Path
        The file, in findings/from_recordings. One written before from the same recording is replaced; any other file
        is not.

    Raises
    ------
    StudyError
        A file that the kit did not write is in its place, or the curve of another recording.
    """
    name = curve_name(row)
    target = Path(folder) / FOLDER / name
    origin = f"# {curve.provenance.source}, SHA-256 "
    if target.exists():
        made, source = (*target.read_text(encoding="utf-8", errors="replace").splitlines(), "", "")[:2]
        if made != _MADE:
            rule = "a file of yours is never written over"
            raise StudyError(name, rule, f"it is in {FOLDER} already", "move it first")
        if not source.startswith(origin):
            rule, mend = "a curve has a file of its own", "write another name or seat, or delete the file"
            raise StudyError(f"{FOLDER}/{name}", rule, f"it holds that of {source[2:].partition(', SHA')[0]}", mend)
    columns = {"Frequency (Hz)": curve.frequency_hz}
    if isinstance(curve, Response):
        columns["Level (dB)"] = curve.level_db
        if curve.phase_deg is not None:
            columns["Phase (degree)"] = curve.phase_deg
    else:
        columns |= {"Re(Z) (ohm)": curve.impedance_ohm.real, "Im(Z) (ohm)": curve.impedance_ohm.imag}
    steps = "".join(f"# {step}\n" for step in curve.history)
    source = f"{origin}{curve.provenance.sha256}\n"
    table = pd.DataFrame(columns).to_csv(index=False, float_format="%.7g", lineterminator="\n")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(f"{_MADE}\n{source}{steps}{table}", encoding="utf-8", newline="")
    return target


def curve_name(row: RecordingRow) -> str:
    """Give the name of the text file for a recording, as `ohmshift new` reads names.

    Parameters
    ----------
    row : RecordingRow
        A response or an impedance.

    Returns
    -------
    str
        Such as "skewer_left_15ohm_r1.csv".
    """
    stem = f"{row.earphone.lower()}_{row.channel}"
    if row.holds == "response":
        stem += f"_{0.0 if row.added_ohm is None else row.added_ohm:g}ohm_{row.seat}"
    return _NOT_IN_NAMES.sub("-", f"{stem}_impedance.csv" if row.holds == "impedance" else f"{stem}.csv")


def measurement_rows(rows: Sequence[RecordingRow]) -> pd.DataFrame:
    """Propose the rows of measurements.csv that take the written curves into the study.

    Parameters
    ----------
    rows : sequence of RecordingRow
        Responses and impedances whose curves were written.

    Returns
    -------
    DataFrame
        Columns as in measurements.csv, all text; nothing is written.
    """
    proposed = []
    for row in rows:
        line = dict.fromkeys(MeasurementRow.model_fields, "")
        line |= {
            "file": f"{FOLDER}/{curve_name(row)}",
            "earphone": row.earphone,
            "channel": row.channel or "",
            "quantity": row.holds,
            "added_ohm": f"{row.added_ohm or 0.0:g}",
            "seat": row.seat,
            "notes": f"from {row.file}",
        }
        if row.holds == "response":
            line["level_reference"] = row.level_reference or ("absolute" if row.full_scale_pa else "relative")
        proposed.append(line)
    return pd.DataFrame(proposed, columns=list(MeasurementRow.model_fields), dtype=str)
