"""Shipped folders are found, copies never go over anything, and a borrowed demo leaves nothing behind."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.study import places
from ohmshift.study.places import demo_copy, put_notebooks, require_study, shipped_folder, study_folder

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def study(tmp_path: Path) -> Path:
    (tmp_path / "study").mkdir()
    (tmp_path / "study/study.toml").touch()
    return tmp_path / "study"


def notebook(text: str, *outputs: str) -> str:
    """Write a notebook with one cell of code."""
    cell = {"cell_type": "code", "execution_count": None, "outputs": [*outputs], "source": [text]}
    return json.dumps({"cells": [cell]}, indent=1) + "\n"


@pytest.fixture
def shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in for the shipped notebooks and the demo."""
    folder = tmp_path / "shipped"
    folder.mkdir()
    for name in ("00_start_here", "20_line_up"):
        (folder / f"{name}.ipynb").write_text(notebook(f"{name} as shipped"))
    (folder / "study.toml").write_text('title = "Demo"')
    (folder / "notes.txt").write_text("no notebook")
    monkeypatch.setattr(places, "shipped_folder", lambda _: folder)
    return folder


def test_shipped_folders_are_those_of_the_checkout() -> None:
    assert shipped_folder("data_demo") == ROOT / "data_demo"
    assert shipped_folder("notebooks") == ROOT / "notebooks"


def test_installed_package_has_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = tmp_path / "ohmshift"
    (home / "_shipped/notebooks").mkdir(parents=True)
    monkeypatch.setattr(places, "__file__", str(home / "study/places.py"))
    assert shipped_folder("notebooks") == home / "_shipped/notebooks"
    with pytest.raises(FileMissingError, match="install the kit again"):
        shipped_folder("data_demo")


def test_study_is_found_from_within(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inner = study / "findings/notebooks"
    inner.mkdir(parents=True)
    assert study_folder(inner) == study.resolve()
    monkeypatch.chdir(inner)
    assert study_folder() == study.resolve()


def test_named_place_without_a_study_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match="ohmshift new"):
        study_folder(tmp_path)
    with pytest.raises(FileMissingError):
        study_folder(tmp_path / "nowhere")


def test_borrowed_demo_is_one_a_process_and_goes_with_it(tmp_path: Path) -> None:
    program = (
        "from ohmshift.study.places import study_folder\n"
        "a, b = study_folder(), study_folder()\n"
        "(a / 'findings').mkdir(exist_ok=True); (a / 'findings/x').write_text('mine')\n"
        "print(a == b, (a / 'measurements.csv').exists(), a)"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, check=True)
    same, whole, folder = done.stdout.split(maxsplit=2)
    assert (same, whole) == ("True", "True")
    assert not Path(folder.strip()).parent.exists()
    assert list(tmp_path.iterdir()) == []


def test_demo_copy_holds_the_study_and_goes_over_nothing(tmp_path: Path) -> None:
    copy = demo_copy(tmp_path / "demo")
    source = shipped_folder("data_demo")
    for name in ("study.toml", "measurements.csv", "earphones.csv", "findings/findings.jsonl"):
        assert (copy / name).read_bytes() == (source / name).read_bytes()
    assert not {"__pycache__", ".findings.jsonl.lock", "notebooks"} & {path.name for path in copy.rglob("*")}
    (copy / "study.toml").write_text("mine")
    with pytest.raises(StudyError, match="never goes over"):
        demo_copy(copy)
    assert (copy / "study.toml").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["demo"]


def test_interrupted_copy_is_made_anew(tmp_path: Path) -> None:
    (tmp_path / ".demo.part/stale").mkdir(parents=True)
    copy = demo_copy(tmp_path / "demo")
    assert not (copy / "stale").exists()
    assert (copy / "study.toml").exists()


def test_require_study_tells_what_is_missing(study: Path, tmp_path: Path) -> None:
    assert require_study(study) == study
    with pytest.raises(FileMissingError, match="no such folder"):
        require_study(tmp_path / "nowhere")
    with pytest.raises(FileMissingError, match=r"study\.toml"):
        require_study(tmp_path)


@pytest.mark.usefixtures("shipped")
def test_notebooks_are_put_where_absent(study: Path) -> None:
    done = put_notebooks(study)
    assert (done.put, done.kept, done.outdated) == (("00_start_here.ipynb", "20_line_up.ipynb"), (), ())
    assert done.folder == study / "findings/notebooks"
    assert (done.folder / "20_line_up.ipynb").read_text() == notebook("20_line_up as shipped")
    again = put_notebooks(study)
    assert (again.put, again.kept, again.outdated) == ((), done.put, ())


@pytest.mark.parametrize("is_demo", [True, False])
def test_only_the_demo_opens_with_the_results_of_the_demo(study: Path, shipped: Path, *, is_demo: bool) -> None:
    (shipped / "00_start_here.ipynb").write_text(notebook("study", "18 earphones"))
    if is_demo:
        (study / "study.toml").write_text('title = "Demo"')
    done = put_notebooks(study)
    there = (done.folder / "00_start_here.ipynb").read_text()
    assert there == (notebook("study", "18 earphones") if is_demo else notebook("study"))
    assert put_notebooks(study).outdated == ()


@pytest.mark.usefixtures("shipped")
def test_edited_notebook_is_kept_and_not_called_outdated(study: Path) -> None:
    folder = put_notebooks(study).folder
    (folder / "20_line_up.ipynb").write_text("mine")
    done = put_notebooks(study)
    assert (folder / "20_line_up.ipynb").read_text() == "mine"
    assert done.outdated == ()


@pytest.mark.parametrize("edited", [True, False])
def test_newer_shipped_notebook_is_reported_and_yours_is_left(study: Path, shipped: Path, *, edited: bool) -> None:
    folder = put_notebooks(study).folder
    if edited:
        (folder / "20_line_up.ipynb").write_text("mine")
    before = (folder / "20_line_up.ipynb").read_text()
    (shipped / "20_line_up.ipynb").write_text(notebook("20_line_up, newer"))
    done = put_notebooks(study)
    assert (folder / "20_line_up.ipynb").read_text() == before
    assert done.outdated == ("20_line_up.ipynb",)
    (folder / "20_line_up.ipynb").rename(folder / "20_mine.ipynb")
    done = put_notebooks(study)
    assert (done.put, done.outdated) == (("20_line_up.ipynb",), ())
    assert (folder / "20_line_up.ipynb").read_text() == notebook("20_line_up, newer")


@pytest.mark.usefixtures("shipped")
@pytest.mark.parametrize("record", ["", "[]", "{"])
def test_lost_record_of_what_was_put_does_no_harm(study: Path, record: str) -> None:
    folder = put_notebooks(study).folder
    (folder / ".put.json").write_text(record)
    assert put_notebooks(study).outdated == ()
    (folder / "20_line_up.ipynb").write_text("mine")
    assert put_notebooks(study).outdated == ("20_line_up.ipynb",)


def test_notebooks_need_a_study(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError):
        put_notebooks(tmp_path)
