"""Starting a study: an empty one, or one proposed from the names of a folder of curve files."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import pandas as pd

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.study.contribution import FORM, LETTER, contribution_form, contribution_letter
from ohmshift.study.problems import Problem
from ohmshift.study.rows import EarphoneRow, MeasurementRow, MeterRow

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ohmshift.curves.values import LevelReference
    from ohmshift.study.rows import Row

PATTERN = "{earphone}_{channel}_{added_ohm}ohm_{seat}"
"""How the name of a response file is read where the user does not say."""

IMPEDANCE_PATTERN = "{earphone}_{channel}"
"""How the name of an impedance file is read, the word "impedance" apart."""

SUFFIXES = (".txt", ".csv", ".tsv", ".dat", ".asc")
"""Endings of the files that are taken for curves."""

FOLDERS = ("responses", "impedances", "recordings", "published", "findings")

_FIELDS = {
    "earphone": r"(?P<earphone>[^/]+?)",
    "channel": r"(?P<channel>left|right|l|r)",
    "added_ohm": r"(?P<added_ohm>\d+(?:[.,]\d+)?)",
    "seat": r"(?P<seat>[^/]+)",
}
_MANIFESTS: Mapping[str, type[Row]] = {
    "earphones.csv": EarphoneRow,
    "measurements.csv": MeasurementRow,
    "meter.csv": MeterRow,
}
_NOT_CURVES = {"recordings", "published", "findings"}
_NO_CURVES = {*_MANIFESTS, FORM, LETTER}
_IMPEDANCE = re.compile(r"[-_. ]*impedances?[-_. ]*", re.IGNORECASE)

_TOML = """\
# What this study is. Lines that begin with # are remarks.
title = "Untitled study"
question = ""
licence = ""
# Who to cite, with semicolons in between.
authors = ""

# Output impedance of the amplifier, and resistance of the cable (both conductors), in ohms.
# Write what you measured; 0 is only right where it is far below the resistance you add.
source_ohm = 0.0
cable_ohm = 0.0

[rig]
ear_simulator = ""
# Where the ear-canal resonance is shown.
alignment_hz = 8000

