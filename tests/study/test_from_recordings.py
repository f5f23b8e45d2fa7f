"""A study's list of recordings: checked row by row, and turned into curves that the study then reads."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.cli import main
from ohmshift.curves.values import Impedance, Response
from ohmshift.errors import CurveError, EvidenceError, FileMissingError, FileRefusedError, StudyError
from ohmshift.study.folder import open_study
from ohmshift.study.from_recordings import open_sweep, open_voltages, read_off_impedance, read_off_response
from ohmshift.study.proposals import propose_measurements, start_study
from ohmshift.study.recorded_curves import FOLDER, curve_name, measurement_rows, write_curve
from ohmshift.study.recording_rows import MANIFEST, RecordingRow, check_recordings, read_recording_rows
from ohmshift.study.textfiles import read_impedance, read_response

if TYPE_CHECKING:
    from pathlib import Path

RATE = 48_000
SWEEP = Sweep(duration_s=1.5, lead_in_s=0.3, lead_out_s=0.3, level_dbfs=-12)
RESPONSE = {
    "file": "recordings/a.wav",
    "holds": "response",
    "earphone": "Ladle",
    "channel": "left",
    "added_ohm": 15,
    "seat": "b1",
    "start_hz": 10,
    "stop_hz": 22_000,
    "sweep_s": 1.5,
}
IMPEDANCE = {
    "file": "recordings/z.wav",
    "holds": "impedance",
    "earphone": "Ladle",
    "channel": "left",
    "reference_channel": 2,
    "sense_ohm": 22.0,
}


def response_row(**more: object) -> RecordingRow:
    return RecordingRow.model_validate(RESPONSE | more)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    start_study(tmp_path)
    x = make_sweep(SWEEP)
    rng = np.random.default_rng(0)
    channels = [0.5 * x + 1e-5 * rng.standard_normal(x.size), 0.8 * np.roll(x, 7)]
    soundfile.write(tmp_path / "recordings" / "a.wav", np.array(channels).T, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "recordings" / "wire.wav", np.roll(x, 7), RATE, subtype="PCM_24")
    voltages = [x * 40 / 62 + 1e-5 * rng.standard_normal(x.size), x]
    soundfile.write(tmp_path / "recordings" / "z.wav", np.array(voltages).T, RATE, subtype="PCM_24")
    return tmp_path


def write_list(root: Path, *lines: str) -> None:
    (root / MANIFEST).write_text("\n".join(lines) + "\n", encoding="utf-8")


# ------------------------------------------------------------ the list


def test_a_study_without_recordings_has_none_and_no_problem(root: Path) -> None:
    table = read_recording_rows(root)
    assert (table.rows, table.problems) == ((), ())


def test_columns_that_are_not_needed_may_be_left_out(root: Path) -> None:
    write_list(
        root,
        "file;holds;earphone;channel;added_ohm;seat;start_hz;stop_hz;sweep_s",
        "recordings/a.wav;response;Ladle;left;0;1;10;22000;1,5",
    )
    table = read_recording_rows(root)
    assert table.problems == ()
    row = table.rows[0][1]
    assert (row.sweep_s, row.measured_channel, row.reference_channel, row.sweep_form) == (1.5, 1, None, "synchronised")


@pytest.mark.parametrize(
    ("change", "column", "rule"),
    [
        ({"holds": "music"}, "holds", "holds a response, an impedance"),
        ({"earphone": ""}, "earphone", "belongs to an earphone"),
        ({"channel": "middle"}, "channel", "left or the right"),
        ({"added_ohm": ""}, "added_ohm", "0 ohm or more"),
        ({"added_ohm": -1}, "added_ohm", "0 ohm or more"),
        ({"seat": ""}, "seat", "seating"),
        ({"sweep_s": ""}, "sweep_s", "states the sweep"),
        ({"start_hz": 0}, "start_hz", "states the sweep"),
        ({"measured_channel": 0}, "measured_channel", "numbered from 1"),
        ({"sweep_form": "linear"}, "sweep_form", "synchronised or plain"),
        ({"file": "../a.wav"}, "file", "stays inside"),
        ({"correction_file": "C:\\mic.txt"}, "correction_file", "stays inside"),
        ({"full_scale_pa": "loud"}, "full_scale_pa", "above 0"),
        ({"added_ohm": "1,500"}, "added_ohm", "0 ohm or more"),
        ({"holds": "impedance"}, "reference_channel", "before the sense resistor"),
        ({"holds": "impedance", "reference_channel": 2}, "sense_ohm", "sense resistor"),
        ({"holds": "known_resistor", "reference_channel": 2, "sense_ohm": 22}, "known_ohm", "known resistor"),
    ],
)
def test_each_wrong_cell_is_named_with_rule_and_mend(
    root: Path, change: dict[str, object], column: str, rule: str
) -> None:
    row = RESPONSE | {"measured_channel": 1, "reference_channel": "", "sense_ohm": "", "known_ohm": ""}
    row |= {"sweep_form": "", "correction_file": "", "full_scale_pa": ""} | change
    cells = [f'"{value}"' if "," in str(value) else str(value) for value in row.values()]
    write_list(root, ",".join(row), ",".join(cells))
    table = read_recording_rows(root)
    assert table.rows == ()
    named = {problem.column: problem for problem in table.problems}
    assert rule in named[column].rule
    assert named[column].row == 2
    assert named[column].mend


def test_the_check_lists_rows_and_files(root: Path) -> None:
    assert check_recordings(root) == ()
    (root / "recordings" / "text.wav").write_text("20 90", encoding="utf-8")
    write_list(
        root,
        "file,holds,earphone,channel,added_ohm,seat,start_hz,stop_hz,sweep_s,reference_file",
        "recordings/a.wav,response,Ladle,left,0,1,10,22000,1.5,recordings/none.wav",
        "recordings/text.wav,response,Ladle,left,0,2,10,22000,1.5,",
        "recordings/a.wav,song,Ladle,left,0,3,10,22000,1.5,",
    )
    found = check_recordings(root)
    assert [(problem.row, problem.column) for problem in found] == [(4, "holds"), (2, "reference_file"), (3, "file")]
    shown = CliRunner().invoke(main, ["check", str(root)])
    assert shown.exit_code == 1
    assert "there is no such file" in shown.output


# ------------------------------------------------------------ responses


@pytest.mark.source("analytic", ref="the microphone's channel holds the sweep at half its level: -12 - 6.02 dBFS")
def test_a_response_of_half_the_level(root: Path) -> None:
    found = read_off_response(open_sweep(root, response_row()))
    f = found.response.frequency_hz
    inside = (f > 20) & (f < 20_000)
    assert found.response.level_db[inside] == pytest.approx(-12 - 6.0206, abs=0.02)
    assert found.response.level_reference == "relative"
    assert found.response.label == "Ladle left"
    assert found.readable[inside].all()


@pytest.mark.source("analytic", ref="a loopback of any gain and delay leaves the level of the recording as it is")
@pytest.mark.parametrize("more", [{"reference_channel": 2}, {"reference_file": "recordings/wire.wav"}])
def test_a_loopback_from_the_same_file_or_another(root: Path, more: dict[str, object]) -> None:
    recorded = open_sweep(root, response_row(**more))
    assert recorded.impulse.delay == -7
    found = read_off_response(recorded)
    f = found.response.frequency_hz
    inside = (f > 20) & (f < 20_000)
    assert found.response.level_db[inside] == pytest.approx(-12 - 6.0206, abs=0.02)
    assert not any("loopback" in caveat for caveat in found.caveats)
    assert set(recorded.data) == {"recordings/a.wav", *([more["reference_file"]] if "reference_file" in more else [])}


@pytest.mark.source("analytic", ref="a sine of -18.02 dBFS is 0.0888 of full scale in rms; times 20 Pa it is 98.98 dB")
def test_calibration_and_correction_file(root: Path) -> None:
    (root / "recordings" / "microphone.txt").write_text("Hz dB\n5 1\n30000 1\n", encoding="utf-8")
    row = response_row(full_scale_pa=20, correction_file="recordings/microphone.txt")
    found = read_off_response(open_sweep(root, row))
    f = found.response.frequency_hz
    level = found.response.level_db[(f > 20) & (f < 20_000)]
    assert level == pytest.approx(-12 - 6.0206 - 3.0103 + 20 * np.log10(20 / 20e-6) - 1, abs=0.02)
    assert found.response.level_reference == "absolute"


def test_what_does_not_fit_is_one_clear_error(root: Path) -> None:
    with pytest.raises(FileMissingError, match="must be there"):
        open_sweep(root, response_row(file="recordings/none.wav"))
    with pytest.raises(CurveError, match="whole sweep"):
        open_sweep(root, response_row(sweep_s=10))
    with pytest.raises(CurveError, match="half the sampling rate"):
        open_sweep(root, response_row(stop_hz=30_000))
    with pytest.raises(FileRefusedError, match="channels are 1 to 2"):
        open_sweep(root, response_row(measured_channel=3))
    noise = np.random.default_rng(0).standard_normal(3 * RATE) / 10
    soundfile.write(root / "recordings" / "noise.wav", noise, RATE)
    with pytest.raises(EvidenceError, match="holds the sweep that is stated"):
        open_sweep(root, response_row(file="recordings/noise.wav"))
    soundfile.write(root / "recordings" / "slow.wav", make_sweep(SWEEP), 44_100)
    with pytest.raises(StudyError, match="share a sampling rate"):
        open_sweep(root, response_row(reference_file="recordings/slow.wav"))
    with pytest.raises(StudyError, match="needs a row that holds response"):
        open_sweep(root, RecordingRow.model_validate(IMPEDANCE))


# ------------------------------------------------------------ impedances


@pytest.mark.source("analytic", ref="40 ohm behind 22 ohm: H = 40/62")
def test_an_impedance_of_forty_ohm(root: Path) -> None:
    row = RecordingRow.model_validate(IMPEDANCE)
    found = read_off_impedance(open_voltages(root, [row], row)).readable_part()
    inside = (found.frequency_hz > 20) & (found.frequency_hz < 20_000)
    np.testing.assert_allclose(found.impedance_ohm[inside], 40, rtol=5e-4)
    other = read_off_impedance(open_voltages(root, [row], row), sense_ohm=44).readable_part()
    np.testing.assert_allclose(other.impedance_ohm[inside], 80, rtol=5e-4)


def test_corrections_belong_to_a_sense_resistor(root: Path) -> None:
    row = RecordingRow.model_validate(IMPEDANCE)
    known = RecordingRow.model_validate(IMPEDANCE | {"holds": "known_resistor", "known_ohm": 40})
    elsewhere = RecordingRow.model_validate(IMPEDANCE | {"holds": "open", "sense_ohm": 100})
    voltages = open_voltages(root, [row, known, elsewhere], row)
    assert set(voltages.corrections) == {"known_resistor"}
    assert read_off_impedance(voltages, use=()).corrected_by == "none"
    corrected = read_off_impedance(voltages, sense_ohm=20)
    np.testing.assert_allclose(corrected.impedance.impedance_ohm, 40, rtol=1e-3)
    with pytest.raises(StudyError, match="one recording of a kind"):
        open_voltages(root, [row, known, known], row)
    with pytest.raises(StudyError, match="needs a row that holds impedance"):
        open_voltages(root, [], response_row())


@pytest.mark.parametrize("segment_s", [0, -1, float("nan"), 1e9])
def test_a_segment_fits_into_its_recording(root: Path, segment_s: float) -> None:
    row = RecordingRow.model_validate(IMPEDANCE)
    with pytest.raises(CurveError, match="a segment is as long as the recording or shorter"):
        open_voltages(root, [row], row, segment_s=segment_s)


# ------------------------------------------------------------ text files


def test_curves_are_written_and_read_back(root: Path) -> None:
    response = read_off_response(open_sweep(root, response_row())).readable_part()
    path = write_curve(root, response, response_row())
    assert path == root / FOLDER / "ladle_left_15ohm_b1.csv"
    again = read_response(path)
    np.testing.assert_allclose(again.level_db, response.level_db, rtol=1e-6)
    np.testing.assert_allclose(again.phase_deg, response.phase_deg, atol=1e-3)
    row = RecordingRow.model_validate(IMPEDANCE)
    impedance = read_off_impedance(open_voltages(root, [row], row)).readable_part()
    kept = read_impedance(write_curve(root, impedance, row))
    np.testing.assert_allclose(kept.impedance_ohm, impedance.impedance_ohm, rtol=1e-5)
    text = path.read_text(encoding="utf-8")
    assert "recordings/a.wav, SHA-256" in text
    assert "gate_ms=300.0" in text
    write_curve(root, response, response_row())  # its own file is replaced
    path.write_text("20 90\n20000 90\n", encoding="utf-8")
    with pytest.raises(StudyError, match="never written over"):
        write_curve(root, response, response_row())
    assert path.read_text(encoding="utf-8") == "20 90\n20000 90\n"


def test_a_curve_never_takes_the_place_of_another_recordings(root: Path) -> None:
    response = read_off_response(open_sweep(root, response_row())).readable_part()
    path = write_curve(root, response, response_row(earphone="Ladle"))
    before = path.read_bytes()
    shutil.copy(root / "recordings/a.wav", root / "recordings/b.wav")
    row = response_row(earphone="LADLE", file="recordings/b.wav")
    other = read_off_response(open_sweep(root, row)).readable_part()
    with pytest.raises(StudyError, match=r"a file of its own, but it holds that of recordings/a.wav"):
        write_curve(root, other, row)
    assert path.read_bytes() == before


def test_a_name_holds_what_every_system_can_hold(root: Path) -> None:
    row = response_row(earphone='Wok: "2"/\\new?', seat="<1|2>*\n")
    assert curve_name(row) == "wok- -2---new-_left_15ohm_-1-2---.csv"
    response = read_off_response(open_sweep(root, response_row())).readable_part()
    assert write_curve(root, response, row).parent == root / FOLDER


def test_written_curves_go_on_through_the_study(root: Path) -> None:
    row = RecordingRow.model_validate(IMPEDANCE)
    write_curve(root, read_off_response(open_sweep(root, response_row())).readable_part(), response_row())
    write_curve(root, read_off_impedance(open_voltages(root, [row], row)).readable_part(), row)
    rows = measurement_rows([response_row(), row])
    rows.to_csv(root / "measurements.csv", index=False)
    study = open_study(root)
    assert isinstance(study.curves[f"{FOLDER}/{curve_name(response_row())}"], Response)
    assert isinstance(study.curves[f"{FOLDER}/{curve_name(row)}"], Impedance)
    assert [problem for problem in study.problems if problem.effect == "left out"] == []
    assert study.responses("Ladle", added_ohm=15).seat == ("b1",)
    moved = root / "moved"
    (root / FOLDER).rename(moved)
    proposal = propose_measurements(moved)
    assert sorted(proposal.measurements["quantity"]) == ["impedance", "response"]
    assert proposal.problems == ()


@pytest.mark.parametrize(
    ("more", "expected"),
    [({}, "relative"), ({"full_scale_pa": 20}, "absolute"), ({"level_reference": "absolute"}, "absolute")],
)
def test_the_level_is_absolute_only_where_that_was_said(more: dict[str, object], expected: str) -> None:
    assert measurement_rows([response_row(**more)])["level_reference"].tolist() == [expected]
