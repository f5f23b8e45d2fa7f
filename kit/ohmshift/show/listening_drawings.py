"""Charts and sentences about loudness, the warning before a resistor is taken out, exposure, drive and hiss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.exposure import say_hours
from ohmshift.chain.loudness import LoudnessChange, loudness_change
from ohmshift.chain.prediction import AnyImpedance, PredictedChange, predict_change
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.chain.weightings import PROGRAMME_HZ
from ohmshift.evidence.wording import name_frequency
from ohmshift.show.charts import Band, Chart, Level, Line
from ohmshift.show.drawings import ohms

if TYPE_CHECKING:
    from ohmshift.chain.drive import Amplifier, Drive
    from ohmshift.chain.exposure import Guide
    from ohmshift.chain.hiss import Hiss
    from ohmshift.chain.listening import Sensitivity
    from ohmshift.curves.values import ComplexArray, FloatArray

LEVEL_ENDS_DBA = (50.0, 120.0)
"""Levels of the exposure chart [dB(A)]."""

_HOUR_ENDS = (0.01, 1000.0)
_NOISE_ENDS = (-40.0, 40.0)
_ROOM_ENDS = (-20.0, 60.0)
_TEN_DB = 10.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Jump:
    """How much louder an earphone gets when a resistance is taken out.

    Parameters
    ----------
    label : str
        The earphone.
    added_ohm : float
        The resistance [ohm].
    prediction : PredictedChange
        What putting it in does.
    loudness : LoudnessChange
        The same in loudness, with it minus without.
    worst_db : float
        The largest rise at any frequency when it is taken out, at the end of the band where there is one [dB].
    worst_hz : float
        Where [Hz].
    """

    label: str
    added_ohm: float
    prediction: PredictedChange
    loudness: LoudnessChange
    worst_db: float
    worst_hz: float

    @property
    def rise_db(self) -> float:
        """Rise of programme loudness when the resistance is taken out [dB]."""
        return -self.loudness.change_db

    @property
    def rise_dba(self) -> float:
        """Rise of the A-weighted level of programme, which exposure goes by [dB]."""
        return -self.loudness.a_weighted_db

    @property
    def warning(self) -> str:
        """The warning before it is taken out, in words and numbers."""
        if self.added_ohm == 0:
            return f"{self.label}: there is no resistor to take out."
        low, high = f"{-self.loudness.high_db:.1f}", f"{-self.loudness.low_db:.1f}"
        spread = f" ({low} to {high} dB by what is played)" if low != high else ""
        return (
            f"Before you take out the {ohms(self.added_ohm)}: turn the volume down. {self.label} becomes "
            f"{self.rise_db:.1f} dB louder{spread}, and up to {self.worst_db:.1f} dB louder at "
            f"{name_frequency(self.worst_hz)}."
        )


def predict_jump(
    impedance: AnyImpedance, *, added_ohm: float, source_ohm: float, response_db: FloatArray | None, label: str
) -> Jump:
    """Predict how much louder an earphone gets when a resistance is taken out.

    Parameters
    ----------
    impedance : Impedance or RecoveredImpedance
        The earphone's.
    added_ohm : float
        The resistance [ohm].
    source_ohm : float
        Amplifier and cable [ohm].
    response_db : ndarray, shape (n,), or None
        The earphone's response at the impedance's frequencies [dB].
    label : str
        The earphone.

    Returns
    -------
    Jump
        In loudness, and the worst over frequency.
    """
    prediction = predict_change(impedance, added_ohm=added_ohm, source_ohm=source_ohm)
    f = prediction.frequency_hz
    loudness = loudness_change(f, prediction.change_db, response_db=response_db, label=label)
    worst_db, worst_hz = -loudness.least_db, loudness.least_hz
    if isinstance(impedance, RecoveredImpedance):
        at = int(np.argmin(prediction.low_db))
        worst_db, worst_hz = -float(prediction.low_db[at]), float(f[at])
    return Jump(
        label=label,
        added_ohm=added_ohm,
        prediction=prediction,
        loudness=loudness,
        worst_db=max(worst_db, 0.0),
        worst_hz=worst_hz,
    )


def draw_jump(jump: Jump, *, widest_db: FloatArray) -> Chart:
    """Chart what taking the resistance out does to level at each frequency.

    Parameters
    ----------
    jump : Jump
        The jump.
    widest_db : ndarray
        The largest change that the sliders can make, for a vertical axis that stands still [dB].

    Returns
    -------
    Chart
        Rise of level over frequency, its loudness as a level line.
    """
    prediction = jump.prediction
    high = _TEN_DB * np.ceil(1.05 * max(float(-widest_db.min()), 1.0) / _TEN_DB)
    return Chart(
        title=f"{jump.label}: how much louder when {ohms(jump.added_ohm)} are taken out",
        alt_text=jump.warning,
        y_label="Rise of level",
        y_unit="dB",
        y_range=(-5.0, float(high)),
        lines=(Line(x=prediction.frequency_hz, y=-prediction.change_db, label="rise", colour=1, width=2.8),),
        bands=(
            Band(
                x=prediction.frequency_hz,
                low=-prediction.high_db,
                high=-prediction.low_db,
                label="95 % interval",
                colour=1,
            ),
        ),
        levels=(Level(y=jump.rise_db, label="loudness"), Level(y=0.0)),
    )


def draw_exposure(jump: Jump, *, level_dba: float, guide: Guide, hours: float) -> Chart:
    """Chart the time that a guidance allows, with the resistance, and once it is taken out.

    Parameters
    ----------
    jump : Jump
        The jump.
    level_dba : float
        Level with the resistance in [dB(A)].
    guide : Guide
        The guidance.
    hours : float
        How long one listens in each of its periods [h].

    Returns
    -------
    Chart
        Allowed time over level, and three marks: with it, taken out, and the worst at one frequency.
    """
    x = np.linspace(*LEVEL_ENDS_DBA, 141)
    allowed = np.array([guide.allowed_hours(float(level)) for level in x])
    marks = {"with it": level_dba, "taken out": level_dba + jump.rise_dba, "worst tone": level_dba + jump.worst_db}
    lines = [Line(x=x, y=_inside(allowed, _HOUR_ENDS), label="allowed", colour=0, width=2.4)]
    for place, (name, level) in enumerate(marks.items(), start=1):
        at = np.array([level])
        y = _inside(np.array([guide.allowed_hours(level)]), _HOUR_ENDS)
        shown = np.where((at >= LEVEL_ENDS_DBA[0]) & (at <= LEVEL_ENDS_DBA[1]), y, np.nan)
        lines.append(Line(x=at, y=shown, label=name, colour=place, points=True))
    before, after = guide.allowed_hours(level_dba), guide.allowed_hours(marks["taken out"])
    return Chart(
        title=f"Time allowed by {guide.name}, a {guide.period}",
        alt_text=(
            f"{guide.name} allows {say_hours(before)} a {guide.period} at {level_dba:.0f} dB(A), and "
            f"{say_hours(after)} at {marks['taken out']:.0f} dB(A)."
        ),
        y_label=f"Hours a {guide.period}",
        y_unit="h",
        scale="ohm",
        x_label="Level at the ear",
        x_unit="dB(A)",
        x_scale="linear",
        x_range=LEVEL_ENDS_DBA,
        y_range=_HOUR_ENDS,
        lines=tuple(lines),
        levels=(Level(y=min(max(hours, _HOUR_ENDS[0]), _HOUR_ENDS[1]), label="you listen"),),
    )


def draw_drive(
    f: FloatArray,
    Z: ComplexArray,
    drives: dict[str, tuple[Drive, float]],
    *,
    amplifier: Amplifier,
    label: str,
    alt_text: str,
) -> Chart:
    """Chart how far the peaks stay below the amplifier's current limit, whatever frequency they fall on.

    Parameters
    ----------
    f : ndarray, shape (n,)
        Frequency [Hz].
    Z : ndarray of complex, shape (n,)
        The earphone's impedance [ohm].
    drives : dict of str to (Drive, float)
        What a level takes, and the whole source resistance [ohm], by name.
    amplifier : Amplifier
        Its limits.
    label : str
        The earphone.
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One line a drive, and the room in voltage of the last one; below 0 dB the peaks are clipped.
    """
    lines = []
    for place, (name, (drive, source)) in enumerate(drives.items()):
        room = 20 * np.log10(amplifier.highest_a * np.abs(Z + source) / drive.peak_v)
        lines.append(Line(x=f, y=_inside(room, _ROOM_ENDS), label=f"current, {name}", colour=place))
    last = next(reversed(drives.values()))[0]
    voltage_db = 20 * np.log10(amplifier.highest_peak_v / last.peak_v)
    return Chart(
        title=f"{label}: room between the peaks and the amplifier's limits",
        alt_text=alt_text,
        y_label="Room left",
        y_unit="dB",
        y_range=_ROOM_ENDS,
        lines=tuple(lines),
        levels=(Level(y=0.0, label="clips below"), Level(y=float(np.clip(voltage_db, *_ROOM_ENDS)), label="voltage")),
    )


def draw_hiss(hisses: dict[str, Hiss], *, sensitivity: Sensitivity, label: str, alt_text: str) -> Chart:
    """Chart noise at the ear in third octaves.

    Parameters
    ----------
    hisses : dict of str to Hiss
        Noise by name.
    sensitivity : Sensitivity
        The earphone's.
    label : str
        The earphone.
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One line a noise.
    """
    lines = []
    for place, (name, hiss) in enumerate(hisses.items()):
        y = _inside(hiss.third_octaves_db(PROGRAMME_HZ, sensitivity), _NOISE_ENDS)
        lines.append(Line(x=PROGRAMME_HZ, y=y, label=name, colour=place))
    return Chart(
        title=f"{label}: hiss at the ear in third octaves, unweighted",
        alt_text=alt_text,
        y_label="Level",
        y_unit="dB",
        y_range=_NOISE_ENDS,
        lines=tuple(lines),
        levels=(Level(y=0.0),),
    )


def _inside(values: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """Leave out what lies beyond a chart."""
    return np.where((values >= ends[0]) & (values <= ends[1]), values, np.nan)
