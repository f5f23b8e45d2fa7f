"""Each earphone's impedance: as measured, or recovered from what a resistance did to its response."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.recovery import RecoveredImpedance, recover_impedance
from ohmshift.curves.grids import octave_grid, resample
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from ohmshift.curves.values import ComplexArray, FloatArray, Impedance
    from ohmshift.evidence.changes import Change
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

UNREADABLE_ABOVE_HZ = 5000.0
"""Where the ear-canal resonance could not be lined up with certainty, nothing above this is read."""

ADDED_TOLERANCE = 0.01
"""Standard uncertainty of an added resistance, as a share of it, where the study does not say."""

SOURCE_SPREAD_OHM = 0.1
"""Standard uncertainty of amplifier and cable [ohm], where the study does not say."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class KnownImpedance:
    """What is known of an earphone's impedance.

    Parameters
    ----------
    label : str
        The earphone.
    impedance : Impedance, RecoveredImpedance or None
        The impedance; None where it was neither measured nor can be recovered.
    origin : str
        Where it comes from, or why there is none, as a phrase.
    caveats : tuple of str
        What to keep in mind.
    """

    label: str
    impedance: Impedance | RecoveredImpedance | None
    origin: str
    caveats: tuple[str, ...] = ()

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequency [Hz], shape (n,); empty where nothing is known."""
        return np.empty(0) if self.impedance is None else self.impedance.frequency_hz

    @property
    def ohms(self) -> ComplexArray:
        """Impedance [ohm], shape (n,); empty where nothing is known."""
        return np.empty(0, dtype=np.complex128) if self.impedance is None else self.impedance.impedance_ohm


def know_impedance(study: Study, comparison: StudyComparison, earphone: str) -> KnownImpedance:
    """Give an earphone's measured impedance, or recover it.

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
    KnownImpedance
        The measured one on the common grid; otherwise the one recovered.
    """
    measured = measured_impedance(study, earphone)
    return recover_from_changes(study, comparison, earphone) if measured.impedance is None else measured


def measured_impedance(study: Study, earphone: str) -> KnownImpedance:
    """Give an earphone's measured impedance.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str
        The earphone.

    Returns
    -------
    KnownImpedance
        On the common grid from 20 Hz to 20 kHz, as far as it reaches; or none.
    """
    if not study.has_impedance(earphone):
        return KnownImpedance(label=earphone, impedance=None, origin="nobody measured its impedance")
    measured = study.impedance(earphone)
    f = measured.frequency_hz
    grid = octave_grid(low_hz=max(20.0, float(f[0])), high_hz=min(20_000.0, float(f[-1])))
    return KnownImpedance(label=earphone, impedance=resample(measured, grid), origin="measured")


def recover_from_changes(
    study: Study,
    comparison: StudyComparison,
    earphone: str,
    *,
    added_tolerance: float = ADDED_TOLERANCE,
    source_spread_ohm: float = SOURCE_SPREAD_OHM,
    seed: int = 0,
) -> KnownImpedance:
    """Recover an earphone's impedance from all its changes of response.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    earphone : str
        The earphone.
    added_tolerance : float
        Standard uncertainty of each added resistance, as a share of it.
    source_spread_ohm : float
        Standard uncertainty of amplifier and cable [ohm].
    seed : int
        Seed of the draws behind the bands.

    Returns
    -------
    KnownImpedance
        The recovered impedance with its bands, or none with the reason.

    Notes
    -----
    The covariance of the changes is that of the study's own seats about their means, level included, over all
    conditions in which no file is flagged.
    """
    changes = [comparison.change(earphone, ohm) for ohm in comparison.resistances(earphone)]
    changes = [change for change in changes if np.isfinite(change.level_drop_db)]
    if not changes:
        return KnownImpedance(label=earphone, impedance=None, origin="levels were normalised and nobody measured it")
    aligned = comparison.aligned[earphone, 0.0]
    certain = earphone not in comparison.alignment or comparison.alignment[earphone].certain
    try:
        recovered = recover_impedance(
            changes[0].frequency_hz,
            np.array([change.change_db + change.level_drop_db for change in changes]),
            added_ohm=[change.added_ohm for change in changes],
            source_ohm=aligned.source_ohm,
            added_tolerance=added_tolerance,
            source_spread_ohm=source_spread_ohm,
            noise_db=_noise(study, comparison, changes, seed=seed),
            readable_high_hz=None if certain else UNREADABLE_ABOVE_HZ,
            seed=seed,
            label=earphone,
        )
    except CurveError as error:
        return KnownImpedance(label=earphone, impedance=None, origin=f"cannot be recovered: {error.found}")
    ohms = ", ".join(f"{change.added_ohm:g}" for change in changes)
    return KnownImpedance(
        label=earphone,
        impedance=recovered,
        origin=f"recovered from the responses with and without {ohms} ohm",
        caveats=(*recovered.caveats, *_flagged_seats(study, earphone)),
    )


def residual_curves(study: Study, comparison: StudyComparison) -> FloatArray:
    """Give how single measurements of the study stray from their condition's mean.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its aligned responses.

    Returns
    -------
    ndarray, shape (k, n)
        One row a measurement [dB], level included, scaled so that rows.T @ rows / k is the covariance of one
        measurement; only conditions without a flagged file, on the grid that most of them share.
    """
    flagged = set(study.measurements.loc[study.measurements["flags"].astype(str) != "", "file"])
    rows: dict[int, list[FloatArray]] = {}
    for curves in comparison.aligned.values():
        if any(origin.source in flagged for origin in curves.provenance):
            continue
        for channel in dict.fromkeys(curves.channel):
            level_db = curves.level_db[list(curves.rows(channel))]
            n = len(level_db)
            if n > 1:
                strays = (level_db - level_db.mean(axis=0)) * np.sqrt(n / (n - 1))
                rows.setdefault(level_db.shape[1], []).append(strays)
    if not rows:
        return np.empty((0, 0))
    common = max(rows, key=lambda size: len(rows[size]))
    return np.concatenate(rows[common])


def _noise(study: Study, comparison: StudyComparison, changes: list[Change], *, seed: int) -> FloatArray | None:
    """Give noise of the changes (m, k, n): the response without is shared by all of them."""
    residuals = residual_curves(study, comparison)
    if residuals.size == 0 or residuals.shape[1] != changes[0].frequency_hz.size:
        return None
    shuffled = np.random.default_rng(seed)
    shared = min(_share_without(change) for change in changes)
    first = np.sqrt(shared) * residuals
    own = [
        np.sqrt(max(change.variance_factor - shared, 0.0)) * residuals[shuffled.permutation(len(residuals))]
        for change in changes
    ]
    if len(changes) == 1:
        return np.asarray(np.sqrt(changes[0].variance_factor) * residuals[np.newaxis])
    return np.array([first + rows for rows in own])


def _share_without(change: Change) -> float:
    """Give the part of a change's variance factor that its response without the resistance makes."""
    without, added = change.seats
    return float(change.variance_factor * added / (without + added))


def _flagged_seats(study: Study, earphone: str) -> tuple[str, ...]:
    table = study.measurements
    rows = table[(table["earphone"] == earphone) & (table["flags"].astype(str) != "")]
    return tuple(f"{file} is flagged and used: see the study's problems" for file in rows["file"])
