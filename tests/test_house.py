"""The house rules that a tool or a count can check."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "kit").rglob("*.py"))
LONGEST_MODULE = 400
LONGEST_BODY = 40


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["importlinter.cli", "lint"],
    ],
    ids=["ruff check", "ruff format", "mypy", "import-linter"],
)
def test_tool_is_content(command: list[str]) -> None:
    if command[0] == "importlinter.cli":
        program = [sys.executable, "-c", "from importlinter.cli import lint_imports_command as run; run()"]
    else:
        program = [sys.executable, "-m", *command]
    done = subprocess.run(program, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_module_is_small(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST_MODULE
    long = [
        f"{node.name}: {length} lines"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and (length := body_lines(node)) > LONGEST_BODY
    ]
    assert long == []


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Count the lines of a function's body, its docstring apart."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    return 0 if not body else (body[-1].end_lineno or 0) - body[0].lineno + 1


def test_source_root_is_not_imported() -> None:
    guilty = []
    for path in [*MODULES, *(ROOT / "tests").rglob("*.py"), *(ROOT / "notebooks").glob("*.ipynb")]:
        text = path.read_text(encoding="utf-8")
        if "import kit" + "." in text or "from kit" + "." in text:
            guilty.append(path.name)
    assert guilty == []


def test_table_of_rooms_names_every_module() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## The house")[2].partition("Science (")[0]
    table = "".join(line for line in text.splitlines() if line.startswith("|"))
    named = set(re.findall(r"`([a-z_]+)`", table))
    families = tuple(re.findall(r"`([a-z_]+)…`", table))
    modules = {path.stem for path in MODULES if path.stem != "__init__" and path.parent.name != "panels"}
    assert sorted(name for name in modules - named if not name.startswith(families)) == []
    rooms = {path.parent.name for path in MODULES}
    assert sorted(named - modules - rooms - {"templates"}) == []
