"""Fonts for pictures: one that comes with the kit, and the computer's own for letters that it lacks."""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from typing import NamedTuple

import matplotlib as mpl
from matplotlib.font_manager import fontManager
from matplotlib.ft2font import FT2Font

FONT = "DejaVu Sans"
"""The font that comes with matplotlib, so that every machine draws the same."""

BOX = "□"
"""What stands for a letter that no font here has."""

_PLAIN = 400
_RIGHT_TO_LEFT = {"R", "AL"}


class OtherFont(NamedTuple):
    """A font of the computer.

    Parameters
    ----------
    family : str
        Its name.
    file : str
        Its file.
    """

    family: str
    file: str


def font_file(*, bold: bool = False) -> str:
    """Give the file of the kit's own font.

    Parameters
    ----------
    bold : bool
        Whether it is the bold one.

    Returns
    -------
    str
        Path.
    """
    return f"{mpl.get_data_path()}/fonts/ttf/DejaVuSans{'-Bold' if bold else ''}.ttf"


@lru_cache(maxsize=4096)
def other_fonts(text: str) -> tuple[OtherFont, ...]:
    """Give fonts of the computer for the letters of a text that the kit's own lacks.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    tuple of OtherFont
        As few as will do, the one that has most of the letters first; none where the kit's own has them all, or where
        no font has one.
    """
    return _cover(_missing(text))


@lru_cache(maxsize=4096)
def drawable(text: str) -> str:
    """Put a box where no font has a letter.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    str
        The text, with boxes; what has no shape of its own, such as a joiner of emoji, is left out.

    Examples
    --------
    >>> drawable("Löffel " + chr(0xF0000))
    'Löffel □'
    """
    lost = _lost(text)
    if not lost:
        return text
    return "".join((BOX if _has_shape(letter) else "") if ord(letter) in lost else letter for letter in text)


def say_boxes(text: str) -> str:
    """Say what the boxes in a picture of a text stand for.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    str
        A sentence; empty where there is no box.

    Examples
    --------
    >>> say_boxes("Löffel " + chr(0xF0000)), say_boxes("Löffel")
    ('In the picture □ stands for U+F0000: no font of the computer that drew it has that.', '')
    """
    lost = _lost(text)
    names = [_name(letter) for letter in dict.fromkeys(text) if ord(letter) in lost and _has_shape(letter)]
    if not names:
        return ""
    return f"In the picture {BOX} stands for {', '.join(names)}: no font of the computer that drew it has that."


def reads_right_to_left(text: str) -> bool:
    """Tell whether a text reads from right to left as a whole, whatever names it holds.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    bool
        Whether most of its letters do.

    Examples
    --------
    >>> reads_right_to_left("כף with 15 ohm added"), reads_right_to_left("כף השתנתה ב-3 dB")
    (False, True)
    """
    kinds = [unicodedata.bidirectional(letter) for letter in text]
    return sum(kind in _RIGHT_TO_LEFT for kind in kinds) > kinds.count("L")


def runs_right_to_left(text: str) -> bool:
    """Tell whether a text has letters that run from right to left.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    bool
        Whether it has.

    Examples
    --------
    >>> runs_right_to_left("Löffel"), runs_right_to_left("כף")
    (False, True)
    """
    return any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in text)


@cache
def letters_of(file: str) -> frozenset[int]:
    """Give the letters that a font has.

    Parameters
    ----------
    file : str
        Its file.

    Returns
    -------
    frozenset of int
        Code points; none where it cannot be drawn from, as is so with fonts made of pictures.
    """
    try:
        font = FT2Font(file)
        return frozenset(font.get_charmap()) if font.scalable else frozenset()
    except (OSError, RuntimeError):
        return frozenset()


def _missing(text: str) -> frozenset[int]:
    own = letters_of(font_file()) & letters_of(font_file(bold=True))
    return frozenset(ord(letter) for letter in text if not letter.isspace()) - own


def _lost(text: str) -> frozenset[int]:
    """Give the letters of a text that no font here has."""
    return _missing(text).difference(*(letters_of(font.file) for font in other_fonts(text)))


def _name(letter: str) -> str:
    known = unicodedata.name(letter, "").lower()
    return f"{letter} ({known})" if known else f"U+{ord(letter):04X}"


def _has_shape(letter: str) -> bool:
    return unicodedata.category(letter) not in {"Cc", "Cf", "Mn", "Me"}


@cache
def _cover(missing: frozenset[int]) -> tuple[OtherFont, ...]:
    """Choose fonts that hold letters, greedily; plain and upright ones, of equals the first by name."""
    if not missing:
        return ()
    plain = [font for font in fontManager.ttflist if font.style == "normal" and font.weight == _PLAIN]
    shipped = mpl.get_data_path()  # with fonts for formulas, and one of nothing but boxes
    known = sorted({OtherFont(font.name, font.fname) for font in plain if not font.fname.startswith(shipped)})
    chosen: list[OtherFont] = []
    while known and missing:
        best = max(known, key=lambda font: len(missing & letters_of(font.file)))
        if not missing & letters_of(best.file):
            break
        chosen.append(best)
        missing -= letters_of(best.file)
    return tuple(chosen)
