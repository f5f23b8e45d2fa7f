"""Each earphone's impedance: as measured, or recovered from what a resistance did to its response."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.levels import AnchorImpedance
from ohmshift.chain.recovery import RecoveredImpedance, recover_impedance
from ohmshift.curves.grids import octave_grid, resample
from ohmshift.errors import CurveError
from ohmshift.study.settling import gather_changes

if TYPE_CHECKING:
    from ohmshift.curves.values import ComplexArray, FloatArray, Impedance
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.settling import EarphoneChanges

UNREADABLE_ABOVE_HZ = 5000.0
"""Where the ear-canal resonance could not be lined up with certainty, nothing above this is read."""

LATEST_START_HZ, EARLIEST_END_HZ = 50.0, 16_000.0
"""Where a measured impedance starts at the latest, and ends at the earliest, without being called short [Hz]."""

ADDED_TOLERANCE = 0.01
"""Standard uncertainty of an added resistance, as a share of it, where the study does not say."""

SOURCE_SPREAD_OHM = 0.1
"""Standard uncertainty of amplifier and cable [ohm], where the study does not say."""

ANCHOR_HZ = 1000.0
"""Where a known impedance brings a lost level back [Hz]: best of all frequencies in simulations."""

MEASURED_SPREAD, RATED_SPREAD = 0.02, 0.2
"""Standard uncertainties of the impedance that does so, measured and as rated, as a share of it."""


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
    if measured.impedance is not None:
        return measured
    if not comparison.resistances(earphone):
        return replace(measured, origin=f"{measured.origin}, nor its responses with and without a resistance")
    return recover_from_changes(study, comparison, earphone)


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
        On the common grid from 20 Hz to 20 kHz, as far as it reaches, with a caveat where that is not far; or none.
    """
    if not study.has_impedance(earphone):
        return KnownImpedance(label=earphone, impedance=None, origin="nobody measured its impedance")
    measured = study.impedance(earphone)
    f = measured.frequency_hz
    low_hz, high_hz = max(20.0, float(f[0])), min(20_000.0, float(f[-1]))
    impedance = resample(measured, octave_grid(low_hz=low_hz, high_hz=high_hz))
    if low_hz <= LATEST_START_HZ and high_hz >= EARLIEST_END_HZ:
        return KnownImpedance(label=earphone, impedance=impedance, origin="measured")
    reach = f"from {float(f'{low_hz:.2g}'):g} to {float(f'{high_hz:.2g}'):g} Hz only"
    caveat = f"Its impedance was measured {reach}: beyond that nothing is predicted, nor counted in any number."
    return KnownImpedance(label=earphone, impedance=impedance, origin=f"measured {reach}", caveats=(caveat,))


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
    Changes and noise are those of `gather_changes`. Where levels were normalised, what brings them back is, in this
    order: the measured |Z| at 1 kHz; two or more resistances, if they tell the level well enough; the rated impedance,
    taken for |Z| at 1 kHz with a standard uncertainty of 20 %. IEC 60268-7 lets the lowest |Z| be 80 % of the rated
    one and bounds nothing above it, so that this is common practice, not more.
    """
    found = gather_changes(study, comparison, earphone)
    refused = "levels were normalised and nobody measured it"
    for anchor, words in _ways_to_level(study, found):
        try:
            recovered = recover_impedance(
                found.frequency_hz,
                found.change_db,
                added_ohm=found.added_ohm,
                source_ohm=found.source_ohm,
                added_tolerance=added_tolerance,
                source_spread_ohm=source_spread_ohm,
                noise_db=found.noise_db,
                level_known=found.level_known,
                anchor=anchor,
                readable_high_hz=None if found.certain else UNREADABLE_ABOVE_HZ,
                seed=seed,
                label=earphone,
            )
        except CurveError as error:
            refused = f"cannot be recovered: {error.rule}, but {error.found}"
            continue
        ohms = ", ".join(f"{ohm:g}" for ohm in found.added_ohm)
        return KnownImpedance(
            label=earphone,
            impedance=recovered,
            origin=f"recovered from the responses with and without {ohms} ohm{words}",
            caveats=(*recovered.caveats, *found.caveats, *_flagged_seats(study, earphone)),
        )
    return KnownImpedance(label=earphone, impedance=None, origin=refused)


def _ways_to_level(study: Study, found: EarphoneChanges) -> list[tuple[AnchorImpedance | None, str]]:
    """Give what the level may come from, the best first, and how to say so."""
    if found.level_known:
        return [(None, "")]
    ways: list[tuple[AnchorImpedance | None, str]] = []
    measured = measured_impedance(study, found.label)
    if measured.impedance is not None and measured.frequency_hz[0] <= ANCHOR_HZ <= measured.frequency_hz[-1]:
        ohm = float(np.interp(np.log(ANCHOR_HZ), np.log(measured.frequency_hz), np.abs(measured.ohms)))
        anchor = AnchorImpedance(magnitude_ohm=ohm, frequency_hz=ANCHOR_HZ, spread=MEASURED_SPREAD, what="measured |Z|")
        ways.append((anchor, f", level from the measured {ohm:.1f} ohm at 1 kHz"))
    if len(found.added_ohm) > 1:
        ways.append((None, ", level from their being one load"))
    rated = study.earphones.set_index("earphone")["rated_ohm"].get(found.label, np.nan)
    if np.isfinite(rated) and rated > 0:
        anchor = AnchorImpedance(
            magnitude_ohm=float(rated), frequency_hz=ANCHOR_HZ, spread=RATED_SPREAD, what="rated impedance"
        )
        ways.append((anchor, f", level from the rated {rated:g} ohm, taken to hold at 1 kHz"))
    return ways


def _flagged_seats(study: Study, earphone: str) -> tuple[str, ...]:
    table = study.measurements
    rows = table[(table["earphone"] == earphone) & (table["flags"].astype(str) != "")]
    return tuple(f"{file} is flagged and used: see the study's problems" for file in rows["file"])
