"""From rows of text to numbers: a fast way for plain rows, a strict way for everything else.

Both give, bit for bit, what ``float`` gives for each cell.
"""

from __future__ import annotations

import math
import re
from array import array
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.study.textbytes import LINE_LIMIT_BYTES, check_characters, long_line
from ohmshift.study.textsniff import DELIMITERS, NUMBER_CHARACTERS, is_comment, shown, split_row

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.study.textbytes import TextFile
    from ohmshift.study.textdecimal import Decimal
    from ohmshift.study.textsniff import Layout

_Bounds: TypeAlias = "tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]"
_POWERS = 10.0 ** np.arange(19)
_EXACT = 2**53
_LONGEST = 18
_TAB, _LINE_FEED, _BLANK, _PLUS, _MINUS, _DOT = b"\t\n +-."


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
    values = _parse_plain(file.text[layout.start :], layout, decimal)
    if values is not None:
        return Table(values=values, first_line=layout.first_line)
    check_characters(file)
    return _parse_strictly(file, layout, decimal)


@lru_cache
def _translation(delimiter: str, mark: str) -> bytes:
    """Make each delimiter a tab and each decimal sign a dot; leave blanks where they separate."""
    table = bytearray(range(256))
    if delimiter != " ":
        table[ord(delimiter)] = _TAB
    if mark == ",":
        table[ord(".")] = ord(",")
        table[ord(",")] = _DOT
    return bytes(table)


def _parse_plain(body: bytes, layout: Layout, decimal: Decimal) -> FloatArray | None:
    """Parse rows of nothing but numbers and delimiters, or give None."""
    if body.translate(None, NUMBER_CHARACTERS):
        return None
    body = body.translate(_translation(layout.delimiter, decimal.mark)).rstrip(b"\n") + b"\n"
    if layout.trailing:
        body = body.replace(b"\t\n", b"\n")
    if layout.delimiter != " " and b" " in body:
        body = body.replace(b"\t ", b"\t")
    if b"," in body or b";" in body or (layout.delimiter != " " and b" " in body):
        return None
    cells = np.frombuffer(body, np.uint8)
    bounds = _blank_separated(cells, layout) if layout.delimiter == " " else _mark_separated(cells, layout)
    if bounds is None:
        return None
    values = None
    if b"e" not in body and b"E" not in body:
        values = _exact_integers(body, cells, bounds, layout.n_columns)
    return _floats(body, bounds[0].size, layout.n_columns) if values is None else values


def _mark_separated(text: npt.NDArray[np.uint8], layout: Layout) -> _Bounds | None:
    """Give where cells start and end, if each line holds the same number of them."""
    ends = np.flatnonzero(text <= _LINE_FEED)
    if ends.size % layout.n_columns:
        return None
    marks = text[ends].reshape(-1, layout.n_columns)
    if (marks[:, -1] != _LINE_FEED).any() or (marks[:, :-1] != _TAB).any():
        return None
    starts = np.empty_like(ends)
    starts[0] = 0
    np.add(ends[:-1], 1, out=starts[1:])
    return starts, ends


def _blank_separated(text: npt.NDArray[np.uint8], layout: Layout) -> _Bounds | None:
    """Give where cells start and end, if each line holds the same number of them."""
    n = layout.n_columns
    blank = text <= _BLANK
    edges = np.flatnonzero(blank[1:] != blank[:-1]) + 1
    if not blank[0]:
        edges = np.concatenate(([0], edges))
    starts, ends = edges[0::2], edges[1::2]  # the last byte is a line feed: each cell ends
    breaks = np.flatnonzero(text == _LINE_FEED)
    if ends.size != breaks.size * n:
        return None
    if (ends[n - 1 :: n] > breaks).any() or (starts[n::n] < breaks[:-1]).any():
        return None
    return starts, ends


def _exact_integers(body: bytes, text: npt.NDArray[np.uint8], bounds: _Bounds, n_columns: int) -> FloatArray | None:
    """Read the digits as whole numbers, then divide by powers of ten; None where that is not exact.

    Notes
    -----
    A whole number below 2^53 and a power of ten up to 10^22 are exact in double precision, so their
    quotient is the correctly rounded value, which is what ``float`` gives.
    """
    starts, ends = bounds
    first = text[starts]
    signed = (first == _MINUS) | (first == _PLUS)
    if np.count_nonzero(signed) != body.count(b"-") + body.count(b"+"):
        return None
    digits = ends - starts - signed
    decimals = np.zeros(ends.size, np.intp)
    dots = np.flatnonzero(text == _DOT)
    if dots.size:
        if dots.size == ends.size:
            cell: slice | npt.NDArray[np.intp] = slice(None)
        else:
            cell = np.searchsorted(ends, dots)
            if (np.diff(cell) == 0).any():
                return None
        if (dots < starts[cell]).any() or (dots > ends[cell]).any():
            return None
        decimals[cell] = ends[cell] - dots - 1
        digits[cell] -= 1
    if digits.min() < 1 or digits.max() > _LONGEST:
        return None
    whole = np.fromstring(body.translate(None, b"."), np.int64, sep=" ")
    if whole.size != ends.size or whole.max() > _EXACT or whole.min() < -_EXACT:
        return None
    values: FloatArray = whole.reshape(-1, n_columns) / _POWERS[decimals.reshape(-1, n_columns)]
    if not whole.all():
        values[((whole == 0) & (first == _MINUS)).reshape(-1, n_columns)] = -0.0
    return values


def _floats(body: bytes, n_cells: int, n_columns: int) -> FloatArray | None:
    try:
        values = np.array([float(cell) for cell in body.decode("ascii").split()])
    except ValueError:
        return None
    return values.reshape(-1, n_columns) if values.size == n_cells and np.isfinite(values).all() else None


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
    if not any(any(sign.isdigit() for sign in cell) for cell in cells[:2]):
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
    plain = re.compile(rf"[+-]?(?:\d+(?:{mark}\d*)?|{mark}\d+){exponent}")
    groups = re.compile(rf"[+-]?[1-9]\d{{0,2}}([{re.escape(decimal.group)}])\d{{3}}(?:\1\d{{3}})*(?:{mark}\d*)?")

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
