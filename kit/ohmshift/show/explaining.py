"""A measured change beside the divider's prediction: charts, sentences, numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.show.charts import Band, Chart, Level, Line
from ohmshift.show.drawings import POINTWISE, SIMULTANEOUS, flatness, ohm_range, ohms, unreadable_spans
from ohmshift.study.findings import Quantity
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.crosscheck import CrossCheck
    from ohmshift.chain.prediction import PredictedChange
    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.metrics import Estimate
    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.study.impedances import KnownImpedance


WHY_IT_HOLDS = (
    "Where the impedance is large beside the resistance it was recovered with, only a lower bound of it is known; so "
    "large an impedance changes little behind a similar or smaller resistance, which is why the prediction holds there."
)

_MOST_NAMED = 6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Explanation:
    """A measured change and what the divider says of it.

    Parameters
    ----------
    change : Change
        Measured.
    verdict : Verdict
        Verdict on it.
    measured, recovered : KnownImpedance
        The impedance as measured, and as recovered from the responses; either may be unknown.
    used : KnownImpedance
        The one of these that the prediction uses.
    predicted : PredictedChange or None
        Predicted for the resistances asked; None where no impedance is known.
    predicted_band_db : ndarray, shape (b,)
        Its tonal change in the bands of the measured one [dB]; nan where there is none.
    check : CrossCheck or None
        Whether the divider explains the measured change by the measured impedance; None where nobody measured it.
    """

    change: Change
    verdict: Verdict
    measured: KnownImpedance
    recovered: KnownImpedance
    used: KnownImpedance
    predicted: PredictedChange | None
    predicted_band_db: FloatArray
    check: CrossCheck | None


def draw_explanation(pair: Explanation, alt_text: str, y_range: tuple[float, float]) -> Chart:
    """Chart the measured change and the predicted one, each with its interval.

    Parameters
    ----------
    pair : Explanation
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
        x = change.frequency_hz
        y = low = high = np.full(x.size, np.nan)
    else:
        x, y = pair.predicted.frequency_hz, pair.predicted.tonal_change_db
        low, high = pair.predicted.tonal_low_db, pair.predicted.tonal_high_db
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
        bands=(
            Band(x=change.bands.mid_hz, low=middle - half, high=middle + half, label="measured, 95 %", colour=0),
            Band(x=x, low=low, high=high, label="predicted, 95 %", colour=1),
        ),
        spans=unreadable_spans(verdict),
        levels=(Level(y=0.0),),
        description=_describe_pair(pair),
    )


def _describe_pair(pair: Explanation) -> str:
    text = f"Measured: third octaves, with their {SIMULTANEOUS}"
    if pair.predicted is None:
        return text
    known = isinstance(pair.used.impedance, RecoveredImpedance)
    spread = f", with its {POINTWISE}" if known else "; it has no interval, as the error of the impedance is not known."
    return f"{text} Predicted: at every frequency{spread} The two are compared in third octaves."


def draw_impedances(measured: KnownImpedance, recovered: KnownImpedance | None = None) -> Chart:
    """Chart the magnitude of an impedance as measured and as recovered.

    Parameters
    ----------
    measured : KnownImpedance
        May be unknown.
    recovered : KnownImpedance, optional
        May be unknown; left out of the chart where it is not given.

    Returns
    -------
    Chart
        Magnitudes against frequency, both logarithmic, the recovered one with its 95 % band.
    """
    shown = [(measured, "measured", 2)] + ([] if recovered is None else [(recovered, "recovered", 3)])
    lines, said, bands = [], [], []
    for known, label, colour in shown:
        f, Z = known.frequency_hz, np.abs(known.ohms)
        if known.impedance is None:
            f, Z = np.array([20.0, 20_000.0]), np.full(2, np.nan)
        else:
            said.append(f"{label} from {Z.min():.1f} to {Z.max():.1f} ohm")
        lines.append(Line(x=f, y=Z, label=label, colour=colour, width=2.2))
    reach = ohm_range(*(line.y for line in lines))
    if recovered is not None:
        x, low, high = np.array([20.0, 20_000.0]), np.full(2, np.nan), np.full(2, np.nan)
        if isinstance(recovered.impedance, RecoveredImpedance):
            x = recovered.frequency_hz
            low, high = (np.clip(edge, *reach) for edge in (recovered.impedance.low_ohm, recovered.impedance.high_ohm))
        bands.append(Band(x=x, low=low, high=high, label="recovered, 95 %", colour=3))
    how = "" if recovered is None else ", as measured and as recovered from the responses"
    return Chart(
        title=f"{measured.label}: impedance{how}",
        alt_text=f"The impedance of {measured.label}: {'; '.join(said) or measured.origin}.",
        y_label="Impedance",
        y_unit="ohm",
        scale="ohm",
        y_range=reach,
        db_per_decade=flatness(reach),
        lines=tuple(lines),
        bands=tuple(bands),
    )


