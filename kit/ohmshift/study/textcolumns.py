"""Which column holds what: from the header, from a keyword, or from the numbers themselves."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.study.textsniff import DELIMITERS, split_row

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.curves.values import FloatArray
    from ohmshift.study.textbytes import TextFile
    from ohmshift.study.textparse import Table
    from ohmshift.study.textsniff import Layout

_HEADER_LINES = 50
_LONGEST_NAME = 200
_MOST_LISTED = 12
_MARKS = re.compile(r"""^[ \t]*(?:[#%*!;/']+|--|rem\b)[ \t]*""", re.IGNORECASE)
_HAS_LETTER = re.compile(r"[^\W\d_]|°")
_UNIT_APART = re.compile(r"(?<![ \t])[ \t]+(?=[(\[])")  # each run of blanks is tried once, from its beginning
_ROLES = tuple(
    (role, re.compile(pattern, re.IGNORECASE))
    for role, pattern in (
        (
            "other",
            r"coher|thd|distort|harmon|\bsnr\b|delay|\bstd|deviat|toleran|uncert|\btarget|\btime\b|\brange\b|bias",
        ),
        ("level", r"db(?!/)|\bspl\b|\blevel\b|pegel|niveau|livello|nivel"),
        ("frequency", r"fr[eé]q(?!\w*[ _-]*resp)|frekv|frec|^f\b|^\W*k?hz\W*$"),
        ("phase", r"phas|fase|\bdeg|°|\brad(?:ian)?s?\b|\barg|winkel|theta|\bphi\b|[θφ]"),
        ("imaginary", r"\bim(?:ag\w*)?(?![a-z])|\bimz|z''|zim|\breactance"),
        ("real", r"\bre(?:al)?(?![a-z])|\brez|z'|zre|\bresistance"),
        ("impedance", r"\bk?ohms?\b|[ΩΩ]|\|z\||\bz\b|zmod|impedan"),
        ("linear", r"[(\[ ](?:m|µ|u)?(?:pa|v|a|%)[)\]]?$|^[mµu]?(?:pa|v)$|^%$|pascal|volt|percent"),
        ("size", r"\bmag|betrag|modul|\bgain\b|\bresponse\b|\bampl"),
    )
)
_UNITS_ALONE = re.compile(r"\W*(?:k?hz|db\w*|deg\w*|°|rad\w*|k?ohms?|k?[ΩΩ]|pa|m?v|%|s)?\W*", re.IGNORECASE)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Columns:
    """The names of a file's columns.

    Parameters
    ----------
    count : int
        How many columns there are.
    names : tuple of str
        Name of each column; empty where the file has no header.
    line : int
        Number of the header's line, counted from 1; 0 where there is none.
    delimiter : str
        What separates the names.
    """

    count: int
    names: tuple[str, ...] = ()
    line: int = 0
    delimiter: str = ""

    def roles(self) -> tuple[str, ...]:
        """Give what each name says its column holds.

        Returns
        -------
        tuple of str
            Roles; "unknown" where the name says nothing known.
        """
        return tuple(map(_role, self.names))

    def told(self, index: int) -> str:
        """Name a column for a message.

        Parameters
        ----------
        index : int
            Column, counted from 0.

        Returns
        -------
        str
            Its number, counted from 1, and its name.
        """
        return f"{index + 1} {self.names[index]!r}" if self.names else str(index + 1)

    def listed(self, which: Sequence[int] | None = None, *, mark: str = ", ") -> str:
        """Name columns for a message.

        Parameters
        ----------
        which : sequence of int, optional
            Columns, counted from 0; all where not given.
        mark : str
            What to put between them.

        Returns
        -------
        str
            Their numbers and names; of more than a dozen, how many there are.
        """
        which = range(self.count) if which is None else which
        more = [f"{len(which) - _MOST_LISTED} more"] if len(which) > _MOST_LISTED else []
        return mark.join([*map(self.told, which[:_MOST_LISTED]), *more])


def find_header(file: TextFile, layout: Layout) -> Columns:
    """Find the names of the columns in the lines before the first row.

    Parameters
    ----------
    file : TextFile
        The text.
    layout : Layout
        Where its rows begin and what separates their cells.

    Returns
    -------
    Columns
        The names; none where no line has as many cells as the rows.

    Notes
    -----
    The nearest line that names a frequency counts; where none does, the line just before the first
    row. A line of units below the names is joined to them. What separates names need not be what
    separates numbers.
    """
    lines = file.text[: layout.start].decode("utf-8", "replace").split("\n")[:-1]
    nearest = Columns(count=layout.n_columns)
    for number in range(len(lines), max(len(lines) - _HEADER_LINES, 0), -1):
        for mark, names in _splits(lines[number - 1], layout.delimiter, layout.n_columns):
            found = Columns(count=layout.n_columns, names=names, line=number, delimiter=mark)
            if number > 1 and all(map(_UNITS_ALONE.fullmatch, names)):
                found = _join_units(found, lines[number - 2], layout)
            if "frequency" in found.roles():
                return found
            if number == len(lines) and not nearest.names:
                nearest = found
    return nearest


def _join_units(units: Columns, above: str, layout: Layout) -> Columns:
    """Join a line of units to the line of names above it, where there is one."""
    for mark, names in _splits(above, layout.delimiter, layout.n_columns):
        joined = tuple(f"{name} {unit}".strip() for name, unit in zip(names, units.names, strict=True))
        return Columns(count=layout.n_columns, names=joined, line=units.line - 1, delimiter=mark)
    return units


@lru_cache(maxsize=256)
def _splits(text: str, delimiter: str, n_columns: int) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Give each way to split a header line into as many names as there are columns."""
    bare = _MARKS.sub("", text).strip()
    found = []
    for mark in dict.fromkeys((delimiter, *DELIMITERS)):
        for line in dict.fromkeys((bare, _UNIT_APART.sub("", bare))):
            names = split_row(line, mark) if bare else []
            if len(names) == n_columns + 1 and not names[-1]:
                names.pop()
            if len(names) == n_columns and any(map(_HAS_LETTER.search, names)):
                found.append((mark, names))
    names = re.split(r"[ \t]{2,}", bare)
    if len(names) == n_columns:
        found.append((" ", names))
    return tuple((mark, tuple(name[:_LONGEST_NAME] for name in names)) for mark, names in found)


@lru_cache(maxsize=256)
def _role(name: str) -> str:
    return next((role for role, pattern in _ROLES if pattern.search(name)), "unknown")


def choose(file: TextFile, columns: Columns, n_columns: int, wanted: int | str, keyword: str) -> int:
    """Find the column a keyword asks for.

    Parameters
    ----------
    file : TextFile
        The file, for the message.
    columns : Columns
        The names of its columns.
    n_columns : int
        How many there are.
    wanted : int or str
        Number of the column, counted from 1, or its name, or a part of one name only.
    keyword : str
        Keyword it was asked by, for the message.

    Returns
    -------
    int
        The column, counted from 0.

    Raises
    ------
    FileRefusedError
        There is no such column, or more than one.
    """
    if isinstance(wanted, int):
        found = [wanted - 1] if 1 <= wanted <= n_columns else []
    else:
        sought = wanted.strip().casefold()
        names = [name.casefold() for name in columns.names]
        found = [i for i, name in enumerate(names) if name == sought]
        found = found or [i for i, name in enumerate(names) if sought and sought in name]
    if len(found) == 1:
        return found[0]
    raise file.refusal(
        f"{keyword} must name one column",
        f"{wanted!r} names {len(found) or 'none'} of {columns.listed()}",
        "give the number of a column, counted from 1, or its name",
    )


def frequency_column(file: TextFile, columns: Columns, table: Table) -> tuple[int, str]:
    """Find the column of frequencies.

    Parameters
    ----------
    file : TextFile
        The file, for the message.
    columns : Columns
        The names of its columns.
    table : Table
        Its numbers.

    Returns
    -------
    int
        The column, counted from 0.
    str
        What decided.

    Raises
    ------
    FileRefusedError
        No column, or more than one, can be it.

    Notes
    -----
    Without a name that tells, frequency is the one column that rises or falls throughout, stays at
    or above zero and spans a factor of ten; or the first, where no other can be it: a wrong row of it
    is then refused by its line.
    """
    roles = columns.roles()
    open_columns = [i for i, role in enumerate(roles) if role == "frequency"]
    if len(open_columns) == 1:
        return open_columns[0], f"header, line {columns.line}"
    open_columns = open_columns or [i for i in range(table.values.shape[1]) if not roles or roles[i] == "unknown"]
    able = [i for i in open_columns if _is_monotone(table, i)]
    wide = [i for i in able if _span(table.values[:, i]) >= 10]  # noqa: PLR2004 - as documented
    first = open_columns[0] if open_columns else None
    if len(wide) == 1 and (first == wide[0] or _turns(table.values[:, first])):
        return wide[0], "content"
    if first is not None and first not in able and (not wide or not _turns(table.values[:, first])):
        return first, "the first, and no other can be it"
    if able == [first] and not wide:
        return able[0], "the first, and no other can be it"
    raise file.refusal(
        "it must be clear which column holds frequency",
        f"it may be {columns.listed(able, mark=' or ')}" if able else "none is named so",
        "give frequency_column=",
        line=columns.line or table.line(0),
    )


def _turns(values: FloatArray) -> bool:
    """Say whether values rise and fall, stay the same or are below zero: no frequencies, one row wrong or not."""
    steps = np.diff(values)
    return bool((steps > 0).any() == (steps < 0).any()) or bool((values < 0).any())


def _is_monotone(table: Table, column: int) -> bool:
    values = table.values[:, column]
    steps = np.diff(values)
    return column not in table.wrong and bool(values.min() >= 0 and ((steps > 0).all() or (steps < 0).all()))


def _span(values: FloatArray) -> float:
    positive = values[values > 0]
    return float(positive.max() / positive.min())
