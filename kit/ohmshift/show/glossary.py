"""The words of the trade that a write-up uses, explained as DEVELOPERS.md explains them."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from ohmshift.errors import FileMissingError

_BOOK = "DEVELOPERS.md"
_ROW = re.compile(r"^\|(?P<term>(?:\\.|[^|\\])+)\|(?P<meaning>(?:\\.|[^|\\])+)\|\s*$")
_SYMBOL = re.compile(r"[A-Z](_\w+)?")


@cache
def read_glossary() -> tuple[tuple[str, str], ...]:
    """Read the glossary of DEVELOPERS.md, the one place where terms are explained.

    Returns
    -------
    tuple of (str, str)
        Term and meaning, in the order of the book.

    Raises
    ------
    FileMissingError
        The kit came without it.
    """
    package = Path(__file__).resolve().parents[1]
    for place in (package / "_shipped" / _BOOK, package.parents[1] / _BOOK):
        if place.is_file():
            section = place.read_text(encoding="utf-8").split("\n## Glossary\n", 1)[-1].split("\n## ", 1)[0]
            rows = [match for line in section.splitlines() if (match := _ROW.match(line))]
            pairs = [(_plain(row["term"]), _plain(row["meaning"])) for row in rows]
            return tuple(pair for pair in pairs if pair[0] != "term" and set(pair[0]) != {"-"})
    raise FileMissingError(_BOOK, "the kit comes with its glossary", "it is missing", "install the kit again")


def terms_used(text: str) -> tuple[tuple[str, str], ...]:
    """Give the terms of the glossary that a text uses.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    tuple of (str, str)
        Term and meaning, in the order of the alphabet; terms that a meaning uses are there too.

    Examples
    --------
    >>> [term for term, _ in terms_used("Each reseating moves it; the margin is 1 dB.")]
    ['added resistance, R', 'change', 'margin', 'response', 'seat, reseating']
    """
    used: dict[str, str] = {}
    while found := [pair for pair in read_glossary() if pair[0] not in used and _is_used(pair[0], text)]:
        used.update(found)
        text = " ".join(meaning for _, meaning in found)  # whose own words are explained too
    return tuple(sorted(used.items(), key=lambda pair: pair[0].lower()))


def _is_used(term: str, text: str) -> bool:
    """Tell whether a text has any word of an entry such as "seat, reseating", symbols apart."""
    return any(_occurs(name, text) for name in term.split(", ") if not _SYMBOL.fullmatch(name))


def _occurs(name: str, text: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(name)}(?:s|es)?(?![\w-])", text, re.IGNORECASE) is not None


def _plain(cell: str) -> str:
    return cell.strip().replace("\\|", "|").replace("`", "")