def say_prediction(pair: Explanation, *, added_ohm: float, output_ohm: float, matches: bool) -> str:
    """Say what the divider predicts, and how it compares.

    Parameters
    ----------
    pair : Explanation
        Both changes.
    added_ohm, output_ohm : float
        Added resistance and amplifier output impedance of the prediction [ohm].
    matches : bool
        Whether these are what was measured with.

    Returns
    -------
    str
        Two to four sentences.
    """
    name, measured = pair.change.label, ohms(pair.change.added_ohm)
    if pair.predicted is None:
        return f"{name}: {pair.used.origin}, so the divider predicts nothing. With {measured}: {pair.verdict.sentence}"
    predicted = pair.predicted
    text = (
        f"{name}, {ohms(added_ohm)} added behind {ohms(output_ohm)} of amplifier output impedance: predicted level "
        f"{predicted.level_drop_db:+.1f} dB, size of the tonal change {np.nanstd(pair.predicted_band_db):.2f} dB "
        f"(impedance {pair.used.origin})."
    )
    if isinstance(pair.used.impedance, RecoveredImpedance) and pair.used.impedance.lower_bound_only.any():
        text += f" {WHY_IT_HOLDS}"
    if not matches:
        text += f" The measured change is for {measured} at the study's amplifier."
    else:
        text += f" {_say_difference(pair)}"
    return text if pair.check is None else f"{text} Cross-check with {measured}: {pair.check.sentence}"


def _say_difference(pair: Explanation) -> str:
    outside, largest = disagreement(pair)
    if not np.isfinite(largest):
        return "No band is readable, so the measurement cannot tell whether that is right."
    if pair.used is pair.recovered:
        return "The impedance was recovered from this very change, so agreement proves nothing here."
    names = [nominal_frequency(f) for f in pair.change.bands.mid_hz[outside]]
    where = f"at {', '.join(names)} Hz"
    if len(names) > _MOST_NAMED:
        where = f"in {len(names)} of {np.count_nonzero(pair.verdict.readable)} readable bands"
    verb = f"lies outside the measured interval {where}" if names else "lies within the measured interval"
    return f"The prediction {verb}; in the readable bands both differ by at most {largest:.1f} dB."


def disagreement(pair: Explanation) -> tuple[npt.NDArray[np.bool_], float]:
    """Compare prediction and measurement band by band.

    Parameters
    ----------
    pair : Explanation
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


def explanation_table(pair: Explanation) -> pd.DataFrame:
    """Put measured and predicted change into a table.

    Parameters
    ----------
    pair : Explanation
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


def size_quantity(size: Estimate, *, name: str = "size of the tonal change") -> Quantity:
    """Give the size of a change as a number of a finding.

    Parameters
    ----------
    size : Estimate
        The size [dB].
    name : str
        What it is called there.

    Returns
    -------
    Quantity
        With its 95 % interval, where that is known.
    """
    low, high = (size.low, size.high) if np.isfinite([size.low, size.high]).all() else (None, None)
    return Quantity(name=name, value=size.value, unit="dB", low=low, high=high)


def explanation_quantities(pair: Explanation, size: Estimate) -> tuple[Quantity, ...]:
    """Give the numbers of a finding on a prediction.

    Parameters
    ----------
    pair : Explanation
        Both changes.
    size : Estimate
        Size of the measured one [dB].

    Returns
    -------
    tuple of Quantity
        Level drops, sizes, the largest difference, and the resistance that the acoustics say, as far as they are known.
    """
    found = [size_quantity(size, name="size of the tonal change, measured")]
    if np.isfinite(pair.change.level_drop_db):
        low, high = pair.verdict.level_drop_interval_db or (None, None)
        drop = pair.change.level_drop_db
        found.append(Quantity(name="level drop, measured", value=drop, unit="dB", low=low, high=high))
    if pair.predicted is not None:
        predicted = float(np.nanstd(pair.predicted_band_db))
        found.append(Quantity(name="size of the tonal change, predicted", value=predicted, unit="dB"))
        found.append(Quantity(name="level drop, predicted", value=pair.predicted.level_drop_db, unit="dB"))
        largest = disagreement(pair)[1]
        if np.isfinite(largest):
            found.append(Quantity(name="largest difference in a readable band", value=largest, unit="dB"))
    if pair.check is not None and pair.check.resistance_interval_ohm is not None:
        low, high = pair.check.resistance_interval_ohm
        ohm = pair.check.resistance_ohm
        if np.isfinite(high):
            found.append(Quantity(name="resistance by the acoustics", value=ohm, unit="ohm", low=low, high=high))
        else:
            found.append(Quantity(name="resistance by the acoustics, at least", value=low, unit="ohm"))
    return tuple(found)
