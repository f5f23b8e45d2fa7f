"""From a study to its collection: every earphone measured, judged, and predicted from its impedance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.prediction import readable_frequencies
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.errors import StudyError
from ohmshift.evidence.collection import CollectedEarphone, Collection, ImpedanceFeatures
from ohmshift.evidence.metrics import measure_metrics, metric_values
from ohmshift.study.impedances import know_impedance

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.curves.grids import Bands
    from ohmshift.evidence.metrics import Metric
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.impedances import KnownImpedance


def collect_study(
    study: Study, comparison: StudyComparison, *, added_ohm: float | None = None, margin_db: float | None = None
) -> Collection:
    """Gather every earphone of a study at one added resistance.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    added_ohm : float, optional
        Added resistance [ohm]; by default the one that most earphones were compared at.
    margin_db : float, optional
        Smallest change that matters [dB]; by default the study's.

    Returns
    -------
    Collection
        One row an earphone.

    Raises
    ------
    StudyError
        No earphone was compared at that resistance.
    """
    ohm = comparison.common_ohm if added_ohm is None else float(added_ohm)
    names = [name for name in study.names if (name, ohm) in comparison.changes]
    if not names:
        there = ", ".join(f"{value:g}" for value in sorted({value for _, value in comparison.changes}))
        raise StudyError(
            f"{ohm:g} ohm",
            "a collection needs earphones measured without and with that resistance",
            "there are none",
            f"choose one of {there} ohm",
        )
    margin = comparison.margin_db if margin_db is None else float(margin_db)
    rows = {row["earphone"]: row for row in study.earphones.to_dict("records")}
    return Collection(
        added_ohm=ohm,
        margin_db=margin,
        bands=comparison.changes[names[0], ohm].bands,
        earphones=tuple(_collect(study, comparison, rows[name], added_ohm=ohm, margin_db=margin) for name in names),
        left_out=tuple(name for name in study.names if name not in names),
    )


def _collect(
    study: Study, comparison: StudyComparison, row: Mapping[Any, Any], *, added_ohm: float, margin_db: float
) -> CollectedEarphone:
    name = row["earphone"]
    change = comparison.change(name, added_ohm)
    verdict = comparison.verdict(name, added_ohm, margin_db=margin_db)
    metrics = measure_metrics(change, comparison.floor, verdict)
    known = know_impedance(study, comparison, name)
    bass, midrange, treble = verdict.regions
    return CollectedEarphone(
        label=name,
        driver_class=str(row["driver_class"]),
        driver_count=None if pd.isna(row["driver_count"]) else int(row["driver_count"]),
        estimates=metrics.estimates,
        noise_size_db=metrics.noise_size_db,
        band_change_db=change.band_change_db,
        word=verdict.word,
        region_words=(bass.word, midrange.word, treble.word),
        bound_db=verdict.bound_db,
        region_bounds_db=(bass.bound_db, midrange.bound_db, treble.bound_db),
        seats=change.seats,
        impedance=_features(known, change.bands),
        predicted=_predict(comparison, known, added_ohm, change.bands),
        caveats=(*verdict.caveats, *known.caveats),
    )


def _features(known: KnownImpedance, bands: Bands) -> ImpedanceFeatures:
    """Give the impedance at 1 kHz, and its extremes over the judged bands where it may be read."""
    impedance = known.impedance
    if impedance is None:
        return ImpedanceFeatures()
    f, magnitude = known.frequency_hz, np.abs(known.ohms)
    judged = (f >= bands.low_hz.min()) & (f <= bands.high_hz.max()) & readable_frequencies(impedance)
    log_bands = band_levels(f, np.log(np.where(readable_frequencies(impedance), magnitude, np.nan)), bands)
    zones = metric_values(log_bands, bands)
    inside = f[0] <= 1000.0 <= f[-1]  # noqa: PLR2004 - the frequency in the name
    at_1khz = np.exp(np.interp(np.log(1000.0), np.log(f), np.log(magnitude))) if inside else float("nan")
    return ImpedanceFeatures(
        origin="recovered" if isinstance(impedance, RecoveredImpedance) else "measured",
        at_1khz_ohm=float(at_1khz),
        lowest_ohm=float(magnitude[judged].min()) if judged.any() else float("nan"),
        highest_ohm=float(magnitude[judged].max()) if judged.any() else float("nan"),
        bass_ohm=float(np.exp(zones["bass"])),
        treble_ohm=float(np.exp(zones["treble"])),
    )


def _predict(comparison: StudyComparison, known: KnownImpedance, ohm: float, bands: Bands) -> dict[Metric, float]:
    """Give the metrics as the divider predicts them; empty where the impedance does not tell."""
    if known.impedance is None:
        return {}
    f, options = known.frequency_hz, comparison.options
    source_ohm = comparison.aligned[known.label, 0.0].source_ohm
    change_db = divider_change_db(known.ohms, added_ohm=ohm, source_ohm=source_ohm)
    level_db = float(mean_levels(f, change_db, low_hz=[options.level_low_hz], high_hz=[options.level_high_hz])[0])
    if not np.isfinite(level_db):
        return {}
    return {**metric_values(band_levels(f, change_db, bands) - level_db, bands), "level drop": level_db}
