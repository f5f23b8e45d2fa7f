"""What may be written down in a log: text, finite numbers and plain settings; and how its numbers are written."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.errors import FindingError

if TYPE_CHECKING:
    from collections.abc import Iterable

Scalar: TypeAlias = str | float | int | bool | None
Setting: TypeAlias = Scalar | tuple[Scalar, ...]

_DIGITS = 10
_MOST_DECIMALS = 12


def check_text(where: str, text: object, *, longest: int) -> str:
    """Give a text without the blanks around it.

    Parameters
    ----------
    where : str
        What to call it in an error.
    text : object
        The text.
    longest : int
        Characters it may have.

    Returns
    -------
    str
        The text.

    Raises
    ------
    FindingError
        No text, an empty or a long one, or one with half a character.
    """
    if not isinstance(text, str) or not text.strip():
        raise FindingError(where, "it must be said in words", f"it is {text!r}", "write it")
    if len(text) > longest:
        raise FindingError(where, f"it may have {longest} characters", f"it has {len(text)}", "say it shorter")
    return check_encodable(where, text.strip())


def check_encodable(where: str, text: object) -> str:
    """Give a text back if UTF-8 can hold it; the empty text passes.

    Parameters
    ----------
    where : str
        What to call it in an error.
    text : object
        The text.

    Returns
    -------
    str
        The same text.

    Raises
    ------
    FindingError
        No text, or one with half a character.
    """
    if not isinstance(text, str):
        raise FindingError(where, "it must be text", f"it is {text!r}", "write it, or leave it out")
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise FindingError(where, "it must be valid text", f"it holds {text[error.start]!r}", "type it anew") from error
    return text


def check_finite(where: str, number: object) -> float:
    """Give a number as a float.

    Parameters
    ----------
    where : str
        What to call it in an error.
    number : object
        A number of Python or numpy.

    Returns
    -------
    float
        Its value.

    Raises
    ------
    FindingError
        No number, or one that is not finite.
    """
    number = number.item() if isinstance(number, np.generic) else number
    mend = "leave out what is not known"
    if isinstance(number, bool) or not isinstance(number, int | float):
        raise FindingError(where, "it must be a finite number", f"it is {number!r}", mend)
    try:
        value = float(number)
    except OverflowError:  # a whole number of more than 308 digits
        value = math.inf
    if not math.isfinite(value):
        raise FindingError(where, "it must be a finite number", f"it is {value!r}", mend)
    return value


def write_value(value: float, low: float | None = None, high: float | None = None) -> tuple[str, str]:
    """Write a number and its interval.

    Parameters
    ----------
    value : float
        Number.
    low, high : float, optional
        Ends of its interval.

    Returns
    -------
    tuple of two str
        Number and interval, which is empty without ends: with as many decimals as three digits of the largest take, and
        no more than were given.

    Examples
    --------
    >>> write_value(2.2971, 1.9004, 2.7), write_value(0.8)
    (('2.30', '1.90 to 2.70'), ('0.8', ''))
    """
    given = [value] if low is None or high is None else [value, low, high]
    numbers = [round(number, _MOST_DECIMALS) for number in given]
    largest = max(map(abs, numbers))
    most = max(2 - math.floor(math.log10(largest)), 0) if largest else 0
    decimals = min(count_decimals(numbers), most)
    written, *interval = (f"{number:.{decimals}f}" for number in numbers)
    return written, " to ".join(interval)


def count_decimals(numbers: Iterable[float]) -> int:
    """Count the decimals that numbers show.

    Parameters
    ----------
    numbers : iterable of float
        Numbers; those that are not finite show none.

    Returns
    -------
    int
        Most decimals of any, at ten significant digits.

    Examples
    --------
    >>> count_decimals([2.0, 1.25, float("nan")]), count_decimals([0.1 + 0.2]), count_decimals([])
    (2, 1, 0)
    """
    written = (
        np.format_float_positional(number, precision=_DIGITS, unique=False, fractional=False, trim="-")
        for number in numbers
        if math.isfinite(number)
    )
    return max((len(text.partition(".")[2]) for text in written), default=0)


def check_setting(name: str, value: object) -> Setting:
    """Give a setting as a plain value.

    Parameters
    ----------
    name : str
        Its name.
    value : object
        Text, finite number, truth value or None, of Python or numpy; or a list or tuple of these.

    Returns
    -------
    str, float, int, bool, None, or tuple of these
        The value.

    Raises
    ------
    FindingError
        Anything else.
    """
    if not isinstance(value, list | tuple):
        return _scalar(name, value)
    return tuple(_scalar(name, item) for item in value)


def _scalar(name: str, value: object) -> Scalar:
    where = f"setting {name!r}"
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, str):
        return check_encodable(where, value)
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        check_finite(where, value)
        return value
    rule = "it must be text, a finite number, a truth value, None, or a tuple of these"
    raise FindingError(where, rule, f"it is {value!r}", "record the number or word that was chosen")
