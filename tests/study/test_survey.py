"""A survey says what a comparison in memory says, to the last bit, whoever does the work."""

from __future__ import annotations

import multiprocessing
import shutil
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.evidence.metrics import METRICS, measure_metrics
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.folder import Study, open_study
from ohmshift.study.survey import Survey, survey_study

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
FEW = ("Ladle", "Kettle", "Mortar", "Wok")
UNITS = {"tilt": "db_per_octave"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a study of four earphones of the demo, one file of them missing."""
    root = tmp_path_factory.mktemp("survey") / "study"
    root.mkdir()
    for name in ("study.toml", "earphones.csv"):
        shutil.copy(DEMO / name, root / name)
    rows = pd.read_csv(DEMO / "measurements.csv", dtype=str, keep_default_na=False)
    rows = rows[rows["earphone"].isin(FEW)]
    rows.to_csv(root / "measurements.csv", index=False)
    for file in rows["file"][1:]:
        (root / file).parent.mkdir(exist_ok=True)
        shutil.copy(DEMO / file, root / file)
    return root


@pytest.fixture(scope="module")
def study(folder: Path) -> Study:
    return open_study(folder)


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


@pytest.fixture(scope="module")
def survey(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Survey:
    return survey_study(folder, tmp_path_factory.mktemp("out") / "survey.parquet")


@pytest.mark.source("snapshot", ref="the comparison of the same study, which has outside checks: differences are 0")
def test_numbers_are_those_of_the_comparison(survey: Survey, comparison: StudyComparison) -> None:
    table = pq.read_table(survey.path).to_pandas()
    assert survey.n_changes == len(table) == len(comparison.changes) > survey.n_earphones == len(FEW)
    assert survey.warp == comparison.warp
    for row in table.to_dict("records"):
        change = comparison.change(row["earphone"], row["added_ohm"])
        verdict = comparison.verdict(row["earphone"], row["added_ohm"])
        assert (row["verdict"], row["bound_db"]) == (verdict.word, verdict.bound_db)
        estimates = measure_metrics(change, comparison.floor, verdict).estimates
        for name in METRICS:
            column = f"{name.replace(' ', '_')}_{UNITS.get(name, 'db')}"
            assert row[column] == estimates[name].value, (row["earphone"], column)
            assert row[column.replace("_db", "_low_db", 1)] == estimates[name].low


def test_problems_are_those_of_the_open_study(survey: Survey, study: Study) -> None:
    responses = {str(problem) for problem in study.problems if "impedances/" not in problem.file}
    assert any("must be there" in problem for problem in responses)
    assert {str(problem) for problem in survey.problems} == responses


@pytest.mark.source("analytic", ref="the same work in other processes: not a byte differs")
def test_other_processes_write_the_same_bytes(folder: Path, survey: Survey, tmp_path: Path) -> None:
    spawned = multiprocessing.get_context("spawn")  # as on Windows and macOS: nothing is inherited
    with ProcessPoolExecutor(2, mp_context=spawned) as executor:
        other = survey_study(folder, tmp_path / "other.parquet", executor=executor, batch=2)
        compared = compare_study(open_study(folder, executor=executor), executor=executor)
    assert other.path.read_bytes() == survey.path.read_bytes()
    for one in pq.read_table(survey.path).to_pylist():
        assert compared.verdict(one["earphone"], one["added_ohm"]).bound_db == one["bound_db"]
    assert [path.name for path in tmp_path.iterdir()] == ["other.parquet"]


@pytest.mark.source("independent", ref="pyarrow and pandas read what was written")
def test_columns_name_their_units_and_settings(survey: Survey) -> None:
    file = pq.ParquetFile(survey.path)
    assert b'"warp": "' in file.schema_arrow.metadata[b"ohmshift"]
    assert {"size_db", "size_low_db", "tilt_u_db_per_octave", "level_drop_db"} <= set(file.schema_arrow.names)


def test_nothing_to_compare_leaves_no_file(folder: Path, tmp_path: Path) -> None:
    root = tmp_path / "study"
    shutil.copytree(folder, root)
    rows = pd.read_csv(root / "measurements.csv", dtype=str, keep_default_na=False)
    rows[rows["added_ohm"] == "0"].to_csv(root / "measurements.csv", index=False)
    out = tmp_path / "survey.parquet"
    out.write_bytes(b"what was here before")
    with pytest.raises(StudyError, match="without and with"):
        survey_study(root, out)
    assert out.read_bytes() == b"what was here before"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["study", "survey.parquet"]


def test_places_that_are_not_there_are_refused(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="folder to write to"):
        survey_study(folder, tmp_path / "nowhere" / "survey.parquet")
    with pytest.raises(FileMissingError):
        survey_study(tmp_path / "none", tmp_path / "survey.parquet")
