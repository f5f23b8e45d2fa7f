"""Ask what raw recordings give: a response out of a sweep, and an impedance out of two voltages at a sense resistor."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import pandas as pd

from ohmshift.chain.gating import GATE_MS, LEAST_SNR_DB
from ohmshift.chain.harmonics import separate_harmonics
from ohmshift.errors import OhmshiftError
from ohmshift.show.drawings import ohms
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.pieces import SMOOTHING
from ohmshift.show.recorded import (
    draw_distortion,
    draw_errors,
    draw_gate,
    draw_response,
    draw_sensed,
    empty_charts,
    impedance_table,
    range_of,
    response_table,
)
from ohmshift.show.recorded_wording import (
    impedance_quantities,
    response_quantities,
    say_distortion,
    say_errors,
    say_impedance,
    say_response,
)
from ohmshift.study.from_recordings import open_sweep, open_voltages, read_off_impedance, read_off_response
from ohmshift.study.problems import problems_table
from ohmshift.study.recording_rows import MANIFEST, RecordingRow, read_recording_rows

if TYPE_CHECKING:
    from ohmshift.chain.gating import SweptResponse
    from ohmshift.chain.harmonics import Distortion
    from ohmshift.chain.sense_resistor import SensedImpedance
    from ohmshift.show.charts import Chart
    from ohmshift.study.folder import Study
    from ohmshift.study.from_recordings import RecordedSweep, RecordedVoltages

REACH_MS = 500.0
"""Longest gate of the slider, and the time that the impulse response is shown for [ms]."""

CORRECTIONS = {
    "all there are": ("known_resistor", "open", "short"),
    "known resistor alone": ("known_resistor",),
    "open alone": ("open",),
    "none": (),
}
"""Choices of corrections."""

RESOLUTIONS = [("1.4 s, 1 Hz", 1.4), ("0.7 s, 2 Hz", 0.7), ("0.35 s, 4 Hz", 0.35)]
"""Choices of segment: text, and length [s]."""

WIDTHS = [("1/48 octave", 48), ("1/24 octave", 24), ("1/12 octave", 12)]
"""Choices of bands over which spectra are added up."""

NOTHING = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SweptSettings:
    """What the panel of sweeps asks.

    Parameters
    ----------
    recording : str
        File, as recordings.csv names it.
    gate_ms : float
        Length of the gate after the arrival [ms].
    least_snr_db : float
        Signal-to-noise ratio from which on a level is read [dB].
    smoothing : int
        Bands an octave for display; 0 is none.
    """

    recording: str
    gate_ms: float = GATE_MS
    least_snr_db: float = LEAST_SNR_DB
    smoothing: int = 24


class SweptPanel(Panel[SweptSettings]):
    """Gate the recording of a sweep: response, noise, harmonics, impulse response.

    Parameters
    ----------
    study : Study
        The study.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.rows = rows_that_hold(study, "response")
        controls = {
            "recording": choice("Recording", _choices(self.rows), help_text="The sweep's recording to look at."),
            "gate_ms": slider(
                "Gate after the arrival",
                "ms",
                5.0,
                REACH_MS,
                5.0,
                digits=0,
                help_text="What comes later is left out: room and noise, but bass too.",
            ),
            "least_snr_db": slider(
                "Readable from", "dB above the noise", 6.0, 80.0, 1.0, digits=0, help_text="Nearer the noise: hatched."
            ),
            "smoothing": choice("Smoothing", SMOOTHING, help_text="For display."),
        }
        super().__init__(self._view, SweptSettings(recording=next(iter(self.rows), NOTHING)), controls)

    @lru_cache(maxsize=8)  # noqa: B019 - a panel lives as long as its notebook
    def opened(self, file: str) -> RecordedSweep:
        """Read and deconvolve a recording, once.

        Parameters
        ----------
        file : str
            File, as recordings.csv names it.

        Returns
        -------
        RecordedSweep
            What the gate is put on.
        """
        return open_sweep(self.study.folder, self.rows[file])

    @lru_cache(maxsize=64)  # noqa: B019
    def _distortion(self, file: str, gate_ms: float) -> Distortion:
        sweep = self.opened(file)
        return separate_harmonics(sweep.impulse, noise=sweep.noise, gate_ms=gate_ms)

    def _view(self, settings: SweptSettings) -> View:
        if settings.recording not in self.rows:
            return _none_listed("response")
        name = _name(self.rows[settings.recording])
        try:
            sweep = self.opened(settings.recording)
            swept = read_off_response(sweep, gate_ms=settings.gate_ms, least_snr_db=settings.least_snr_db)
            distortion = self._distortion(settings.recording, settings.gate_ms)
        except OhmshiftError as error:
            return _nothing(f"{name}: {error}", 3)
        caveats = (*sweep.caveats, *swept.caveats)
        sentence = f"{name}: {say_response(swept)} {say_distortion(distortion)}".strip()
        said = " ".join([sentence, *caveats])
        return View(
            charts=self._charts(settings, sweep, swept, distortion, said),
            sentence=said,
            table=response_table(swept, distortion),
            draft=Draft(
                statement=sentence,
                quantities=response_quantities(swept, distortion),
                data=sweep.data,
                earphone=sweep.row.earphone,
                caveats=caveats,
            ),
        )

    def _charts(
        self, settings: SweptSettings, sweep: RecordedSweep, swept: SweptResponse, distortion: Distortion, said: str
    ) -> tuple[Chart, ...]:
        name = _name(sweep.row)
        gate = f"The gate reaches from {swept.before_ms:.0f} ms before the arrival to {swept.gate_ms:.0f} ms after it."
        return (
            draw_response(swept, smoothing=settings.smoothing, title=f"{name}: response", alt_text=said),
            draw_distortion(
                distortion,
                title=f"{name}: harmonics of each frequency",
                alt_text=say_distortion(distortion) or "No harmonic stands above the noise.",
            ),
            draw_gate(
                sweep.impulse, swept, reach_ms=REACH_MS, title=f"{name}: impulse response and gate", alt_text=gate
            ),
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SenseSettings:
    """What the panel of impedances asks.

    Parameters
    ----------
    recording : str
        File, as recordings.csv names it.
    sense_ohm : float
        Sense resistor [ohm].
    corrections : str
        Which corrections are used.
    segment_s : float
        Length of a segment [s].
    width : int
        Bands an octave over which spectra are added up.
    estimator : {"H1", "H2", "Hv"}
        Estimator of the transfer function.
    """

    recording: str
    sense_ohm: float
    corrections: str = "all there are"
    segment_s: float = 0.7
    width: int = 48
    estimator: str = "H1"


class SensePanel(Panel[SenseSettings]):
    """Give an impedance from two voltages at a sense resistor, with its errors.

    Parameters
    ----------
    study : Study
        The study.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.rows = rows_that_hold(study, "impedance")
        self.all_rows = tuple(row for _, row in read_recording_rows(study.folder).rows)
        first = next(iter(self.rows.values()), None)
        stated = 33.0 if first is None or first.sense_ohm is None else first.sense_ohm
        controls = {
            "recording": choice("Recording", _choices(self.rows), help_text="The two voltages to look at."),
            "sense_ohm": slider(
                "Sense resistor",
                "ohm",
                min(1.0, stated),
                max(150.0, 2 * stated),
                0.01,
                digits=2,
                help_text="As measured. With a known resistor, an open and a short it only matters to the errors.",
            ),
            "corrections": choice("Corrections", list(CORRECTIONS), help_text="Recordings of known loads to use."),
            "segment_s": choice("Window", RESOLUTIONS, help_text="Length of a segment, and the resolution it gives."),
            "width": choice("Smoothing", WIDTHS, help_text="Width of the bands over which spectra are added up."),
            "estimator": choice(
                "Estimator",
                [
                    ("H1: noise at the earphone", "H1"),
                    ("H2: noise at the amplifier", "H2"),
                    ("Hv: noise at both", "Hv"),
                ],
                help_text="Which channel is noisy.",
            ),
        }
        settings = SenseSettings(recording=next(iter(self.rows), NOTHING), sense_ohm=stated)
        super().__init__(self._view, settings, controls)

    @lru_cache(maxsize=8)  # noqa: B019 - a panel lives as long as its notebook
    def opened(self, file: str, segment_s: float) -> RecordedVoltages:
        """Read the voltages and their corrections, once a window.

        Parameters
        ----------
        file : str
            File, as recordings.csv names it.
        segment_s : float
            Length of a segment [s].

        Returns
        -------
        RecordedVoltages
            Their spectra.
        """
        return open_voltages(self.study.folder, self.all_rows, self.rows[file], segment_s=segment_s)

    def sensed(self, settings: SenseSettings) -> SensedImpedance:
        """Give the impedance at some settings.

        Parameters
        ----------
        settings : SenseSettings
            Of a recording that is listed.

        Returns
        -------
        SensedImpedance
            The impedance with its errors.
        """
        return read_off_impedance(
            self.opened(settings.recording, settings.segment_s),
            sense_ohm=settings.sense_ohm,
            use=CORRECTIONS[settings.corrections],
            estimator=settings.estimator,  # type: ignore[arg-type]
            points_per_octave=settings.width,
        )

    def _set(self, settings: SenseSettings) -> None:
        """Take the sense resistor along when another recording is chosen."""
        row = self.rows.get(settings.recording)
        if row is None or row.sense_ohm is None or settings.recording == self.settings.recording:
            super()._set(settings)
            return
        super()._set(replace(settings, sense_ohm=row.sense_ohm))
        self._show_settings()

    @lru_cache(maxsize=8)  # noqa: B019
    def _reach(self, file: str) -> tuple[float, float]:
        return range_of(read_off_impedance(self.opened(file, 0.7)))

    def _view(self, settings: SenseSettings) -> View:
        if settings.recording not in self.rows:
            return _none_listed("impedance")
        row = self.rows[settings.recording]
        name = f"{row.earphone}, {row.channel}"
        try:
            voltages = self.opened(settings.recording, settings.segment_s)
            sensed = self.sensed(settings)
            y_range = self._reach(settings.recording)
        except OhmshiftError as error:
            return _nothing(f"{name}: {error}", 2)
        sentence = f"{name}: {say_impedance(sensed)}"
        said = " ".join([sentence, *voltages.caveats])
        title = f"{name}: error of the impedance with a sense resistor of {ohms(settings.sense_ohm)}"
        return View(
            charts=(
                draw_sensed(sensed, y_range=y_range, title=f"{name}: impedance by a sense resistor", alt_text=said),
                draw_errors(sensed, y_range=y_range, title=title, alt_text=say_errors(sensed)),
            ),
            sentence=said,
            table=impedance_table(sensed),
            draft=Draft(
                statement=sentence,
                quantities=impedance_quantities(sensed),
                data=voltages.data,
                earphone=row.earphone,
                caveats=voltages.caveats,
            ),
        )


def rows_that_hold(study: Study, holds: str) -> dict[str, RecordingRow]:
    """Give the rows of recordings.csv that hold something.

    Parameters
    ----------
    study : Study
        The study.
    holds : str
        Such as "response".

    Returns
    -------
    dict
        Row by its file.
    """
    return {row.file: row for _, row in read_recording_rows(study.folder).rows if row.holds == holds}


def list_recordings(study: Study) -> pd.DataFrame:
    """List what recordings.csv holds, and what is wrong with it.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    DataFrame
        One row a recording; or one row a problem, where there are problems.
    """
    table = read_recording_rows(study.folder)
    if table.problems:
        return problems_table(table.problems)
    columns = ("file", "holds", "earphone", "channel", "added_ohm", "seat", "sense_ohm", "notes")
    rows = [[getattr(row, column) for column in columns] for _, row in table.rows]
    return pd.DataFrame([["" if cell is None else cell for cell in row] for row in rows], columns=list(columns))


def _choices(rows: dict[str, RecordingRow]) -> list[tuple[str, str]]:
    return [(f"{_name(row)} ({file})", file) for file, row in rows.items()] or [("none listed", NOTHING)]


def _name(row: RecordingRow) -> str:
    if row.holds == "impedance":
        return f"{row.earphone}, {row.channel}"
    how = f"with {ohms(row.added_ohm)}" if row.added_ohm else "without"
    return f"{row.earphone}, {row.channel}, {how}, seat {row.seat}"


def _none_listed(holds: str) -> View:
    why = f"{MANIFEST} lists no recording that holds {'an' if holds == 'impedance' else 'a'} {holds}"
    return _nothing(why, 1, then=f" List yours there, in columns named {', '.join(RecordingRow.model_fields)}.")


def _nothing(why: str, charts: int, *, then: str = "") -> View:
    sentence = f"{why}.{then}"
    table = pd.DataFrame({"why": [sentence]})
    return View(charts=empty_charts((why,) * charts, sentence), sentence=sentence, table=table)
