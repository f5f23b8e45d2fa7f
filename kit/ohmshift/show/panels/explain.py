"""Ask whether the divider explains the change, and what other resistances would do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.limits import highest_source_ohm
from ohmshift.chain.prediction import PredictedChange, predict_change
from ohmshift.curves.smoothing import band_levels
from ohmshift.show.axes import nominal_frequency
from ohmshift.show.charts import Band, Chart, Level, Line
from ohmshift.show.drawings import draw_impedance, ohms, symmetric_range, unreadable_spans
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import hashes
from ohmshift.study.batch import compare_study
from ohmshift.study.findings import Quantity

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray, Impedance
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.study.folder import Study

MOST_OHM = 150.0
"""Upper end of both sliders: above the 120 ohm that IEC 61938 knew as a headphone source up to its 2013 edition."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ExplainSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    measured_ohm : float
        Added resistance of the measured change [ohm].
    added_ohm : float
        Added resistance of the prediction [ohm].
    output_ohm : float
        Amplifier output impedance of the prediction [ohm]; the study's cable comes on top.
    """

    earphone: str
    measured_ohm: float
    added_ohm: float
    output_ohm: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Comparison:
    """Measured and predicted change side by side.

    Parameters
    ----------
    change : Change
        Measured.
    verdict : Verdict
        Verdict on it.
    predicted : PredictedChange or None
        Predicted; None where nobody measured the impedance.
    predicted_band_db : ndarray, shape (b,)
        Tonal change predicted [dB], in the bands of the measured one; nan where there is none.
    """

    change: Change
    verdict: Verdict
    predicted: PredictedChange | None
    predicted_band_db: FloatArray


class ExplainPanel(Panel[ExplainSettings]):
    """Hold the divider's prediction against the measured change.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the one that changed most of those with a measured impedance.
    """

    def __init__(self, study: Study, *, earphone: str | None = None) -> None:
        self.study = study
        self.comparison = compare_study(study, progress=Progress("Lining up and comparing the earphones."))
        names = list(dict.fromkeys(name for name, _ in self.comparison.changes))
        ranked = self.comparison.by_size()
        first = earphone or next((name for name in ranked if study.has_impedance(name)), ranked[0])
        common = self.comparison.common_ohm
        resistances = sorted({ohm for _, ohm in self.comparison.changes})
        self.output_ohm = study.settings.source_ohm
        settings = ExplainSettings(
            earphone=first, measured_ohm=common, added_ohm=common, output_ohm=round(self.output_ohm, 1)
        )
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to explain."),
            "measured_ohm": choice(
                "Measured with",
                [(ohms(value), value) for value in resistances],
                help_text="The resistance of the measured change.",
            ),
            "added_ohm": slider(
                "Added resistance", "ohm", 0.0, MOST_OHM, 1.0, help_text="The resistance that the prediction adds."
            ),
            "output_ohm": slider(
                "Amplifier output impedance", "ohm", 0.0, MOST_OHM, 0.2, help_text="Before anything is added."
            ),
        }
        super().__init__(self._view, settings, controls)

    def limits(self, *, tolerance_db: float = 1.0) -> pd.DataFrame:
        """Give the highest source impedance of every earphone with a measured impedance.

        Parameters
        ----------
        tolerance_db : float
            Largest tonal change allowed [dB].

        Returns
        -------
        DataFrame
            One row an earphone: lowest impedance, and the highest source impedance.
        """
        rows = []
        for name in self.study.names:
            if not self.study.has_impedance(name):
                continue
            impedance = self.study.impedance(name)
            limit = highest_source_ohm(impedance, tolerance_db=tolerance_db)
            rows.append(
                {
                    "earphone": name,
                    "lowest impedance (ohm)": round(float(np.abs(impedance.impedance_ohm).min()), 1),
                    f"highest source for {tolerance_db:g} dB (ohm)": say_limit(limit.source_ohm),
                    "reached first at (Hz)": nominal_frequency(limit.worst_hz),
                }
            )
        return pd.DataFrame(rows)

    def _view(self, settings: ExplainSettings) -> View:
        name = settings.earphone
        measured_ohm = settings.measured_ohm
        if (name, measured_ohm) not in self.comparison.changes:
            measured_ohm = self.comparison.resistances(name)[0]
        impedance = self.study.impedance(name) if self.study.has_impedance(name) else None
        pair = self._compare(name, measured_ohm, impedance, settings)
        sentence = say_comparison(pair, impedance, settings, matches=self._matches(settings, measured_ohm))
        measured = hashes(self.comparison.aligned[name, ohm] for ohm in (0.0, measured_ohm))
        rows = self.study.measurements
        rows = rows[(rows["earphone"] == name) & (rows["quantity"] == "impedance")]
        known = {str(file): self.study.curves[str(file)].provenance.sha256 for file in rows["file"]}
        return View(
            charts=(
                draw_comparison(pair, sentence, self._reach(name, impedance)),
                draw_impedance(name, impedance),
            ),
            sentence=sentence,
            table=comparison_table(pair),
            draft=Draft(
                statement=sentence,
                quantities=comparison_quantities(pair),
                data={**measured, **known},
                earphone=name,
                caveats=pair.verdict.caveats,
            ),
        )

    def _compare(
        self, name: str, measured_ohm: float, impedance: Impedance | None, settings: ExplainSettings
    ) -> Comparison:
        change = self.comparison.change(name, measured_ohm)
        verdict = self.comparison.verdict(name, measured_ohm)
        if impedance is None:
            empty = np.full(len(change.bands), np.nan)
            return Comparison(change=change, verdict=verdict, predicted=None, predicted_band_db=empty)
        source_ohm = settings.output_ohm + self.study.settings.cable_ohm
        predicted = predict_change(impedance, added_ohm=settings.added_ohm, source_ohm=source_ohm)
        bands = band_levels(predicted.frequency_hz, predicted.tonal_change_db, change.bands)
        return Comparison(change=change, verdict=verdict, predicted=predicted, predicted_band_db=bands)

    def _reach(self, name: str, impedance: Impedance | None) -> tuple[float, float]:
        """Give a vertical range that holds every measured change, and the sliders' largest predicted one."""
        measured = [self.comparison.change(name, ohm).band_change_db for ohm in self.comparison.resistances(name)]
        if impedance is None:
            return symmetric_range(*measured)
        largest = predict_change(impedance, added_ohm=MOST_OHM, source_ohm=self.study.settings.cable_ohm)
        return symmetric_range(*measured, largest.tonal_change_db)

    def _matches(self, settings: ExplainSettings, measured_ohm: float) -> bool:
        measured_source = self.comparison.aligned[settings.earphone, measured_ohm].source_ohm
        asked = settings.output_ohm + self.study.settings.cable_ohm
        return settings.added_ohm == measured_ohm and abs(asked - measured_source) < 0.05  # noqa: PLR2004 - slider step


