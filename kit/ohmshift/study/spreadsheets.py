"""Tables as CSV that a spreadsheet opens as text and numbers, running nothing."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_CONTROL = ("\t", "\r", "\n")


def safe_for_spreadsheets(table: pd.DataFrame) -> pd.DataFrame:
    """Keep a spreadsheet from running text as a formula.

    Parameters
    ----------
    table : DataFrame
        Any table.

    Returns
    -------
    DataFrame
        Text that starts like a formula, blanks before it or not, gets an apostrophe in front; numbers stay.

    Examples
    --------
    >>> import pandas as pd
    >>> safe_for_spreadsheets(pd.DataFrame({"a": ["=1+1", "fine"]}))["a"].tolist()
    ["'=1+1", 'fine']
    """
    texts = [name for name, column in table.items() if column.dtype.kind not in "fiub"]
    return table.assign(**{str(name): table[name].map(_quieten) for name in texts})


def csv_text(table: pd.DataFrame) -> str:
    """Write a table as CSV.

    Parameters
    ----------
    table : DataFrame
        Any table, its columns named by the kit.

    Returns
    -------
    str
        Comma, point and line feed. Text is quoted, so that no other delimiter breaks it into cells, and safe from
        running as a formula; a number has as many digits as it takes to read the same one; what is missing is empty.
    """
    safe = safe_for_spreadsheets(table)
    return str(safe.to_csv(index=False, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC))


def _quieten(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    return f"'{cell}" if cell.startswith(_CONTROL) or cell.lstrip().startswith(_FORMULA_STARTS) else cell
