"""How a text is laid out: where the rows begin, what separates the cells, which mark is the decimal sign.

The first dozen rows or so are looked at. What they leave open is decided from the file as a whole, or refused.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ohmshift.study.textbytes import LINE_LIMIT_BYTES, check_characters, long_line

if TYPE_CHECKING:
    from ohmshift.study.textbytes import TextFile

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", " ": "blanks"}
NUMBER_CHARACTERS = b"0123456789+-.eE \t\n,;"
_SAMPLE_BYTES = 240

_NUMBER = rb"[+-]?(?:\d+(?:[.,']\d{3})*(?:[.,]\d*)?|[.,]\d+)(?:[eEdD][+-]?\d+)?"
_SEPARATOR = rb'"?(?:[ \t]*+[;,][ \t]*+|[ \t]++)"?'
_ROW = re.compile(rb'[ \t]*"?' + _NUMBER + _SEPARATOR + rb"[+-]?[.,]?\d(?!\d*[:/-])")
_LIKE_A_ROW = re.compile(rb"""[ \t]*"?(?:[^ \t;,"]*[\d.,]|[+-]?(?:nan|inf|null|n/?a)\b)""", re.IGNORECASE)
_NUMBER_SIGNS = re.compile(r"[\d.,]")
_ONE_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eEdD][+-]?\d+)?")
_MISSING = re.compile(r"(?:[+-]?(?:nan|inf(?:inity)?)|[+-]?1\.#\w+|n/?a|null|none|nil|#\S*|-+|\?+|x|)", re.IGNORECASE)
_COMMENT = re.compile(r"[ \t]*(?:[#%*!;]|//|--(?!\d)|rem\b)", re.IGNORECASE)
_NO_TAB = re.compile(rb"^[^\t\n]+$", re.MULTILINE)
_QUOTED = re.compile(rb'"[^"\n]*"')


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Layout:
    """Where the rows of a text begin, and how its cells are separated.

    Parameters
    ----------
    start : int
        Offset of the first row in the text.
    first_line : int
        Number of its line, counted from 1.
    delimiter : str
        Comma, semicolon, tab, or a blank for any run of blanks.
    n_columns : int
        Cells in a row.
    trailing : bool
        Whether each row ends with a delimiter that separates nothing.
    sample : bytes
        The first rows.
    zero_line : int, optional
        Number of a line before the first row that holds 0 Hz and no number beside it.
    """

    start: int
    first_line: int
    delimiter: str
    n_columns: int
    trailing: bool
    sample: bytes
    zero_line: int | None = None


def sniff(file: TextFile, *, delimiter: str | None = None, first_line: int | None = None) -> Layout:
    r"""Find where the rows begin and what separates their cells.

    Parameters
    ----------
    file : TextFile
        The text.
    delimiter : {",", ";", "\t", " "}, optional
        What separates cells; found from the rows where not given.
    first_line : int, optional
        Number of the line of the first row; found where not given.

    Returns
    -------
    Layout
        What was found.

    Raises
    ------
    FileRefusedError
        There is no row of numbers, a row before the first one is broken, or the delimiter is not
        clear.

    Notes
    -----
    The first row is the first line with a number, a separator and another number. A line before it
    that looks like a row with a cell missing or not a number is refused, not taken for a header.
    A semicolon separates wherever it occurs, then a tab, then a comma unless blanks stand between
    the numbers, then blanks.
    """
    if delimiter is not None and delimiter not in DELIMITERS:
        raise file.refusal(
            'delimiter must be ",", ";", "\\t" or " "', f"it is {delimiter!r}", "give one of these, or leave it out"
        )
    start, line, suspects = _find_first_row(file, first_line)
    check_characters(file, start)
    sample = _sample(file.text, start)
    found = delimiter or _find_delimiter(file, sample, line)
    end = sample.find(b"\n")
    first = (sample if end < 0 else sample[:end]).decode("utf-8", "replace").rstrip(" " if found == "\t" else " \t")
    row = split_row(first, found)
    trailing = first.endswith(found)
    n = len(row) - (row[-1] == "")
    if n < 2:  # noqa: PLR2004 - frequency, and a value
        raise file.refusal(
            "a row needs at least two columns",
            f"it has {n} when cells are separated by {DELIMITERS[found]}",
            "give delimiter= to say what separates the cells",
            line=line,
        )
    zero_line = None
    for number, text in suspects:
        if _is_zero_row(file, text, line=number, delimiter=found, most=n + trailing):
            zero_line = number
    return Layout(
        start=start,
        first_line=line,
        delimiter=found,
        n_columns=n,
        trailing=trailing,
        sample=sample,
        zero_line=zero_line,
    )


def split_row(line: str, delimiter: str) -> list[str]:
    """Split a line into cells.

    Parameters
    ----------
    line : str
        The line.
    delimiter : str
        What separates its cells; a blank means any run of blanks.

    Returns
    -------
    list of str
        The cells, without quotes and outer blanks.
    """
    if '"' in line:
        text = line if delimiter == "\t" else line.strip().replace("\t", " ")
        cells = next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])
    elif delimiter == " ":
        return line.split()
    else:
        cells = line.strip().split(delimiter)
    return [cell.strip() for cell in cells]


def is_comment(line: str, delimiter: str) -> bool:
    """Say whether a line is marked as a comment.

    Parameters
    ----------
    line : str
        The line.
    delimiter : str
        What separates the cells; a semicolon then marks no comment.

    Returns
    -------
    bool
        Whether it starts with ``# % * ! ; // --`` or ``REM``.
    """
    return bool(_COMMENT.match(line)) and not (delimiter == ";" and line.lstrip().startswith(";"))


def _find_first_row(file: TextFile, first_line: int | None) -> tuple[int, int, list[tuple[int, bytes]]]:
    """Give the offset and line of the first row, and the lines before it that start with a number."""
    text, match, position, line = file.text, _ROW.match, 0, 1
    suspects: list[tuple[int, bytes]] = []
    while position < len(text):
        end = text.find(b"\n", position)
        end = len(text) if end < 0 else end
        if end - position > LINE_LIMIT_BYTES:
            raise long_line(file.source, line)
        if first_line is None or line == first_line:
            if match(text, position, end):
                return position, line, suspects
            if first_line is not None:
                break
            if _LIKE_A_ROW.match(text, position, end):
                suspects.append((line, text[position:end]))
        position, line = end + 1, line + 1
    if first_line is not None:
        raise file.refusal(
            "first_line must be the line of the first row of numbers",
            "there is no row of numbers",
            "count lines from 1, or leave first_line out",
            line=first_line,
        )
    check_characters(file)
    nearest = f"; line {suspects[0][0]} reads {shown(suspects[0][1])}" if suspects else ""
    raise file.refusal(
        "a curve needs rows of numbers in at least two columns",
        f"no line of the file is such a row{nearest}",
        "export the curve as text, one frequency a row",
    )


def _sample(text: bytes, start: int) -> bytes:
    """Give the first rows, without comments and empty lines."""
    end = text.find(b"\n", start + _SAMPLE_BYTES)
    rows = text[start : end if end >= 0 else len(text)][: _SAMPLE_BYTES + LINE_LIMIT_BYTES]
    if not rows.translate(None, NUMBER_CHARACTERS) and b"\n\n" not in rows:
        return rows
    return b"\n".join(row for row in rows.split(b"\n") if _ROW.match(row))


def _find_delimiter(file: TextFile, sample: bytes, line: int) -> str:
    rows = _QUOTED.sub(b"0", sample) if b'"' in sample else sample
    if b";" in rows:
        return ";"
    commas = b"," in rows
    if b"\t" in rows and not (commas and not re.search(rb"[^,\s] *+\t[ \t]*+[^,\s]", rows)):
        return " " if _NO_TAB.search(rows) else "\t"
    if not commas:
        return " "
    if not re.search(rb"[^,\s][ \t]++[^,\s]", rows):
        return ","
    if re.search(rb",[ \t]", rows):
        raise file.refusal(
            "one mark must separate the cells",
            "both blanks and commas separate them",
            "give delimiter= to say which one does, or export again",
            line=line,
        )
    return " "


def _is_zero_row(file: TextFile, text: bytes, *, line: int, delimiter: str, most: int) -> bool:
    """Refuse a line before the first row that may be a row itself, unless it is one at 0 Hz."""
    row = text.decode("utf-8", "replace")
    cells = split_row(row, delimiter)
    if is_comment(row, delimiter):
        return False
    is_number = bool(_ONE_NUMBER.fullmatch(cells[0]))
    missing = len(cells) <= most + 1 and any(_MISSING.fullmatch(cell) for cell in cells[1:])
    if is_number and missing and not re.search("[1-9]", cells[0]):
        return True
    if (is_number and (missing or len(cells) in {1, most})) or (len(cells) <= most + 1 and _is_garbled(cells)):
        raise file.refusal(
            "a line before the first row must not look like a row",
            f"it reads {shown(text)}",
            "mend or delete it, mark it with # if it is a comment, or give first_line=",
            line=line,
        )
    return False


def _is_garbled(cells: list[str]) -> bool:
    """Say whether the first cell was a number before something spoilt it: others are, and half its signs fit."""
    first = cells[0]
    fits = len(_NUMBER_SIGNS.findall(first)) * 2 >= len(first) or _MISSING.fullmatch(first)
    return bool(fits) and any(map(_ONE_NUMBER.fullmatch, cells[1:]))


def shown(text: bytes | str) -> str:
    """Quote the beginning of a line for a message.

    Parameters
    ----------
    text : bytes or str
        The line.

    Returns
    -------
    str
        Up to 60 characters of it, quoted.
    """
    if isinstance(text, bytes):
        text = text[:240].decode("utf-8", "replace")
    text = text.strip()
    return repr(text if len(text) <= 60 else text[:59] + "…")  # noqa: PLR2004 - as documented
