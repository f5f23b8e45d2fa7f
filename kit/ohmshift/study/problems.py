"""What is wrong with a file of a study, said so that its owner can mend it."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Literal, TypeAlias

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

Effect: TypeAlias = Literal["left out", "flagged"]

_LONGEST_VALUE = 120

_KEYWORD = re.compile(r"(?:, or )?give (?:for example )?(\w+)=.*")
_NAMES = 'name each column with its unit in a line above the rows, as "Frequency (Hz)", "Level (dB)" or "Phase (deg)"'
_TABS = "save it anew with tabs between the columns and a decimal point"
_INSTEAD = {"delimiter": _TABS, "decimal": _TABS, "first_line": ""}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Problem:
    """One thing that is wrong, or doubtful, in a study.

    Parameters
    ----------
    file : str
        File, relative to the study, with forward slashes.
    row : int or None
        Line in that file as an editor numbers it, from 1; None where the whole file is meant.
    column : str
        Column or key; empty where the whole row is meant.
    value : str
        What was found; long text is cut.
    rule : str
        The rule, as a clause.
    mend : str
        What the user can do.
    effect : {"left out", "flagged"}
        "left out": the row, file or value is not used. "flagged": it is used, and the user should look at it.
    earphone : str
        The earphone concerned, where there is one.

    Examples
    --------
    >>> print(Problem(file="measurements.csv", row=12, column="added_ohm", value="fifteen",
    ...               rule="it must be a number of ohms, 0 or more", mend="write 15", effect="left out"))
    measurements.csv, line 12, added_ohm: it must be a number of ohms, 0 or more, but is 'fifteen'; write 15
    """

    file: str
    row: int | None
    column: str
    value: str
    rule: str
    mend: str
    effect: Effect
    earphone: str = ""

    def __post_init__(self) -> None:
        """Cut a value too long to show."""
        if len(self.value) > _LONGEST_VALUE:
            object.__setattr__(self, "value", self.value[: _LONGEST_VALUE - 1] + "…")

    @property
    def where(self) -> str:
        """Name the place: file, line and column."""
        line = "" if self.row is None else f", line {self.row}"
        return f"{self.file}{line}{', ' if self.column else ''}{self.column}"

    def __str__(self) -> str:
        """Write the problem as one sentence."""
        found = f", but is {self.value!r}" if self.value else ""
        return f"{self.where}: {self.rule}{found}; {self.mend}"


def as_text(value: object) -> str:
    """Write a value that a file gave, whatever it is.

    Parameters
    ----------
    value : object
        The value.

    Returns
    -------
    str
        As Python writes it; a whole number of thousands of digits, or lists without end in each other, as such.

    Examples
    --------
    >>> as_text(0.5), as_text(16**9999)
    ('0.5', 'too long to show')
    """
    try:
        return str(value)
    except (ValueError, RecursionError):
        return "too long to show"


def mend_listed(mend: str) -> str:
    """Say how a curve file is mended where a list names it, and no keyword can be given to its reader.

    Parameters
    ----------
    mend : str
        What the reader's error says.

    Returns
    -------
    str
        The same, with another way in place of a keyword.

    Examples
    --------
    >>> mend_listed("mend the row, or give delimiter= if something else separates the cells")
    'mend the row, or save it anew with tabs between the columns and a decimal point'
    """
    keyword = _KEYWORD.search(mend)
    if keyword is None:
        return mend
    return ", or ".join(way for way in (mend[: keyword.start()], _INSTEAD.get(keyword[1], _NAMES)) if way)


def problems_table(problems: Iterable[Problem]) -> pd.DataFrame:
    """Put problems into a table.

    Parameters
    ----------
    problems : iterable of Problem
        Problems, as a study or a findings log lists them.

    Returns
    -------
    DataFrame
        One row a problem, in the same order; columns named as the fields of `Problem`, `row` a nullable integer.
    """
    names = [field.name for field in fields(Problem)]
    rows = [[getattr(problem, name) for name in names] for problem in problems]
    return pd.DataFrame(rows, columns=names).astype({"row": "Int64"})
