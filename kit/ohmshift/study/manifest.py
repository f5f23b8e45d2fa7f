"""Reading the manifests of a study, and listing everything that is wrong with them at once."""

from __future__ import annotations

import csv
import difflib
import io
import re
import tomllib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from pydantic import ValidationError

from ohmshift.errors import StudyError
from ohmshift.study.problems import Problem, as_text
from ohmshift.study.rows import MeterSpecRow, Row, Rule, StudySettings, rule_of

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from ohmshift.study.problems import Effect

LARGEST_MANIFEST = 20_000_000
"""Bytes a manifest may have: some 200,000 rows."""

_DELIMITERS = ",;\t"
_NESTED = {"ear_simulator": "rig.ear_simulator", "alignment_hz": "rig.alignment_hz", "margin_db": "margins.change_db"}
_PLACES = {name: _NESTED.get(name, name) for name in StudySettings.model_fields}
_SETTINGS = "study.toml"

RowT = TypeVar("RowT", bound=Row)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Table(Generic[RowT]):
    """The good rows of a manifest, and what is wrong with the others.

    Parameters
    ----------
    name : str
        File name.
    rows : tuple of (int, row) pairs
        Line in the file, from 1, and the row.
    problems : tuple of Problem
        What is wrong.
    """

    name: str
    rows: tuple[tuple[int, RowT], ...]
    problems: tuple[Problem, ...]


def read_table(folder: Path, name: str, model: type[RowT]) -> Table[RowT]:
    """Read a manifest and check every row.

    Parameters
    ----------
    folder : Path
        The study.
    name : str
        File name of the manifest.
    model : type
        What a row may hold: EarphoneRow, MeasurementRow or MeterRow.

    Returns
    -------
    Table
        Good rows and problems; a manifest that cannot be read has no rows and one problem.

    Notes
    -----
    The delimiter is the one of comma, semicolon and tab that shows the most known column names in the first line. Text
    is UTF-8, with or without a byte order mark, or else cp1252. A decimal comma is taken as a point, except before
    exactly three digits, where it may mark thousands. Columns are found by name, in any order; nothing else is
    repaired.
    """
    text, problem = read_plain(folder / name, name)
    if problem is not None:
        return Table(name=name, rows=(), problems=(problem,))
    records = split_records(text, set(model.model_fields))
    if isinstance(records, int):
        rule, mend = (
            "a quoted cell ends before the next cell begins",
            "mend the quotes there; no row is used until then",
        )
        problem = replace(_whole(name, rule, mend), row=records)
        return Table(name=name, rows=(), problems=(problem,))
    if not records:
        columns = ",".join(model.model_fields)
        problem = _whole(name, "its first line must name the columns", f"begin it with {columns}")
        return Table(name=name, rows=(), problems=(problem,))
    (line, header), *body = records
    problems = _header_problems(name, line, header, model)
    rows: list[tuple[int, RowT]] = []
    for number, cells in body if all(problem.effect == "flagged" for problem in problems) else ():
        row, wrong = _check_row(name, number, header, cells, model)
        problems += wrong
        if row is not None:
            rows.append((number, row))
    return Table(name=name, rows=tuple(rows), problems=tuple(_once_a_column(problems, line, header)))


def read_settings(folder: Path) -> tuple[StudySettings, tuple[Problem, ...]]:
    """Read study.toml; a value that breaks a rule is left out for its default.

    Parameters
    ----------
    folder : Path
        The study.

    Returns
    -------
    settings : StudySettings
        What it says.
    problems : tuple of Problem
        What is wrong with it.

    Raises
    ------
    StudyError
        The file cannot be read at all.
    """
    text, problem = read_plain(folder / _SETTINGS, _SETTINGS)
    if problem is not None:
        raise StudyError(_SETTINGS, problem.rule, problem.value or "it is not", problem.mend)
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # beyond its own error: a number of thousands of digits, deep lists
        mend = 'mend that line: text stands in quotes, as title = "…", and numbers have a decimal point'
        raise StudyError(_SETTINGS, "it must be valid TOML", f"it is not ({error})", mend) from error
    meters, wrong = _meters(text, tables.pop("meters", []))
    written = _flat(tables)
    problems = [
        _setting_problem(
            text, place, written[place], "no setting has this name", _place_for(place, written), effect="flagged"
        )
        for place in written.keys() - _PLACES.values()
    ]
    problems += [
        _setting_problem(text, place, "", "it should be stated", "write it; 0 ohm is assumed", effect="flagged")
        for place in ("source_ohm", "cable_ohm")
        if place not in written
    ]
    problems += wrong
    values = {name: written[place] for name, place in _PLACES.items() if place in written}
    values["meters"] = meters
    try:
        return StudySettings.model_validate(values), tuple(problems)
    except ValidationError as error:
        for found in error.errors():
            name = str(found["loc"][0])
            rule = rule_of(StudySettings, name)
            mend = f"{rule.mend}; until then {StudySettings.model_fields[name].default!r} is used"
            place, value = _PLACES[name], values.pop(name)
            problems.append(_setting_problem(text, place, value, rule.rule, mend, effect="left out"))
    return StudySettings.model_validate(values), tuple(problems)


