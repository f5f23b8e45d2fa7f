"""The data package: valid by the reference library, safe in a spreadsheet, and the same study when it comes back."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
import yaml
from frictionless import Package, validate
from study.cut_down import small_study

from ohmshift.curves.values import Response
from ohmshift.errors import FileMissingError, FileRefusedError, StudyError
from ohmshift.study import package as packages
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import Study, open_study
from ohmshift.study.package import read_package, study_files, write_package
from ohmshift.study.problems import problems_table
from ohmshift.study.spreadsheets import csv_text

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(small_study(tmp_path_factory.mktemp("package") / "my study"))


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


@pytest.fixture(scope="module")
def package(study: Study, comparison: StudyComparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "package"
    write_package(study, comparison, out, date="2026-11-25")
    return out


@pytest.fixture(scope="module")
def package_of_all_kinds(study: Study, comparison: StudyComparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package in which tables of a thousand rows are large."""
    out = tmp_path_factory.mktemp("kinds") / "package"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(packages, "LARGE_ROWS", 1000)
        write_package(study, comparison, out, date="2026-11-25")
    return out


@pytest.mark.source(
    "independent", ref="frictionless 5, the reference implementation of Data Package, on data and schema"
)
def test_reference_library_finds_it_valid(package: Path) -> None:
    found = validate(str(package / "datapackage.json"))
    assert found.valid, found.flatten(["name", "type", "message"])
    assert found.stats["tasks"] == 12
    assert not found.warnings


@pytest.mark.source("independent", ref="frictionless 5: a changed cell, a broken reference, each found")
@pytest.mark.parametrize(
    ("old", "new", "kind"), [('"left"', '"leff"', "hash-count"), ('"Ladle"', '"Nobody"', "foreign-key")]
)
def test_reference_library_notices_changes(package: Path, tmp_path: Path, old: str, new: str, kind: str) -> None:
    shutil.copytree(package, tmp_path / "copy")
    path = tmp_path / "copy" / "measurements.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    found = validate(str(tmp_path / "copy" / "datapackage.json"))
    assert kind in {kind for (kind,) in found.flatten(["type"])}


