"""Changes gathered for a recovery: settled within conditions, noise from the study, against how the demo was made."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ohmshift.chain.reseating import settle_change
from ohmshift.study.batch import ComparisonOptions, StudyComparison, compare_study
from ohmshift.study.folder import Study, open_study
from ohmshift.study.seatings import line_up_conditions, seat_levels, stray_basis
from ohmshift.study.settling import gather_changes

DEMO = Path(__file__).resolve().parents[2] / "data_demo"


@pytest.fixture(scope="module")
def study() -> Study:
    return open_study(DEMO)


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


def true_resonance_hz() -> dict[str, float]:
    with (DEMO / "source" / "truth" / "true_seats.csv").open(encoding="utf-8", newline="") as file:
        return {row["file"]: float(row["resonance_hz"] or "nan") for row in csv.DictReader(file)}


@pytest.mark.source("independent", ref="resonances the demo was made with, data_demo/source/truth/true_seats.csv")
@pytest.mark.parametrize("name", ["Ladle", "Spoon", "Whisk", "Skewer", "Griddle", "Grater", "Thermos", "Tureen"])
def test_the_move_between_conditions_is_found(study: Study, comparison: StudyComparison, name: str) -> None:
    made = true_resonance_hz()
    rows = study.measurements[(study.measurements["earphone"] == name) & (study.measurements["quantity"] == "response")]
    moves = []
    for channel in ("left", "right"):
        means = [
            np.mean(
                [np.log(made[file]) for file in rows[(rows["channel"] == channel) & (rows["added_ohm"] == R)]["file"]]
            )
            for R in (0.0, 15.0)
        ]
        moves.append((means[0] - means[1]) / np.log(10**0.3))
    found = gather_changes(study, comparison, name)
    at = [round(ohm) for ohm in found.added_ohm].index(15)
    assert found.shift_octaves[at] == pytest.approx(np.mean(moves), abs=0.006)


@pytest.mark.source("analytic", ref="without reseating a change is the mean of differences seat by seat, nothing moved")
def test_pairs_are_subtracted_as_measured(study: Study, comparison: StudyComparison) -> None:
    found = gather_changes(study, comparison, "Mortar")
    without, added = (study.responses("Mortar", added_ohm=ohm) for ohm in (0.0, 15.0))
    expected = []
    for channel in ("left", "right"):
        first, second = seat_levels(without, channel), seat_levels(added, channel)
        assert set(first) == set(second)
        expected.append(np.mean([second[seat] - first[seat] for seat in first], axis=0))
    np.testing.assert_allclose(found.change_db[0], np.mean(expected, axis=0), atol=1e-12)
    assert found.shift_octaves == (0.0,)
    assert found.certain


@pytest.mark.source("independent", ref="made with 0.12 dB of variation below 2 kHz and 0.2 dB of level, see its README")
def test_strays_have_the_size_they_were_made_with(study: Study, comparison: StudyComparison) -> None:
    seatings = line_up_conditions(study, comparison)
    f = comparison.aligned["Ladle", 0.0].frequency_hz
    basis = stray_basis(f, seatings.strays)
    assert basis is not None
    sd = np.sqrt(np.sum(basis[:, (f > 300) & (f < 1500)] ** 2, axis=0))
    # sqrt(0.2^2 + 0.12^2) is 0.233; each earphone repeats better or worse by its own factor.
    assert np.median(sd) == pytest.approx(0.233, abs=0.05)
    paired = stray_basis(f, seatings.paired_strays)
    assert paired is not None
    # 15 % of the variation is new without reseating.
    assert np.median(np.sqrt(np.sum(paired**2, axis=0))) < 0.1


@pytest.mark.source("analytic", ref="covariance of curves is curves.T @ curves / k")
def test_a_basis_has_the_covariance() -> None:
    rng = np.random.default_rng(1)
    f = np.geomspace(20, 20_000, 120)
    rows = rng.standard_normal((300, 6)) @ np.sin(np.outer(np.arange(1, 7), np.log(f)))
    basis = stray_basis(f, ((f, rows),))
    assert basis is not None
    assert len(basis) <= 6
    np.testing.assert_allclose(basis.T @ basis, rows.T @ rows / 300, atol=0.15)
    np.testing.assert_allclose(np.sum(basis**2, axis=0), np.mean(rows**2, axis=0), rtol=1e-9)
    assert stray_basis(f, ()) is None


def test_nothing_is_moved_where_the_study_moves_nothing(study: Study) -> None:
    still = compare_study(study, options=ComparisonOptions(warp="none"))
    found = gather_changes(study, still, "Spoon")
    assert found.shift_octaves == (0.0,)
    assert not found.certain


def test_one_seating_each_takes_its_noise_from_left_and_right(study: Study) -> None:
    rows = study.measurements
    single = rows[~rows["seat"].isin(["a2", "a3", "b2", "b3"]) & (rows["quantity"] == "response")]
    bare = replace(study, measurements=single[single["added_ohm"].isin([0.0, 15.0])])
    found = gather_changes(bare, compare_study(bare), "Spoon")
    assert found.noise_db is not None
    assert any("left and right" in caveat for caveat in found.caveats)
    sd = np.sqrt(np.mean(found.noise_db[0] ** 2, axis=0))
    middle = (found.frequency_hz > 300) & (found.frequency_hz < 1500)
    assert 0.1 < np.median(sd[middle]) < 0.6


@pytest.mark.source("analytic", ref="both conditions are moved by half: swapping them turns the change round")
def test_settling_turns_round_with_its_inputs() -> None:
    f = 1000 * 10 ** (0.3 * np.arange(-48, 208) / 48)

    def resonance(f_c: float) -> np.ndarray:
        return np.asarray(9 * np.exp(-((np.log(f / f_c) / 0.08) ** 2)))

    one = settle_change(f, resonance(8600), resonance(8000) - 3, expected_octaves=0.1)
    other = settle_change(f, resonance(8000) - 3, resonance(8600), expected_octaves=-0.1)
    np.testing.assert_allclose(one.change_db, -other.change_db, atol=1e-9)
    assert one.shift_octaves == pytest.approx(np.log10(8600 / 8000) / 0.3, abs=2e-3)
    np.testing.assert_allclose(one.change_db[f < 4400], -3, atol=0.2)
