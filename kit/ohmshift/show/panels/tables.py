"""Tables in the cells below a panel, which follow its controls."""

from __future__ import annotations

from typing import TYPE_CHECKING

from IPython.display import display

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd


class FollowingTable:
    """A table in a cell's output that can be brought up to date from elsewhere.

    Parameters
    ----------
    make : callable
        Gives the table.

    Notes
    -----
    It is a plain output, not a widget: a saved notebook, an exported page and a reader without a kernel have it as it
    was last.
    """

    def __init__(self, make: Callable[[], pd.DataFrame]) -> None:
        self._make = make
        self.shown = _bundle(make())
        self._handle = display(self.shown, raw=True, display_id=True)  # type: ignore[no-untyped-call]

    def update(self) -> None:
        """Show the table as it is now."""
        now = _bundle(self._make())
        if now != self.shown:
            self.shown = now
            if self._handle is not None:  # outside a notebook there is none
                self._handle.update(now, raw=True)


def _bundle(table: pd.DataFrame) -> dict[str, str]:
    return {"text/plain": table.to_string(index=False, na_rep=""), "text/html": write_table(table)}


def write_table(table: pd.DataFrame) -> str:
    """Write a table as HTML, without numbers of rows.

    Parameters
    ----------
    table : DataFrame
        The table.

    Returns
    -------
    str
        HTML; unknown values are empty.
    """
    return table.to_html(border=0, index=False, na_rep="")