@pytest.mark.source("published", ref="Data Package 2.0: $schema, name, resources, licenses by Open Definition id, hash")
def test_descriptor_keeps_the_standard(package: Path) -> None:
    described = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    assert described["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert described["licenses"][0]["name"] == "CC0-1.0"
    assert described["created"] == "2026-11-25T00:00:00Z"
    assert Package(str(package / "datapackage.json")).name == described["name"]
    for resource in described["resources"]:
        content = (package / resource["path"]).read_bytes()
        assert resource["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
        assert resource["bytes"] == len(content)
        assert "fieldsMatch" not in resource["schema"]
        assert all(field["description"] for field in resource["schema"]["fields"])


@pytest.mark.source("analytic", ref="the shortest decimal that reads back as the same binary64 number is that number")
def test_tidy_values_are_the_curves_to_the_bit(study: Study, package: Path) -> None:
    table = pd.read_csv(package / "responses.csv", dtype=str)
    numbers = ["frequency_hz", "level_db", "phase_deg"]
    table[numbers] = table[numbers].map(float)  # Python's own float() reads every decimal exactly
    held = dict(iter(table.groupby("file")))
    curves = {file: curve for file, curve in study.curves.items() if isinstance(curve, Response)}
    assert held.keys() == curves.keys()
    for file, curve in curves.items():
        np.testing.assert_array_equal(held[file]["frequency_hz"], curve.frequency_hz)
        np.testing.assert_array_equal(held[file]["level_db"], curve.level_db)
        if curve.phase_deg is not None:
            np.testing.assert_array_equal(held[file]["phase_deg"], curve.phase_deg)


def test_a_large_table_is_there_as_parquet_too(study: Study, package: Path, package_of_all_kinds: Path) -> None:
    assert not list(package.glob("*.parquet"))
    compact = pd.read_parquet(package_of_all_kinds / "responses.parquet")
    curve = next(curve for curve in study.curves.values() if isinstance(curve, Response))
    first = compact[compact["file"] == curve.provenance.source]
    np.testing.assert_array_equal(first["level_db"], curve.level_db)
    assert (package_of_all_kinds / "responses.csv").read_bytes() == (package / "responses.csv").read_bytes()


@pytest.mark.source("independent", ref="frictionless 5, the reference implementation of Data Package")
def test_large_tables_leave_it_valid(package_of_all_kinds: Path) -> None:
    found = validate(str(package_of_all_kinds / "datapackage.json"))
    assert found.valid, found.flatten(["name", "type", "message"])
    listed = pd.read_csv(package_of_all_kinds / "files.csv").set_index("path")["sha256"]
    content = (package_of_all_kinds / "responses.parquet").read_bytes()
    assert listed["responses.parquet"] == hashlib.sha256(content).hexdigest()


def test_round_trip_loses_nothing(study: Study, package: Path, tmp_path: Path) -> None:
    back = open_study(read_package(package, tmp_path / "back"))
    assert back.settings == study.settings
    for name in ("earphones", "measurements", "meter"):
        pd.testing.assert_frame_equal(getattr(back, name), getattr(study, name))
    pd.testing.assert_frame_equal(problems_table(back.problems), problems_table(study.problems))
    assert {problem.effect for problem in back.problems} == {"left out", "flagged"}
    assert back.data_hashes() == study.data_hashes()
    for file, curve in study.curves.items():
        other = back.curves[file]
        np.testing.assert_array_equal(other.frequency_hz, curve.frequency_hz)
        name = "level_db" if isinstance(curve, Response) else "impedance_ohm"
        np.testing.assert_array_equal(getattr(other, name), getattr(curve, name))
        assert other.provenance.decisions == curve.provenance.decisions
    ours, theirs = read_findings(study.folder), read_findings(back.folder)
    assert [(f.id, f.statement, f.retracted, f.reason) for f in theirs.findings] == [
        (f.id, f.statement, f.retracted, f.reason) for f in ours.findings
    ]
    assert [str(q) for f in theirs.findings for q in f.quantities] == [
        str(q) for f in ours.findings for q in f.quantities
    ]


def test_only_what_belongs_to_the_study_is_published(study: Study, package: Path) -> None:
    names = set(study_files(study))
    assert not any(name.startswith("published/") for name in names)
    assert {
        "study.toml",
        "meter.csv",
        "findings/findings.jsonl",
        "LICENSE",
        "recordings.csv",
        "responses/broken.csv",
    } <= names
    published = {path.name for path in package.rglob("*")}
    assert not {".hidden", "letter.txt", "theirs.csv"} & published


def test_the_package_says_what_is_not_in_it_and_how_to_go_on(package: Path) -> None:
    said = " ".join((package / "README.txt").read_text(encoding="utf-8").split())
    assert "Not here is what others published, the study's folder published/: it is theirs to license." in said
    assert "ohmshift unpack package STUDY ohmshift lab STUDY ohmshift report STUDY --out report --date 2026" in said


def test_a_link_to_elsewhere_is_not_published(tmp_path: Path) -> None:
    folder = small_study(tmp_path / "linked")
    (tmp_path / "secret.txt").write_text("secret", encoding="utf-8")
    (folder / "responses/link.txt").symlink_to(tmp_path / "secret.txt")
    assert "responses/link.txt" not in study_files(open_study(folder))


def test_one_changed_byte_in_any_file_is_refused(package_of_all_kinds: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(package_of_all_kinds, tmp_path / "copy")
    paths = {path.relative_to(copy).as_posix(): path for path in copy.rglob("*") if path.is_file()}
    assert {"responses.parquet", "responses.csv", "files.csv", "README.txt", "CITATION.cff", "study/LICENSE"} < {*paths}
    del paths["datapackage.json"]  # it holds the hashes
    for path in paths.values():
        content = path.read_bytes()
        middle = len(content) // 2
        path.write_bytes(content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :])
        with pytest.raises(FileRefusedError, match="must be what was published"):
            read_package(copy, tmp_path / "back")
        path.write_bytes(content)
    assert read_package(copy, tmp_path / "back").is_dir()


def test_what_is_missing_or_there_is_named(package: Path, tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match=r"datapackage\.json"):
        read_package(tmp_path, tmp_path / "back")
    shutil.copytree(package, tmp_path / "copy")
    (tmp_path / "copy/study/meter.csv").unlink()
    with pytest.raises(FileMissingError, match=r"study/meter\.csv"):
        read_package(tmp_path / "copy", tmp_path / "back")
    with pytest.raises(StudyError, match="never goes over"):
        read_package(package, tmp_path)


def test_a_package_cannot_write_outside_itself(package: Path, tmp_path: Path) -> None:
    shutil.copytree(package, tmp_path / "copy")
    evil = tmp_path / "evil.txt"
    evil.write_text("evil", encoding="utf-8")
    files = tmp_path / "copy/files.csv"
    digest = hashlib.sha256(b"evil").hexdigest()
    files.write_text(files.read_text(encoding="utf-8") + f'"study/../../evil.txt",4,"{digest}"\n', encoding="utf-8")
    descriptor = tmp_path / "copy/datapackage.json"
    described = json.loads(descriptor.read_text(encoding="utf-8"))
    for resource in described["resources"]:
        if resource["path"] == "files.csv":
            resource["hash"] = f"sha256:{hashlib.sha256(files.read_bytes()).hexdigest()}"
    descriptor.write_text(json.dumps(described), encoding="utf-8")
    with pytest.raises(FileRefusedError, match="inside the package"):
        read_package(tmp_path / "copy", tmp_path / "back")


def test_a_package_goes_into_an_empty_folder(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match="empty folder"):
        write_package(study, comparison, tmp_path)


def test_the_same_study_gives_the_same_bytes(
    study: Study, comparison: StudyComparison, package: Path, tmp_path: Path
) -> None:
    write_package(study, comparison, tmp_path / "again", date="2026-11-25")
    for path in package.rglob("*"):
        if path.is_file():
            assert (tmp_path / "again" / path.relative_to(package)).read_bytes() == path.read_bytes(), path.name


@pytest.mark.source("practice", ref="guidance against formulas in CSV: = + - @, tab, return, and their wide forms")
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "\n=1", "  =1", "＝1", "=1;=2"])
def test_no_text_runs_as_a_formula(text: str) -> None:
    written = csv_text(pd.DataFrame({"note": [text, "fine"], "value": [-1.5, 2.0]}))
    rows = list(csv.reader(written.splitlines(keepends=True)))
    assert rows[1][0] == f"'{text}"
    assert rows[2] == ["fine", "2.0"]
    assert rows[1][1] == "-1.5"
    assert written.split("\n")[-2].startswith('"fine"')