[margins]
# The smallest change that matters to you, in dB.
change_db = 1.0
"""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Proposal:
    """A measurements.csv that is not written yet.

    Parameters
    ----------
    measurements : DataFrame
        Proposed rows, columns as in measurements.csv, all text; the user may edit a copy.
    problems : tuple of Problem
        Files whose names do not fit.
    pattern : str
        The pattern that was used.
    """

    measurements: pd.DataFrame
    problems: tuple[Problem, ...]
    pattern: str


def propose_measurements(
    folder: Path | str,
    *,
    pattern: str = PATTERN,
    impedance_pattern: str = IMPEDANCE_PATTERN,
    reseated: bool = True,
    level_reference: LevelReference = "relative",
) -> Proposal:
    """Propose a manifest from the names of the curve files in a folder.

    Parameters
    ----------
    folder : Path or str
        The folder; its subfolders count, save recordings, published and findings.
    pattern : str
        How a response's file is named, without its ending: the fields {earphone}, {channel}, {added_ohm} and {seat}
        with any text between; a slash stands for a subfolder. Without {added_ohm} it is 0, without {seat} it is 1.
    impedance_pattern : str
        The same for an impedance: a file with the word "impedance" in its name or its folder's.
    reseated : bool
        Whether the earphone was seated anew when the resistance was changed. If so, seat 2 at 15 ohm is proposed as
        15-2, else as 2, which says that it is the seat 2 of the other resistances, untouched.
    level_reference : {"absolute", "relative"}
        "absolute" if the same drive voltage was kept for all of them.

    Returns
    -------
    Proposal
        Rows in the order of the file names; nothing is written.

    Raises
    ------
    FileMissingError
        There is no such folder.
    StudyError
        A pattern without {earphone} or {channel}, or with an unknown field.
    """
    root = Path(folder)
    if not root.is_dir():
        raise FileMissingError(str(folder), "curve files lie in a folder", "there is no such folder", "check its name")
    expressions = {"response": _expression(pattern), "impedance": _expression(impedance_pattern)}
    rows, problems = [], []
    for file in _curve_files(root):
        quantity = "impedance" if _IMPEDANCE.search(str(file)) else "response"
        wanted = pattern if quantity == "response" else impedance_pattern
        name = "/".join(file.with_suffix("").parts[-1 - wanted.count("/") :])
        if quantity == "impedance":
            name = _IMPEDANCE.sub("_", name).strip("_")
        found = expressions[quantity].fullmatch(name)
        if found is None:
            problems.append(_misfit(str(file), wanted))
        else:
            row = {"file": str(file), "quantity": quantity, **found.groupdict()}
            rows.append(_propose(row, reseated=reseated, level_reference=level_reference))
    table = pd.DataFrame(rows, columns=list(MeasurementRow.model_fields), dtype=str)
    return Proposal(measurements=table, problems=tuple(problems), pattern=pattern)


def write_manifest(folder: Path | str, measurements: pd.DataFrame) -> Path:
    """Write measurements.csv as proposed or as edited, never over one that is there.

    Parameters
    ----------
    folder : Path or str
        The study.
    measurements : DataFrame
        Rows, columns as in measurements.csv.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    StudyError
        There is a measurements.csv.
    """
    path = Path(folder) / "measurements.csv"
    _write_new(path, measurements.to_csv(index=False, lineterminator="\n"))
    return path


def start_study(folder: Path | str, *, measurements: pd.DataFrame | None = None) -> tuple[Path, ...]:
    """Start a study: study.toml, manifests with their headers, the contribution form, and subfolders.

    Parameters
    ----------
    folder : Path or str
        The folder, made where absent.
    measurements : DataFrame, optional
        Rows of measurements.csv, as proposed or as edited; earphones.csv then lists their earphones, with the driver
        class "not stated".

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    StudyError
        One of the files is there already; nothing is written then.
    """
    root = Path(folder)
    texts = {"study.toml": _TOML, **{name: _header(model) for name, model in _MANIFESTS.items()}}
    if measurements is not None:
        texts["measurements.csv"] = measurements.to_csv(index=False, lineterminator="\n")
        names = pd.DataFrame({"earphone": list(dict.fromkeys(measurements["earphone"]))})
        names = names.assign(driver_class="not stated").reindex(columns=list(EarphoneRow.model_fields))
        texts["earphones.csv"] = names.to_csv(index=False, lineterminator="\n")
    forms = {FORM: contribution_form(), LETTER: contribution_letter()}
    texts |= {name: text for name, text in forms.items() if not (root / name).exists()}
    present = [name for name in texts if (root / name).exists()]
    if present:
        raise _present(root / present[0])
    root.mkdir(parents=True, exist_ok=True)
    for name in FOLDERS:
        (root / name).mkdir(exist_ok=True)
    for name, text in texts.items():
        _write_new(root / name, text)
    return tuple(root / name for name in texts)


def _header(model: type[Row]) -> str:
    return ",".join(model.model_fields) + "\n"


def _curve_files(root: Path) -> Iterator[PurePosixPath]:
    """Give the curve files in a folder, relative to it, in the order of their names."""
    for path in sorted(root.rglob("*")):
        file = PurePosixPath(path.relative_to(root).as_posix())
        hidden = any(part.startswith(".") for part in file.parts)
        if hidden or file.parts[0] in _NOT_CURVES or str(file) in _NO_CURVES or path.suffix.lower() not in SUFFIXES:
            continue
        if path.is_file():
            yield file


def _expression(pattern: str) -> re.Pattern[str]:
    """Turn a pattern with named fields into a regular expression."""
    parts = re.split(r"\{(\w*)\}", pattern)
    names = parts[1::2]
    unknown = [name for name in names if name not in _FIELDS]
    twice = [name for name in _FIELDS if names.count(name) > 1]
    lacking = [name for name in ("earphone", "channel") if name not in names]
    if unknown or twice or lacking:
        found = f"{pattern!r} has {{{unknown[0]}}}" if unknown else f"{pattern!r} has {{{(twice or lacking)[0]}}}"
        found += " twice" if twice and not unknown else " not" if lacking and not unknown else ""
        rule = "a pattern names {earphone} and {channel}, and may name {added_ohm} and {seat}, each once"
        raise StudyError("pattern", rule, found, f"write it as {PATTERN}")
    text = "".join(_FIELDS[part] if i % 2 else re.escape(part) for i, part in enumerate(parts))
    return re.compile(text, re.IGNORECASE)


def _propose(found: Mapping[str, str], *, reseated: bool, level_reference: str) -> dict[str, str]:
    """Fill in one proposed row."""
    row = dict.fromkeys(MeasurementRow.model_fields, "") | dict(found)
    row["channel"] = "left" if row["channel"].lower().startswith("l") else "right"
    if row["quantity"] == "impedance":
        return row | {"added_ohm": "", "seat": ""}
    row["added_ohm"] = row["added_ohm"].replace(",", ".") or "0"
    seat = row["seat"] or "1"
    return row | {
        "seat": f"{row['added_ohm']}-{seat}" if reseated else seat,
        "level_reference": level_reference,
    }


def _misfit(file: str, pattern: str) -> Problem:
    rule = f"the name of a curve file fits {pattern}"
    mend = "change the pattern, or add a row for the file yourself"
    return Problem(
        file=file, row=None, column="", value=PurePosixPath(file).stem, rule=rule, mend=mend, effect="left out"
    )


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="") as handle:
            handle.write(text)
    except FileExistsError as error:
        raise _present(path) from error


def _present(path: Path) -> StudyError:
    rule = "a file of yours is never written over"
    return StudyError(str(path), rule, "it is there already", "move or rename it first, or choose another folder")
