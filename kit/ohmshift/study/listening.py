"""What is known of each earphone for listening: impedance, sensitivity, and its response without a resistance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.listening import Sensitivity
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError
from ohmshift.study.impedances import KnownImpedance, know_impedance

if TYPE_CHECKING:
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.loading import Progress


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class KnownEarphone:
    """What is known of an earphone for listening.

    Parameters
    ----------
    label : str
        The earphone.
    known : KnownImpedance
        Its impedance.
    sensitivity : Sensitivity or None
        Its sensitivity; None where earphones.csv does not state it in full.
    sensitivity_origin : str
        The sensitivity in words, or why there is none.
    response_db : ndarray, shape (n,), or None
        Its mean response without a resistance at the impedance's frequencies [dB]; None where it does not reach
        through the level band. Beyond its ends it goes on level.
    """

    label: str
    known: KnownImpedance
    sensitivity: Sensitivity | None
    sensitivity_origin: str
    response_db: FloatArray | None

    def __post_init__(self) -> None:
        """Lock the array."""
        if self.response_db is not None:
            object.__setattr__(self, "response_db", read_only(self.response_db))

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequency [Hz], shape (n,); empty where no impedance is known."""
        return self.known.frequency_hz


def know_earphones(
    study: Study, comparison: StudyComparison, *, progress: Progress | None = None
) -> dict[str, KnownEarphone]:
    """Gather what is known of every earphone for listening.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    progress : callable, optional
        Wraps the iteration over earphones.

    Returns
    -------
    dict of str to KnownEarphone
        In the order of the study.
    """
    names = study.names if progress is None else progress(study.names)
    found = {}
    for name in names:
        known = know_impedance(study, comparison, name)
        sensitivity, origin = know_sensitivity(study, name)
        found[name] = KnownEarphone(
            label=name,
            known=known,
            sensitivity=sensitivity,
            sensitivity_origin=origin,
            response_db=_response(comparison, name, known.frequency_hz),
        )
    return found


def know_sensitivity(study: Study, earphone: str) -> tuple[Sensitivity | None, str]:
    """Give an earphone's sensitivity as earphones.csv states it.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str
        The earphone.

    Returns
    -------
    sensitivity : Sensitivity or None
        None where it is not stated, or not in full: it is not guessed.
    origin : str
        The sensitivity in words, or what is missing.
    """
    row = study.earphones[study.earphones["earphone"] == earphone].iloc[0]
    level, reference, rated = row["sensitivity_db"], row["sensitivity_reference"], row["rated_ohm"]
    if pd.isna(level):
        return None, "earphones.csv states no sensitivity"
    rated_ohm = None if pd.isna(rated) else float(rated)
    try:
        stated = Sensitivity(level_db=float(level), reference=reference, rated_ohm=rated_ohm)
    except CurveError as error:
        return None, f"{error.rule}: {error.mend} in earphones.csv"
    rated_said = f", rated {rated_ohm:g} ohm" if reference == "dB/mW" else ""
    return stated, f"{level:g} {reference}{rated_said}, as earphones.csv states it"


def _response(comparison: StudyComparison, name: str, frequency_hz: FloatArray) -> FloatArray | None:
    aligned = comparison.aligned.get((name, 0.0))
    if aligned is None or frequency_hz.size == 0:
        return None
    f = aligned.frequency_hz
    if f[0] > 200 or f[-1] < 2000:  # noqa: PLR2004 - the level band
        return None
    return np.asarray(np.interp(np.log(frequency_hz), np.log(f), aligned.level_db.mean(axis=0)))
