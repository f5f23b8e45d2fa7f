"""Starting a study: an empty one, or one proposed from the names of a folder of curve files."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Literal

import pandas as pd

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.study.contribution import FORM, LETTER, LETTER_TEXT, contribution_form
from ohmshift.study.problems import Problem
from ohmshift.study.rows import EarphoneRow, MeasurementRow, MeterRow

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ohmshift.curves.values import LevelReference
    from ohmshift.study.rows import Row

NAMES = "a name tells the earphone, then L, R, left or right, and may tell the ohms added and the seat: Wok L 33ohm 2"
"""How the name of a file is read where the user gives no pattern."""

SUFFIXES = (".txt", ".csv", ".tsv", ".dat", ".asc")
"""Endings of the files that are taken for curves."""

FOLDERS = ("responses", "impedances", "recordings", "published", "findings")

_NUMBER = r"\d+(?:[.,]\d+)?"
_FIELDS = {
    "earphone": r"(?P<earphone>[^/]+?)",
    "channel": r"(?P<channel>left|right|l|r)",
    "added_ohm": rf"(?P<added_ohm>{_NUMBER})",
    "seat": r"(?P<seat>[^/]+)",
}
_MARKS = " \t_-.,;+()[]"
_BEFORE, _AFTER = r"(?:^|(?<=[\s_\-.,;+()\[\]/]))", r"(?=[\s_\-.,;+()\[\]/]|$)"
_OHMS = re.compile(rf"{_BEFORE}({_NUMBER})[ _-]?(?:ohms?|Ω|Ω){_AFTER}", re.IGNORECASE)
_OHMS_R = re.compile(rf"{_BEFORE}({_NUMBER})R{_AFTER}")
_SIDE = re.compile(rf"{_BEFORE}(left|right|l|r)(?:{_AFTER}|(?=\d+{_AFTER}))", re.IGNORECASE)
_LAST_NUMBER = re.compile(rf"{_BEFORE}\d+[\s_\-.,;+()\[\]]*$")
_MANIFESTS: Mapping[str, type[Row]] = {
    "earphones.csv": EarphoneRow,
    "measurements.csv": MeasurementRow,
    "meter.csv": MeterRow,
}
_NOT_CURVES = {"recordings", "published", "findings"}
_NO_CURVES = {*_MANIFESTS, FORM, LETTER}
_IMPEDANCE = re.compile(r"[-_. ]*impedances?[-_. ]*", re.IGNORECASE)
_OHMS_WERE = "\0"

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


Side = Literal["left", "right"]
"""Which side of an earphone."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Proposal:
    """A measurements.csv that is not written yet.

    Parameters
    ----------
    measurements : DataFrame
        Proposed rows, columns as in measurements.csv, all text; the user may edit a copy.
    problems : tuple of Problem
        Files whose names do not fit.
    """

    measurements: pd.DataFrame
    problems: tuple[Problem, ...]


def propose_measurements(
    folder: Path | str,
    *,
    pattern: str | None = None,
    side: Side | None = None,
    reseated: bool = True,
    level_reference: LevelReference = "relative",
) -> Proposal:
    """Propose a manifest from the names of the curve files in a folder.

    Parameters
    ----------
    folder : Path or str
        The folder; its subfolders count, save recordings, published and findings.
    pattern : str, optional
        How a response's file is named, without its ending: the fields {earphone}, {channel}, {added_ohm} and {seat}
        with any text between; a slash stands for a subfolder. Without it names are read by their words: what stands
        before the side (L, R, left, right) is the earphone, or its folder is; a number before "ohm" is the resistance,
        as is 33R after the side; what else stands after the side is the seat. Without a resistance it is 0, without a
        seat 1. So are the names of impedances read in any case: files with the word "impedance" in their name or their
        folder's.
    side : {"left", "right"}, optional
        What was measured where a name does not say.
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
        A pattern without {earphone}, without {channel} where no side is given, or with an unknown field.
    """
    root = Path(folder)
    if not root.is_dir():
        raise FileMissingError(str(folder), "curve files lie in a folder", "there is no such folder", "check its name")
    expression = None if pattern is None else _expression(pattern, side)
    rows, problems = [], []
    for file in _curve_files(root):
        quantity = "impedance" if _IMPEDANCE.search(str(file)) else "response"
        if expression is None or pattern is None or quantity == "impedance":
            found, rule = _read_words(file, side), NAMES
        else:
            fit = expression.fullmatch("/".join(file.with_suffix("").parts[-1 - pattern.count("/") :]))
            found, rule = fit and fit.groupdict(), f"the name of a curve file fits {pattern}"
        if not _is_text(str(file)):
            found, rule = None, "the name of a curve file is text"
        if found is None:
            problems.append(_misfit(str(file).encode(errors="replace").decode(), rule))
        else:
            row = {"file": str(file), "quantity": quantity, "channel": side or "", **found}
            rows.append(_propose(row, reseated=reseated, level_reference=level_reference))
    table = pd.DataFrame(rows, columns=list(MeasurementRow.model_fields), dtype=str)
    return Proposal(measurements=table, problems=tuple(problems))


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
    forms = {FORM: contribution_form(), LETTER: LETTER_TEXT}
    texts |= {name: text for name, text in forms.items() if not (root / name).exists()}
    require_no_study(root)
    root.mkdir(parents=True, exist_ok=True)
    for name in FOLDERS:
        (root / name).mkdir(exist_ok=True)
    for name, text in texts.items():
        _write_new(root / name, text)
    return tuple(root / name for name in texts)


