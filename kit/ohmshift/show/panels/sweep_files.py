"""Write the sweep to play, with the cautions first, and the curves that recordings gave."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ohmshift.chain.sweeps import Sweep, say_caution
from ohmshift.errors import OhmshiftError
from ohmshift.show.live import summary_line
from ohmshift.show.panels.base import button, choice, slider
from ohmshift.study.from_recordings import open_sweep, open_voltages, read_off_impedance, read_off_response
from ohmshift.study.recorded_curves import FOLDER, measurement_rows, write_curve
from ohmshift.study.recordings import write_sweep

if TYPE_CHECKING:
    import pandas as pd

    from ohmshift.show.panels.recordings import SensePanel, SweptPanel
    from ohmshift.study.folder import Study
    from ohmshift.study.recording_rows import RecordingRow

SWEEPS = "findings/sweeps"
"""Where sweeps are written, relative to the study."""


class SweepMaker(widgets.VBox):  # type: ignore[misc]
    """Choose a sweep, read the caution, write the file. The kit plays nothing.

    Parameters
    ----------
    study : Study
        The study into whose findings it is written.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        ends = [("10 Hz to 22 kHz", (10.0, 22_000.0)), ("20 Hz to 20 kHz", (20.0, 20_000.0))]
        self.ends = choice("Sweep", ends, help_text="First and last frequency.")
        rates = [("48 kHz", 48_000), ("96 kHz", 96_000), ("192 kHz", 192_000)]
        self.rate = choice("Sampling rate", rates, help_text="That of your interface.")
        self.duration_s = slider(
            "Duration", "s", 2.0, 30.0, 1.0, digits=0, help_text="Longer: less noise, and harmonics further apart."
        )
        self.level_dbfs = slider(
            "Level",
            "dBFS",
            -60.0,
            0.0,
            1.0,
            digits=0,
            help_text="Of the file. Begin low; the noise tells what is enough.",
        )
        self.duration_s.value, self.level_dbfs.value = 10.0, -30.0
        self.caution = summary_line("")
        self.write = button("Write the sweep", "Write a WAV file into the study's findings", self._on_write)
        self.status = summary_line("No sweep written from here yet.")
        self._controls = (self.ends, self.rate, self.duration_s, self.level_dbfs)
        for control in self._controls:
            control.observe(lambda _: self._warn(), "value")
        self._warn()
        super().__init__([*self._controls, self.caution, widgets.HBox([self.write]), self.status])

    @property
    def sweep(self) -> Sweep:
        """The sweep as it is set."""
        start_hz, stop_hz = self.ends.value
        return Sweep(
            start_hz=start_hz,
            stop_hz=stop_hz,
            duration_s=self.duration_s.value,
            sampling_rate_hz=self.rate.value,
            level_dbfs=self.level_dbfs.value,
        )

    def _warn(self) -> None:
        self.caution.value = summary_line(say_caution(self.sweep)).value

    def _on_write(self) -> None:
        sweep = self.sweep
        folder = self.study.folder / SWEEPS
        name = (
            f"sweep_{sweep.start_hz:g}-{sweep.stop_hz:g}Hz_{sweep.duration_s:g}s_"
            f"{sweep.sampling_rate_hz / 1000:g}kHz_{-sweep.level_dbfs:g}dB-below-full-scale.wav"
        )
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_sweep(folder / name, sweep)
        except (OhmshiftError, OSError) as error:
            self.status.value = summary_line(f"Not written. {error}").value
            return
        said = (
            f"Written: {SWEEPS}/{name}. In recordings.csv write start_hz {sweep.start_hz:g}, stop_hz "
            f"{sweep.stop_hz:g}, sweep_s {sweep.duration_s:g}."
        )
        self.status.value = summary_line(said).value

    def __repr__(self) -> str:
        """Say what would be played."""
        return f"<SweepMaker: {say_caution(self.sweep)}>"

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        """Add the caution for readers without a kernel."""
        return {**super()._repr_mimebundle_(**kwargs), "text/plain": repr(self)}


class CurveWriter(widgets.VBox):  # type: ignore[misc]
    """Write what every recording gives, at the panels' settings, as text files that the study can list.

    Parameters
    ----------
    study : Study
        The study.
    swept : SweptPanel
        Tells gate and distance from the noise.
    sense : SensePanel
        Tells corrections, window and estimator; a sense resistor that was moved there counts for its own recording.
    """

    def __init__(self, study: Study, swept: SweptPanel, sense: SensePanel) -> None:
        self.study, self.swept, self.sense = study, swept, sense
        self.write = button("Write the curves", "Write text files into the study's findings", self._on_write)
        self.status = summary_line("No curve written from here yet.")
        self.remarks = widgets.HTML()
        super().__init__([widgets.HBox([self.write]), self.status, self.remarks])

    def rows(self) -> pd.DataFrame:
        """Give the rows for measurements.csv that take the curves into the study.

        Returns
        -------
        DataFrame
            Columns as in measurements.csv; copy those you want.
        """
        return measurement_rows([*self.swept.rows.values(), *self.sense.rows.values()])

    def _on_write(self) -> None:
        written, remarks = [], []
        for row in [*self.swept.rows.values(), *self.sense.rows.values()]:
            try:
                remarks += [f"Written, but {caveat}" for caveat in self._write_one(row)]
            except (OhmshiftError, OSError) as error:
                remarks.append(f"Left out. {error}")
            else:
                written.append(row)
        if written:
            table = measurement_rows(written).to_csv(index=False, lineterminator="\n")
            (self.study.folder / FOLDER / "measurements.csv").write_text(table, encoding="utf-8", newline="")
        said = (
            f"Written: {len(written)} curves into {FOLDER}, and their rows into its measurements.csv. Copy those you "
            "want into the study's own measurements.csv and open the study anew."
        )
        self.status.value = summary_line(said if written else "Nothing written.").value
        self.remarks.value = "<br>".join(summary_line(remark).value for remark in remarks)

    def _write_one(self, row: RecordingRow) -> tuple[str, ...]:
        """Write one curve and give what its waveforms warn of."""
        folder = self.study.folder
        if row.holds == "response":
            asked = self.swept.settings
            sweep = open_sweep(folder, row)
            swept = read_off_response(sweep, gate_ms=asked.gate_ms, least_snr_db=asked.least_snr_db)
            write_curve(folder, swept.readable_part(), row)
            return sweep.caveats
        settings = self.sense.settings
        voltages = open_voltages(folder, self.sense.all_rows, row, segment_s=settings.segment_s)
        shown = row.file == settings.recording
        sensed = self.sense.sensed(settings) if shown else read_off_impedance(voltages)
        write_curve(folder, sensed.readable_part(), row)
        return voltages.caveats

    def __repr__(self) -> str:
        """Say what can be written."""
        return f"<CurveWriter: {len(self.rows())} curves to write>"

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        """Add a sentence for readers without a kernel."""
        return {**super()._repr_mimebundle_(**kwargs), "text/plain": repr(self)}