def test_tables_of_a_package_hold_no_formula(package: Path) -> None:
    for path in package.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for cell in (cell for row in csv.reader(file) for cell in row):
                try:
                    float(cell or "0")
                except ValueError:
                    assert cell.lstrip()[:1] not in "=+-@", (path.name, cell)


@pytest.mark.source("published", ref="Citation File Format 1.2.0: the required keys, type dataset, SPDX licence")
def test_citation_names_what_the_format_asks_for(package: Path) -> None:
    cited = yaml.safe_load((package / "CITATION.cff").read_text(encoding="utf-8"))
    assert cited["cff-version"] == "1.2.0"
    assert {"message", "title", "authors"} <= cited.keys()
    assert (cited["type"], cited["license"], cited["date-released"]) == ("dataset", "CC0-1.0", "2026-11-25")


def test_nasty_settings_make_a_valid_package(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    title = 'A "study":\n- of: {pots} & pans'
    settings = study.settings.model_copy(
        update={"title": title, "authors": "A; B #1 ; ", "licence": "ask me, please", "question": ""}
    )
    write_package(replace(study, settings=settings), comparison, tmp_path)
    described = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    assert described["title"] == title
    assert described["contributors"] == [{"title": name, "roles": ["author"]} for name in ("A", "B #1")]
    assert not {"licenses", "created"} & described.keys()
    cited = yaml.safe_load((tmp_path / "CITATION.cff").read_text(encoding="utf-8"))
    assert cited["title"] == title
    assert [author["name"] for author in cited["authors"]] == ["A", "B #1"]
    assert "license" not in cited
    assert validate(str(tmp_path / "datapackage.json")).valid
