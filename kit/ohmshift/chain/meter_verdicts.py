"""What a measured resistance means: ordinary or a resistor, samples that agree or differ, and where it sits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from ohmshift.chain.elements import check_number
from ohmshift.chain.meter_budget import decimals_of
from ohmshift.chain.metering import Resistance, combine_readings

if TYPE_CHECKING:
    from collections.abc import Mapping

Word: TypeAlias = Literal["ordinary", "acts as a resistor", "cannot tell"]
AgreementWord: TypeAlias = Literal["agree", "differ, by no more than the margin", "differ", "cannot tell"]

ORDINARY_OHM = 1.0
"""Up to here a cable, there and back, counts as ordinary [ohm]. Common practice, no source: ordinary earphone cables
read a few tenths of an ohm."""

MARGIN_OHM = 0.5
"""A difference that would not matter [ohm]. Common practice, no source."""

CONDUCTORS = ("left", "right", "return")
"""Names of the conductors of a three-wire lead."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResistanceVerdict:
    """Whether a resistance is ordinary for a cable.

    Parameters
    ----------
    word : {"ordinary", "acts as a resistor", "cannot tell"}
        The verdict.
    sentence : str
        The same with its numbers.
    resistance : Resistance
        What was judged.
    ordinary_ohm : float
        Up to here it counts as ordinary [ohm].
    """

    word: Word
    sentence: str
    resistance: Resistance
    ordinary_ohm: float


