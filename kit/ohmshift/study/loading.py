"""Reading the curves that measurements.csv names, and leaving out what cannot be used."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

from ohmshift.curves.values import Response
from ohmshift.errors import OhmshiftError
from ohmshift.study.places import lies_inside
from ohmshift.study.problems import Problem, mend_listed
from ohmshift.study.running import run_items
from ohmshift.study.screening import LEVEL_BAND_HZ, Repeat, find_duplicates, find_outliers, summarise_repeat
from ohmshift.study.spellings import nearly_the_same
from ohmshift.study.textfiles import read_impedance, read_response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from concurrent.futures import Executor
    from pathlib import Path

    from ohmshift.curves.values import Impedance
    from ohmshift.study.manifest import Table
    from ohmshift.study.rows import MeasurementRow, StudySettings

Progress: TypeAlias = "Callable[[Iterable[Any]], Iterable[Any]]"

MANIFEST = "measurements.csv"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Loaded:
    """One usable row of measurements.csv with its curve.

    Parameters
    ----------
    line : int
        Line in the manifest, from 1.
    row : MeasurementRow
        The row.
    source_ohm : float
        Resistance of amplifier and cable [ohm].
    curve : Response or Impedance
        What the file holds.
    """

    line: int
    row: MeasurementRow
    source_ohm: float
    curve: Response | Impedance

    @property
    def repeat(self) -> Repeat | None:
        """What screening compares of it; None for an impedance."""
        row, curve = self.row, self.curve
        if not isinstance(curve, Response):
            return None
        return summarise_repeat(row.file, row.earphone, row.channel, row.added_ohm or 0.0, curve)


def load_rows(
    root: Path,
    table: Table[MeasurementRow],
    *,
    settings: StudySettings,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[tuple[Loaded, ...], tuple[Problem, ...]]:
    """Read the curve of every row that can be used.

    Parameters
    ----------
    root : Path
        The study.
    table : Table
        Its measurements.csv.
    settings : StudySettings
        Its amplifier and cable.
    executor : Executor, optional
        Spreads the files over processes.
    progress : callable, optional
        Wraps the iteration over rows.

    Returns
    -------
    loaded : tuple of Loaded
        Usable rows, in the order of the manifest.
    problems : tuple of Problem
        Rows and files that were left out, then files that are flagged.
    """
    clashes = find_clashes(table.rows, settings)
    rows = [(line, row, clashes.get(line)) for line, row in table.rows]
    read = partial(load_row, root=root, settings=settings)
    results = list(run_items(read, progress(rows) if progress else rows, executor=executor))
    loaded = tuple(item for item in results if isinstance(item, Loaded))
    flagged = find_duplicates((item.row.file, item.row.earphone, item.curve.provenance.sha256) for item in loaded)
    flagged += find_outliers([repeat for item in loaded if (repeat := item.repeat) is not None])
    return loaded, (*(item for item in results if isinstance(item, Problem)), *flagged)


def load_row(
    item: tuple[int, MeasurementRow, Problem | None], *, root: Path, settings: StudySettings
) -> Loaded | Problem:
    """Read the curve of one row.

    Parameters
    ----------
    item : (int, MeasurementRow, Problem or None)
        Line in the manifest, row, and what `find_clashes` has against it.
    root : Path
        The study.
    settings : StudySettings
        Its amplifier and cable.

    Returns
    -------
    Loaded or Problem
        The curve, or why it is left out.
    """
    line, row, clash = item
    result = clash or _place_problem(root, line, row) or _read(root, line, row)
    if isinstance(result, Problem):
        return result
    return Loaded(line=line, row=row, source_ohm=_source_ohm(row, settings), curve=result)


def _source_ohm(row: MeasurementRow, settings: StudySettings) -> float:
    return (settings.source_ohm if row.source_ohm is None else row.source_ohm) + settings.cable_ohm


def find_clashes(rows: Iterable[tuple[int, MeasurementRow]], settings: StudySettings) -> dict[int, Problem]:
    """Find the rows that contradict an earlier one.

    Parameters
    ----------
    rows : iterable of (int, MeasurementRow)
        Lines and rows of the manifest.
    settings : StudySettings
        Amplifier and cable of the study.

    Returns
    -------
    dict of int to Problem
        By line.
    """
    files: dict[str, int] = {}
    seats: dict[tuple[str, str, float | None, str], int] = {}
    sources: dict[tuple[str, float | None], tuple[int, float]] = {}
    problems: dict[int, Problem] = {}
    for line, row in rows:
        first = files.setdefault(row.file, line)
        if first != line:
            rule = f"a file is one measurement, and line {first} names it already"
            problems[line] = _left_out(row, line, "file", row.file, rule=rule, mend="name the file that was meant")
        if row.quantity == "impedance" or line in problems:
            continue
        first = seats.setdefault((row.earphone, row.channel, row.added_ohm, row.seat), line)
        if first != line:
            rule = f"a seat has one response a channel and resistance, and line {first} is one already"
            problems[line] = _left_out(
                row, line, "seat", row.seat, rule=rule, mend="give the seat that was meant, or a new name"
            )
            continue
        source_ohm = _source_ohm(row, settings)
        first, known_ohm = sources.setdefault((row.earphone, row.added_ohm), (line, source_ohm))
        if source_ohm != known_ohm:
            rule = f"one condition is one chain, and line {first} has {known_ohm:g} ohm of amplifier and cable"
            mend = "count what this chain has more as added_ohm, or put it into a study of its own"
            problems[line] = _left_out(row, line, "source_ohm", f"{source_ohm:g} ohm", rule=rule, mend=mend)
    return problems


def _place_problem(inside: Path, line: int, row: MeasurementRow) -> Problem | None:
    """Say what is wrong with the place of a row's file, if anything."""
    path = inside / row.file
    if not lies_inside(inside, path):
        rule, mend = "a file lies inside the study folder", "put the file itself there, not a link"
        return _left_out(row, line, "file", row.file, rule=rule, mend=mend)
    if path.exists():
        return None
    beside = sorted(other.name for other in path.parent.glob("*")) if path.parent.is_dir() else []
    close = nearly_the_same(path.name, beside)
    mend = f"did you mean {close}?" if close else "check its name, or remove the row"
    return _left_out(row, line, "file", row.file, rule="the file must be there", mend=mend)


