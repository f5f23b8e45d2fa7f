"""What several panels choose from, and the files behind what they show."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ohmshift.curves.values import ResponseSet

SMOOTHING = [("none", 0), ("1/24 octave", 24), ("1/12 octave", 12), ("1/6 octave", 6), ("1/3 octave", 3)]
"""Choices of smoothing for display: text, and bands an octave (0 is none)."""


def hashes(sets: Iterable[ResponseSet]) -> dict[str, str]:
    """Give the files behind response sets.

    Parameters
    ----------
    sets : iterable of ResponseSet
        Sets read from a study.

    Returns
    -------
    dict
        SHA-256 by file.
    """
    return {origin.source: origin.sha256 for curves in sets for origin in curves.provenance if origin.sha256}