def judge_resistance(resistance: Resistance, *, ordinary_ohm: float = ORDINARY_OHM) -> ResistanceVerdict:
    """Say whether a resistance is ordinary for a cable.

    Parameters
    ----------
    resistance : Resistance
        Best of the loop: signal conductor and return.
    ordinary_ohm : float
        Up to here it counts as ordinary [ohm].

    Returns
    -------
    ResistanceVerdict
        Ordinary where the whole coverage interval lies at or below the limit; a resistor where all of it lies above;
        else the data cannot tell.

    Raises
    ------
    CurveError
        A limit that is not above 0.
    """
    check_number("judge_resistance, ordinary_ohm", ordinary_ohm)
    low, high = resistance.interval_ohm
    said = str(resistance.budget)
    word: Word
    if high < 0:
        word, means = "cannot tell", f"comes out below 0, {said}: more was taken off than was in the reading"
    elif high <= ordinary_ohm:
        word, means = "ordinary", f"is ordinary: {said}, not above {ordinary_ohm:g} ohm"
    elif low > ordinary_ohm:
        word, means = "acts as a resistor", f"acts as a resistor of {said}"
    else:
        word, means = "cannot tell", f"is {said}: cannot tell whether it is above {ordinary_ohm:g} ohm"
    return ResistanceVerdict(
        word=word, sentence=f"{resistance.label} {means}.", resistance=resistance, ordinary_ohm=ordinary_ohm
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Agreement:
    """Whether two resistances agree.

    Parameters
    ----------
    word : str
        "agree", "differ", "differ, by no more than the margin" or "cannot tell".
    sentence : str
        The same with its numbers.
    difference : Resistance
        First less second, with the budget of the difference: what both have in common cancels there.
    en : float
        Difference over its expanded uncertainty; beyond 1 either way they differ.
    bound_ohm : float
        The difference is no larger than this [ohm].
    margin_ohm : float
        A difference that would not matter [ohm].
    """

    word: AgreementWord
    sentence: str
    difference: Resistance
    en: float
    bound_ohm: float
    margin_ohm: float


def compare_resistances(one: Resistance, other: Resistance, *, margin_ohm: float = MARGIN_OHM) -> Agreement:
    """Say whether two resistances agree: two samples, or two channels.

    Parameters
    ----------
    one, other : Resistance
        What to compare.
    margin_ohm : float
        A difference that would not matter [ohm].

    Returns
    -------
    Agreement
        Word, difference and E_n.

    Raises
    ------
    CurveError
        A margin that is not above 0.

    Notes
    -----
    E_n = d / U(d). For two meters U(d)^2 = U_1^2 + U_2^2, as ISO 13528 has it; on one meter and range the part of the
    specification in per cent applies to the difference alone. Samples agree only where the difference is shown to be
    within the margin; an E_n within 1 by itself may come of a poor meter.

    References
    ----------
    .. [1] ISO 13528 and ISO/IEC 17043, E_n (from memory; the formula is checked by hand).
    """
    check_number("compare_resistances, margin_ohm", margin_ohm)
    terms = [*one.terms, *[(-factor, readings) for factor, readings in other.terms]]
    difference = combine_readings(terms, label=f"{one.label} less {other.label}")
    d, U = difference.resistance_ohm, difference.expanded_uncertainty_ohm
    en, bound = d / U if U > 0 else math.copysign(math.inf, d), abs(d) + U
    word: AgreementWord
    if abs(en) > 1:
        word = "differ, by no more than the margin" if bound <= margin_ohm else "differ"
    else:
        word = "agree" if bound <= margin_ohm else "cannot tell"
    numbers = f"{difference.budget}, E_n = {en:.2f}"
    most = f"{bound:.{decimals_of(U)}f}"
    words = {
        "agree": f"agree: they differ by no more than {most} ohm ({numbers}), which is within {margin_ohm:g} ohm",
        "differ": f"differ: {numbers}, by up to {most} ohm",
        "differ, by no more than the margin": f"differ: {numbers}, but by no more than {margin_ohm:g} ohm",
        "cannot tell": f"cannot be told apart, nor shown to agree within {margin_ohm:g} ohm: {numbers}",
    }
    return Agreement(
        word=word,
        sentence=f"{one.label} and {other.label} {words[word]}.",
        difference=difference,
        en=en,
        bound_ohm=bound,
        margin_ohm=margin_ohm,
    )


def en_score(value: float, reference: float, *, expanded: float, reference_expanded: float) -> float:
    """Give the E_n score of a value against a reference.

    Parameters
    ----------
    value, reference : float
        In one unit.
    expanded, reference_expanded : float
        Their expanded uncertainties U, not u, in the same unit.

    Returns
    -------
    float
        Difference over the root of the sum of squares; within 1 either way they agree.

    Raises
    ------
    CurveError
        Uncertainties that are negative, or both 0.

    Examples
    --------
    >>> round(en_score(10.2, 10.0, expanded=0.3, reference_expanded=0.1), 6)
    0.632456
    """
    check_number("en_score, expanded", expanded, may_be_zero=True)
    check_number("en_score, reference_expanded", reference_expanded, may_be_zero=True)
    check_number("en_score, both uncertainties", math.hypot(expanded, reference_expanded))
    return (value - reference) / math.hypot(expanded, reference_expanded)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeriesCheck:
    """Whether two items in series read the sum of what they read alone.

    Parameters
    ----------
    residual : Resistance
        Series less first less second, plus the cable that each of them was measured through.
    consistent : bool
        Whether the residual is within its expanded uncertainty.
    sentence : str
        The same with its numbers.
    """

    residual: Resistance
    consistent: bool
    sentence: str


def check_series(
    series: Resistance, first: Resistance, second: Resistance, *, cable: Resistance | None = None
) -> SeriesCheck:
    """Check readings by putting two items in series.

    Parameters
    ----------
    series : Resistance
        Both in series.
    first, second : Resistance
        Each alone.
    cable : Resistance, optional
        What all three were measured through, where it is in their figures; none where it was taken off.

    Returns
    -------
    SeriesCheck
        Consistent where |series - first - second + cable| <= U.
    """
    minus = [(-factor, readings) for item in (first, second) for factor, readings in item.terms]
    terms = [*series.terms, *minus, *(() if cable is None else cable.terms)]
    residual = combine_readings(terms, label=f"{series.label} less both alone")
    consistent = abs(residual.resistance_ohm) <= residual.expanded_uncertainty_ohm
    means = "within" if consistent else "beyond"
    do = "" if consistent else ": look for a contact or a misreading"
    places = decimals_of(first.expanded_uncertainty_ohm)
    alone = f"{first.resistance_ohm:.{places}f} and {second.resistance_ohm:.{places}f} ohm"
    sentence = (
        f"Check in series: {series.label} reads {series.resistance_ohm:.{places}f} ohm, each alone {alone}; the "
        f"difference, {residual.budget}, is {means} its uncertainty{do}."
    )
    return SeriesCheck(residual=residual, consistent=consistent, sentence=sentence)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Location:
    """Which conductors carry the resistance.

    Parameters
    ----------
    carrying : tuple of str
        Conductors that are a resistor.
    open_question : tuple of str
        Conductors that the data cannot tell of, or that nobody measured.
    sentence : str
        What it means for the sound.
    """

    carrying: tuple[str, ...]
    open_question: tuple[str, ...]
    sentence: str


def locate_resistance(conductors: Mapping[str, Resistance], *, ordinary_ohm: float = ORDINARY_OHM) -> Location:
    """Say which conductors carry a resistance, and what that means.

    Parameters
    ----------
    conductors : mapping of str to Resistance
        By name: "left", "right", "return".
    ordinary_ohm : float
        Up to here a whole loop counts as ordinary; a conductor alone, half of it [ohm].

    Returns
    -------
    Location
        Conductors, and what their resistance does.
    """
    verdicts = {name: judge_resistance(item, ordinary_ohm=ordinary_ohm / 2).word for name, item in conductors.items()}
    carrying = tuple(name for name, word in verdicts.items() if word == "acts as a resistor")
    unknown = tuple(name for name in CONDUCTORS if verdicts.get(name, "cannot tell") == "cannot tell")
    signal = [name for name in carrying if name != "return"]
    unsure = [name for name in unknown if name != "return" and name in conductors]
    said = []
    if signal:
        said.append(
            f"The resistance is in the signal conductors ({' and '.join(signal)}): each side is divided by itself."
        )
    if "return" in carrying:
        said.append(
            "The shared return carries resistance: part of each side reaches the other, and mono sees twice that "
            "resistance."
        )
    if len(signal) == 1 and "ordinary" in {verdicts.get("left"), verdicts.get("right")}:
        said.append("Only one side has it: left and right will sound different.")
    if unsure:
        said.append(f"Whether {' or '.join(unsure)} carries more than is ordinary could not be told.")
    if "return" in unknown:
        why = "could not be told" if "return" in conductors else "was not measured"
        said.append(f"The return {why}: whether the sides mix is open.")
    elif not carrying and not unknown:
        said.append("No conductor carries more than is ordinary.")
    elif "return" not in carrying:
        said.append("The return is ordinary.")
    return Location(
        carrying=carrying,
        open_question=unknown,
        sentence=" ".join(said),
    )
