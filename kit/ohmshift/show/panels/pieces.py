"""What several panels choose from, and the files behind what they show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.show.panels.base import slider
from ohmshift.study.plain import count_decimals

if TYPE_CHECKING:
    from collections.abc import Iterable

    import ipywidgets as widgets
    import pandas as pd

    from ohmshift.curves.values import ResponseSet
    from ohmshift.study.folder import Study

SMOOTHING = [("none", 0), ("1/24 octave", 24), ("1/12 octave", 12), ("1/6 octave", 6), ("1/3 octave", 3)]
"""Choices of smoothing for display: text, and bands an octave (0 is none)."""

MOST_OHM = 150.0
"""Upper end of the sliders for resistances, where a study has none above it [ohm]: more than the 120 ohm that IEC 61938
knew as a headphone source up to its 2013 edition."""

_USUAL_OHM = 15.0
_FINER_OHM = (0.5, 0.1, 0.05, 0.01)
_ON_STEP = 1e-6


def usual_ohm(study: Study) -> float:
    """Give the resistance that a study added most often, to start with.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    float
        Resistance [ohm]; 15 where none was added.
    """
    added = study.measurements.loc[study.measurements["added_ohm"] > 0, "added_ohm"]
    return _USUAL_OHM if added.empty else float(added.mode().min())


def ohm_slider(label: str, step: float, *held_ohm: float, help_text: str) -> widgets.FloatSlider:
    """Make a slider for a resistance that can be set to what a study holds.

    Parameters
    ----------
    label : str
        What it sets.
    step : float
        Coarsest step [ohm].
    *held_ohm : float
        Resistances that it reaches and, to a hundredth of an ohm, meets: a browser moves any other value to the next
        step, and the panel with it [ohm].
    help_text : str
        What it does, for the tooltip.

    Returns
    -------
    FloatSlider
        From 0 to 150 ohm, or as far as needed.

    Examples
    --------
    >>> [ohm_slider("Added resistance", 1.0, ohm, help_text="In series.").step for ohm in (15.0, 4.7, 14.98)]
    [1.0, 0.1, 0.01]
    """
    steps = [step, *(finer for finer in _FINER_OHM if finer < step)]
    chosen = next((one for one in steps if all(abs(R / one - round(R / one)) < _ON_STEP for R in held_ohm)), steps[-1])
    digits = 1 if chosen >= 1 else 2
    return slider(label, "ohm", 0.0, max(MOST_OHM, *held_ohm), chosen, help_text=help_text, digits=digits)


def plain_number(value: float, digits: int) -> str:
    """Write a number with so many digits at most, and never with an exponent.

    Parameters
    ----------
    value : float
        Number.
    digits : int
        Significant digits.

    Returns
    -------
    str
        Such as "180".

    Examples
    --------
    >>> plain_number(183.2, 2), plain_number(0.06312, 2), plain_number(3.0, 2)
    ('180', '0.063', '3')
    """
    return np.format_float_positional(value, precision=digits, unique=False, fractional=False, trim="-")


def blank_missing(table: pd.DataFrame) -> pd.DataFrame:
    """Leave cells blank that hold nothing or no limit, and give the numbers of a column the same decimals.

    Parameters
    ----------
    table : DataFrame
        A table to show.

    Returns
    -------
    DataFrame
        The same, blank where nothing is known; columns of decimal numbers as text.

    Examples
    --------
    >>> import pandas as pd
    >>> blank_missing(pd.DataFrame({"bound (dB)": [2.0, 1.25, None, float("inf")]}))["bound (dB)"].tolist()
    ['2.00', '1.25', '', '']
    """
    known = table.notna() & (table != float("inf"))
    shown = table.astype(object).where(known, "")
    for name in table.select_dtypes("float"):
        values = table[name][known[name]]
        digits = count_decimals(values)
        shown.loc[known[name], name] = [f"{value:.{digits}f}" for value in values]
    return shown


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
