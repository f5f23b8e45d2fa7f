"""The write-up: everything escaped, nothing fetched, numbers that a spreadsheet leaves alone."""

from __future__ import annotations

import csv
import html.parser
from typing import TYPE_CHECKING

import nbformat
import pytest

from ohmshift.errors import StudyError
from ohmshift.show import report
from ohmshift.show.article import NUMBERS, PAGE, findings_html, write_article
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.findings import Finding, Quantity, append_finding, read_findings, retract_finding
from ohmshift.study.folder import Study, open_study
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from pathlib import Path

NASTY = '<script>alert("x")</script> & =1+1'


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = demo_copy(tmp_path_factory.mktemp("article") / "study")
    number = Quantity(name="=cmd()", value=-1.25, unit="dB", low=-2.0, high=-0.5)
    append_finding(folder, Finding(statement=NASTY, caveat=NASTY, quantities=(number,), data={"gone.csv": "0" * 64}))
    return open_study(folder)


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


@pytest.fixture(scope="module")
def page(study: Study, comparison: StudyComparison, tmp_path_factory: pytest.TempPathFactory) -> str:
    written, _ = write_article(study, comparison, tmp_path_factory.mktemp("out"))
    return written.read_text(encoding="utf-8")


class Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_what_users_wrote_is_escaped(page: str) -> None:
    tags = Tags(page).found
    assert "script" not in {tag for tag, _ in tags}
    assert page.count("&lt;script&gt;") >= 2
    assert "<script" not in findings_html([Finding(statement=NASTY, caveat=NASTY)])


def test_nothing_is_fetched(page: str) -> None:
    for tag, attributes in Tags(page).found:
        target = attributes.get("src") or (attributes.get("href") if tag in {"link", "script"} else None)
        assert target is None or target.startswith("data:"), (tag, target)
    assert "url(" not in page
    assert "@import" not in page


def test_every_picture_has_words_and_every_finding_its_caveat(page: str, study: Study) -> None:
    tags = Tags(page).found
    pictures = [attributes for tag, attributes in tags if tag == "img"]
    standing = read_findings(study.folder).standing
    assert len(pictures) == sum(bool(finding.earphone) for finding in standing) == 3
    assert all(attributes["alt"] for attributes in pictures)
    assert page.count('class="caveat"') == sum(tag == "article" for tag, _ in tags) == len(standing)


def test_every_earphone_stands_in_a_table(page: str, study: Study) -> None:
    for name in study.names:
        assert f"<td>{name}</td>" in page
    assert "&lt;td&gt;" not in page


def test_a_file_that_is_not_what_it_was_is_named(page: str) -> None:
    assert "not what they were" in page
    assert "gone.csv" in page


def test_numbers_are_numbers_and_text_is_no_formula(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    _, numbers = write_article(study, comparison, tmp_path)
    assert (tmp_path / PAGE).exists()
    assert numbers == tmp_path / NUMBERS
    with numbers.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    last = rows[-1]
    assert float(last["value"]) == -1.25
    assert "'=cmd()" in last.values()
    starts = {cell[0] for row in rows for cell in row.values() if cell}
    assert "=" not in starts
    assert "@" not in starts


def test_same_inputs_give_the_same_bytes(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_article(study, comparison, tmp_path / name)
    for file in (PAGE, NUMBERS):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_order_and_choice(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    chosen = ["demo-grater", "demo-whisk"]
    written, _ = write_article(study, comparison, tmp_path, finding_ids=chosen)
    text = written.read_text(encoding="utf-8")
    assert text.index("finding demo-grater") < text.index("finding demo-whisk")
    assert "finding demo-spoon" not in text
    with pytest.raises(StudyError, match="only findings that stand"):
        write_article(study, comparison, tmp_path, finding_ids=["nobody"])


def test_a_retracted_finding_is_left_out(comparison: StudyComparison, tmp_path: Path) -> None:
    folder = demo_copy(tmp_path / "study")
    retract_finding(folder, "demo-spoon", "seat leaked")
    written, _ = write_article(open_study(folder), comparison, tmp_path / "out")
    assert "finding demo-spoon" not in written.read_text(encoding="utf-8")


def write_notebook(path: Path, code: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_markdown_cell("# Which folder?"), nbformat.v4.new_code_cell(code)]
    )
    nbformat.write(notebook, path)


def test_report_holds_everything_and_leaves_the_study_alone(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_notebook(tmp_path / "shipped" / "00_where.ipynb", "from pathlib import Path\nPath.cwd().name")
    monkeypatch.setattr(report, "shipped_folder", lambda _: tmp_path / "shipped")
    before = {path: path.stat().st_mtime_ns for path in study.folder.rglob("*") if path.is_file()}
    done: list[object] = []
    written = report.write_report(
        study.folder, tmp_path / "out", progress=lambda parts: [done.append(part) or part for part in parts]
    )
    assert before == {path: path.stat().st_mtime_ns for path in study.folder.rglob("*") if path.is_file()}
    assert len(done) == 3
    assert all(path.stat().st_size > 0 for path in written)
    names = {path.relative_to(tmp_path / "out").as_posix() for path in written}
    assert {"article.html", "numbers.csv", "figures/ladle_15ohm.png", "notebooks/00_where.html"} <= names
    assert sum(name.endswith(".svg") for name in names) == len(study.names)
    assert "<pre>'study'</pre>" in (tmp_path / "out/notebooks/00_where.html").read_text(encoding="utf-8")


def test_a_notebook_that_fails_is_named(study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_notebook(tmp_path / "shipped" / "00_bad.ipynb", "1 / 0")
    monkeypatch.setattr(report, "shipped_folder", lambda _: tmp_path / "shipped")
    with pytest.raises(StudyError, match=r"00_bad.ipynb: .*ZeroDivisionError.*ohmshift lab"):
        report.write_report(study.folder, tmp_path / "out")
