"""What any passive load that measures as an earphone did can do behind another source: limits without an impedance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.limits import bound_change
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.study.settling import gather_changes

if TYPE_CHECKING:
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

_SIGMAS = 1.96
_LEAST_LOSS_DB = 1e-6
_LEAST_MARGIN_DB = 1e-3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SourceBounds:
    """Limits of the change behind a source for any passive load, from one measured change and no phase.

    Parameters
    ----------
    label : str
        The earphone.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    low_db, high_db : ndarray, shape (n,)
        No passive load goes beyond these [dB], level included; each frequency by itself, with 95 % for the noise of the
        measured change.
    tonal_low_db, tonal_high_db : ndarray, shape (n,)
        The same level apart [dB]: wider, since the level has limits of its own.
    added_ohm : float
        Added resistance of the measured change [ohm].
    target_ohm, start_ohm : float
        Source resistance [ohm], and the one that the change is counted from.
    """

    label: str
    frequency_hz: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    tonal_low_db: FloatArray
    tonal_high_db: FloatArray
    added_ohm: float
    target_ohm: float
    start_ohm: float

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "low_db", "high_db", "tonal_low_db", "tonal_high_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def bound_source(
    study: Study, comparison: StudyComparison, earphone: str, *, target_ohm: float, start_ohm: float = 0.0
) -> SourceBounds | None:
    """Bound the change behind a resistive source for any passive load that measures as the earphone did.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    earphone : str
        The earphone.
    target_ohm : float
        Source resistance to predict [ohm], amplifier, cable and added resistance together.
    start_ohm : float
        Source resistance that the change is counted from [ohm].

    Returns
    -------
    SourceBounds or None
        None where no change with its level was measured.

    Raises
    ------
    CurveError
        A negative resistance, or data that do not cover 200 Hz to 2 kHz.

    Notes
    -----
    The change measured with the resistance nearest to the target, as a ratio of total source resistances, limits most
    (`bound_change`). The limits are those of the change moved down and up by 1.96 standard deviations of its noise.
    """
    found = gather_changes(study, comparison, earphone)
    if not found.level_known:
        return None
    f, R_0 = found.frequency_hz, found.source_ohm
    totals = np.array(found.added_ohm) + R_0
    i = int(np.argmin(np.abs(np.log(totals / max(target_ohm, 1e-3)))))
    R, D = found.added_ohm[i], found.change_db[i]
    sd = 0.0 if found.noise_db is None else np.sqrt(np.mean(found.noise_db[i] ** 2, axis=0))
    floor = -np.inf if R_0 == 0 else 20 * np.log10(R_0 / (R + R_0)) + _LEAST_MARGIN_DB
    ends = [
        bound_change(
            np.clip(D + side * _SIGMAS * sd, floor, -_LEAST_LOSS_DB),
            added_ohm=R,
            target_ohm=target_ohm,
            source_ohm=R_0,
            start_ohm=start_ohm,
        )
        for side in (-1, 1)
    ]
    low, high = np.min(ends, axis=(0, 1)), np.max(ends, axis=(0, 1))
    level_low, level_high = mean_levels(f, np.stack([low, high]), low_hz=[200.0], high_hz=[2000.0])[:, 0]
    return SourceBounds(
        label=earphone,
        frequency_hz=f,
        low_db=low,
        high_db=high,
        tonal_low_db=low - level_high,
        tonal_high_db=high - level_low,
        added_ohm=R,
        target_ohm=target_ohm,
        start_ohm=start_ohm,
    )
