"""Charts and tables of what recordings give: a response, its harmonics and its gate; an impedance and its errors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.curves.smoothing import band_levels
from ohmshift.show.charts import Band, Chart, Line, Span
from ohmshift.show.drawings import flatness, ohm_range, smooth_curve
from ohmshift.show.recorded_wording import level_unit
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.deconvolution import ImpulseResponse
    from ohmshift.chain.gating import SweptResponse
    from ohmshift.chain.harmonics import Distortion
    from ohmshift.chain.sense_resistor import SensedImpedance
    from ohmshift.curves.values import FloatArray

SHOWN_DB = 60.0
"""Height of the chart of a response [dB]."""

HARMONICS_RANGE = (-80.0, -20.0)
"""Ends of the axis of harmonics [dB re the fundamental]."""

_POINTS = 480
_DEEPEST_DB = -95.0
_AUDIBLE = (20.0, 20_000.0)


def draw_response(swept: SweptResponse, *, smoothing: int, title: str, alt_text: str) -> Chart:
    """Chart the response out of a sweep, with the noise below it.

    Parameters
    ----------
    swept : SweptResponse
        The response.
    smoothing : int
        Bands an octave; 0 is none.
    title, alt_text : str
        Title, and the chart in a sentence.

    Returns
    -------
    Chart
        Level against frequency; what may not be read is hatched.
    """
    f, level = swept.response.frequency_hz, swept.response.level_db
    heard = (f >= _AUDIBLE[0]) & (f <= _AUDIBLE[1])
    top = 5 * float(np.ceil((level[heard].max() + 2) / 5))
    bottom = top - SHOWN_DB
    noise = np.where(swept.noise_db >= bottom, swept.noise_db, np.nan)
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label="Level",
        y_unit=level_unit(swept),
        y_range=(bottom, top),
        db_per_decade=50,
        lines=(
            Line(x=f, y=noise, label="noise", colour=2, width=1.4),
            Line(x=f, y=np.maximum(smooth_curve(f, level, smoothing), bottom), label="response", colour=0, width=2.4),
        ),
        spans=_spans(f[heard], swept.readable[heard], "not readable: below the gate's limit, or too near the noise"),
    )


def draw_distortion(distortion: Distortion, *, title: str, alt_text: str) -> Chart:
    """Chart harmonics over the frequency of the fundamental.

    Parameters
    ----------
    distortion : Distortion
        Harmonics.
    title, alt_text : str
        Title, and the chart in a sentence.

    Returns
    -------
    Chart
        Level re the fundamental; a gap where a harmonic is not readable.
    """
    lines = tuple(
        Line(x=distortion.frequency_hz, y=np.clip(level, *HARMONICS_RANGE), label=f"harmonic {order}", colour=order - 1)
        for order, level in zip(distortion.orders, distortion.level_db, strict=True)
    )
    return Chart(
        title=title,
        alt_text=alt_text,
        x_label="Frequency of the fundamental",
        y_label="Harmonic",
        y_unit="dB re fundamental",
        y_range=HARMONICS_RANGE,
        db_per_decade=50,
        lines=lines,
    )


def draw_gate(impulse: ImpulseResponse, swept: SweptResponse, *, reach_ms: float, title: str, alt_text: str) -> Chart:
    """Chart the impulse response, the harmonics before it, and the gate.

    Parameters
    ----------
    impulse : ImpulseResponse
        Impulse response.
    swept : SweptResponse
        What was gated out of it.
    reach_ms : float
        Time after the arrival to show [ms].
    title, alt_text : str
        Title, and the chart in a sentence.

    Returns
    -------
    Chart
        Largest magnitude in each piece of time [dB re the peak]; what lies outside the gate is hatched.
    """
    f_s, lead = impulse.sampling_rate_hz, impulse.plan.sweep.lead_s
    before, after = round((lead(6) + 0.02) * f_s), round(reach_ms / 1e3 * f_s)
    per_point = max((before + after) // _POINTS, 1)
    h = np.abs(impulse.around(impulse.arrival, before, after))
    h = h[: h.size // per_point * per_point].reshape(-1, per_point).max(axis=1)
    t = 1e3 * ((np.arange(h.size) + 0.5) * per_point - before) / f_s
    level = 20 * np.log10(np.maximum(h / h.max(), 1e-9))
    ends = (-1e3 * before / f_s, reach_ms)
    marks = np.array([-1e3 * lead(order) for order in (2, 3, 4, 5)])
    reason = "outside the gate; harmonics 2 to 5 arrive at the dots"
    return Chart(
        title=title,
        alt_text=alt_text,
        x_label="Time after the arrival",
        x_unit="ms",
        x_scale="linear",
        x_range=ends,
        y_label="Magnitude",
        y_unit="dB",
        y_range=(_DEEPEST_DB, 10.0),
        lines=(
            Line(x=t, y=np.maximum(level, _DEEPEST_DB), label="impulse", colour=0, width=1.2, dash="solid"),
            Line(x=marks, y=np.full(marks.size, 2.0), label="harmonics", colour=1, points=True),
        ),
        spans=(
            Span(low=ends[0], high=-swept.before_ms, reason=reason),
            Span(low=min(swept.gate_ms, reach_ms * 0.999), high=reach_ms, reason=reason),
        ),
    )


def draw_sensed(sensed: SensedImpedance, *, y_range: tuple[float, float], title: str, alt_text: str) -> Chart:
    """Chart the magnitude of an impedance by a sense resistor.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.
    y_range : tuple of float
        Ends of the axis [ohm].
    title, alt_text : str
        Title, and the chart in a sentence.

    Returns
    -------
    Chart
        Magnitude with its 95 % interval by noise; where the channels have too little in common, it is hatched.
    """
    f, Z = sensed.impedance.frequency_hz, np.abs(sensed.impedance.impedance_ohm)
    shown = np.clip(Z, *y_range)
    half = np.nan_to_num(sensed.half_width_ohm)
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label="Impedance",
        y_unit="ohm",
        scale="ohm",
        y_range=y_range,
        db_per_decade=flatness(y_range),
        lines=(Line(x=f, y=shown, label="impedance", colour=2, width=2.2),),
        bands=(
            Band(x=f, low=np.clip(Z - half, *y_range), high=np.clip(Z + half, *y_range), label="95 %, noise", colour=2),
        ),
        spans=_spans(f, sensed.readable, "not readable: the channels have too little in common"),
    )


def draw_errors(sensed: SensedImpedance, *, y_range: tuple[float, float], title: str, alt_text: str) -> Chart:
    """Chart what errs in an impedance by a sense resistor.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.
    y_range : tuple of float
        Ends of the axis of the impedance itself [ohm].
    title, alt_text : str
        Title, and the chart in a sentence.

    Returns
    -------
    Chart
        Noise (95 %), and an error of 0.1 % of full scale in one channel [ohm], beside 1 % of the impedance.
    """
    f, Z = sensed.impedance.frequency_hz, np.abs(sensed.impedance.impedance_ohm)
    low, high = np.log10([y_range[0] * 5e-3, y_range[1] * 0.05])
    reach = (float(10.0 ** np.floor(low)), float(10.0 ** np.ceil(high)))
    parts = {"noise, 95 %": sensed.half_width_ohm, "voltage error": sensed.voltage_error * Z, "1 % of it": 0.01 * Z}
    lines = tuple(
        Line(x=f, y=np.clip(values, *reach), label=label, colour=place, width=1.8)
        for place, (label, values) in enumerate(parts.items())
    )
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label="Error",
        y_unit="ohm",
        scale="ohm",
        y_range=reach,
        db_per_decade=50,
        lines=lines,
    )


def range_of(sensed: SensedImpedance) -> tuple[float, float]:
    """Give a range that holds the readable impedance and one twice as high and half as low.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.

    Returns
    -------
    tuple of float
        Ends [ohm].
    """
    f = sensed.impedance.frequency_hz
    Z = np.abs(sensed.impedance.impedance_ohm[sensed.readable & (f >= _AUDIBLE[0]) & (f <= _AUDIBLE[1])])
    return ohm_range(Z / 2, Z * 2) if Z.size else ohm_range()


def response_table(swept: SweptResponse, distortion: Distortion) -> pd.DataFrame:
    """Put a response and its distortion into a table.

    Parameters
    ----------
    swept : SweptResponse
        Response.
    distortion : Distortion
        Harmonics.

    Returns
    -------
    DataFrame
        One row a third-octave band: level, signal-to-noise ratio, harmonics 2 and 3, readable or not.
    """
    bands = fractional_octave_bands(3, low_hz=_AUDIBLE[0], high_hz=_AUDIBLE[1])
    f = swept.response.frequency_hz
    table: dict[str, object] = {
        "Frequency (Hz)": [nominal_frequency(value) for value in bands.mid_hz],
        "level (dB)": band_levels(f, swept.response.level_db, bands).round(1) + 0.0,
        "above the noise (dB)": band_levels(f, swept.snr_db, bands).round(0),
    }
    for order in (2, 3):
        if order in distortion.orders:
            level = distortion.level_db[distortion.orders.index(order)]
            at = np.interp(bands.mid_hz, distortion.frequency_hz, level, left=np.nan, right=np.nan)
            percent = 100 * 10 ** (at / 20)
            table[f"harmonic {order} (%)"] = ["" if np.isnan(value) else f"{value:.2f}" for value in percent]
    readable = np.interp(bands.mid_hz, f, swept.readable.astype(float), left=0, right=0) > 0.5  # noqa: PLR2004
    table["readable"] = np.where(readable, "yes", "")
    return pd.DataFrame(table).dropna(subset=["level (dB)"]).reset_index(drop=True)


def impedance_table(sensed: SensedImpedance) -> pd.DataFrame:
    """Put an impedance by a sense resistor into a table.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.

    Returns
    -------
    DataFrame
        One row a third-octave mid-band: magnitude, phase, both errors, coherence, readable or not.
    """
    f, Z = sensed.impedance.frequency_hz, sensed.impedance.impedance_ohm
    mid = fractional_octave_bands(3, low_hz=_AUDIBLE[0], high_hz=_AUDIBLE[1]).mid_hz
    mid = mid[(mid >= f[0]) & (mid <= f[-1])]

    def at(values: FloatArray) -> FloatArray:
        return np.asarray(np.interp(np.log(mid), np.log(f), values))

    phase = np.degrees(np.angle(at(Z.real) + 1j * at(Z.imag)))
    return pd.DataFrame(
        {
            "Frequency (Hz)": [nominal_frequency(value) for value in mid],
            "impedance (ohm)": np.hypot(at(Z.real), at(Z.imag)).round(2),
            "phase (degree)": phase.round(1) + 0.0,
            "noise, 95 % (%)": (196 * at(sensed.random_error)).round(2),
            "0.1 % of full scale (%)": (100 * at(sensed.voltage_error)).round(2),
            "coherence": at(sensed.coherence).round(4),
            "readable": np.where(at(sensed.readable.astype(float)) > 0.5, "yes", ""),  # noqa: PLR2004
        }
    )


def empty_charts(titles: tuple[str, ...], alt_text: str) -> tuple[Chart, ...]:
    """Give charts without a curve, for a recording that cannot be used.

    Parameters
    ----------
    titles : tuple of str
        One a chart.
    alt_text : str
        Why there is nothing to see.

    Returns
    -------
    tuple of Chart
        With axes and no data.
    """
    nothing = Line(x=np.array(_AUDIBLE), y=np.full(2, np.nan))
    return tuple(
        Chart(title=title, alt_text=alt_text, y_label="Level", y_unit="dB", y_range=(-30.0, 30.0), lines=(nothing,))
        for title in titles
    )


def _spans(f: FloatArray, readable: npt.NDArray[np.bool_], reason: str) -> tuple[Span, ...]:
    """Give the runs of frequencies that may not be read."""
    bad = np.concatenate([[False], ~readable, [False]])
    starts, ends = np.flatnonzero(bad[1:] & ~bad[:-1]), np.flatnonzero(~bad[1:] & bad[:-1]) - 1
    low, high = f[np.maximum(starts - 1, 0)], f[np.minimum(ends + 1, f.size - 1)]
    return tuple(Span(low=float(i), high=float(j), reason=reason) for i, j in zip(low, high, strict=True))
