"""Every guided notebook keeps the shape that the next reader counts on."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import nbformat
import pytest

from ohmshift.study.screening import LEVEL_OUTLIER_DB

NOTEBOOKS = sorted((Path(__file__).resolve().parents[1] / "notebooks").glob("*.ipynb"))
SECTIONS = ["Question", "Data", "Controls", "Result", "Caveat", "Record finding"]
MOST_LINES = 12
MOST_BYTES = 300_000
VOLATILE = "nbval-ignore-output"
ALLOWED_VOLATILE = 0
LOGIC = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.While, ast.Try)

each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def code_cells(path: Path) -> list[nbformat.NotebookNode]:
    return [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]


def test_the_readme_lists_every_notebook() -> None:
    readme = (NOTEBOOKS[0].parents[1] / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"^\| `(\d\d_\w+)` \|", readme, re.MULTILINE) == [path.stem for path in NOTEBOOKS]


def test_first_notebook_says_how_to_begin_and_what_is_flagged() -> None:
    cells = nbformat.read(NOTEBOOKS[0], as_version=4).cells
    assert "*Run All Cells*" in cells[0].source
    assert any(f"levels more than {LEVEL_OUTLIER_DB:g} dB off" in cell.source for cell in cells)


@each
def test_headings_stand_in_order(path: Path) -> None:
    cells = nbformat.read(path, as_version=4).cells
    headings = [
        line for cell in cells if cell.cell_type == "markdown" for line in cell.source.splitlines() if line[:1] == "#"
    ]
    assert headings[0].startswith("# ")
    assert headings[0].endswith("?")
    assert headings[1:] == [f"## {name}" for name in SECTIONS]
    assert [cell.cell_type for cell in cells[:3]] == ["markdown", "code", "markdown"]
    imports = ast.parse(cells[1].source).body
    assert imports
    assert all(isinstance(node, ast.Import | ast.ImportFrom) for node in imports)


@each
def test_code_asks_and_holds_no_logic(path: Path) -> None:
    for cell in code_cells(path):
        assert len(cell.source.splitlines()) <= MOST_LINES
        assert [node for node in ast.walk(ast.parse(cell.source)) if isinstance(node, LOGIC)] == []


@each
def test_code_is_folded_and_results_are_there(path: Path) -> None:
    cells = code_cells(path)
    assert all(cell.metadata.jupyter.source_hidden for cell in cells)
    assert [cell.source for cell in cells[1:] if not cell.outputs] == []
    kinds = {kind for cell in cells for output in cell.outputs for kind in output.get("data", {})}
    assert "text/plain" in kinds
    assert path.stem == "90_write_up" or "image/png" in kinds
    assert [output for cell in cells for output in cell.outputs if output.output_type in {"error", "stream"}] == []
    assert path.stat().st_size < MOST_BYTES


def test_no_number_hides_behind_a_tag() -> None:
    tagged = [path.stem for path in NOTEBOOKS for cell in code_cells(path) if VOLATILE in cell.metadata.get("tags", [])]
    assert len(tagged) == ALLOWED_VOLATILE
