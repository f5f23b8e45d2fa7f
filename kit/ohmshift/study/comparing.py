"""One earphone of a study: line it up and measure its changes, wherever the work is done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from ohmshift.curves.alignment import ResonanceAlignment, choose_warp, find_shifts, shift_resonance, warp_variances
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.floors import NoiseFloor, pool_repeats
from ohmshift.evidence.repeats import EarphoneRepeats, collect_repeats, default_bands
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from ohmshift.curves.values import FloatArray, ResponseSet
    from ohmshift.curves.warping import Warp


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ComparisonOptions:
    """What a reader could dispute in a comparison.

    Parameters
    ----------
    warp : {"auto", "local", "detail", "none"}
        How reseated curves are lined up at the ear-canal resonance; "auto" takes the way that leaves less variation
        in the study, "none" leaves them as measured.
    level_low_hz, level_high_hz : float
        Band whose mean is the level [Hz].
    alpha : float
        Rate of false "changed" allowed for an earphone as a whole, and of a false "no change larger than" in a band.
    """

    warp: Literal["auto", "local", "detail", "none"] = "auto"
    level_low_hz: float = 200.0
    level_high_hz: float = 2000.0
    alpha: float = 0.05


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ComparedEarphone:
    """One earphone of a study, lined up and compared.

    Parameters
    ----------
    label : str
        The earphone.
    aligned : tuple of ResponseSet
        Its conditions, lined up.
    alignment : ResonanceAlignment or None
        What lining up did; None with the warp "none".
    changes : tuple of Change
        Against itself without added resistance.
    repeats : EarphoneRepeats
        What it tells about the study's noise floor.
    problems : tuple of Problem
        Conditions that could not be compared.
    """

    label: str
    aligned: tuple[ResponseSet, ...]
    alignment: ResonanceAlignment | None
    changes: tuple[Change, ...]
    repeats: EarphoneRepeats
    problems: tuple[Problem, ...]


def find_first_shifts(sets: Sequence[ResponseSet]) -> tuple[ResonanceAlignment, Mapping[Warp, FloatArray]]:
    """Find the shifts of one earphone, and what each warp would leave: all that the choice of the warp needs.

    Parameters
    ----------
    sets : sequence of ResponseSet
        Its conditions.

    Returns
    -------
    alignment : ResonanceAlignment
        Shifts.
    variances : mapping
        As `warp_variances` gives them.
    """
    alignment = find_shifts(sets)
    return alignment, warp_variances(alignment, sets)


def settle_warp(
    options: ComparisonOptions, first: Iterable[tuple[ResonanceAlignment, Mapping[Warp, FloatArray]]]
) -> Warp | Literal["none"]:
    """Give the warp that the options ask for, or that suits the study.

    Parameters
    ----------
    options : ComparisonOptions
        Options.
    first : iterable of (ResonanceAlignment, variances)
        From `find_first_shifts`, an earphone each.

    Returns
    -------
    {"local", "detail", "none"}
        The warp.
    """
    return choose_warp(variances for _, variances in first) if options.warp == "auto" else options.warp


def compare_earphone(
    shifted: tuple[Sequence[ResponseSet], ResonanceAlignment],
    *,
    options: ComparisonOptions,
    warp: Warp | Literal["none"],
) -> ComparedEarphone:
    """Line one earphone up and measure its changes.

    Parameters
    ----------
    shifted : (sequence of ResponseSet, ResonanceAlignment)
        Its conditions, at least one, and the shifts first found.
    options : ComparisonOptions
        Options.
    warp : {"local", "detail", "none"}
        The warp of the study.

    Returns
    -------
    ComparedEarphone
        Lined up and compared.
    """
    sets, alignment = shifted
    if warp == "detail":  # the last touch to a shift is found after warping
        alignment = find_shifts(sets, warp=warp)
    aligned = tuple(sets if warp == "none" else (shift_resonance(curves, alignment) for curves in sets))
    changes, problems = _measure_changes(aligned, options)
    return ComparedEarphone(
        label=sets[0].label,
        aligned=aligned,
        alignment=None if warp == "none" else alignment,
        changes=changes,
        repeats=collect_repeats(
            aligned, bands=default_bands(), level_low_hz=options.level_low_hz, level_high_hz=options.level_high_hz
        ),
        problems=problems,
    )


def pool_study(options: ComparisonOptions, repeats: Sequence[EarphoneRepeats]) -> NoiseFloor:
    """Pool the repeats of a study's earphones into its noise floor.

    Parameters
    ----------
    options : ComparisonOptions
        Options.
    repeats : sequence of EarphoneRepeats
        Of each earphone.

    Returns
    -------
    NoiseFloor
        Of the study.
    """
    return pool_repeats(
        repeats, bands=default_bands(), level_low_hz=options.level_low_hz, level_high_hz=options.level_high_hz
    )


def _measure_changes(
    aligned: Sequence[ResponseSet], options: ComparisonOptions
) -> tuple[tuple[Change, ...], tuple[Problem, ...]]:
    """Measure each condition against the same earphone without resistance; say which ones could not be."""
    without = next((curves for curves in aligned if curves.added_ohm == 0), None)
    changes, problems = [], []
    for curves in aligned if without is not None else ():
        if curves is without or without is None:
            continue
        try:
            changes.append(
                measure_change(without, curves, level_low_hz=options.level_low_hz, level_high_hz=options.level_high_hz)
            )
        except EvidenceError as error:
            problems.append(
                Problem(
                    file="measurements.csv",
                    row=None,
                    column="",
                    value=error.found,
                    rule=f"{curves.label} at {curves.added_ohm:g} ohm: {error.rule}",
                    mend=error.mend,
                    effect="left out",
                    earphone=curves.label,
                )
            )
    return tuple(changes), tuple(problems)