def draw_comparison(pair: Comparison, alt_text: str, y_range: tuple[float, float]) -> Chart:
    """Chart the measured change with its interval, and the predicted one.

    Parameters
    ----------
    pair : Comparison
        Both changes.
    alt_text : str
        The chart in a sentence.
    y_range : tuple of float
        Ends of the vertical axis [dB], the same wherever the sliders stand.

    Returns
    -------
    Chart
        Tonal changes against frequency.
    """
    change, verdict = pair.change, pair.verdict
    judged = verdict.judged & np.isfinite(verdict.half_width_db)
    middle = np.where(judged, change.band_change_db, np.nan)
    half = np.where(judged, verdict.half_width_db, np.nan)
    if pair.predicted is None:
        x, y = change.frequency_hz, np.full(change.frequency_hz.size, np.nan)
    else:
        x, y = pair.predicted.frequency_hz, pair.predicted.tonal_change_db
    return Chart(
        title=f"{change.label}: change measured with {ohms(change.added_ohm)}, and what the divider predicts",
        alt_text=alt_text,
        y_label="Change, level apart",
        y_unit="dB",
        y_range=y_range,
        lines=(
            Line(x=change.bands.mid_hz, y=middle, label="measured", colour=0, width=2.4),
            Line(x=x, y=y, label="predicted", colour=1, width=2.4),
        ),
        bands=(Band(x=change.bands.mid_hz, low=middle - half, high=middle + half, label="95 % interval", colour=0),),
        spans=unreadable_spans(verdict),
        levels=(Level(y=0.0),),
    )


