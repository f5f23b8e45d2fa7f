"""Notebooks beside other work: what fails is named in one sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import nbformat
import pytest

from ohmshift.errors import StudyError
from ohmshift.show.running import running_notebooks

if TYPE_CHECKING:
    from pathlib import Path


def test_a_kernel_that_dies_is_one_clear_error_and_says_nothing_else(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "00_dies.ipynb"
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("import os\nos._exit(1)")])
    nbformat.write(notebook, path)
    with (
        running_notebooks([path], tmp_path, at_once=1) as (run,),
        pytest.raises(StudyError, match=r"00_dies\.ipynb: a notebook needs a Python that keeps running.*died.*memory"),
    ):
        run.result(timeout=120)
    assert capfd.readouterr().err == ""
