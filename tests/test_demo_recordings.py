"""The demo study's recordings: true to their circuits, made again to the byte, and no burden on the study."""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ohmshift.chain.harmonics import separate_harmonics
from ohmshift.study.folder import open_study
from ohmshift.study.from_recordings import open_sweep, open_voltages, read_off_impedance, read_off_response
from ohmshift.study.recording_rows import read_recording_rows

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
NGSPICE = "ngspice 39 solved the netlist at the recording's own bins; filters applied there, without the kit"
TABLE = read_recording_rows(DEMO)
ROWS = [row for _, row in TABLE.rows]
CLEAN, WITH_PLUG, LOUD = (row for row in ROWS if row.holds == "response")
CODEC = "1.2.2"


def truth() -> dict[str, np.ndarray]:
    with (DEMO / "source" / "recordings_truth.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


TRUTH = truth()


def at(f: np.ndarray, column: str) -> np.ndarray:
    return np.interp(np.log(f), np.log(TRUTH["frequency_hz"]), TRUTH[column])


def test_the_list_is_sound_and_small() -> None:
    assert TABLE.problems == ()
    assert {row.holds for row in ROWS} == {"response", "impedance", "known_resistor", "open", "short"}
    files = list((DEMO / "recordings").iterdir())
    assert sum(path.stat().st_size for path in files) < 1_000_000
    named = {row.file for row in ROWS} | {row.reference_file for row in ROWS} | {row.correction_file for row in ROWS}
    assert {f"recordings/{path.name}" for path in files} == named - {""}


def test_the_study_opens_as_if_they_were_not_there() -> None:
    study = open_study(DEMO)
    assert not any("recording" in problem.file for problem in study.problems)
    assert not any("recordings/" in file for file in study.curves)
    assert not study.has_impedance("Skewer")


@pytest.mark.source("independent", ref=NGSPICE)
@pytest.mark.parametrize("row", [CLEAN, WITH_PLUG], ids=["without", "with the plug"])
def test_responses_are_the_true_ones(row: object) -> None:
    found = read_off_response(open_sweep(DEMO, row))
    f = found.response.frequency_hz
    inside = (f >= 20) & (f <= 20_000)
    error = found.response.level_db - at(f, f"level_{row.added_ohm:g}ohm_db")
    assert np.abs(error[inside]).max() < 0.05
    assert found.readable[inside].all()
    assert found.snr_db[inside].min() > 50
    assert found.caveats == ()


@pytest.mark.source("independent", ref=NGSPICE)
def test_the_change_is_the_divider_of_the_impedance_recorded_beside_it() -> None:
    without, plugged = (read_off_response(open_sweep(DEMO, row)).response for row in (CLEAN, WITH_PLUG))
    row = next(row for row in ROWS if row.holds == "impedance")
    sensed = read_off_impedance(open_voltages(DEMO, ROWS, row)).readable_part()
    f = without.frequency_hz
    inside = (f >= 25) & (f <= 19_000)
    Z = np.interp(f, sensed.frequency_hz, sensed.impedance_ohm)
    expected = 20 * np.log10(np.abs((Z + 0.85) / (Z + 0.85 + 15)))
    assert np.abs(plugged.level_db - without.level_db - expected)[inside].max() < 0.05


@pytest.mark.source("independent", ref=NGSPICE)
def test_harmonics_are_the_true_ones_and_there_are_no_others() -> None:
    sweep = open_sweep(DEMO, CLEAN)
    found = separate_harmonics(sweep.impulse, noise=sweep.noise)
    f = found.frequency_hz
    for order, low, high, bound in ((2, 25, 2000, 0.5), (2, 2000, 9000, 1.5), (3, 30, 1500, 1.5)):
        level = found.level_db[found.orders.index(order)]
        inside = (f > low) & (f < high)
        assert np.isfinite(level[inside]).all()
        assert np.abs(level - at(f, f"harmonic_{order}_db"))[inside].max() < bound
    assert np.isnan(found.level_db[found.orders.index(4) :]).mean() > 0.98


@pytest.mark.source("independent", ref=NGSPICE)
def test_the_impedance_is_the_true_one() -> None:
    row = next(row for row in ROWS if row.holds == "impedance")
    voltages = open_voltages(DEMO, ROWS, row)
    assert voltages.caveats == ()

    def worst(use: tuple[str, ...]) -> tuple[float, float]:
        found = read_off_impedance(voltages, use=use).readable_part()
        f = found.frequency_hz
        inside = (f >= 20) & (f <= 20_000)
        error = (found.impedance_ohm / (at(f, "real_ohm") + 1j * at(f, "imaginary_ohm")))[inside]
        return float(np.abs(np.abs(error) - 1).max()), float(np.degrees(np.abs(np.angle(error)).max()))

    magnitude, phase = worst(("known_resistor", "open", "short"))
    assert magnitude < 0.005
    assert phase < 0.5
    assert worst(())[0] > 0.05 > worst(("known_resistor",))[0] > magnitude


@pytest.mark.source("independent", ref="ngspice 39, for another set of bins, in the truth of make_demo.py")
def test_both_truths_agree() -> None:
    with (DEMO / "source" / "truth" / "true_impedances.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    f = np.array([float(row["frequency_hz"]) for row in rows])
    for part, column in (("real", "real_ohm"), ("imaginary", "imaginary_ohm")):
        values = np.array([float(row[f"Skewer_left_{part}_ohm"]) for row in rows])
        inside = (f > 21) & (f < 19_500)
        np.testing.assert_allclose(at(f, column)[inside], values[inside], atol=0.1)  # straight lines across a peak


def test_the_loud_one_is_clipped_and_says_so() -> None:
    recorded = open_sweep(DEMO, LOUD)
    assert any("is clipped" in caveat for caveat in recorded.caveats)
    f = read_off_response(recorded).response.frequency_hz
    error = read_off_response(recorded).response.level_db - at(f, "level_0ohm_db")
    assert -2 < error[(f > 7000) & (f < 10_000)].min() < -0.5
    for row in (CLEAN, WITH_PLUG):
        assert open_sweep(DEMO, row).caveats == ()


@pytest.mark.skipif(shutil.which("ngspice") is None and not os.environ.get("CI"), reason="ngspice is not installed")
@pytest.mark.source("snapshot", ref="the recordings in this repository")
def test_the_script_makes_the_same_samples_and_bytes(tmp_path: Path) -> None:
    script = DEMO / "source" / "make_recordings.py"
    command = [sys.executable, "-B", str(script), "--out", str(tmp_path)]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    made = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(made) == len(list((DEMO / "recordings").iterdir())) + 2
    for path in made:
        kept = DEMO / path.relative_to(tmp_path)
        if path.suffix == ".flac":
            np.testing.assert_array_equal(
                soundfile.read(path, dtype="int16")[0], soundfile.read(kept, dtype="int16")[0]
            )
        if path.suffix != ".flac" or soundfile.__libsndfile_version__ == CODEC:
            assert path.read_bytes() == kept.read_bytes(), path.name