def read_plain(path: Path, name: str) -> tuple[str, Problem | None]:
    """Read a table's or a setting's file as text.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What to call it.

    Returns
    -------
    text : str
        Its content; empty where it cannot be read.
    problem : Problem or None
        What is wrong with it.
    """
    try:
        size = path.stat().st_size
        plain = path.is_file()
        data = path.read_bytes() if plain and size <= LARGEST_MANIFEST else b""
    except FileNotFoundError:
        return "", _whole(name, "a study has this file", "make it, or copy one from `ohmshift new`", "it is missing")
    except OSError as error:
        return "", _whole(name, "it must be readable", "check its permissions", f"{error.strerror}")
    if size > LARGEST_MANIFEST:
        return "", _whole(name, f"it has at most {LARGEST_MANIFEST} bytes", "check what it holds", f"{size} bytes")
    if not plain:
        return "", _whole(name, "it must be a file", "save it as a plain text file", "a folder or a device")
    if b"\0" not in data:
        for encoding in ("utf-8-sig", "cp1252"):
            try:
                return data.decode(encoding), None
            except UnicodeDecodeError:
                continue
    return "", _whole(name, "it must be text in UTF-8", "save it as CSV UTF-8 or as plain text", "other bytes")


def _whole(name: str, rule: str, mend: str, value: str = "") -> Problem:
    """Say that a whole file is left out."""
    return Problem(file=name, row=None, column="", value=value, rule=rule, mend=mend, effect="left out")


def split_records(text: str, columns: set[str]) -> list[tuple[int, list[str]]] | int:
    """Split a table into records.

    Parameters
    ----------
    text : str
        The table.
    columns : set of str
        Names known, which tell the delimiter.

    Returns
    -------
    list of (int, list of str), or int
        The records that are not blank, each with its first line and its cells stripped; or the line that is no record.
    """
    first = next((line for line in text.splitlines() if line.strip()), "")
    known = {mark: len(columns & {cell.strip(' "') for cell in first.split(mark)}) for mark in _DELIMITERS}
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=max(known, key=lambda mark: known[mark]), strict=True)
    records: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                records.append((line, stripped))
            line = reader.line_num + 1
    except csv.Error:
        return line
    return records


def _header_problems(name: str, line: int, header: Sequence[str], model: type[Row]) -> list[Problem]:
    """List columns that are missing, unknown or named twice; without a needed one, no row can be used."""

    def problem(column: str, rule: str, mend: str, effect: Effect) -> Problem:
        return Problem(file=name, row=line, column=column, value="", rule=rule, mend=mend, effect=effect)

    fields = model.model_fields
    named = [column for column in header if column]
    found = [
        problem(column, "a column is named once", "rename or remove one of them; no row is used until then", "left out")
        for column in dict.fromkeys(named)
        if named.count(column) > 1
    ]
    found += [
        problem(column, "no column has this name", _nearest(column, model), "flagged")
        for column in dict.fromkeys(named)
        if column not in fields
    ]
    for column in fields:
        if column not in named and fields[column].is_required():
            found.append(problem(column, "this column is missing", "add it; no row is used until then", "left out"))
        elif column not in named:
            found.append(problem(column, "this column is missing", "add it; it counts as blank until then", "flagged"))
    return found


def _once_a_column(problems: Sequence[Problem], line: int, header: Sequence[str]) -> list[Problem]:
    """Say once of a column that is not there what else would be said of every row."""
    rows: dict[str, int] = {}
    for problem in problems:
        if problem.row != line and problem.column and problem.column not in header:
            rows[problem.column] = rows.get(problem.column, 0) + 1
    return [
        replace(problem, mend=f"add it; {rows[problem.column]} rows are left out until then", effect="left out")
        if problem.column in rows
        else problem
        for problem in problems
        if problem.row == line or problem.column not in rows
    ]


