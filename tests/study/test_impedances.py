"""Impedances recovered from the demo study's responses, and the cross-check, against the truth it was made from."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.prediction import predict_change
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.values import Impedance
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.bounds import bound_source
from ohmshift.study.crosschecks import check_divider
from ohmshift.study.folder import Study, open_study
from ohmshift.study.impedances import know_impedance, measured_impedance, recover_from_changes

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
MADE = "impedances solved by ngspice 39 in data_demo/source, responses made from them without the kit"
FLAWED = {"Tongs", "Skillet", "Wok"}


@pytest.fixture(scope="module")
def study() -> Study:
    return open_study(DEMO)


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


def without_impedance(study: Study, name: str) -> Study:
    rows = study.measurements
    return replace(study, measurements=rows[(rows["earphone"] != name) | (rows["quantity"] != "impedance")])


def true_impedance(name: str) -> Impedance:
    """Give the complex mean of both channels, whose divider is within 0.05 dB of the mean of both changes."""
    with (DEMO / "source" / "truth" / "true_impedances.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    f = np.array([float(row["frequency_hz"]) for row in rows])
    sides = [
        [complex(float(row[f"{name}_{side}_real_ohm"]), float(row[f"{name}_{side}_imaginary_ohm"])) for row in rows]
        for side in ("left", "right")
    ]
    return Impedance(frequency_hz=f, impedance_ohm=np.mean(sides, axis=0), label=name)


@pytest.mark.source("independent", ref=MADE)
def test_recovered_impedances_hold_the_truth(study: Study, comparison: StudyComparison) -> None:
    inside, off = [], []
    for name in ("Skewer", "Thermos", "Saucepan", "Grater", "Whisk", "Tureen", "Mortar", "Spoon", "Trivet"):
        known = recover_from_changes(study, comparison, name)
        assert isinstance(known.impedance, RecoveredImpedance)
        f, truth = known.frequency_hz, true_impedance(name)
        true_ohm = np.interp(np.log(f), np.log(truth.frequency_hz), np.abs(truth.impedance_ohm))
        held = (known.impedance.low_ohm <= true_ohm) & (true_ohm <= known.impedance.high_ohm)
        inside.append([held[(f >= low) & (f < high)].mean() for low, high in ((25, 200), (200, 6000), (6000, 16_000))])
        off.append(np.median(np.abs(np.abs(known.ohms) / true_ohm - 1)[(f >= 25) & (f <= 6000)]))
    # Nominal 0.95; neighbouring frequencies share their errors, so nine earphones make it by 0.05 or so.
    assert (np.mean(inside, axis=0) > 0.85).all()
    assert max(off) < 0.08


@pytest.mark.source("independent", ref=MADE)
@pytest.mark.parametrize("name", ["Skewer", "Thermos"])
def test_prediction_for_a_source_never_measured(study: Study, comparison: StudyComparison, name: str) -> None:
    known = know_impedance(study, comparison, name)
    assert "recovered" in known.origin
    assert known.impedance is not None
    predicted = predict_change(known.impedance, added_ohm=47.0, source_ohm=0.85)
    true = predict_change(true_impedance(name), added_ohm=47.0, source_ohm=0.85)
    f = predicted.frequency_hz
    off = predicted.tonal_change_db - np.interp(np.log(f), np.log(true.frequency_hz), true.tonal_change_db)
    readable = (f >= 25) & (f <= 6000)
    assert np.sqrt(np.mean(off[readable] ** 2)) < 0.4


def test_measured_is_preferred(study: Study, comparison: StudyComparison) -> None:
    assert know_impedance(study, comparison, "Whisk").origin == "measured"


def test_what_is_not_known_says_why(study: Study, comparison: StudyComparison) -> None:
    bare = without_impedance(study, "Whisk")
    alone = replace(comparison, changes={pair: one for pair, one in comparison.changes.items() if pair[0] != "Whisk"})
    known = know_impedance(bare, alone, "Whisk")
    assert known.impedance is None
    assert known.origin == "nobody measured its impedance, nor its responses with and without a resistance"


def test_an_impedance_that_ends_early_says_so(study: Study) -> None:
    row = study.measurements[
        (study.measurements["earphone"] == "Whisk") & (study.measurements["quantity"] == "impedance")
    ]
    whole = {file: study.curves[file] for file in row["file"]}
    short = {
        file: replace(
            curve,
            frequency_hz=curve.frequency_hz[curve.frequency_hz <= 10_000],
            impedance_ohm=curve.impedance_ohm[curve.frequency_hz <= 10_000],
        )
        for file, curve in whole.items()
    }
    known = measured_impedance(replace(study, curves={**study.curves, **short}), "Whisk")
    assert known.origin.startswith("measured from 20 to 9")
    assert known.origin.endswith("00 Hz only")
    assert "beyond that nothing is predicted" in known.caveats[0]
    assert measured_impedance(study, "Whisk").caveats == ()


@pytest.mark.source("independent", ref=MADE)
def test_a_lost_level_comes_back_by_the_best_there_is(study: Study, comparison: StudyComparison) -> None:
    by_measured = recover_from_changes(study, comparison, "Sieve")
    assert by_measured.origin.endswith("level from the measured 42.8 ohm at 1 kHz")
    bare = without_impedance(study, "Sieve")
    by_rated = recover_from_changes(bare, comparison, "Sieve")
    assert by_rated.origin.endswith("level from the rated 44 ohm, taken to hold at 1 kHz")
    truth = true_impedance("Sieve")
    widths = []
    for known in (by_measured, by_rated):
        assert isinstance(known.impedance, RecoveredImpedance)
        f = known.frequency_hz
        readable = (f >= 25) & (f <= 6000)
        true_ohm = np.interp(np.log(f), np.log(truth.frequency_hz), np.abs(truth.impedance_ohm))
        low, high = known.impedance.low_ohm, known.impedance.high_ohm
        assert np.mean(((low <= true_ohm) & (true_ohm <= high))[readable]) > 0.8
        widths.append(np.median((high / low)[readable]))
    assert widths[1] > 1.5 * widths[0]  # 20 % of doubt instead of 2 %
    bare = replace(bare, earphones=bare.earphones.assign(rated_ohm=np.nan))
    lost = recover_from_changes(bare, comparison, "Sieve")
    assert lost.impedance is None
    assert "normalised" in lost.origin
    assert lost.frequency_hz.size == lost.ohms.size == 0


def test_a_flagged_seat_is_a_caveat(study: Study, comparison: StudyComparison) -> None:
    known = recover_from_changes(study, comparison, "Tongs")
    assert any("tongs_left_0ohm_a3" in caveat for caveat in known.caveats)


def test_an_unsure_alignment_ends_what_may_be_read(study: Study, comparison: StudyComparison) -> None:
    known = recover_from_changes(study, comparison, "Kettle")
    assert isinstance(known.impedance, RecoveredImpedance)
    assert not known.impedance.readable[known.frequency_hz > 5100].any()


@pytest.mark.source("independent", ref=MADE)
def test_cross_check_is_content_where_nothing_is_wrong(study: Study, comparison: StudyComparison) -> None:
    words, holds = [], []
    for name in study.names:
        if name in FLAWED or not study.has_impedance(name):
            continue
        check = check_divider(comparison, study.impedance(name), 15.0)
        words.append(check.word)
        if check.resistance_interval_ohm is not None:
            low, high = check.resistance_interval_ohm
            holds.append(low <= 15.0 <= high)
    # Of 13 sound earphones each is doubted in 5 % of cases: more than 2 would happen in 1 of 40.
    assert len(words) == 13
    assert words.count("not explained") <= 2
    assert len(holds) - sum(holds) <= 2


@pytest.mark.source("independent", ref=MADE)
@pytest.mark.parametrize("name", ["Ladle", "Whisk", "Grater"])
def test_four_resistances_are_one_load(study: Study, comparison: StudyComparison, name: str) -> None:
    several = recover_from_changes(study, comparison, name).impedance
    assert isinstance(several, RecoveredImpedance)
    assert several.added_ohm == (5.0, 15.0, 33.0, 120.0)
    assert several.agreement is not None
    assert several.agreement.p_value > 0.05 / 3  # 5 % for the three of them together


@pytest.mark.source("independent", ref="skillet_right_0ohm_a2 was made 11 dB too high, see data_demo/README.md")
def test_a_wrong_level_is_noticed(study: Study, comparison: StudyComparison) -> None:
    check = check_divider(comparison, study.impedance("Skillet"), 15.0)
    assert not check.agrees
    assert {name for name, _ in check.looks_like} & {"another resistance", "change of level"}


@pytest.mark.source("independent", ref=MADE)
def test_limits_for_any_load_hold_the_true_change_and_are_not_wide(study: Study, comparison: StudyComparison) -> None:
    inside, width = [], []
    for name in set(study.names) - FLAWED:
        bounds = bound_source(study, comparison, name, target_ohm=47.0, start_ohm=1.0)
        if bounds is None:
            continue
        truth = true_impedance(name)
        f = bounds.frequency_hz[(bounds.frequency_hz > 50) & (bounds.frequency_hz < 4000)]
        true_db = np.interp(
            np.log(f),
            np.log(truth.frequency_hz),
            divider_change_db(truth.impedance_ohm, added_ohm=46.0, source_ohm=1.0),
        )
        low, high = (np.interp(np.log(f), np.log(bounds.frequency_hz), db) for db in (bounds.low_db, bounds.high_db))
        inside.append(float(np.mean((true_db >= low) & (true_db <= high))))
        width.append(float(np.median(high - low)))
    assert len(inside) > 5
    assert np.mean(inside) > 0.9  # 95 % a frequency for the noise, the rest of the limits being hard
    assert np.median(width) < 4
