"""From rows of text to numbers: a fast way for plain rows, a strict way for everything else.

Both give, bit for bit, what ``float`` gives for each cell.
"""

from __future__ import annotations

import math
import re
from array import array
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from pyarrow import csv

from ohmshift.study.textbytes import LINE_LIMIT_BYTES, check_characters, long_line
from ohmshift.study.textsniff import DELIMITERS, NUMBER_CHARACTERS, is_comment, shown, split_row

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.study.textbytes import TextFile
    from ohmshift.study.textdecimal import Decimal
    from ohmshift.study.textsniff import Layout

_has_digit = re.compile(r"\d").search
_POWERS = 10.0 ** np.arange(19)
_LONGEST = 16
_SHORT_BYTES = 2**16
_LINE_FEED, _MINUS, _DOT, _ZERO = b"\n-.0"
_TABS = csv.ParseOptions(delimiter="\t", quote_char=False)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Table:
    """The numbers of a file.

    Parameters
    ----------
    values : ndarray, shape (n, c)
        Numbers; nan where a cell holds none.
    first_line : int
        Number of the line of the first row.
    lines : sequence of int, length n, or None
        Number of each row's line; None where each row follows the one before.
    wrong : dict
        For each column with cells that hold no number: the first two of them, as row, and text.
    grouped : bool
        Whether a mark grouped digits by three.
    """

    values: FloatArray
    first_line: int
    lines: array[int] | None = None
    wrong: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    grouped: bool = False

    def line(self, row: int) -> int:
        """Give the number of a row's line.

        Parameters
        ----------
        row : int
            Row, counted from 0.

        Returns
        -------
        int
            Line, counted from 1.
        """
        return self.first_line + row if self.lines is None else self.lines[row]


def parse(file: TextFile, layout: Layout, decimal: Decimal) -> Table:
    """Turn the rows of a file into numbers.

    Parameters
    ----------
    file : TextFile
        The text.
    layout : Layout
        Where its rows begin and what separates their cells.
    decimal : Decimal
        What marks decimals.

    Returns
    -------
    Table
        The numbers.

    Raises
    ------
    FileRefusedError
        A row has another number of cells than the first, or a line is neither row nor comment.
    """
    values = _parse_plain(file.text[layout.start :].rstrip(b"\n ") + b"\n", layout, decimal)
    if values is not None:
        return Table(values=values, first_line=layout.first_line)
    check_characters(file)
    return _parse_strictly(file, layout, decimal)


@lru_cache
def _translation(delimiter: str, mark: str) -> bytes:
    """Make each delimiter a tab and each decimal sign a dot."""
    table = bytearray(range(256))
    if mark == ",":
        table[ord(".")], table[ord(",")] = b",."
    table[ord(delimiter)] = ord("\t")
    return bytes(table)


def _parse_plain(body: bytes, layout: Layout, decimal: Decimal) -> FloatArray | None:
    """Parse rows of nothing but numbers and delimiters, or give None."""
    if body.translate(None, NUMBER_CHARACTERS):
        return None
    if layout.delimiter != "\t" or decimal.mark != ".":
        body = body.translate(_translation(layout.delimiter, decimal.mark))
    if layout.trailing:
        body = body.replace(b"\t\n", b"\n")
    elif layout.delimiter == " ":
        body = _single_blanks(body)
    elif b" " in body:
        body = body.replace(b"\t ", b"\t")
    if b" " in body or b"," in body or b";" in body or b"\n\n" in body:
        return None
    if len(body) <= _SHORT_BYTES and not (b"e" in body or b"E" in body or b"+" in body):
        values = _exact_integers(body, layout.n_columns)
        if values is not None:
            return values
    return _by_library(body, layout.n_columns)


@lru_cache
def _options(n_columns: int) -> tuple[csv.ReadOptions, csv.ConvertOptions]:
    """Ask for so many columns of numbers, none of them empty."""
    names = [str(i) for i in range(n_columns)]
    numbers = csv.ConvertOptions(column_types=dict.fromkeys(names, pa.float64()), check_utf8=False, null_values=[])
    return csv.ReadOptions(column_names=names, use_threads=False), numbers


def _by_library(body: bytes, n_columns: int) -> FloatArray | None:
    """Read what is long, or has more digits than fit a whole number; asking costs as much as 500 short rows."""
    read, convert = _options(n_columns)
    try:
        table = csv.read_csv(pa.py_buffer(body), read_options=read, parse_options=_TABS, convert_options=convert)
    except pa.ArrowInvalid:
        return None
    values: FloatArray = np.column_stack([column.to_numpy() for column in table.columns])
    return values if np.isfinite(values).all() else None


def _single_blanks(body: bytes) -> bytes:
    """Leave one blank, by now a tab, of each run between cells, and none at either end of a line."""
    while b"\t\t" in body:
        body = body.replace(b"\t\t", b"\t")
    if b"\n\t" in body or body.startswith(b"\t"):
        body = body.lstrip(b"\t").replace(b"\n\t", b"\n")
    return body.replace(b"\t\n", b"\n")


