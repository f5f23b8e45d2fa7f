"""The figure that belongs to a finding, drawn from the same values as on the screens."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.prediction import predict_change
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.grids import pick_channel
from ohmshift.curves.smoothing import band_levels
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.verdicts import judge_change
from ohmshift.evidence.wording import name_frequency
from ohmshift.show.charts import Band, Chart, Level, Line
from ohmshift.show.drawings import POINTWISE, change_range, draw_change, ohms
from ohmshift.show.explaining import Explanation, draw_explanation
from ohmshift.study.impedances import know_impedance, measured_impedance, recover_from_changes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.findings import Finding
    from ohmshift.study.folder import Study
    from ohmshift.study.plain import Setting

BY_SLIDER = "as the slider says"
"""What the setting `source` of a finding says where a slider set the source impedance."""

_SIDES = ("left", "right")
_SMOOTHING = 12
_RECOVERED = "recovered"


def draw_finding(study: Study, comparison: StudyComparison, finding: Finding) -> Chart | None:
    """Chart what a finding is about.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    finding : Finding
        The finding.

    Returns
    -------
    Chart or None
        The measured change at the finding's resistance, channel, margin and smoothing, beside the predicted one where
        the finding is about a prediction of it; at the study's common resistance where the finding's was not measured.
        The predicted change for a finding on a source that a slider set. None for a finding on no earphone, or on one
        that was not compared.
    """
    settings = finding.settings
    there = comparison.resistances(finding.earphone)
    if not there:
        return None
    if settings.get("source") == BY_SLIDER and (chart := _predict(study, comparison, finding)) is not None:
        return chart
    default = _measured_with(study, comparison, finding)
    asked = _number(settings, "measured_ohm", _number(settings, "added_ohm", default))
    added_ohm = asked if asked in there else (comparison.common_ohm if comparison.common_ohm in there else there[0])
    change = _pick(comparison, finding.earphone, added_ohm, settings.get("channel"))
    margin_db = _number(settings, "margin_db", comparison.margin_db)
    verdict = judge_change(change, comparison.floor, margin_db=margin_db, alpha=comparison.options.alpha)
    if "measured_ohm" in settings and "output_ohm" in settings:
        return _explain(study, comparison, finding, change, verdict)
    smoothing = int(_number(settings, "smoothing", _SMOOTHING))
    return draw_change(change, verdict, smoothing=smoothing)


def _number(settings: Mapping[str, Setting], name: str, default: float) -> float:
    value = settings.get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else default


def _measured_with(study: Study, comparison: StudyComparison, finding: Finding) -> float:
    """Give the one resistance that the files of a finding were measured with, or else the study's common one [ohm]."""
    rows = study.measurements
    found = set(rows.loc[rows["file"].isin(finding.data) & (rows["added_ohm"] > 0), "added_ohm"])
    return float(found.pop()) if len(found) == 1 else comparison.common_ohm


def _pick(comparison: StudyComparison, earphone: str, added_ohm: float, channel: object) -> Change:
    """Give the change of one channel, where the finding is on one that was measured, else of both."""
    without, with_added = comparison.aligned[earphone, 0.0], comparison.aligned[earphone, added_ohm]
    if channel not in _SIDES or any(channel not in curves.channel for curves in (without, with_added)):
        return comparison.change(earphone, added_ohm)
    options = comparison.options
    return measure_change(
        pick_channel(without, str(channel)),
        pick_channel(with_added, str(channel)),
        level_low_hz=options.level_low_hz,
        level_high_hz=options.level_high_hz,
    )


def _predict(study: Study, comparison: StudyComparison, finding: Finding) -> Chart | None:
    """Chart the change that a source makes against one of 0 ohm; None where no impedance is known."""
    settings, name = finding.settings, finding.earphone
    known = know_impedance(study, comparison, name)
    if known.impedance is None:
        return None
    total_ohm = _number(settings, "output_ohm", 0.0) + _number(settings, "added_ohm", 0.0)
    change = predict_change(known.impedance, source_ohm=total_ohm, start_ohm=0.0)
    tolerance_db = _number(settings, "tolerance_db", comparison.margin_db)
    f, y, low, high = change.frequency_hz, change.tonal_change_db, change.tonal_low_db, change.tonal_high_db
    i = int(np.argmax(np.abs(y)))
    recovered = isinstance(known.impedance, RecoveredImpedance)
    spread = f"Shaded: {POINTWISE}" if recovered else "No interval, as the error of the impedance is not known."
    return Chart(
        title=f"{name}: predicted change behind {ohms(total_ohm)}, level apart",
        alt_text=(
            f"Behind a source of {ohms(total_ohm)} instead of 0 ohm, {name} is predicted to change by up to "
            f"{y[i]:+.1f} dB, at {name_frequency(float(f[i]))}, level apart. Impedance {known.origin}."
        ),
        y_label="Change",
        y_unit="dB",
        y_range=change_range(y, low, high, np.array([tolerance_db])),
        lines=(Line(x=f, y=y, label="predicted", colour=1, width=2.4),),
        bands=(Band(x=f, low=low, high=high, label="95 % interval", colour=1),),
        levels=(Level(y=tolerance_db, label="± tolerance"), Level(y=-tolerance_db), Level(y=0.0)),
        description=f"{spread} Dotted: no change, and the tolerance of {tolerance_db:g} dB either way.",
    )


def _explain(study: Study, comparison: StudyComparison, finding: Finding, change: Change, verdict: Verdict) -> Chart:
    """Chart the measured change beside the predicted one."""
    settings, name = finding.settings, finding.earphone
    measured = measured_impedance(study, name)
    wants_recovered = _RECOVERED in str(settings.get("impedance", ""))
    recovered = (
        recover_from_changes(study, comparison, name) if wants_recovered or measured.impedance is None else measured
    )
    used = recovered if wants_recovered and recovered.impedance is not None else measured
    used = recovered if used.impedance is None else used
    predicted, bands = None, np.full(len(change.bands), np.nan)
    if used.impedance is not None:
        predicted = predict_change(
            used.impedance,
            added_ohm=_number(settings, "added_ohm", change.added_ohm),
            source_ohm=_number(settings, "output_ohm", study.settings.source_ohm) + study.settings.cable_ohm,
        )
        bands = band_levels(predicted.frequency_hz, predicted.tonal_change_db, change.bands)
    pair = Explanation(
        change=change,
        verdict=verdict,
        measured=measured,
        recovered=recovered,
        used=used,
        predicted=predicted,
        predicted_band_db=bands,
        check=None,
    )
    shown = [change.band_change_db] if predicted is None else [change.band_change_db, predicted.tonal_change_db]
    said = f"{name}: change measured with {ohms(change.added_ohm)}, and as the divider predicts it. {verdict.sentence}"
    return draw_explanation(pair, said, change_range(*shown))
