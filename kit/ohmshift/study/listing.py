"""A study's manifests: what it should hold, before any curve is read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ohmshift.study.manifest import Table, read_settings, read_table
from ohmshift.study.places import require_study
from ohmshift.study.problems import Problem
from ohmshift.study.rows import EarphoneRow, MeasurementRow, MeterRow, StudySettings

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ListedStudy:
    """A study's manifests, before any curve is read.

    Parameters
    ----------
    folder : Path
        Where it is.
    settings : StudySettings
        What study.toml says.
    earphones : mapping of str to EarphoneRow
        By name.
    measurements : Table
        Rows of measurements.csv.
    meter : tuple of MeterRow
        Rows of meter.csv.
    problems : tuple of Problem
        What is wrong with them.
    """

    folder: Path
    settings: StudySettings
    earphones: Mapping[str, EarphoneRow]
    measurements: Table[MeasurementRow]
    meter: tuple[MeterRow, ...]
    problems: tuple[Problem, ...]


def list_study(folder: Path | str) -> ListedStudy:
    """Read a study's manifests and check every row; `open_study` reads the curves too.

    Parameters
    ----------
    folder : Path or str
        The folder that holds study.toml.

    Returns
    -------
    ListedStudy
        What they say, and what is wrong with them.

    Raises
    ------
    FileMissingError
        There is no such folder, or it holds no study.toml.
    StudyError
        study.toml cannot be read.
    """
    root = require_study(folder)
    settings, problems = read_settings(root)
    earphones = read_table(root, "earphones.csv", EarphoneRow)
    measurements = read_table(root, "measurements.csv", MeasurementRow)
    meter: Table[MeterRow] = Table(name="meter.csv", rows=(), problems=())
    if (root / meter.name).exists():  # a study may do without a meter
        meter = read_table(root, meter.name, MeterRow)
    listed, twice = _once(earphones.rows)
    return ListedStudy(
        folder=root,
        settings=settings,
        earphones=listed,
        measurements=measurements,
        meter=tuple(row for _, row in meter.rows),
        problems=(
            *problems,
            *earphones.problems,
            *twice,
            *measurements.problems,
            *_incomplete(measurements),
            *meter.problems,
        ),
    )


def _incomplete(measurements: Table[MeasurementRow]) -> list[Problem]:
    """Flag what gives no change: a list without a row, and earphones that were never measured without resistance."""
    if not measurements.rows and not measurements.problems:
        rule, mend = "a study lists its curve files", "write a row for each of them; so far there is none"
        return [Problem(file=measurements.name, row=None, column="", value="", rule=rule, mend=mend, effect="flagged")]
    first: dict[str, int] = {}
    without = set()
    for line, row in measurements.rows:
        if row.quantity == "response":
            first.setdefault(row.earphone, line)
            without |= {row.earphone} if row.added_ohm == 0 else set()
    rule, mend = "a change needs responses without the resistance too", "measure it, and list those with added_ohm 0"
    return [
        earphone_problem(measurements.name, line, name, rule, mend, left_out=False)
        for name, line in first.items()
        if name not in without
    ]


def _once(rows: Iterable[tuple[int, EarphoneRow]]) -> tuple[dict[str, EarphoneRow], list[Problem]]:
    """Give the earphones by name, and the rows that name one again."""
    listed: dict[str, EarphoneRow] = {}
    problems = []
    for line, row in rows:
        if row.earphone in listed:
            rule, mend = "an earphone has one row", "remove or rename one of the rows"
            problems.append(earphone_problem("earphones.csv", line, row.earphone, rule, mend, left_out=True))
        else:
            listed[row.earphone] = row
    return listed, problems


def earphone_problem(file: str, line: int, name: str, rule: str, mend: str, *, left_out: bool) -> Problem:
    """Say what is wrong with the name of an earphone.

    Parameters
    ----------
    file : str
        Manifest.
    line : int
        Its line.
    name : str
        The name.
    rule, mend : str
        The rule, and what the user can do.
    left_out : bool
        Whether the row is left out, or used.

    Returns
    -------
    Problem
        The problem.
    """
    return Problem(
        file=file,
        row=line,
        column="earphone",
        value=name,
        rule=rule,
        mend=mend,
        effect="left out" if left_out else "flagged",
        earphone=name,
    )
