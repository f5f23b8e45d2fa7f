"""Names that mean the same model: how parties spell it."""

from __future__ import annotations

import difflib
import unicodedata
from collections import Counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

CLOSE = 0.8
"""Likeness from 0 to 1 from which two names may be one misspelt."""


def fold_name(name: str) -> str:
    """Fold a name to what spellings of it share.

    Parameters
    ----------
    name : str
        As somebody wrote it.

    Returns
    -------
    str
        Letters and digits alone, small, without accents.

    Examples
    --------
    >>> fold_name("Sauce-Pan"), fold_name("SAUCEPAN ")
    ('saucepan', 'saucepan')
    """
    plain = unicodedata.normalize("NFKD", name).casefold()
    return "".join(letter for letter in plain if letter.isalnum())


def match_names(
    theirs: Iterable[str], own: Iterable[str], *, spellings: Mapping[str, str] | None = None
) -> dict[str, str]:
    """Find which of one's own names each of theirs is.

    Parameters
    ----------
    theirs, own : iterable of str
        Names.
    spellings : mapping of str to str, optional
        Own name by theirs, where a person has said so.

    Returns
    -------
    dict of str to str
        Own name by theirs: for those said; for names that are the same letter by letter; and for names that are the
        same but for capitals, blanks, accents and marks, where no other name of either side is that too.

    Examples
    --------
    >>> match_names(["LADLE", "Wisk"], ["Ladle", "Whisk"])
    {'LADLE': 'Ladle'}
    >>> match_names(["Wok", "WOK+"], ["Wok", "Wok+"])
    {'Wok': 'Wok'}
    """
    theirs, own, said = list(theirs), list(own), spellings or {}
    folded = {fold_name(name): name for name in own}
    uses = Counter(map(fold_name, theirs)), Counter(map(fold_name, own))
    found = {}
    for name in theirs:
        fold = fold_name(name)
        if name in said or name in own:
            found[name] = said.get(name, name)
        elif fold and all(count[fold] == 1 for count in uses):
            found[name] = folded[fold]
    return found


def nearly_the_same(name: str, others: Iterable[str]) -> str | None:
    """Find a name that another may be a misspelling of.

    Parameters
    ----------
    name : str
        A name that matches none of the others.
    others : iterable of str
        Names.

    Returns
    -------
    str or None
        The closest one, if it is close.

    Examples
    --------
    >>> nearly_the_same("Wisk", ["Ladle", "Whisk"]), nearly_the_same("Wok", ["Ladle"])
    ('Whisk', None)
    """
    by_fold = {fold_name(other): other for other in others if fold_name(other)}
    close = difflib.get_close_matches(fold_name(name), by_fold, n=1, cutoff=CLOSE)
    return by_fold[close[0]] if close else None