def _read(root: Path, line: int, row: MeasurementRow) -> Response | Impedance | Problem:
    label = f"{row.earphone} {row.channel}"
    try:
        if row.quantity == "impedance":
            return read_impedance(root / row.file, label=label, source=row.file)
        reference = row.level_reference or "relative"
        curve = read_response(root / row.file, label=label, level_reference=reference, source=row.file)
    except OhmshiftError as error:
        at = re.search(r"line (\d+)", error.where)
        return Problem(
            file=row.file,
            row=int(at[1]) if at else None,
            column="",
            value=error.found,
            rule=error.rule,
            mend=mend_listed(error.mend),
            effect="left out",
            earphone=row.earphone,
        )
    low, high = LEVEL_BAND_HZ
    f = curve.frequency_hz
    if f[0] > low or f[-1] < high:
        rule = f"a response covers at least {low:g} to {high:g} Hz, where its level is taken"
        found = f"{f[0]:g} to {f[-1]:g} Hz"
        return _left_out(row, line, "file", f"{row.file}, {found}", rule=rule, mend="export more of the band")
    return curve


def _left_out(row: MeasurementRow, line: int, column: str, value: str, *, rule: str, mend: str) -> Problem:
    return Problem(
        file=MANIFEST,
        row=line,
        column=column,
        value=value,
        rule=rule,
        mend=mend,
        effect="left out",
        earphone=row.earphone,
    )
