"""The whole study at once, on the demo study, against the truth it was made from."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.errors import StudyError
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.comparing import ComparisonOptions
from ohmshift.study.folder import Study, open_study

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
MADE = "made by data_demo/source/make_demo.py with ngspice, without the kit"


@pytest.fixture(scope="module")
def study() -> Study:
    return open_study(DEMO)


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


def truth() -> dict[tuple[str, float], tuple[float, np.ndarray]]:
    """Give level drop and third-octave bands, mean of the channels, by earphone and resistance."""
    found: dict[tuple[str, float], list[list[float]]] = {}
    with (DEMO / "source" / "truth" / "true_changes.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            values = [float(value) for value in list(row.values())[3:]]
            found.setdefault((row["earphone"], float(row["added_ohm"])), []).append(values)
    means = {key: np.mean(values, axis=0) for key, values in found.items()}
    return {key: (float(values[0]), values[1:]) for key, values in means.items()}


@pytest.mark.source("independent", ref=MADE)
def test_intervals_hold_the_truth_where_nothing_went_wrong(comparison: StudyComparison) -> None:
    flawed = {"Tongs", "Skillet", "Wok"}
    outside = judged = 0
    for (name, added_ohm), (_, true_db) in truth().items():
        if name in flawed or added_ohm == 0:
            continue
        verdict = comparison.verdict(name, added_ohm)
        off = np.abs(verdict.change_db - true_db) > verdict.half_width_db
        outside += bool(off[verdict.judged].any())
        judged += 1
    # Each is wrong somewhere in 5 % of cases; of 24, more than 4 would happen in 1 of 160 (binomial).
    assert judged == 24
    assert outside <= 4


@pytest.mark.source("independent", ref=MADE)
def test_no_false_word(comparison: StudyComparison) -> None:
    true = truth()
    for name in ("Spoon", "Skillet", "Griddle", "Trivet"):
        assert np.abs(true[name, 15.0][1]).max() < 0.3
        assert "changed" not in comparison.verdict(name, 15.0).word
    for name in ("Whisk", "Grater", "Skewer", "Tureen"):
        assert np.abs(true[name, 15.0][1]).max() > 2
        assert comparison.verdict(name, 15.0).word == "changed"


@pytest.mark.source("independent", ref=MADE)
def test_level_drop_is_met_where_the_level_is_right(comparison: StudyComparison) -> None:
    for (name, added_ohm), (drop_db, _) in truth().items():
        if name in {"Skillet", "Sieve", "Colander"} or added_ohm == 0:
            continue
        assert comparison.change(name, added_ohm).level_drop_db == pytest.approx(drop_db, abs=0.4)


def test_normalised_levels_give_no_level_drop(comparison: StudyComparison) -> None:
    assert np.isnan(comparison.change("Sieve", 15.0).level_drop_db)


@pytest.mark.source("independent", ref=MADE)
def test_without_reseating_reads_more(comparison: StudyComparison) -> None:
    change = comparison.change("Mortar", 15.0)
    assert not change.reseated
    off = change.band_change_db - truth()["Mortar", 15.0][1]
    assert np.abs(off).max() < 0.1
    half = comparison.verdict("Mortar", 15.0).half_width_db
    assert np.median(half) < np.median(comparison.verdict("Saucepan", 15.0).half_width_db)


def test_an_unsure_alignment_is_left_alone(study: Study, comparison: StudyComparison) -> None:
    assert not comparison.alignment["Kettle"].certain
    assert comparison.alignment["Ladle"].certain
    measured = study.responses("Kettle", added_ohm=0.0)
    np.testing.assert_array_equal(comparison.aligned["Kettle", 0.0].level_db, measured.level_db)


def test_table_and_resistances(comparison: StudyComparison) -> None:
    assert comparison.common_ohm == 15.0
    assert comparison.resistances("Ladle") == (5.0, 15.0, 33.0, 120.0)
    table = comparison.table(120.0)
    assert table["earphone"].tolist() == ["Ladle", "Whisk", "Grater"]
    assert set(table["verdict"]) <= {"changed", "changed, by no more than", "no change larger than", "cannot tell"}


def test_what_was_not_measured_is_refused(comparison: StudyComparison) -> None:
    with pytest.raises(StudyError, match=r"Spoon at 33 ohm.*resistances compared: 15"):
        comparison.change("Spoon", 33.0)


def test_margin_moves_the_word(comparison: StudyComparison) -> None:
    bound = comparison.verdict("Spoon", 15.0).bound_db
    assert comparison.verdict("Spoon", 15.0, margin_db=bound + 0.01).word == "no change larger than"
    assert comparison.verdict("Spoon", 15.0, margin_db=bound - 0.01).word == "cannot tell"


def test_without_alignment_seats_scatter_more(study: Study, comparison: StudyComparison) -> None:
    plain = compare_study(study, options=ComparisonOptions(warp="none"))
    assert plain.alignment == {}
    high = fractional_octave_bands(3).mid_hz > 6000
    bare = [plain.verdict(name, 15.0).half_width_db[high] for name in ("Saucepan", "Whisk", "Wok")]
    lined = [comparison.verdict(name, 15.0).half_width_db[high] for name in ("Saucepan", "Whisk", "Wok")]
    assert np.median(bare) > 1.3 * np.median(lined)


def test_progress_sees_every_earphone(study: Study) -> None:
    seen: list[object] = []
    compare_study(study, progress=lambda items: [seen.append(item) or item for item in items])
    assert len(seen) >= len(study.names)
