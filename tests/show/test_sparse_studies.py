"""Every notebook opens on what a beginner has: responses as exported, their level lost, and no impedance."""

from __future__ import annotations

import shutil
from pathlib import Path

import nbformat
import pandas as pd
import pytest

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


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_opens(path: Path, study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(study)
    names: dict[str, object] = {}
    with pd.option_context("display.max_colwidth", None):
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "code":
                exec(cell.source, names)  # noqa: S102 - our own notebook
    view = getattr(names.get("panel"), "view", None)
    assert view is None or view.sentence.endswith(".")
