"""The report: everything there, the study left alone, the same bytes each time, an older report safe until the end."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import nbformat
import pytest
from study.cut_down import small_study

from ohmshift.errors import StudyError
from ohmshift.show import frames, report
from ohmshift.show.motion import write_motion
from ohmshift.show.staging import MARK
from ohmshift.study.findings import Finding, append_finding
from ohmshift.study.package import read_package

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DATE = "2026-11-25"


def write_notebook(path: Path, code: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_markdown_cell("# Which folder?"), nbformat.v4.new_code_cell(code)]
    )
    nbformat.write(notebook, path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small_study(tmp_path_factory.mktemp("report") / "study")
    settings = {"earphone": "Ladle", "added_ohm": 15.0}
    finding = Finding(id="ladle", statement="It changed.", caveat="One.", earphone="Ladle", settings=settings)
    append_finding(folder, finding)
    return folder


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Two short notebooks of the kit's, and small pictures."""
    shipped = tmp_path_factory.mktemp("shipped")
    write_notebook(shipped / "00_where.ipynb", "from pathlib import Path\nPath.cwd().name")
    write_notebook(shipped / "10_sum.ipynb", "1 + 1")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report, "shipped_folder", lambda _: shipped)
        patch.setattr(report, "write_motion", functools.partial(write_motion, size_px=(320, 180)))
        patch.setattr(frames, "SIZES", ((640, 360),))
        yield shipped


def content(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def first(folder: Path, quick: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    assert quick.is_dir()
    out = tmp_path_factory.mktemp("first") / "out"
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file()}
    done: list[object] = []
    written = report.write_report(
        folder, out, date=DATE, progress=lambda parts: [done.append(part) or part for part in parts]
    )
    assert before == {path: path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file()}
    assert len(done) > 5
    assert all(path.stat().st_size > 0 for path in written)
    assert {path.relative_to(out).as_posix() for path in written} == content(out).keys() - {MARK}
    return out


def test_report_holds_everything(first: Path, tmp_path: Path) -> None:
    names = content(first).keys()
    assert {
        *("README.txt", "article.html", "article.md", "outline.md", "numbers.csv", "collection.html"),
        *("pictures/02_ladle.png", "stills/finding_02_ladle_dark_360.png", "stills/finding_02_ladle.txt"),
        *("motion/ladle_rising.mp4", "motion/ladle_rising.txt", "motion/ladle_before_light.svg"),
        *("figures/ladle_15ohm.png", "figures/ladle_15ohm.svg", "figures/ladle_15ohm.txt"),
        *("sheets/ladle.html", "sheets/ladle.png", "package/datapackage.json"),
        *("notebooks/00_where.html", "notebooks/10_sum.html"),
    } <= names
    assert "<pre>'study'</pre>" in (first / "notebooks/00_where.html").read_text(encoding="utf-8")
    assert read_package(first / "package", tmp_path / "back").is_dir()


def test_the_same_study_gives_the_same_bytes(folder: Path, first: Path, quick: Path, tmp_path: Path) -> None:
    assert quick.is_dir()
    report.write_report(folder, tmp_path / "out", date=DATE)
    one, two = content(first), content(tmp_path / "out")
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []
    assert {name.rpartition(".")[2] for name in one} >= {"html", "md", "csv", "png", "svg", "mp4", "json", "txt"}


@pytest.mark.parametrize("place", ["responses/out", "published", "findings/deep/out"])
def test_a_report_stays_out_of_the_data(folder: Path, place: str) -> None:
    with pytest.raises(StudyError, match=r"apart from the study's data.*beside the study"):
        report.write_report(folder, folder / place)
    assert not (folder / "responses/out").exists()


def test_a_notebook_that_fails_is_named_and_the_older_report_stays(
    folder: Path, first: Path, quick: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    write_notebook(tmp_path / "00_bad.ipynb", "1 / 0")
    monkeypatch.setattr(report, "shipped_folder", lambda _: tmp_path)
    before = content(first)
    with pytest.raises(StudyError, match=r"00_bad.ipynb: .*ZeroDivisionError.*ohmshift lab"):
        report.write_report(folder, first, date=DATE)
    assert content(first) == before
    assert quick.is_dir()
