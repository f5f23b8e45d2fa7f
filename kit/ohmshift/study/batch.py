"""The whole study at once: line up, estimate the noise floor, measure and judge every change."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeAlias

import pandas as pd

from ohmshift.errors import StudyError
from ohmshift.evidence.verdicts import Verdict, judge_change
from ohmshift.evidence.wording import ceil_bound, describe_change
from ohmshift.study.comparing import ComparisonOptions, compare_earphone, find_first_shifts, pool_study, settle_warp
from ohmshift.study.running import run_items

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from concurrent.futures import Executor

    from ohmshift.curves.alignment import ResonanceAlignment
    from ohmshift.curves.values import ResponseSet
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.floors import NoiseFloor
    from ohmshift.study.folder import Study
    from ohmshift.study.problems import Problem

Condition: TypeAlias = tuple[str, float]

_BATCH = 4
"""Earphones handed to another process at once."""


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
                    "bound (dB)": float(ceil_bound(verdict.bound_db)),
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
    executor: Executor | None = None,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> StudyComparison:
    """Line up and compare every earphone of a study.

    Parameters
    ----------
    study : Study
        The study.
    options : ComparisonOptions, optional
        By default the standard ones.
    executor : Executor, optional
        Spreads the earphones over processes; the numbers are the same. It pays for hundreds of earphones.
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
    groups = [
        [study.responses(name, added_ohm=ohm) for ohm in study.resistances(name)]
        for name in study.names
        if study.resistances(name)
    ]
    first = list(run_items(find_first_shifts, progress(groups), executor=executor, batch=_BATCH))
    warp = settle_warp(options, first)
    second = partial(compare_earphone, options=options, warp=warp)
    shifted = [(sets, shifts) for sets, (shifts, _) in zip(groups, first, strict=True)]
    compared = list(run_items(second, shifted, executor=executor, batch=_BATCH))
    aligned = {(curves.label, curves.added_ohm): curves for one in compared for curves in one.aligned}
    changes = {(change.label, change.added_ohm): change for one in compared for change in one.changes}
    if not changes:
        raise StudyError(
            study.folder.name,
            "a comparison needs an earphone measured without and with an added resistance",
            f"{len(aligned)} conditions were read, none of which pair",
            "add rows to measurements.csv, or see the study's problems",
        )
    return StudyComparison(
        options=options,
        warp=warp,
        aligned=MappingProxyType(aligned),
        alignment=MappingProxyType({one.label: one.alignment for one in compared if one.alignment is not None}),
        changes=MappingProxyType(changes),
        floor=pool_study(options, [one.repeats for one in compared]),
        margin_db=study.settings.margin_db,
        problems=tuple(problem for one in compared for problem in one.problems),
    )
