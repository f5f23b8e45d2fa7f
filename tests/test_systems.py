"""What differs between systems, simulated where the test runs."""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from ohmshift.errors import StudyError
from ohmshift.show.earphone_facts import file_names
from ohmshift.show.staging import staged
from ohmshift.study.places import demo_copy

KIT = Path(__file__).resolve().parents[1] / "kit"
MODULES = sorted(KIT.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(KIT).as_posix())
def test_text_is_written_as_the_same_bytes_on_every_system(path: Path) -> None:
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    writes = [call for call in calls if isinstance(call.func, ast.Attribute) and call.func.attr == "write_text"]
    assert [call.lineno for call in writes if not {"encoding", "newline"} <= {word.arg for word in call.keywords}] == []


@pytest.mark.source("memory", ref="device names of Windows, with any ending; file systems that fold case")
def test_no_earphone_gets_a_file_that_some_system_refuses_or_takes_for_another() -> None:
    names = [
        "Con",
        "aux",
        "NUL",
        "Com1",
        "LPT9",
        "Console",
        "Pan.",
        "PAN ",
        "Stra\u00dfe",
        "STRASSE",
        "caf\u00e9",
        "cafe\u0301",
    ]
    stems = list(file_names(names).values())
    assert stems[:6] == ["con-2", "aux-2", "nul-2", "com1-2", "lpt9-2", "console"]
    assert len({stem.casefold() for stem in stems}) == len(names)
    assert [stem for stem in stems if stem != stem.strip(". ")] == []


def test_a_result_that_a_program_holds_leaves_the_older_ones_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def write(text: str) -> None:
        with staged(tmp_path / "out") as part:
            for name in ("a.txt", "b.txt"):
                (part / name).write_text(text, encoding="utf-8")

    write("old")
    rename = Path.rename

    def refuse(path: Path, target: Path) -> Path:
        if path.name == "b.txt":
            raise PermissionError(13, "The process cannot access the file because it is being used by another process")
        return rename(path, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(StudyError, match=r"b\.txt: no other program holds a result .* close it there"):
        write("new")
    assert [(tmp_path / "out" / name).read_text(encoding="utf-8") for name in ("a.txt", "b.txt")] == ["old", "old"]
    monkeypatch.undo()
    write("new")
    assert (tmp_path / "out/b.txt").read_text(encoding="utf-8") == "new"


def test_a_disk_too_full_for_the_demo_is_said_once_and_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fill(source: str, target: str, **_: object) -> None:
        raise OSError(28, "No space left on device", source, None, target)

    monkeypatch.setattr(shutil.copytree, "__defaults__", (False, None, fill, False, False))
    with pytest.raises(StudyError, match=r"copied whole, but the system says: .*No space left") as refused:
        demo_copy(tmp_path / "demo")
    assert len(str(refused.value)) < 1000
    assert list(tmp_path.iterdir()) == []
