"""Hold a study's acoustic evidence against its impedances and its stated resistances."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.crosscheck import CrossCheck, cross_check
from ohmshift.chain.crosscheck_model import MeasuredBands
from ohmshift.chain.linearity import LEAST_RESISTANCES, LinearityCheck, check_linearity
from ohmshift.curves.values import Impedance, Response
from ohmshift.evidence.uncertainty import settle_uncertainty
from ohmshift.study.impedances import ADDED_TOLERANCE, SOURCE_SPREAD_OHM
from ohmshift.study.settling import gather_changes

if TYPE_CHECKING:
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study


def check_divider(
    comparison: StudyComparison,
    impedance: Impedance,
    added_ohm: float,
    *,
    added_tolerance: float = ADDED_TOLERANCE,
    source_spread_ohm: float = SOURCE_SPREAD_OHM,
    high_hz: float = 6000.0,
) -> CrossCheck:
    """Tell whether the divider explains one change of a study.

    Parameters
    ----------
    comparison : StudyComparison
        The study's changes and noise floor.
    impedance : Impedance
        The earphone's measured impedance, labelled with its name.
    added_ohm : float
        Added resistance of the change, as stated [ohm].
    added_tolerance : float
        Its standard uncertainty, as a share of it.
    source_spread_ohm : float
        Standard uncertainty of amplifier and cable [ohm].
    high_hz : float
        Bands up to here are tested [Hz].

    Returns
    -------
    CrossCheck
        Verdict, the resistance that the acoustics say, and what is left.

    Raises
    ------
    StudyError
        The earphone was not compared at that resistance.
    CurveError
        An impedance that does not cover the level band.
    """
    name = impedance.label
    without = comparison.aligned[name, 0.0]
    return cross_check(
        impedance,
        _measured_bands(comparison, name, added_ohm),
        nominal_ohm=added_ohm,
        nominal_sd_ohm=added_tolerance * added_ohm,
        source_ohm=without.source_ohm,
        source_sd_ohm=source_spread_ohm,
        response=Response(frequency_hz=without.frequency_hz, level_db=np.asarray(without.level_db.mean(axis=0))),
        high_hz=high_hz,
    )


def check_resistances(
    study: Study,
    comparison: StudyComparison,
    earphone: str,
    *,
    added_tolerance: float = ADDED_TOLERANCE,
    high_hz: float = 6000.0,
) -> LinearityCheck | None:
    """Tell whether one impedance can be behind all changes of an earphone, whatever it is.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes and noise floor.
    earphone : str
        The earphone.
    added_tolerance : float
        Standard uncertainty of each added resistance, as a share of it.
    high_hz : float
        Bands up to here are tested [Hz].

    Returns
    -------
    LinearityCheck or None
        None where fewer than three resistances were measured with their level kept and with known noise.
    """
    found = gather_changes(study, comparison, earphone)
    changes = [comparison.change(earphone, ohm) for ohm in comparison.resistances(earphone)]
    kept = [change for change in changes if np.isfinite(change.level_drop_db)]
    measured = [_measured_bands(comparison, earphone, change.added_ohm) for change in kept]
    if len(kept) < LEAST_RESISTANCES or not all(one.level_known and one.known.any() for one in measured):
        return None
    return check_linearity(
        found.frequency_hz,
        found.change_db,
        measured,
        added_ohm=found.added_ohm,
        tolerance=added_tolerance,
        shared=float(np.mean([change.seats[1] / sum(change.seats) for change in kept])),
        high_hz=high_hz,
    )


def _measured_bands(comparison: StudyComparison, name: str, added_ohm: float) -> MeasuredBands:
    change = comparison.change(name, added_ohm)
    floor = comparison.floor.reseated if change.reseated else comparison.floor.unreseated
    uncertainty = settle_uncertainty(change, comparison.floor)
    together = 1.0 if floor is None or len(change.channels) == 1 else 1 + floor.level_sides
    return MeasuredBands(
        bands=change.bands,
        change_db=change.band_change_db,
        variance_db2=uncertainty.variance_db2 * change.variance_factor,
        degrees=uncertainty.degrees,
        correlation=None if floor is None else floor.with_level(),
        level_drop_db=change.level_drop_db,
        level_variance_db2=float("nan") if floor is None else floor.level_db2 * change.variance_factor * together,
        level_degrees=0.0 if floor is None else float(floor.level_degrees),
        level_low_hz=comparison.options.level_low_hz,
        level_high_hz=comparison.options.level_high_hz,
        label=name,
    )
