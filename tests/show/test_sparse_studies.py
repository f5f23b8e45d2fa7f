"""Every notebook opens on what a beginner has: responses as exported, level lost, no impedance; or nothing yet."""

from __future__ import annotations

import shutil
from pathlib import Path

import nbformat
import pandas as pd
import pytest

from ohmshift.errors import StudyError
from ohmshift.study.folder import open_study
from ohmshift.study.places import shipped_folder
from ohmshift.study.proposals import propose_measurements, start_study

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a study of twelve files as `ohmshift new` proposes it, nothing filled in."""
    folder = tmp_path_factory.mktemp("beginner")
    for path in sorted((shipped_folder("data_demo") / "responses").glob("spoon_*")):
        shutil.copy(path, folder)
    start_study(folder, measurements=propose_measurements(folder).measurements)
    opened = open_study(folder)
    assert (len(opened.curves), opened.has_impedance("spoon"), opened.problems) == (12, False, ())
    return folder


def run(path: Path) -> dict[str, object]:
    """Run a notebook's code here and give what it defined."""
    names: dict[str, object] = {}
    with pd.option_context("display.max_colwidth", None):
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "code":
                exec(cell.source, names)  # noqa: S102 - our own notebook
    return names


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_opens(path: Path, study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(study)
    view = getattr(run(path).get("panel"), "view", None)
    assert view is None or view.sentence.endswith(".")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_empty_study_is_told_what_is_missing(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    start_study(tmp_path)
    monkeypatch.chdir(tmp_path)
    if path.stem[:2] in {"00", "10", "20", "85", "90"}:
        view = getattr(run(path).get("panel"), "view", None)
        assert view is None or view.draft is None
    else:
        with pytest.raises(StudyError, match="a comparison needs an earphone measured without and with"):
            run(path)
