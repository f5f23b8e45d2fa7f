"""Ask whether the curves line up, and which part of the band may be read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from ohmshift.curves.alignment import (
    ResonanceAlignment,
    align_level,
    choose_warp,
    find_shifts,
    shift_resonance,
    warp_variances,
)
from ohmshift.curves.grids import fractional_octave_bands, pick_channel
from ohmshift.curves.smoothing import band_levels, smooth_fractional_octave
from ohmshift.errors import CurveError
from ohmshift.show.charts import Chart, Line, Span
from ohmshift.show.drawings import ohms
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.nothing import NO_RESPONSES, nothing_to_show
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import SMOOTHING, hashes
from ohmshift.study.findings import Quantity

if TYPE_CHECKING:
    from ohmshift.curves.values import ResponseSet
    from ohmshift.curves.warping import Warp
    from ohmshift.study.folder import Study

LEVELS = [
    ("mean over 200 Hz to 2 kHz", (200.0, 2000.0)),
    ("mean over 500 Hz to 2 kHz", (500.0, 2000.0)),
    ("at 1 kHz", (1000.0, 1000.0)),
]
"""Choices of level alignment: text, and the range whose level becomes 0 dB [Hz]."""

_ABOVE = fractional_octave_bands(3, low_hz=5000, high_hz=16_000)
_Y_RANGE = (-30.0, 20.0)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LineUpSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    channel : {"left", "right"}
        Channel.
    alignment_hz : float
        Frequency at which the resonance is shown [Hz].
    warp : {"auto", "local", "detail"}
        What is moved; "auto" takes what leaves less variation in the study.
    level_hz : tuple of float
        Range whose mean level becomes 0 dB [Hz].
    smoothing : int
        Bands an octave; 0 is none.
    """

    earphone: str
    channel: str
    alignment_hz: float
    warp: Literal["auto", "local", "detail"] = "auto"
    level_hz: tuple[float, float] = LEVELS[0][1]
    smoothing: int = 24


class LineUpPanel(Panel[LineUpSettings]):
    """Line seats up at the ear-canal resonance.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the first.
    """

    def __init__(self, study: Study, *, earphone: str | None = None) -> None:
        self.study = study
        names = [name for name in study.names if study.resistances(name)]
        self.sets = {name: [study.responses(name, added_ohm=ohm) for ohm in study.resistances(name)] for name in names}
        progress = Progress("Lining up the seats of every earphone.")
        self.shifts = {name: find_shifts(self.sets[name]) for name in progress(names)}
        self.warp: Warp = choose_warp(warp_variances(self.shifts[name], self.sets[name]) for name in names)
        resistances = [ohm for name in names for ohm in study.resistances(name) if ohm > 0]
        self.shown_ohm = max(set(resistances), key=resistances.count) if resistances else 0.0
        settings = LineUpSettings(
            earphone=earphone or next(iter(names), ""), channel="left", alignment_hz=float(study.settings.alignment_hz)
        )
        if not names:
            super().__init__(lambda _: nothing_to_show("Seats lined up", NO_RESPONSES), settings, {})
            return
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone whose seats are lined up."),
            "channel": choice("Channel", ["left", "right"], help_text="The channel shown."),
            "alignment_hz": slider(
                "Alignment frequency",
                "Hz",
                7000,
                9200,
                20,
                digits=0,
                help_text="Where the resonance is shown. For display only; changes are read at the seats' own mean.",
            ),
            "warp": choice(
                "What is moved",
                [
                    (f"as suits this study ({self.warp})", "auto"),
                    ("all above 6.5 kHz", "local"),
                    ("only the detail", "detail"),
                ],
                help_text="Everything above 6.5 kHz, or only what stands out from the one-octave trend.",
            ),
            "level_hz": choice("Level alignment", LEVELS, help_text="What becomes 0 dB in every curve."),
            "smoothing": choice("Smoothing", SMOOTHING, help_text="For display."),
        }
        super().__init__(self._view, settings, controls)

    def _view(self, settings: LineUpSettings) -> View:
        warp = self.warp if settings.warp == "auto" else settings.warp
        report = replace(self.shifts[settings.earphone], warp=warp)
        found = next((c for c in report.channels if c.channel == settings.channel), None)
        if found is None:
            return self._nothing(settings)
        pair = [curves for curves in self.sets[settings.earphone] if curves.added_ohm in {0.0, self.shown_ohm}]
        sets = [pick_channel(curves, settings.channel) for curves in pair]
        low_hz, high_hz = settings.level_hz
        levelled = [align_level(curves, low_hz=low_hz, high_hz=high_hz)[0] for curves in sets]
        moved, shown = _show_at(levelled, report, settings.alignment_hz)
        before, after = scatter_db(levelled), scatter_db(moved)
        said = found.summarise()
        sentence = f"{settings.earphone}, {said[0].lower()}{said[1:]}"
        if found.certain and np.isfinite(before):
            sentence += (
                f" {shown} From 5 to 16 kHz the seats of one condition scatter by "
                f"{before:.2f} dB as measured and by {after:.2f} dB lined up (standard deviation in third octaves)."
            )
        elif np.isfinite(before):
            sentence += f" From 5 to 16 kHz the seats of one condition scatter by {before:.2f} dB."
        spans = () if found.certain else (Span(low=5000.0, high=20_000.0, reason="alignment uncertain: read heights"),)
        whose = f"{settings.earphone}, {settings.channel}"
        charts = (
            draw_seats(levelled, settings, f"{whose}: as measured", sentence, ()),
            draw_seats(moved, settings, f"{whose}: {'lined up' if found.certain else 'not lined up'}", sentence, spans),
        )
        draft = Draft(
            statement=sentence,
            quantities=_quantities(before, after if found.certain else float("nan")),
            data=hashes(sets),
            earphone=settings.earphone,
            caveats=() if found.certain else (found.why,),
        )
        return View(charts=charts, sentence=sentence, table=alignment_table(report), draft=draft)

    def _nothing(self, settings: LineUpSettings) -> View:
        sentence = f"{settings.earphone} was not measured on the {settings.channel} channel."
        empty = Line(x=np.array([20.0, 20_000.0]), y=np.full(2, np.nan))
        chart = Chart(title=sentence, alt_text=sentence, y_label="Level", y_unit="dB", y_range=_Y_RANGE, lines=(empty,))
        return View(charts=(chart,), sentence=sentence, table=alignment_table(self.shifts[settings.earphone]))