def require_no_study(folder: Path | str) -> None:
    """Require that a folder is not a study yet.

    Parameters
    ----------
    folder : Path or str
        The folder.

    Raises
    ------
    StudyError
        It has study.toml or one of the manifests, or a file where the study or one of its folders would be.
    """
    root = Path(folder)
    files = [root / name for name in ("study.toml", *_MANIFESTS)]
    folders = [root, *(root / name for name in FOLDERS)]
    for path in [*filter(Path.exists, files), *(path for path in folders if path.exists() and not path.is_dir())]:
        raise _present(path)


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


def _is_text(name: str) -> bool:
    """Say whether a name can be written down: some systems let files be named by any bytes."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _read_words(file: PurePosixPath, side: Side | None) -> dict[str, str] | None:
    """Read a name by its words; None where they do not tell which earphone and which side, once each."""
    parts = file.with_suffix("").parts
    text = _IMPEDANCE.sub(" ", "/".join(parts[parts[0] in FOLDERS :]))
    ohms = list(_OHMS.finditer(text))
    text = _OHMS.sub(_OHMS_WERE, text)
    sides = list(_SIDE.finditer(text))
    if len(sides) > 1:
        return None
    if sides:
        before, after = text[: sides[0].start()], text[sides[0].end() :]
        ohms += _OHMS_R.finditer(after)  # before the side, 12R may be part of a model's name
        after = _OHMS_R.sub(_OHMS_WERE, after)
    elif side is not None:
        before, _, after = text.partition(_OHMS_WERE)
        if not after.strip(_MARKS):
            number = _LAST_NUMBER.search(before)
            before, after = (before[: number.start()], before[number.start() :]) if number else (before, "")
    else:
        return None
    if len(ohms) > 1:
        return None
    before, after = before.replace(_OHMS_WERE, ""), after.replace(_OHMS_WERE, "")
    names = [name for name in (part.strip(_MARKS) for part in before.split("/")) if name]
    said = {"channel": sides[0][1]} if sides else {}
    seat = after.replace("/", " ").strip(_MARKS)
    return {"earphone": names[-1], "added_ohm": ohms[0][1] if ohms else "", "seat": seat, **said} if names else None


def _expression(pattern: str, side: Side | None) -> re.Pattern[str]:
    """Turn a pattern with named fields into a regular expression."""
    parts = re.split(r"\{(\w*)\}", pattern)
    names = parts[1::2]
    unknown = [name for name in names if name not in _FIELDS]
    twice = [name for name in _FIELDS if names.count(name) > 1]
    lacking = [name for name in ("earphone", "channel") if name not in names and not (side and name == "channel")]
    if unknown or twice or lacking:
        found = f"{pattern!r} has {{{unknown[0]}}}" if unknown else f"{pattern!r} has {{{(twice or lacking)[0]}}}"
        found += " twice" if twice and not unknown else " not" if lacking and not unknown else ""
        rule = "a pattern names {earphone} and {channel}, and may name {added_ohm} and {seat}, each once"
        raise StudyError("pattern", rule, found, "write it as {earphone}_{channel}_{added_ohm}ohm_{seat}")
    text = "".join(_FIELDS[part] if i % 2 else re.escape(part) for i, part in enumerate(parts))
    return re.compile(text, re.IGNORECASE)


def _propose(found: Mapping[str, str], *, reseated: bool, level_reference: str) -> dict[str, str]:
    """Fill in one proposed row."""
    row = dict.fromkeys(MeasurementRow.model_fields, "") | dict(found)
    row["channel"] = "left" if row["channel"].lower().startswith("l") else "right"
    if row["quantity"] == "impedance":
        return row | {"added_ohm": "", "seat": ""}
    row["added_ohm"] = (row["added_ohm"] or "0").replace(",", ".")
    seat = row["seat"] or "1"
    return row | {
        "seat": f"{row['added_ohm']}-{seat}" if reseated else seat,
        "level_reference": level_reference,
    }


def _misfit(file: str, rule: str) -> Problem:
    mend = "rename it, say how names are built by a pattern, or add a row for the file yourself"
    return Problem(file=file, row=None, column="", value="", rule=rule, mend=mend, effect="left out")


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="") as handle:
            handle.write(text)
    except FileExistsError as error:
        raise _present(path) from error


def _present(path: Path) -> StudyError:
    rule = "a file of yours is never written over"
    return StudyError(str(path), rule, "it is there already", "move or rename it first, or choose another folder")
