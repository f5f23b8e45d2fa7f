"""The whole study at once: line up, estimate the noise floor, measure and judge every change."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypeVar

import pandas as pd

from ohmshift.curves.alignment import ResonanceAlignment, choose_warp, find_shifts, shift_resonance
from ohmshift.errors import EvidenceError, StudyError
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.floors import NoiseFloor, estimate_noise_floor
from ohmshift.evidence.verdicts import Verdict, judge_change
from ohmshift.evidence.wording import describe_change
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from ohmshift.curves.values import ResponseSet
    from ohmshift.study.folder import Study

Condition: TypeAlias = tuple[str, float]
Item = TypeVar("Item")


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
class StudyComparison:
    """Every change of a study, ready to be judged.

    Parameters
    ----------
    options : ComparisonOptions
        The options used.
    warp : str
        The warp used: "local", "detail" or "none".
    aligned : mapping of (earphone, added resistance) to ResponseSet
        Responses, lined up within each earphone over all its resistances.
    alignment : mapping of str to ResonanceAlignment
        What lining up did, an earphone; empty with the warp "none".
    changes : mapping of (earphone, added resistance) to Change
        Against the same earphone without added resistance.
    floor : NoiseFloor
        Repeatability of the study.
    margin_db : float
        Smallest change that matters [dB], from the study.
    problems : tuple of Problem
        Conditions that could not be compared.
    """

    options: ComparisonOptions
    warp: str
    aligned: Mapping[Condition, ResponseSet]
    alignment: Mapping[str, ResonanceAlignment]
    changes: Mapping[Condition, Change]
    floor: NoiseFloor
    margin_db: float
    problems: tuple[Problem, ...]

    @property
    def common_ohm(self) -> float:
        """The added resistance that most earphones were compared at [ohm]; the smaller of two equally common ones."""
        counts = pd.Series([ohm for _, ohm in self.changes]).value_counts()
        return float(min(counts.index[counts == counts.max()]))

    def by_size(self) -> tuple[str, ...]:
        """Give the earphones compared at the common resistance, the largest tonal change first.

        Returns
        -------
        tuple of str
            Names.
        """
        size_db = {name: change.size_db for (name, ohm), change in self.changes.items() if ohm == self.common_ohm}
        return tuple(sorted(size_db, key=lambda name: -size_db[name]))

    def resistances(self, earphone: str) -> tuple[float, ...]:
        """Give the added resistances at which an earphone has a change.

        Parameters
        ----------
        earphone : str
            Name of the earphone.

        Returns
        -------
        tuple of float
            Resistances [ohm], rising.
        """
        return tuple(sorted(added_ohm for name, added_ohm in self.changes if name == earphone))

    def change(self, earphone: str, added_ohm: float) -> Change:
        """Give one change.

        Parameters
        ----------
        earphone : str
            Name of the earphone.
        added_ohm : float
            Added resistance [ohm].

        Returns
        -------
        Change
            With the resistance minus without.

        Raises
        ------
        StudyError
            The earphone was not compared at that resistance.
        """
        if (earphone, added_ohm) not in self.changes:
            there = ", ".join(f"{ohm:g}" for ohm in self.resistances(earphone)) or "none"
            raise StudyError(
                f"{earphone} at {added_ohm:g} ohm",
                "it must be measured without and with that resistance",
                f"resistances compared: {there}",
                "choose one of these, or see the study's problems",
            )
        return self.changes[earphone, added_ohm]

    def verdict(self, earphone: str, added_ohm: float, *, margin_db: float | None = None) -> Verdict:
        """Judge one change.

        Parameters
        ----------
        earphone : str
            Name of the earphone.
        added_ohm : float
            Added resistance [ohm].
        margin_db : float, optional
            Smallest change that matters [dB]; by default the study's.

        Returns
        -------
        Verdict
            Word, bound, interval, regions, caveats.
        """
        margin = self.margin_db if margin_db is None else margin_db
        change = self.change(earphone, added_ohm)
        return judge_change(change, self.floor, margin_db=margin, alpha=self.options.alpha)

    def table(self, added_ohm: float, *, margin_db: float | None = None) -> pd.DataFrame:
        """Judge every earphone at one resistance.

        Parameters
        ----------
        added_ohm : float
            Added resistance [ohm].
        margin_db : float, optional
            Smallest change that matters [dB]; by default the study's.

        Returns
        -------
        DataFrame
            One row an earphone: verdict, bound, level drop, size of the tonal change, description.
        """
        rows = []
        for name in dict.fromkeys(name for name, ohm in self.changes if ohm == added_ohm):
            change, verdict = self.change(name, added_ohm), self.verdict(name, added_ohm, margin_db=margin_db)
            rows.append(
                {
                    "earphone": name,
                    "verdict": verdict.word,
                    "bound (dB)": round(verdict.bound_db, 1),
                    "level drop (dB)": round(change.level_drop_db, 1),
                    "size (dB)": round(change.size_db, 2),
                    "description": ", ".join(describe_change(change, verdict).words),
                }
            )
        return pd.DataFrame(rows)


def compare_study(
    study: Study,
    *,
    options: ComparisonOptions | None = None,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> StudyComparison:
    """Line up and compare every earphone of a study.

    Parameters
    ----------
    study : Study
        The study.
    options : ComparisonOptions, optional
        By default the standard ones.
    progress : callable
        Wraps the earphones while they are worked on, as a progress bar does.

    Returns
    -------
    StudyComparison
        Every change, and the noise floor to judge it by.

    Raises
    ------
    StudyError
        No earphone was measured both without and with an added resistance.
    """
    options = ComparisonOptions() if options is None else options
    gathered: dict[str, list[ResponseSet]] = {}
    alignment: dict[str, ResonanceAlignment] = {}
    for name in progress(study.names):
        sets = [study.responses(name, added_ohm=ohm) for ohm in study.resistances(name)]
        if sets:
            gathered[name] = sets
            alignment[name] = find_shifts(sets)
    warp, alignment, gathered = _line_up(gathered, alignment, options)
    aligned = {(name, curves.added_ohm): curves for name, sets in gathered.items() for curves in sets}
    changes, problems = _measure_changes(aligned, options)
    if not changes:
        raise StudyError(
            study.folder.name,
            "a comparison needs an earphone measured without and with an added resistance",
            f"{len(aligned)} conditions were read, none of which pair",
            "add rows to measurements.csv, or see the study's problems",
        )
    floor = estimate_noise_floor(
        aligned.values(), level_low_hz=options.level_low_hz, level_high_hz=options.level_high_hz
    )
    return StudyComparison(
        options=options,
        warp=warp,
        aligned=MappingProxyType(aligned),
        alignment=MappingProxyType(alignment),
        changes=MappingProxyType(changes),
        floor=floor,
        margin_db=study.settings.margin_db,
        problems=problems,
    )


def _line_up(
    gathered: dict[str, list[ResponseSet]], alignment: dict[str, ResonanceAlignment], options: ComparisonOptions
) -> tuple[Literal["local", "detail", "none"], dict[str, ResonanceAlignment], dict[str, list[ResponseSet]]]:
    """Choose the warp, and move every seat by its shift."""
    warp = options.warp
    if warp == "auto":
        warp = choose_warp((alignment[name], sets) for name, sets in gathered.items())
    if warp == "none":
        return warp, {}, gathered
    if warp == "detail":  # the last touch to a shift is found after warping
        alignment = {name: find_shifts(sets, warp=warp) for name, sets in gathered.items()}
    moved = {name: [shift_resonance(curves, alignment[name]) for curves in sets] for name, sets in gathered.items()}
    return warp, alignment, moved


def _measure_changes(
    aligned: Mapping[Condition, ResponseSet], options: ComparisonOptions
) -> tuple[dict[Condition, Change], tuple[Problem, ...]]:
    """Measure each condition against the same earphone without resistance; say which ones could not be."""
    changes, problems = {}, []
    for (name, added_ohm), curves in aligned.items():
        if added_ohm == 0 or (name, 0.0) not in aligned:
            continue
        try:
            changes[name, added_ohm] = measure_change(
                aligned[name, 0.0], curves, level_low_hz=options.level_low_hz, level_high_hz=options.level_high_hz
            )
        except EvidenceError as error:
            problems.append(
                Problem(
                    file="measurements.csv",
                    row=None,
                    column="",
                    value=error.found,
                    rule=f"{name} at {added_ohm:g} ohm: {error.rule}",
                    mend=error.mend,
                    effect="left out",
                    earphone=name,
                )
            )
    return changes, tuple(problems)