def _show_at(sets: list[ResponseSet], report: ResonanceAlignment, alignment_hz: float) -> tuple[list[ResponseSet], str]:
    """Line seats up at a frequency, or at their own mean where that is too far away, and say at which."""
    try:
        moved = [shift_resonance(curves, report, target_hz=alignment_hz) for curves in sets]
    except CurveError:
        moved = [shift_resonance(curves, report) for curves in sets]
        return moved, f"{alignment_hz:.0f} Hz is too far away to move every seat there: shown at the seats' own mean."
    return moved, f"Shown at {alignment_hz:.0f} Hz."


def scatter_db(sets: list[ResponseSet]) -> float:
    """Give how much seats of one condition scatter above 5 kHz.

    Parameters
    ----------
    sets : list of ResponseSet
        Conditions, one channel each, levels aligned.

    Returns
    -------
    float
        Root of the mean variance over conditions and third-octave bands from 5 to 16 kHz [dB]; nan without repeats.
    """
    variances = [
        np.var(band_levels(curves.frequency_hz, curves.level_db, _ABOVE), axis=0, ddof=1)
        for curves in sets
        if len(curves.seat) > 1
    ]
    covered = [values[np.isfinite(values)] for values in variances]
    return float(np.sqrt(np.concatenate(covered).mean())) if any(values.size for values in covered) else float("nan")


def draw_seats(
    sets: list[ResponseSet], settings: LineUpSettings, title: str, alt_text: str, spans: tuple[Span, ...]
) -> Chart:
    """Chart every seat of one channel.

    Parameters
    ----------
    sets : list of ResponseSet
        Conditions, one channel each, levels aligned.
    settings : LineUpSettings
        For the smoothing.
    title : str
        Title.
    alt_text : str
        The chart in a sentence.
    spans : tuple of Span
        Parts not to be read.

    Returns
    -------
    Chart
        One thin line a seat, one colour and dash a condition.
    """
    lines = []
    for colour, curves in enumerate(sets):
        name = "without" if curves.added_ohm == 0 else f"with {ohms(curves.added_ohm)}"
        shown = smooth_fractional_octave(curves, settings.smoothing) if settings.smoothing else curves
        for i, row in enumerate(shown.level_db):
            label = name if i == 0 else ""
            lines.append(Line(x=curves.frequency_hz, y=row, label=label, colour=colour, width=1.4))
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label="Level, aligned",
        y_unit="dB",
        y_range=_fit(sets),
        lines=tuple(lines),
        spans=spans,
    )


def _fit(sets: list[ResponseSet]) -> tuple[float, float]:
    """Give a range in steps of 5 dB that holds the curves, also when the resonance is moved."""
    low, high = min(float(c.level_db.min()) for c in sets), max(float(c.level_db.max()) for c in sets)
    return (float(5 * np.floor((low - 2) / 5)), float(5 * np.ceil((high + 2) / 5)))


def alignment_table(report: ResonanceAlignment) -> pd.DataFrame:
    """Put an alignment into a table.

    Parameters
    ----------
    report : ResonanceAlignment
        What was found.

    Returns
    -------
    DataFrame
        One row a seat: channel, seat, resistance, resonance, prominence, shift, certain or not.
    """
    rows = [
        {
            "channel": row.channel,
            "seat": row.seat,
            "added (ohm)": f"{row.added_ohm:g}",
            "resonance (Hz)": "none found" if row.resonance_hz is None else f"{row.resonance_hz:.0f}",
            "prominence (dB)": round(row.prominence_db, 1),
            "above the mean (%)": round(100 * (10 ** (0.3 * row.shift_octaves) - 1), 1) + 0.0,
            "moved": "yes" if channel.certain else "no",
        }
        for channel in report.channels
        for row in channel.rows
    ]
    return pd.DataFrame(rows)


def _quantities(before: float, after: float) -> tuple[Quantity, ...]:
    named = {"scatter of seats, 5 to 16 kHz, as measured": before, "scatter of seats, 5 to 16 kHz, lined up": after}
    return tuple(Quantity(name=name, value=value, unit="dB") for name, value in named.items() if np.isfinite(value))
