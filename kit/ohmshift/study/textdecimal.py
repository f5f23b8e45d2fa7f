"""Which mark is the decimal sign, and which groups digits by three.

"1,234" may be one thousand or one and a bit. One number elsewhere in the file can tell; where none
does, both readings are handed back, to be tried on what a curve must be.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ohmshift.study.textsniff import NUMBER_CHARACTERS, is_comment, shown, split_row

if TYPE_CHECKING:
    from ohmshift.study.textbytes import TextFile
    from ohmshift.study.textsniff import Layout

_OTHER = {".": ",", ",": "."}
_BLANK_GROUPS = "' "
_LAST_BYTES = 200


@dataclass(frozen=True, slots=True, eq=True, kw_only=True)
class Decimal:
    """What marks decimals, and what may group digits by three.

    Parameters
    ----------
    mark : str
        Decimal sign, "." or ",".
    group : str
        Marks that may stand between groups of three digits.
    """

    mark: str
    group: str = ""


def _surely(mark: str) -> re.Pattern[bytes]:
    """Find a mark that cannot group digits: after 0 or four digits, or not before exactly three."""
    m = rb"\." if mark == "." else b","
    return re.compile(rb"(?<![\d.,])0\d*%b|\d{4}%b|(?<!\d)%b\d|%b(?!\d{3}(?![\deEdD]))" % (m, m, m, m))


_SURELY_DECIMAL = {".": _surely("."), ",": _surely(",")}
_COMMA_THEN_DOT = re.compile(rb"\d,\d{3}\.\d")
_DOT_THEN_COMMA = re.compile(rb"\d\.\d{3},\d")


def find_decimal(
    file: TextFile, layout: Layout, *, decimal: str | None = None, delimiter_is_sure: bool = False
) -> tuple[Decimal, ...]:
    """Find the decimal sign.

    Parameters
    ----------
    file : TextFile
        The text.
    layout : Layout
        Where its rows begin and what separates their cells.
    decimal : {".", ","}, optional
        The decimal sign; found from the rows where not given.
    delimiter_is_sure : bool
        Whether a keyword or a header confirms what separates the cells.

    Returns
    -------
    tuple of Decimal, length 1 or 2
        The decimal sign, or both where only what a curve must be can tell.

    Raises
    ------
    FileRefusedError
        Both signs mark decimals.

    Notes
    -----
    A mark is surely decimal where it cannot group digits by three: "20.5", "0.125", "1000.250". A
    mark that could group everywhere and stands beside a sure one is taken to group.
    """
    if decimal is not None:
        if decimal not in _OTHER:
            raise file.refusal('decimal must be "." or ","', f"it is {decimal!r}", "give one of these, or leave it out")
        if decimal == layout.delimiter and b'"' not in file.text[layout.start :]:
            raise file.refusal(
                "one mark cannot separate cells and be the decimal sign",
                f"both are {decimal!r}",
                "give delimiter= to say what separates the cells",
                line=layout.first_line,
            )
        return (_decimal(decimal, layout),)
    body = file.text[layout.start :]
    if layout.delimiter == "," and b'"' not in body:
        if not (layout.n_columns == 2 or delimiter_is_sure or b"." in layout.sample):  # noqa: PLR2004 - a pair
            _check_comma(file, layout)
        return (_decimal(".", layout),)
    if b"," not in body and _SURELY_DECIMAL["."].search(layout.sample):
        return (_decimal(".", layout),)
    rows = _rows(file, layout)
    comma, dot = b"," in rows, b"." in rows
    if comma and dot:
        return (_decimal(_settle(file, layout, rows), layout),)
    mark = "," if comma else "."
    if not (comma or dot) or _is_surely_decimal(mark, rows):
        return (_decimal(mark, layout),)
    return (_decimal(mark, layout), _decimal(_OTHER[mark], layout))


def _decimal(mark: str, layout: Layout) -> Decimal:
    blanks = _BLANK_GROUPS if layout.delimiter != " " else "'"
    return Decimal(mark=mark, group=_OTHER[mark] + blanks)


def _rows(file: TextFile, layout: Layout) -> bytes:
    """Give the rows without comments and quotes, and without delimiters where these are commas."""
    rows = file.text[layout.start :]
    if not rows.translate(None, NUMBER_CHARACTERS):
        return rows
    lines = rows.split(b"\n")
    kept = [line for line in lines if not is_comment(line[:8].decode("utf-8", "replace"), layout.delimiter)]
    if b'"' in rows:
        return b"\n".join("\t".join(split_row(line.decode(), layout.delimiter)).encode() for line in kept)
    return b"\n".join(kept) if len(kept) < len(lines) else rows


def _is_surely_decimal(mark: str, rows: bytes) -> bool:
    """Say whether a mark is surely decimal somewhere; the last rows, with frequencies from 10 kHz, mostly tell."""
    search = _SURELY_DECIMAL[mark].search
    return bool(search(rows, max(len(rows) - _LAST_BYTES, 0)) or search(rows))


def _check_comma(file: TextFile, layout: Layout) -> None:
    """Refuse whole numbers between commas in three columns or more: the comma may mark decimals."""
    if b"." in _rows(file, layout):
        return
    first = shown(layout.sample.partition(b"\n")[0])
    raise file.refusal(
        "it must be clear what a comma does",
        f"in {first} it may separate cells or mark decimals",
        'export with another delimiter, or give delimiter="," if it only separates',
        line=layout.first_line,
    )


def _settle(file: TextFile, layout: Layout, rows: bytes) -> str:
    """Say which of two marks is the decimal sign."""
    votes = {mark: _is_surely_decimal(mark, rows) for mark in _SURELY_DECIMAL}
    if not any(votes.values()):
        votes = {".": bool(_COMMA_THEN_DOT.search(rows)), ",": bool(_DOT_THEN_COMMA.search(rows))}
    if votes["."] != votes[","]:
        return "." if votes["."] else ","
    first = min(rows.find(b"."), rows.find(b","))
    other = b"," if rows[first : first + 1] == b"." else b"."
    lines = enumerate(file.text[layout.start :].split(b"\n"), layout.first_line)
    number, line = next((n, x) for n, x in lines if other in x and not is_comment(x.decode(), layout.delimiter))
    raise file.refusal(
        "one mark must be the decimal sign throughout",
        f"both dot and comma are used, here in {shown(line)}",
        'give decimal="." or decimal=",", or export again',
        line=number,
    )