def _exact_integers(body: bytes, n_columns: int) -> FloatArray | None:
    """Read the digits as whole numbers, then divide by powers of ten; None where that is not exact.

    Notes
    -----
    A whole number of up to 15 digits and a power of ten up to 10^22 are exact in double precision,
    so their quotient is the correctly rounded value, which is what ``float`` gives.
    """
    text = np.frombuffer(body, np.uint8)
    places = ((text <= _LINE_FEED) | (text == _DOT)).nonzero()[0]
    marks = text[places]
    end = (marks <= _LINE_FEED).nonzero()[0]
    if not _is_full(marks[end], n_columns):
        return None
    ends, before = places[end], end - 1
    dotted = marks[before] == _DOT
    if np.count_nonzero(dotted) + end.size != marks.size:
        return None
    starts = np.empty_like(ends)
    starts[0] = 0
    np.add(ends[:-1], 1, out=starts[1:])
    signed = text[starts] == _MINUS
    if np.count_nonzero(signed) != body.count(b"-") or (text[starts[signed] + 1] < _ZERO).any():
        return None
    if (ends - starts).max() > _LONGEST:
        return None
    whole = np.fromstring(body.translate(None, b"."), np.int64, sep=" ")
    if whole.size != ends.size:
        return None
    decimals = ends - places[before]
    decimals -= 1
    decimals *= dotted
    values: FloatArray = whole / _POWERS[decimals]
    if not whole.all():
        values[(whole == 0) & signed] = -0.0
    return values.reshape(-1, n_columns)


def _is_full(marks: npt.NDArray[np.uint8], n_columns: int) -> bool:
    """Say whether each line holds the same number of cells, from the mark after each cell."""
    row = b"\t" * (n_columns - 1) + b"\n"
    return marks.tobytes() == row * (marks.size // n_columns)


def _parse_strictly(file: TextFile, layout: Layout, decimal: Decimal) -> Table:
    """Parse line by line, with quotes, comments and grouped digits; name the line that is wrong."""
    values, lines, grouped = array("d"), array("q"), False
    wrong: dict[int, list[tuple[int, str]]] = {}
    read = _cell_reader(decimal)
    for number, line in enumerate(file.text[layout.start :].decode().split("\n"), layout.first_line):
        if not line or line.isspace() or is_comment(line, layout.delimiter):
            continue
        if len(line) > LINE_LIMIT_BYTES:
            raise long_line(file.source, number)
        cells = split_row(line, layout.delimiter)
        if layout.trailing and not cells[-1]:
            cells.pop()
        if len(cells) != layout.n_columns:
            raise _wrong_line(file, layout, number, line, cells)
        if not any(map(_has_digit, cells)):
            raise _wrong_line(file, layout, number, line, [])
        for column, cell in enumerate(cells):
            value, has_group = read(cell)
            grouped |= has_group
            if math.isnan(value):
                places = wrong.setdefault(column, [])
                if len(places) < 2:  # noqa: PLR2004 - one may be at 0 Hz, the other is told
                    places.append((len(lines), cell))
            values.append(value)
        lines.append(number)
    numbers = np.frombuffer(values, np.float64).reshape(-1, layout.n_columns)
    return Table(values=numbers, first_line=layout.first_line, lines=lines, wrong=wrong, grouped=grouped)


def _wrong_line(file: TextFile, layout: Layout, number: int, line: str, cells: list[str]) -> Exception:
    if not any(map(_has_digit, cells[:2])):
        return file.refusal(
            "after the first row, a line must be a row of numbers or a marked comment",
            f"it reads {shown(line)}",
            "delete the line, or mark it with #",
            line=number,
        )
    return file.refusal(
        f"each row must have {layout.n_columns} columns separated by {DELIMITERS[layout.delimiter]}, as the first has",
        f"it has {len(cells)}: {shown(line)}",
        "mend the row, or give delimiter= if something else separates the cells",
        line=number,
    )


@lru_cache
def _cell_reader(decimal: Decimal) -> Callable[[str], tuple[float, bool]]:
    """Make the function that reads one cell: its number, or nan, and whether digits were grouped."""
    mark = re.escape(decimal.mark)
    exponent = r"(?:[eEdD][+-]?\d+)?"
    plain = re.compile(rf"[+-]?(?:\d+(?:{mark}\d*)?|{mark}\d+){exponent}", re.ASCII)
    group = re.escape(decimal.group)
    groups = re.compile(rf"[+-]?[1-9]\d{{0,2}}([{group}])\d{{3}}(?:\1\d{{3}})*(?:{mark}\d*)?", re.ASCII)

    def read(cell: str) -> tuple[float, bool]:
        grouped = False
        if not plain.fullmatch(cell):
            match = groups.fullmatch(cell)
            if not match:
                return float("nan"), False
            cell, grouped = cell.replace(match[1], ""), True
        value = float(cell.replace(decimal.mark, ".").replace("D", "e").replace("d", "e"))
        return (value if abs(value) != float("inf") else float("nan")), grouped

    return read
