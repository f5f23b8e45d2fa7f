"""Rows in rising order of frequency, in hertz, from a text whose layout is known."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.study.textcolumns import choose, frequency_column
from ohmshift.study.textparse import parse
from ohmshift.study.textsniff import shown

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray
    from ohmshift.errors import FileRefusedError
    from ohmshift.study.textbytes import TextFile
    from ohmshift.study.textcolumns import Columns
    from ohmshift.study.textdecimal import Decimal
    from ohmshift.study.textparse import Table
    from ohmshift.study.textsniff import Layout

Decisions: TypeAlias = "tuple[tuple[str, str], ...]"

FREQUENCY_LIMIT_HZ = 2e6
"""No frequency is higher than this: a larger number is in another unit, or misread."""

_KILO = re.compile(r"\bkhz\b", re.IGNORECASE)
_HERTZ = re.compile(r"(?<![a-z/])hz\b|hertz", re.IGNORECASE)
_PER_SECOND = re.compile(r"rad\w*\s*/\s*s|omega|ω|1/s", re.IGNORECASE)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Opened:
    """A file with its layout, before its numbers are read.

    Parameters
    ----------
    file : TextFile
        The text.
    layout : Layout
        Where its rows begin and what separates their cells.
    columns : Columns
        The names of its columns.
    decimals : tuple of Decimal, length 1 or 2
        The decimal sign, or both where only what a curve must be can tell.
    decisions : tuple of (str, str)
        What was decided.
    frequency : int or str, optional
        Number or name of the column of frequencies, where the user gave it.
    unit : str, optional
        Its unit, where the user gave it.
    how_decimal : str
        What decided the decimal sign.
    """

    file: TextFile
    layout: Layout
    columns: Columns
    decimals: tuple[Decimal, ...]
    decisions: Decisions
    frequency: int | str | None
    unit: str | None
    how_decimal: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Rows:
    """The numbers of a file in rising order of frequency.

    Parameters
    ----------
    file : TextFile
        The text.
    columns : Columns
        The names of its columns.
    table : Table
        Its numbers in the order of the file.
    order : slice
        Which rows are used, in rising order of frequency.
    frequency : int
        The column of frequencies, counted from 0.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    decisions : tuple of (str, str)
        What was decided.
    """

    file: TextFile
    columns: Columns
    table: Table
    order: slice
    frequency: int
    frequency_hz: FloatArray
    decisions: Decisions

    @property
    def n_columns(self) -> int:
        """How many columns there are."""
        return int(self.table.values.shape[1])

    def column(self, index: int, keyword: str) -> FloatArray:
        """Give the numbers of a column.

        Parameters
        ----------
        index : int
            The column, counted from 0.
        keyword : str
            Keyword that chooses another, for the message.

        Returns
        -------
        ndarray, shape (n,)
            Its numbers.

        Raises
        ------
        FileRefusedError
            A cell holds no number.
        """
        used = range(len(self.table.values))[self.order]
        for row, cell in self.table.wrong.get(index, []):
            if row in used:
                raise _no_number(self.file, self.columns.told(index), self.table.line(row), cell, keyword)
        return self.table.values[self.order, index]

    def line(self, row: int) -> int:
        """Give the number of a row's line.

        Parameters
        ----------
        row : int
            Row, counted from 0 in rising order of frequency.

        Returns
        -------
        int
            Line, counted from 1.
        """
        return self.table.line(range(len(self.table.values))[self.order][row])


def read_rows(opened: Opened, decimal: Decimal) -> Rows:
    """Read the numbers, and put the rows in rising order of frequency.

    Parameters
    ----------
    opened : Opened
        The file with its layout.
    decimal : Decimal
        What marks decimals.

    Returns
    -------
    Rows
        The numbers.

    Raises
    ------
    FileRefusedError
        There are fewer than two rows, or frequency is not clear or neither rises nor falls.
    """
    file, columns = opened.file, opened.columns
    table = parse(file, opened.layout, decimal)
    if len(table.values) < 2:  # noqa: PLR2004 - two points make the shortest curve
        raise file.refusal(
            "a curve needs at least two rows",
            "there is one",
            "export more frequencies",
            line=opened.layout.first_line,
        )
    if opened.frequency is None:
        index, how = frequency_column(file, columns, table)
    else:
        n = table.values.shape[1]
        index, how = choose(file, columns, n, opened.frequency, "frequency_column"), "given"
    order, zero_line, falling = _order(file, columns, table, index)
    frequency = table.values[order, index]
    unit, why = _frequency_unit(file, columns, index, frequency, opened.unit)
    rows = Rows(
        file=file,
        columns=columns,
        table=table,
        order=order,
        frequency=index,
        frequency_hz=frequency * 1000.0 if unit == "kHz" else frequency,
        decisions=(
            *opened.decisions,
            ("decimal", f"{'dot' if decimal.mark == '.' else 'comma'} ({opened.how_decimal})"),
            ("frequency_column", f"{columns.told(index)} ({how})"),
            ("frequency_unit", f"{unit} ({why})"),
            *_remarks(table, zero_line=zero_line or opened.layout.zero_line, falling=falling),
        ),
    )
    _check_highest(rows)
    return rows


def _remarks(table: Table, *, zero_line: int | None, falling: bool) -> Decisions:
    """Tell what was done to the rows."""
    done = []
    if table.grouped:
        done.append(("thousands", "marks between groups of three digits dropped"))
    if falling:
        done.append(("order", "falling frequency, rows reversed"))
    if zero_line:
        done.append(("zero_frequency", f"row at 0 Hz left out, line {zero_line}"))
    return tuple(done)


def _order(file: TextFile, columns: Columns, table: Table, index: int) -> tuple[slice, int | None, bool]:
    """Give the rows to use in rising order, the line of a row at 0 Hz, and whether rows fall."""
    for row, cell in table.wrong.get(index, []):
        raise _no_number(file, columns.told(index), table.line(row), cell)
    f = table.values[:, index]
    falling = bool(f[-1] < f[0])
    right = f[1:] < f[:-1] if falling else f[1:] > f[:-1]
    if not right.all():
        row = int(np.argmin(right)) + 1
        raise file.refusal(
            f"frequency must {'fall' if falling else 'rise'} at every row",
            f"it goes from {f[row - 1]:.10g} to {f[row]:.10g}",
            "sort the rows or drop duplicates, or give frequency_column= if it is in another column",
            line=table.line(row),
        )
    order = slice(None, None, -1) if falling else slice(None)
    lowest = len(f) - 1 if falling else 0
    if f[lowest] > 0:
        return order, None, falling
    if f[lowest] < 0 or len(f) < 3:  # noqa: PLR2004 - two rows must remain
        raise file.refusal(
            "frequency must be above 0 Hz in at least two rows",
            f"it is {f[lowest]:g}",
            "drop the row, or give frequency_column= if it is in another column",
            line=table.line(lowest),
        )
    return (slice(-2, None, -1) if falling else slice(1, None)), table.line(lowest), falling


def _check_highest(rows: Rows) -> None:
    highest_hz = rows.frequency_hz[-1]
    if highest_hz > FREQUENCY_LIMIT_HZ:
        raise rows.file.refusal(
            f"frequency must stay below {FREQUENCY_LIMIT_HZ / 1e6:g} MHz",
            f"it goes up to {highest_hz:g} Hz",
            "give frequency_column=, frequency_unit= or decimal= if this was misread",
            line=rows.line(len(rows.frequency_hz) - 1),
        )


def _no_number(file: TextFile, told: str, line: int, cell: str, keyword: str = "frequency_column") -> FileRefusedError:
    return file.refusal(
        "each cell of a column that is used must be a finite number",
        f"column {told} holds {shown(cell)}",
        f"drop the row at its source, or give {keyword}= if this is not the column",
        line=line,
    )


def _frequency_unit(
    file: TextFile, columns: Columns, index: int, values: FloatArray, given: str | None
) -> tuple[str, str]:
    """Find the unit of a column of frequencies.

    Notes
    -----
    Without a unit in the header: above 200 the numbers are Hz (200 kHz is far above hearing); from
    below 1 to at most 50 they are kHz (no response of an earphone ends at 50 Hz); from 5 up they
    are Hz (none begins at 5 kHz).
    """
    if given is not None:
        if given not in {"Hz", "kHz"}:
            raise file.refusal('frequency_unit must be "Hz" or "kHz"', f"it is {given!r}", "give one of these")
        return given, "given"
    name = columns.names[index] if columns.names else ""
    if _KILO.search(name):
        return "kHz", f"header, line {columns.line}"
    if _HERTZ.search(name):
        return "Hz", f"header, line {columns.line}"
    lowest, highest = values[0], values[-1]
    if not _PER_SECOND.search(name):
        if highest > 200 or lowest >= 5:  # noqa: PLR2004 - as documented
            return "Hz", "content"
        if lowest < 1 and highest <= 50:  # noqa: PLR2004 - as documented
            return "kHz", "content"
    raise file.refusal(
        "it must be clear whether frequency is in Hz or kHz",
        f"column {columns.told(index)} goes from {lowest:g} to {highest:g}",
        'give frequency_unit="Hz" or frequency_unit="kHz"',
        line=columns.line or None,
    )
