"""Panels of recordings without a browser: controls move the curves, files are written once, cautions come first."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
import soundfile

from ohmshift.show.panels.record import RecordPanel
from ohmshift.show.panels.recordings import SensePanel, SweptPanel, list_recordings
from ohmshift.show.panels.sweep_files import SWEEPS, CurveWriter, SweepMaker
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.places import demo_copy
from ohmshift.study.proposals import start_study
from ohmshift.study.recorded_curves import FOLDER

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.show.panels.base import Panel
    from ohmshift.study.folder import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("recorded") / "study"))


@pytest.fixture(scope="module")
def swept(study: Study) -> SweptPanel:
    return SweptPanel(study)


@pytest.fixture(scope="module")
def sense(study: Study) -> SensePanel:
    return SensePanel(study)


def plotted(panel: Panel) -> list[np.ndarray]:
    charts = panel.figure.charts
    spans = [np.array([span.low, span.high]) for chart in charts for span in chart.spans]
    return [*(line.y for chart in charts for line in chart.lines), *spans]


def same(one: list[np.ndarray], other: list[np.ndarray]) -> bool:
    return len(one) == len(other) and all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one, other, strict=True))


@pytest.mark.parametrize("name", ["swept", "sense"])
def test_every_control_moves_the_picture_or_the_words(name: str, request: pytest.FixtureRequest) -> None:
    panel = request.getfixturevalue(name)
    for field, control in panel.controls.items():
        before, said = plotted(panel), panel.view.sentence
        if hasattr(control, "options"):
            control.value = control.options[-1][1] if isinstance(control.options[-1], tuple) else control.options[-1]
        else:
            control.value = control.max
        moved = not same(before, plotted(panel)) or said != panel.view.sentence
        assert moved or len(control.options) == 1, field
        panel.undo.click()
        assert same(before, plotted(panel)), field
    assert repr(panel).startswith(f"<{type(panel).__name__}: Skewer, left")


def test_the_gate_moves_and_says_what_it_costs(swept: SweptPanel) -> None:
    short = swept._view(replace(swept.settings, gate_ms=20.0))
    gate = short.charts[2].spans
    assert gate[0].high == pytest.approx(-20)
    assert gate[1].low == pytest.approx(20)
    assert "nothing below 100 Hz be read" in short.sentence
    hatched = short.charts[0].spans
    assert hatched[0].low <= 21
    assert hatched[0].high == pytest.approx(100, rel=0.02)
    assert not (short.table["readable"].iloc[:6] == "yes").any()
    assert "readable from 14 Hz" in swept.view.sentence


def test_a_higher_demand_on_the_noise_hatches_more(swept: SweptPanel) -> None:
    strict = swept._view(replace(swept.settings, least_snr_db=75.0))
    assert len(strict.charts[0].spans) > 0
    assert (strict.table["readable"] == "").sum() > 0


def test_the_clipped_recording_is_shown_with_its_caveat(swept: SweptPanel) -> None:
    view = swept._view(replace(swept.settings, recording="recordings/skewer_left_0ohm_r2.flac"))
    assert "is clipped" in view.sentence
    assert any("is clipped" in caveat for caveat in view.draft.caveats)
    assert set(view.draft.data) == {
        "recordings/skewer_left_0ohm_r2.flac",
        "recordings/loopback.flac",
        "recordings/microphone.txt",
    }


@pytest.mark.source("analytic", ref="without corrections Z = R_s H / (1 - H) is proportional to the sense resistor")
def test_the_sense_resistor_scales_what_is_not_corrected(sense: SensePanel) -> None:
    bare = replace(sense.settings, corrections="none")
    one, other = (sense.sensed(replace(bare, sense_ohm=ohm)).impedance for ohm in (20.0, 40.0))
    np.testing.assert_allclose(other.impedance_ohm, 2 * one.impedance_ohm, rtol=1e-9)
    full = [sense.sensed(replace(sense.settings, sense_ohm=ohm)).impedance for ohm in (20.0, 40.0)]
    np.testing.assert_allclose(full[0].impedance_ohm, full[1].impedance_ohm, rtol=1e-9)
    errors = [sense._view(replace(sense.settings, sense_ohm=ohm)).charts[1].lines[1].y for ohm in (20.0, 100.0)]
    assert errors[1][0] > 2 * errors[0][0]  # 9 ohm in the bass, against 20 and 100 ohm
    assert "one of 19 ohm would serve best" in sense.view.sentence


def test_tables_and_list(study: Study, swept: SweptPanel, sense: SensePanel) -> None:
    assert len(list_recordings(study)) == 7
    for panel, columns in ((swept, 6), (sense, 7)):
        assert panel.table.shape[1] == columns
        assert len(panel.table) >= 30
        assert all(chart.alt_text for chart in panel.view.charts)


def test_curves_are_written_with_their_rows(study: Study, swept: SweptPanel, sense: SensePanel) -> None:
    writer = CurveWriter(study, swept, sense)
    assert len(writer.rows()) == 4
    assert repr(writer) == "<CurveWriter: 4 curves to write>"
    for _ in range(2):
        writer.write.click()
        assert "Written: 4 curves" in writer.status.value
        assert writer.remarks.value.count("Written, but recordings/skewer_left_0ohm_r2.flac") == 1
        assert "Left out" not in writer.remarks.value
    rows = pd.read_csv(study.folder / FOLDER / "measurements.csv", dtype=str, keep_default_na=False)
    assert all((study.folder / file).is_file() for file in rows["file"])
    listed = (study.folder / "measurements.csv").read_text(encoding="utf-8")
    (study.folder / "measurements.csv").write_text(
        listed + rows.to_csv(index=False, header=False, lineterminator="\n"), encoding="utf-8", newline=""
    )
    again = open_study(study.folder)
    assert again.has_impedance("Skewer")
    assert len(again.curves) == len(study.curves) + 4


@pytest.mark.parametrize("name", ["swept", "sense"])
def test_findings_are_recorded_with_their_numbers_and_files(
    study: Study, name: str, request: pytest.FixtureRequest
) -> None:
    panel = request.getfixturevalue(name)
    record = RecordPanel(study, panel, notebook="85_from_recordings")
    record.caveat.value = "One recording."
    record.record.click()
    assert "Recorded as finding" in record.status.value
    kept = read_findings(study.folder).findings[-1]
    assert kept.earphone == "Skewer"
    assert any("1 kHz" in quantity.name for quantity in kept.quantities)
    assert all(len(digest) == 64 for digest in kept.data.values())
    assert kept.settings["recording"] in kept.data


def test_another_recording_brings_its_own_sense_resistor(tmp_path: Path) -> None:
    folder = demo_copy(tmp_path / "study")
    listed = (folder / "recordings.csv").read_text(encoding="utf-8").splitlines()
    first = next(line for line in listed if line.startswith("recordings/sense_skewer"))
    (folder / "recordings" / "again.flac").write_bytes((folder / "recordings" / "sense_skewer.flac").read_bytes())
    listed.append(first.replace("sense_skewer", "again").replace("21.87", "47"))
    (folder / "recordings.csv").write_text("\n".join(listed) + "\n", encoding="utf-8")
    panel = SensePanel(open_study(folder))
    assert panel.settings.sense_ohm == 21.87
    panel.controls["recording"].value = "recordings/again.flac"
    assert panel.settings.sense_ohm == panel.controls["sense_ohm"].value == 47
    assert "corrected by none" in panel.view.sentence
    panel.undo.click()
    assert panel.settings.sense_ohm == panel.controls["sense_ohm"].value == 21.87


def test_the_sweep_is_written_after_its_caution(study: Study) -> None:
    maker = SweepMaker(study)
    assert "hurt hearing" in maker.caution.value
    assert "hurt hearing" in repr(maker)
    assert maker.sweep.level_dbfs == -30
    maker.level_dbfs.value = -3
    assert "which is loud" in maker.caution.value
    maker.duration_s.value = 2
    maker.level_dbfs.value = -40
    maker.write.click()
    assert "sweep_s 2" in maker.status.value
    (path,) = (study.folder / SWEEPS).glob("*.wav")
    samples, rate = soundfile.read(path)
    assert rate == 48_000
    assert np.abs(samples).max() == pytest.approx(0.01, rel=1e-3)
    before = path.read_bytes()
    maker.write.click()
    assert "Not written" in maker.status.value
    assert path.read_bytes() == before


def test_a_study_without_recordings_says_so(tmp_path: Path) -> None:
    start_study(tmp_path)
    empty = open_study(tmp_path)
    swept, sense = SweptPanel(empty), SensePanel(empty)
    assert "lists no recording that holds a response" in swept.view.sentence
    assert "lists no recording that holds an impedance" in sense.view.sentence
    assert "columns named file, holds, earphone" in swept.view.sentence
    assert len(swept.view.charts) == len(sense.view.charts) == 1, "one empty chart is enough"
    assert swept.table["why"].tolist() == [swept.view.sentence]
    assert len(list_recordings(empty)) == 0
    writer = CurveWriter(empty, swept, sense)
    writer.write.click()
    assert "Nothing written" in writer.status.value


def test_bad_recordings_give_words_and_not_a_traceback(tmp_path: Path) -> None:
    start_study(tmp_path)
    (tmp_path / "recordings" / "bad.wav").write_bytes(b"no audio")
    (tmp_path / "recordings.csv").write_text(
        "file,holds,earphone,channel,added_ohm,seat,start_hz,stop_hz,sweep_s,reference_channel,sense_ohm\n"
        "recordings/bad.wav,response,Ladle,left,0,1,10,22000,2,,\n"
        "recordings/bad.wav,impedance,Ladle,left,,,,,,2,33\n",
        encoding="utf-8",
    )
    study = open_study(tmp_path)
    swept, sense = SweptPanel(study), SensePanel(study)
    for panel in (swept, sense):
        assert "is an audio file" in panel.view.sentence
        assert panel.view.draft is None
    writer = CurveWriter(study, swept, sense)
    writer.write.click()
    assert writer.remarks.value.count("Left out") == 2
    (tmp_path / "recordings.csv").write_text("file,holds\nrecordings/bad.wav,music\n", encoding="utf-8")
    assert "holds a response, an impedance" in str(list_recordings(study).to_dict())