def say_comparison(pair: Comparison, impedance: Impedance | None, settings: ExplainSettings, *, matches: bool) -> str:
    """Say what the divider predicts, and how it compares.

    Parameters
    ----------
    pair : Comparison
        Both changes.
    impedance : Impedance or None
        The earphone's.
    settings : ExplainSettings
        What was asked.
    matches : bool
        Whether the prediction is for the resistances that were measured.

    Returns
    -------
    str
        One to three sentences.
    """
    if impedance is None or pair.predicted is None:
        return (
            f"{settings.earphone}: nobody measured its impedance, so the divider predicts nothing. "
            f"Measured with {ohms(pair.change.added_ohm)}: {pair.verdict.sentence}"
        )
    predicted = pair.predicted
    size = float(np.nanstd(pair.predicted_band_db))
    text = (
        f"{settings.earphone}, {ohms(settings.added_ohm)} added behind {ohms(settings.output_ohm)} of amplifier output "
        f"impedance: predicted level {predicted.level_drop_db:+.1f} dB, size of the tonal change {size:.2f} dB."
    )
    if not matches:
        return f"{text} The measured change is for {ohms(pair.change.added_ohm)} at the study's amplifier."
    outside, largest = disagreement(pair)
    if not np.isfinite(largest):
        return f"{text} No band is readable, so the measurement cannot tell whether that is right."
    verb = "agrees with" if not outside.any() else "does not agree with"
    where = (
        ""
        if not outside.any()
        else f" at {', '.join(nominal_frequency(f) for f in pair.change.bands.mid_hz[outside])} Hz"
    )
    return (
        f"{text} The measured change {verb} it{where}: in the readable bands they differ by at most {largest:.1f} dB."
    )


def disagreement(pair: Comparison) -> tuple[npt.NDArray[np.bool_], float]:
    """Compare prediction and measurement band by band.

    Parameters
    ----------
    pair : Comparison
        Both changes.

    Returns
    -------
    outside : ndarray of bool, shape (b,)
        Readable bands in which the prediction lies outside the measured 95 % interval.
    largest : float
        Largest difference over the readable bands [dB]; nan where none is.
    """
    difference = np.abs(pair.change.band_change_db - pair.predicted_band_db)
    readable = pair.verdict.readable & np.isfinite(difference)
    outside = readable & (np.nan_to_num(difference) > pair.verdict.half_width_db)
    return outside, float(difference[readable].max()) if readable.any() else float("nan")


def comparison_table(pair: Comparison) -> pd.DataFrame:
    """Put measured and predicted change into a table.

    Parameters
    ----------
    pair : Comparison
        Both changes.

    Returns
    -------
    DataFrame
        One row a judged band.
    """
    verdict = pair.verdict
    table = pd.DataFrame(
        {
            "Frequency (Hz)": [nominal_frequency(value) for value in verdict.bands.mid_hz],
            "measured (dB)": verdict.change_db.round(1) + 0.0,
            "half-width (dB)": verdict.half_width_db.round(1),
            "predicted (dB)": pair.predicted_band_db.round(1) + 0.0,
            "difference (dB)": (verdict.change_db - pair.predicted_band_db).round(1) + 0.0,
            "readable": np.where(verdict.readable, "yes", ""),
        }
    )
    return table[verdict.judged].reset_index(drop=True)


def comparison_quantities(pair: Comparison) -> tuple[Quantity, ...]:
    """Give the numbers of a finding on a prediction.

    Parameters
    ----------
    pair : Comparison
        Both changes.

    Returns
    -------
    tuple of Quantity
        Level drops, sizes and the largest difference, as far as they are known.
    """
    found = [Quantity(name="size of the tonal change, measured", value=pair.change.size_db, unit="dB")]
    if np.isfinite(pair.change.level_drop_db):
        low, high = pair.verdict.level_drop_interval_db or (None, None)
        drop = pair.change.level_drop_db
        found.append(Quantity(name="level drop, measured", value=drop, unit="dB", low=low, high=high))
    if pair.predicted is not None:
        size = float(np.nanstd(pair.predicted_band_db))
        found.append(Quantity(name="size of the tonal change, predicted", value=size, unit="dB"))
        found.append(Quantity(name="level drop, predicted", value=pair.predicted.level_drop_db, unit="dB"))
        largest = disagreement(pair)[1]
        if np.isfinite(largest):
            found.append(Quantity(name="largest difference in a readable band", value=largest, unit="dB"))
    return tuple(found)


def say_limit(source_ohm: float) -> str:
    """Write a highest source impedance.

    Parameters
    ----------
    source_ohm : float
        Resistance [ohm], infinite where no limit was found.

    Returns
    -------
    str
        Number, or "no limit up to 1000".
    """
    return f"{source_ohm:.1f}" if np.isfinite(source_ohm) else "no limit up to 1000"
