"""What may be said of one earphone: the values that its review sheet and its row in the collection are made from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.chain.limits import highest_source_ohm
from ohmshift.chain.prediction import predict_change
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError
from ohmshift.evidence.wording import describe_change
from ohmshift.study.folder import UNSTATED
from ohmshift.study.impedances import know_impedance, measured_impedance

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from ohmshift.chain.limits import SourceLimit
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.impedances import KnownImpedance

_LONGEST_FILE_NAME = 60
_NO_FILE_NAME = re.compile(r"con|prn|aux|nul|com\d|lpt\d")  # devices, to Windows


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Condition:
    """One resistance that an earphone was compared at.

    Parameters
    ----------
    added_ohm : float
        Resistance added [ohm].
    change : Change
        With the resistance minus without.
    verdict : Verdict
        Verdict on it, at the study's margin.
    words : tuple of str
        The change in plain words.
    with_db : ndarray, shape (n,)
        Level with the resistance at the change's frequencies, on the scale of `EarphoneFacts.without_db` [dB]; level
        with that of the response without where the levels do not compare.
    """

    added_ohm: float
    change: Change
    verdict: Verdict
    words: tuple[str, ...]
    with_db: FloatArray

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "with_db", read_only(self.with_db))

    @property
    def level_known(self) -> bool:
        """Whether the change of level was measured."""
        return bool(np.isfinite(self.change.level_drop_db))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class EarphoneFacts:
    """What a study found of one earphone.

    Parameters
    ----------
    name, driver_class : str
        The earphone, and the class of its drivers in the study's own words.
    driver_count : int or None
        Drivers a side, where stated.
    rated_ohm : float or None
        Rated impedance [ohm], where stated.
    notes : str
        What the study notes on it.
    margin_db : float
        Smallest change that matters [dB].
    source_ohm : float
        Amplifier and cable in the measurements without added resistance [ohm].
    frequency_hz : ndarray, shape (n,)
        Frequency of the response without [Hz]; empty where there is none.
    without_db : ndarray, shape (n,)
        Level without added resistance, mean over seats and then channels, re its own mean over the level band [dB].
    conditions : tuple of Condition
        The resistances it was compared at: first the study's common one, or the nearest to it, then the rest, rising.
    known : KnownImpedance
        Its impedance, measured or recovered, if either.
    limit : SourceLimit or None
        Highest source resistance for the study's margin, counted from 0 ohm; None where no impedance is known.
    jump_db : float
        How much the level rises when the first condition's resistance is taken out [dB]; nan where unknown.
    jump_origin : {"measured", "predicted", ""}
        Where that comes from.
    """

    name: str
    driver_class: str
    driver_count: int | None
    rated_ohm: float | None
    notes: str
    margin_db: float
    source_ohm: float
    frequency_hz: FloatArray
    without_db: FloatArray
    conditions: tuple[Condition, ...]
    known: KnownImpedance
    limit: SourceLimit | None
    jump_db: float
    jump_origin: str

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "without_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def main(self) -> Condition | None:
        """The condition that stands for the earphone; None where it was compared at no resistance."""
        return self.conditions[0] if self.conditions else None


def gather_facts(study: Study, comparison: StudyComparison, earphone: str) -> EarphoneFacts:
    """Gather what a study found of one earphone.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    earphone : str
        The earphone.

    Returns
    -------
    EarphoneFacts
        Values for its row and its sheet.

    Raises
    ------
    StudyError
        No such earphone.
    """
    compared = bool(comparison.resistances(earphone))
    known = know_impedance(study, comparison, earphone) if compared else measured_impedance(study, earphone)
    row: dict[Any, Any] = study.earphones[study.earphones["earphone"] == earphone].iloc[0].to_dict()
    resistances = _main_first(comparison.resistances(earphone), comparison.common_ohm)
    frequency_hz, without_db = _without(comparison, earphone, resistances)
    conditions = tuple(
        _condition(comparison, earphone, added_ohm, frequency_hz, without_db) for added_ohm in resistances
    )
    responses = comparison.aligned.get((earphone, 0.0))
    source_ohm = study.settings.source_ohm + study.settings.cable_ohm if responses is None else responses.source_ohm
    jump_db, origin = _jump(conditions, known, source_ohm)
    return EarphoneFacts(
        name=earphone,
        driver_class=row["driver_class"],
        driver_count=None if pd.isna(row["driver_count"]) else int(row["driver_count"]),
        rated_ohm=None if pd.isna(row["rated_ohm"]) else float(row["rated_ohm"]),
        notes=str(row["notes"]).strip(),
        margin_db=comparison.margin_db,
        source_ohm=source_ohm,
        frequency_hz=frequency_hz,
        without_db=without_db,
        conditions=conditions,
        known=known,
        limit=_limit(known, comparison.margin_db),
        jump_db=jump_db,
        jump_origin=origin,
    )


def gather_all_facts(
    study: Study, comparison: StudyComparison, *, progress: Callable[[Iterable[Any]], Iterable[Any]] = iter
) -> tuple[EarphoneFacts, ...]:
    """Gather what a study found of every earphone.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    progress : callable
        Wraps the earphones while they are worked on, as a progress bar does.

    Returns
    -------
    tuple of EarphoneFacts
        In the order of earphones.csv.
    """
    return tuple(gather_facts(study, comparison, name) for name in progress(study.names))


def file_names(names: Iterable[str]) -> dict[str, str]:
    """Make a file name of each earphone's name, no two alike.

    Parameters
    ----------
    names : iterable of str
        Earphones.

    Returns
    -------
    dict of str to str
        Letters, digits and dashes, by earphone; a number at the end where two would be one, or no system would have it.

    Examples
    --------
    >>> file_names(["Ladle", "Tea pot", "tea-pot"])
    {'Ladle': 'ladle', 'Tea pot': 'tea-pot', 'tea-pot': 'tea-pot-2'}
    """
    given: dict[str, str] = {}
    for name in names:
        stem = re.sub(r"[\W_]+", "-", name.casefold()).strip("-")[:_LONGEST_FILE_NAME].strip("-") or "earphone"
        tried, count = stem, 1
        while tried in given.values() or _NO_FILE_NAME.fullmatch(tried):
            count += 1
            tried = f"{stem}-{count}"
        given[name] = tried
    return given


def say_class(facts: EarphoneFacts) -> str:
    """Say what drives an earphone.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone.

    Returns
    -------
    str
        Such as "hybrid, 3 drivers, rated 14 ohm".
    """
    parts = ["driver class not stated" if facts.driver_class == UNSTATED else facts.driver_class]
    if facts.driver_count is not None:
        parts.append(f"{facts.driver_count} driver{'' if facts.driver_count == 1 else 's'}")
    if facts.rated_ohm is not None:
        parts.append(f"rated {facts.rated_ohm:g} ohm")
    return ", ".join(parts)


def _main_first(resistances: tuple[float, ...], common_ohm: float) -> tuple[float, ...]:
    if not resistances:
        return ()
    main = min(resistances, key=lambda ohm: abs(ohm - common_ohm))
    return (main, *(ohm for ohm in resistances if ohm != main))


def _without(
    comparison: StudyComparison, earphone: str, resistances: tuple[float, ...]
) -> tuple[FloatArray, FloatArray]:
    """Give the mean response without, over the channels that the main change is about."""
    curves = comparison.aligned.get((earphone, 0.0))
    if curves is None:
        return np.empty(0), np.empty(0)
    there = tuple(dict.fromkeys(curves.channel))
    channels = comparison.change(earphone, resistances[0]).channels if resistances else there
    level_db = np.mean([curves.level_db[list(curves.rows(name))].mean(axis=0) for name in channels], axis=0)
    options = comparison.options
    mean_db = mean_levels(
        curves.frequency_hz, level_db, low_hz=[options.level_low_hz], high_hz=[options.level_high_hz]
    )[0]
    if not np.isfinite(mean_db):
        return np.empty(0), np.empty(0)
    return curves.frequency_hz, level_db - mean_db


def _condition(
    comparison: StudyComparison, earphone: str, added_ohm: float, frequency_hz: FloatArray, without_db: FloatArray
) -> Condition:
    change, verdict = comparison.change(earphone, added_ohm), comparison.verdict(earphone, added_ohm)
    before = np.interp(np.log(change.frequency_hz), np.log(frequency_hz), without_db)
    return Condition(
        added_ohm=added_ohm,
        change=change,
        verdict=verdict,
        words=describe_change(change, verdict).words,
        with_db=before + change.change_db + np.nan_to_num(change.level_drop_db),
    )


def _limit(known: KnownImpedance, margin_db: float) -> SourceLimit | None:
    if known.impedance is None:
        return None
    try:
        return highest_source_ohm(known.impedance, tolerance_db=margin_db)
    except CurveError:  # an impedance that does not reach over the level band
        return None


def _jump(conditions: tuple[Condition, ...], known: KnownImpedance, source_ohm: float) -> tuple[float, str]:
    """Give how much the level rises when the first resistance is taken out, and how that is known."""
    if not conditions:
        return float("nan"), ""
    if conditions[0].level_known:
        return -conditions[0].change.level_drop_db, "measured"
    if known.impedance is None:
        return float("nan"), ""
    try:
        predicted = predict_change(known.impedance, added_ohm=conditions[0].added_ohm, source_ohm=source_ohm)
    except CurveError:
        return float("nan"), ""
    return -predicted.level_drop_db, "predicted"
