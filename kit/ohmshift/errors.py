"""What can go wrong: one base class, and one class for each kind of wrong input.

Every message says where it went wrong, the rule, what was found, and what to do about it.
"""

from __future__ import annotations


class OhmshiftError(Exception):
    """Tell where a rule was broken, what was found, and how to mend it.

    Parameters
    ----------
    where : str
        File, line, column, or the name of the argument.
    rule : str
        The rule, as a clause: "frequency must rise at every row".
    found : str
        What was found instead.
    mend : str
        What the user can do.

    Examples
    --------
    >>> raise CurveError("ladle.txt, line 37", "frequency must rise at every row",
    ...                  "it goes from 1000 Hz to 998.2 Hz", "sort the rows or drop duplicates")
    Traceback (most recent call last):
    ohmshift.errors.CurveError: ladle.txt, line 37: frequency must rise at every row,
    but it goes from 1000 Hz to 998.2 Hz; sort the rows or drop duplicates
    """

    def __init__(self, where: str, rule: str, found: str, mend: str) -> None:
        self.where = where
        self.rule = rule
        self.found = found
        self.mend = mend
        super().__init__(f"{where}: {rule}, but {found}; {mend}")

    def __reduce__(self) -> tuple[type[OhmshiftError], tuple[str, str, str, str]]:
        """Give what rebuilds the error in another process, its four parts."""
        return (type(self), (self.where, self.rule, self.found, self.mend))


class CurveError(OhmshiftError, ValueError):
    """A curve, or an option of a step on curves, that breaks a rule."""


class FileRefusedError(OhmshiftError, ValueError):
    """A file whose content cannot be read without guessing."""


class FileMissingError(OhmshiftError, FileNotFoundError):
    """A file or folder that is not there."""


class StudyError(OhmshiftError, ValueError):
    """A study folder, or a question put to it, that breaks a rule."""


class EvidenceError(OhmshiftError, ValueError):
    """Data that do not carry the statement asked for."""


class FindingError(OhmshiftError, ValueError):
    """A finding that may not be recorded as it stands."""