def _check_row(
    name: str, line: int, header: Sequence[str], cells: Sequence[str], model: type[RowT]
) -> tuple[RowT | None, list[Problem]]:
    """Give a row, or everything that is wrong with it."""
    if any(cells[len(header) :]):
        mend = "put a cell that holds the delimiter into double quotes"
        rule = f"a row has {len(header)} cells, as the header"
        value = f"{len(cells)} cells"
        return None, [Problem(file=name, row=line, column="", value=value, rule=rule, mend=mend, effect="left out")]
    values = {
        column: cell for column, cell in zip(header, cells, strict=False) if cell and column in model.model_fields
    }
    try:
        return model.model_validate(values), []
    except ValidationError as error:
        return None, [_cell_problem(name, line, values, found, model) for found in error.errors()]


def _cell_problem(name: str, line: int, values: dict[str, str], found: ErrorDetails, model: type[Row]) -> Problem:
    column = str(found["loc"][0])
    rule = rule_of(model, column)
    own = found.get("ctx", {}) if found["type"] == "own_rule" else {}
    return Problem(
        file=name,
        row=line,
        column=column,
        value=values.get(column, ""),
        rule=own.get("rule", rule.rule),
        mend=own.get("mend", rule.mend),
        effect="left out",
        earphone=values.get("earphone", ""),
    )


def _meters(text: str, tables: object) -> tuple[tuple[MeterSpecRow, ...], list[Problem]]:
    """Give the meters' data sheets, and what is wrong with the others."""
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        rule = rule_of(StudySettings, "meters")
        return (), [_setting_problem(text, "meters", "", rule.rule, rule.mend, effect="left out")]
    heads = [n for n, line in enumerate(text.splitlines(), start=1) if re.match(r"\s*\[\[\s*meters\s*\]\]", line)]
    rows: dict[tuple[str, float | None], MeterSpecRow] = {}
    problems = []
    for number, table in enumerate(tables):
        line = heads[number] if number < len(heads) else None
        try:
            row = MeterSpecRow.model_validate(table)
        except ValidationError as error:
            problems += [_sheet_problem(line, str(found["loc"][0]), table) for found in error.errors()]
            continue
        if (row.meter, row.range_ohm) in rows:
            rule = Rule(rule="a meter and range has one table", mend="remove one of them")
            problems.append(_sheet_problem(line, "range_ohm", table, rule))
        else:
            rows[row.meter, row.range_ohm] = row
    return tuple(rows.values()), problems


def _sheet_problem(line: int | None, column: str, table: dict[str, Any], rule: Rule | None = None) -> Problem:
    unknown = Rule(rule="no key has this name", mend=_nearest(column, MeterSpecRow))
    broken = rule or (rule_of(MeterSpecRow, column) if column in MeterSpecRow.model_fields else unknown)
    return Problem(
        file=_SETTINGS,
        row=line,
        column=f"meters.{column}",
        value=as_text(table.get(column, "")),
        rule=broken.rule,
        mend=f"{broken.mend}; until then this data sheet is not used",
        effect="left out",
    )


def _flat(tables: dict[str, Any]) -> dict[str, Any]:
    """Give every key with its table's name in front of it."""
    return {
        f"{key}.{inner}" if isinstance(value, dict) else key: item
        for key, value in tables.items()
        for inner, item in (value if isinstance(value, dict) else {key: value}).items()
    }


def _setting_problem(text: str, place: str, value: object, rule: str, mend: str, *, effect: Effect) -> Problem:
    pattern = re.compile(rf"\s*{re.escape(place.rpartition('.')[2])}\s*=")
    line = next((n for n, content in enumerate(text.splitlines(), start=1) if pattern.match(content)), None)
    return Problem(file=_SETTINGS, row=line, column=place, value=as_text(value), rule=rule, mend=mend, effect=effect)


def _place_for(place: str, written: Collection[str]) -> str:
    """Say where a misplaced key belongs: as one that is not written yet."""
    keys = {known.rpartition(".")[2]: known for known in _PLACES.values() if known not in written}
    close = difflib.get_close_matches(place.rpartition(".")[2].lower(), keys, n=1)
    table, _, key = keys[close[0]].rpartition(".") if close else ("", "", "")
    if not close:
        return "remove it, or leave it: the kit does not read it"
    return f"write it as {key} under [{table}]" if table else f"write it as {key} at the top, above the first [table]"


def _nearest(name: str, model: type[Row]) -> str:
    close = difflib.get_close_matches(name.lower(), model.model_fields, n=1)
    return f"rename it to {close[0]}" if close else "remove it, or leave it: the kit does not read it"
