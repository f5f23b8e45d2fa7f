"""Sentences of the cross-check."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from ohmshift.chain.crosscheck_shapes import Likeness

Word: TypeAlias = Literal["explained by the divider", "not explained", "cannot tell"]

CAUTIONS = {
    "another resistance": "the resistor, cable or source may differ from what is stated, or a level was set anew",
    "seal leak": "a seat that moved or a driver that changes its bass does the same; check the seal and measure again",
    "compression": "a wrong scale of either curve does the same; measure at a second drive level to tell",
    "change of level": "a gain set anew, or a drifting microphone; keep every control untouched between the two",
    "misaligned resonance": "seats differ in depth, or the warp was wrong; add the resistance without reseating",
    "local bump": "a reflection, a loose part or a crossover that is not passive does the same; measure again",
}
"""What else does the same, by name of the likeness."""


def say_frequency(frequency_hz: float) -> str:
    """Write a frequency in two significant digits.

    Parameters
    ----------
    frequency_hz : float
        Frequency [Hz].

    Returns
    -------
    str
        Number and unit.

    Examples
    --------
    >>> say_frequency(70.8), say_frequency(5623)
    ('71 Hz', '5.6 kHz')
    """
    rounded = float(f"{frequency_hz:.2g}")
    return f"{rounded / 1000:g} kHz" if rounded >= 1000 else f"{rounded:g} Hz"  # noqa: PLR2004 - kilohertz


def say_ohms(added_ohm: float) -> str:
    """Write a resistance in three significant digits.

    Parameters
    ----------
    added_ohm : float
        Resistance [ohm], finite.

    Returns
    -------
    str
        The number alone.

    Examples
    --------
    >>> say_ohms(14.9873), say_ohms(1043.2)
    ('15.0', '1043')
    """
    digits = 2 - int(np.floor(np.log10(added_ohm))) if added_ohm > 0 else 0
    return f"{added_ohm:.{min(max(digits, 0), 3)}f}"


def say_span(interval_ohm: tuple[float, float]) -> str:
    """Write an interval of resistance.

    Parameters
    ----------
    interval_ohm : tuple of two floats
        Its ends [ohm]; the upper one may be infinite.

    Returns
    -------
    str
        The numbers alone.

    Examples
    --------
    >>> say_span((14.1, 15.9)), say_span((420.0, float("inf")))
    ('14.1 to 15.9', '420 or more')
    """
    low, high = interval_ohm
    return f"{say_ohms(low)} to {say_ohms(high)}" if np.isfinite(high) else f"{say_ohms(low)} or more"


def say_outcome(
    word: Word,
    *,
    agrees: bool,
    absent: bool,
    nominal_ohm: float,
    resistance_ohm: float,
    interval_ohm: tuple[float, float] | None,
    residual_db: float,
    unseen_db: float,
    where_hz: tuple[tuple[float, float], ...],
) -> str:
    """Say the verdict with its numbers.

    Parameters
    ----------
    word : str
        The verdict.
    agrees : bool
        Whether nothing speaks against the stated resistance.
    absent : bool
        Whether the change looks as if no resistance had been added.
    nominal_ohm, resistance_ohm : float
        Resistance stated, and fitted [ohm]; nan where none is given.
    interval_ohm : tuple of two floats, or None
        Interval of the fitted one [ohm].
    residual_db : float
        Root mean square of the residual over the judged bands [dB].
    unseen_db : float
        Deviation of a band that would just be noticed [dB].
    where_hz : tuple of (float, float) pairs
        Where the residual stands out [Hz].

    Returns
    -------
    str
        One or two sentences.
    """
    fitted = ""
    if interval_ohm is not None:
        fitted = f"{say_ohms(resistance_ohm)} ohm ({say_span(interval_ohm)})"
    stated = f"{nominal_ohm:g} ohm stated"
    left = f"{residual_db:.2g} dB are left, and about {unseen_db:.2g} dB in one band would have been noticed"
    if word == "cannot tell":
        return (
            "Cannot tell: the change that the divider predicts is too small beside the noise to tell from none at all."
        )
    if word == "explained by the divider":
        if agrees:
            return f"Explained by the divider: {left}." + (
                f" The change gives {fitted}, with {stated}." if fitted else ""
            )
        return f"Explained by the divider, but by {fitted}, not by the {stated}: then {left}."
    if absent:
        return f"Not explained: the change looks as if no resistance had been added, with {stated}."
    places = " and ".join(f"{say_frequency(low)} to {say_frequency(high)}" for low, high in where_hz) or "the level"
    best = f" after fitting {fitted}" if fitted else f" with the {stated}"
    return f"Not explained by any resistance in series: {residual_db:.2g} dB are left{best}, most in {places}."


def say_likeness(likeness: Likeness) -> str:
    """Say what a residual looks like, how much of it that explains, and what else does the same.

    Parameters
    ----------
    likeness : Likeness
        The shape.

    Returns
    -------
    str
        Two sentences.
    """
    size = float(np.nanmax(np.abs(likeness.shape_db)))
    if likeness.name == "seal leak":
        what = f"Looks like a seal leak below about {say_frequency(likeness.at_hz)}, {size:.2g} dB at most"
    elif likeness.name == "local bump":
        what = f"Looks like a local {'bump' if likeness.amplitude > 0 else 'dip'} of {size:.2g} dB near "
        what += say_frequency(likeness.at_hz)
    elif likeness.name == "compression":
        what = f"Looks like compression: the change is too small, by up to {size:.2g} dB"
    elif likeness.name == "change of level":
        what = f"Looks like a change of level of {likeness.amplitude:+.2g} dB elsewhere in the chain"
    else:
        what = f"Looks like a resonance misaligned by {abs(likeness.amplitude) * 100:.2g} %, {size:.2g} dB at most"
    return f"{what}; that takes {likeness.share * 100:.0f} % of the misfit. Not certain: {CAUTIONS[likeness.name]}."


def say_other_resistance(resistance_ohm: float, nominal_ohm: float) -> str:
    """Say that another resistance fits.

    Parameters
    ----------
    resistance_ohm, nominal_ohm : float
        Resistance fitted, and stated [ohm].

    Returns
    -------
    str
        Two sentences.
    """
    what = f"Looks like {say_ohms(resistance_ohm)} ohm in place of {nominal_ohm:g} ohm"
    return f"{what}; that leaves nothing to explain. Not certain: {CAUTIONS['another resistance']}."


def say_no_resistance() -> str:
    """Say that nothing seems to have been added.

    Returns
    -------
    str
        Two sentences.
    """
    return (
        "Looks as if the resistance was not in circuit. Not certain: "
        "a bypassed plug, or the same file read twice, does the same."
    )
