"""From changes, verdicts and impedances to charts, tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.curves.smoothing import smooth_fractional_octave
from ohmshift.curves.values import FloatArray, Response
from ohmshift.evidence.wording import ceil_bound
from ohmshift.show.charts import Band, Chart, Level, Line, Span
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.verdicts import Verdict

SIMULTANEOUS = "95 % interval over all judged bands at once."
POINTWISE = "95 % interval, each frequency by itself."
"""What an interval that is drawn holds for."""

_STEP_DB = 5.0
_LEAST_DB = 5.0
_ROOM = 1.1


def draw_change(change: Change, verdict: Verdict, *, smoothing: int = 12, alt_text: str = "") -> Chart:
    """Chart a change with its uncertainty, the margin and what may not be read.

    Parameters
    ----------
    change : Change
        The change.
    verdict : Verdict
        Verdict on it.
    smoothing : int
        Bands an octave of the thin line's smoothing; 0 is none.
    alt_text : str
        The chart in a sentence; by default what it shows, and the verdict.

    Returns
    -------
    Chart
        Change against frequency, level apart.
    """
    mid_hz, judged = change.bands.mid_hz, verdict.judged & np.isfinite(verdict.half_width_db)
    middle = np.where(judged, change.band_change_db, np.nan)
    fine = smooth_curve(change.frequency_hz, change.change_db, smoothing)
    half = np.where(judged, verdict.half_width_db, np.nan)
    title = f"{change.label}: change with {ohms(change.added_ohm)} added, level apart"
    finer = f"smoothed over 1/{smoothing} octave" if smoothing else "not smoothed"
    return Chart(
        title=title,
        alt_text=alt_text or f"{title}. {verdict.sentence}",
        y_label="Change",
        y_unit="dB",
        y_range=change_range(middle, np.array([verdict.margin_db])),
        lines=(
            Line(x=change.frequency_hz, y=fine, label="fine curve", colour=2, width=1.2, opacity=0.8, dash="solid"),
            Line(x=mid_hz, y=middle, label="third octaves", colour=0, width=2.4),
        ),
        bands=(Band(x=mid_hz, low=middle - half, high=middle + half, label="95 % interval", colour=0),),
        spans=unreadable_spans(verdict),
        levels=(Level(y=verdict.margin_db, label="± margin"), Level(y=-verdict.margin_db), Level(y=0.0)),
        description=(
            f"Thick line: third octaves, which are judged. Thin line: {finer}. Shaded: {SIMULTANEOUS} Dotted: no "
            f"change, and the margin of {verdict.margin_db:g} dB either way."
        ),
    )


def band_table(verdict: Verdict) -> pd.DataFrame:
    """Put a verdict's bands into a table.

    Parameters
    ----------
    verdict : Verdict
        Verdict on a change.

    Returns
    -------
    DataFrame
        One row a judged band: change, half-width, bound, changed or not, readable or not.
    """
    table = pd.DataFrame(
        {
            "Frequency (Hz)": [nominal_frequency(value) for value in verdict.bands.mid_hz],
            "change (dB)": verdict.change_db.round(1) + 0.0,
            "half-width (dB)": verdict.half_width_db.round(1),
            "bound (dB)": ceil_bound(verdict.band_bound_db),
            "changed": np.where(verdict.changed, "yes", ""),
            "readable": np.where(verdict.readable, "yes", ""),
        }
    )
    return table[verdict.judged].reset_index(drop=True)


def say_level_drop(change: Change, verdict: Verdict) -> str:
    """Say how much quieter the earphone became.

    Parameters
    ----------
    change : Change
        The change.
    verdict : Verdict
        Verdict on it.

    Returns
    -------
    str
        A sentence.
    """
    if not np.isfinite(change.level_drop_db):
        return "How much quieter it became is not known: levels were normalised."
    interval = verdict.level_drop_interval_db
    between = "" if interval is None else f" (95 %: {interval[0]:+.1f} to {interval[1]:+.1f} dB)"
    return f"Level {change.level_drop_db:+.1f} dB{between}."


def flatness(reach: tuple[float, float]) -> int:
    """Choose the proportion of IEC 60263 at which an impedance stays low enough to see sliders and curves at once.

    Parameters
    ----------
    reach : tuple of float
        Ends of the vertical axis [ohm].

    Returns
    -------
    int
        20 times the decades of ohms a decade of frequency.
    """
    decades = float(np.log10(reach[1] / reach[0]))
    return next((ratio for ratio, most in ((20, 0.75), (25, 1.4)) if decades <= most), 50)


def ohm_range(*impedances_ohm: FloatArray) -> tuple[float, float]:
    """Give a range in steps of 1, 2, 5 that holds impedances, no wider than it must be.

    Parameters
    ----------
    *impedances_ohm : ndarray
        Magnitudes [ohm]; nan counts as no data.

    Returns
    -------
    tuple of float
        Ends [ohm].
    """
    known = [values[np.isfinite(values)] for values in impedances_ohm]
    values = np.concatenate([*known, np.empty(0)])
    lowest, highest = (2.0, 50.0) if values.size == 0 else (float(values.min()), float(values.max()))
    steps = [m * 10.0**k for k in range(-2, 5) for m in (1, 2, 5)]
    low = max(step for step in steps if step <= 0.95 * lowest)
    high = min(step for step in steps if step >= max(1.05 * highest, 4 * low))
    return (low, high)


def smooth_curve(frequency_hz: FloatArray, level_db: FloatArray, fraction: int) -> FloatArray:
    """Smooth one curve for display.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    level_db : ndarray, shape (n,)
        Level [dB].
    fraction : int
        Bands an octave; 0 leaves the curve as it is.

    Returns
    -------
    ndarray, shape (n,)
        Level [dB].
    """
    if not fraction:
        return level_db
    return smooth_fractional_octave(Response(frequency_hz=frequency_hz, level_db=level_db), fraction).level_db


def change_range(*changes_db: FloatArray) -> tuple[float, float]:
    """Give a range that holds changes and 5 dB on either side of none, in whole steps of 5 dB.

    Parameters
    ----------
    *changes_db : ndarray
        Changes [dB]; nan counts as no data.

    Returns
    -------
    tuple of float
        Ends [dB].

    Examples
    --------
    >>> change_range(np.array([-9.5, 1.0]))
    (-15.0, 5.0)
    """
    known = np.concatenate([values[np.isfinite(values)] for values in changes_db] + [np.zeros(1)])
    down, up = (_STEP_DB * np.ceil(_ROOM * side / _STEP_DB) for side in (-known.min(), known.max()))
    return (-float(max(_LEAST_DB, down)), float(max(_LEAST_DB, up)))


def unreadable_spans(verdict: Verdict) -> tuple[Span, ...]:
    """Give the parts of the frequency axis that a verdict cannot read.

    Parameters
    ----------
    verdict : Verdict
        Verdict on a change.

    Returns
    -------
    tuple of Span
        One for each run of neighbouring bands whose half-width exceeds the margin.
    """
    reason = f"not readable at a margin of {verdict.margin_db:g} dB, as the uncertainty is larger"
    bad = np.concatenate([[False], verdict.judged & ~verdict.readable, [False]])
    starts, ends = np.flatnonzero(bad[1:] & ~bad[:-1]), np.flatnonzero(~bad[1:] & bad[:-1]) - 1
    low, high = verdict.bands.low_hz, verdict.bands.high_hz
    return tuple(Span(low=float(low[i]), high=float(high[j]), reason=reason) for i, j in zip(starts, ends, strict=True))


def ohms(value: float) -> str:
    """Write a resistance with its unit.

    Parameters
    ----------
    value : float
        Resistance [ohm].

    Returns
    -------
    str
        Such as "15 ohm".
    """
    return f"{value:.0f} ohm" if abs(value) >= 100 else f"{value:.3g} ohm"  # noqa: PLR2004 - three digits, no exponent
