"""A study is started from nothing or from file names, shown before it is written, never over anything."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import pytest

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.study.folder import open_study
from ohmshift.study.manifest import read_table
from ohmshift.study.proposals import FOLDERS, Proposal, propose_measurements, start_study
from ohmshift.study.rows import MeasurementRow

if TYPE_CHECKING:
    from pathlib import Path


def touch(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("20 90\n20000 90\n")
    return folder


def rows(proposal: Proposal) -> list[list[str]]:
    columns = ["file", "earphone", "channel", "quantity", "added_ohm", "seat", "level_reference"]
    return proposal.measurements[columns].to_numpy().tolist()


def test_names_are_read_by_their_words(tmp_path: Path) -> None:
    touch(tmp_path, "responses/soup_ladle_left_0ohm_1.txt", "responses/soup_ladle_R_4.7ohm_b2.CSV", "wok_l_15ohm_1.dat")
    proposal = propose_measurements(tmp_path)
    assert rows(proposal) == [
        ["responses/soup_ladle_R_4.7ohm_b2.CSV", "soup_ladle", "right", "response", "4.7", "4.7-b2", "relative"],
        ["responses/soup_ladle_left_0ohm_1.txt", "soup_ladle", "left", "response", "0", "0-1", "relative"],
        ["wok_l_15ohm_1.dat", "wok", "left", "response", "15", "15-1", "relative"],
    ]
    assert proposal.problems == ()


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("Rolling Pin L 2.txt", ("Rolling Pin", "left", "0", "2")),
        ("Rolling Pin L 2 +33ohm.txt", ("Rolling Pin", "left", "33", "2")),
        ("Rolling Pin +33 Ω right (2).txt", ("Rolling Pin", "right", "33", "2")),
        ("crêpe-pan_R3_4,7ohms.csv", ("crêpe-pan", "right", "4.7", "3")),
        ("Wok/33 ohm/L1.txt", ("Wok", "left", "33", "1")),
        ("Wok R +33R 1.txt", ("Wok", "right", "33", "1")),
        ("Wok-L-0R-1.txt", ("Wok", "left", "0", "1")),
        ("Wok 12R L 1.txt", ("Wok 12R", "left", "0", "1")),
        ("Wok L 33ohm 47R.txt", None),
        ("2026-10/Wok [Right].txt", ("Wok", "right", "0", "1")),
        ("responses/left/Wok 1.txt", None),
        ("Lidl Ladle.txt", None),
        ("Wok L R 1.txt", None),
        ("Wok L 33ohm 47ohm.txt", None),
        ("left 33ohm.txt", None),
    ],
)
def test_word_order_and_marks_are_the_users(tmp_path: Path, name: str, read: tuple[str, ...] | None) -> None:
    proposal = propose_measurements(touch(tmp_path, name), reseated=False)
    found = proposal.measurements[["earphone", "channel", "added_ohm", "seat"]].to_numpy().tolist()
    assert [tuple(row) for row in found] == ([] if read is None else [read])
    assert [problem.file for problem in proposal.problems] == ([name] if read is None else [])


def test_side_may_be_said_once_for_names_that_do_not(tmp_path: Path) -> None:
    touch(tmp_path, "Pan 10.txt", "Wok 2.txt", "Wok 33ohm 2.txt", "Wok R 2.txt", "Wok impedance.txt")
    columns = ["file", "earphone", "channel", "quantity", "added_ohm", "seat"]
    by_words = propose_measurements(tmp_path, side="left", reseated=False).measurements[columns]
    assert by_words.to_numpy().tolist() == [
        ["Pan 10.txt", "Pan", "left", "response", "0", "10"],
        ["Wok 2.txt", "Wok", "left", "response", "0", "2"],
        ["Wok 33ohm 2.txt", "Wok", "left", "response", "33", "2"],
        ["Wok R 2.txt", "Wok", "right", "response", "0", "2"],
        ["Wok impedance.txt", "Wok", "left", "impedance", "", ""],
    ]
    by_pattern = propose_measurements(tmp_path, pattern="{earphone} {added_ohm}ohm {seat}", side="right")
    assert by_pattern.measurements["channel"].tolist()[:1] == ["right"]


def test_untouched_seats_keep_their_names(tmp_path: Path) -> None:
    touch(tmp_path, "wok_left_0ohm_1.txt", "wok_left_15ohm_1.txt")
    proposal = propose_measurements(tmp_path, reseated=False, level_reference="absolute")
    assert proposal.measurements["seat"].tolist() == ["1", "1"]
    assert proposal.measurements["level_reference"].tolist() == ["absolute", "absolute"]


def test_pattern_is_the_users(tmp_path: Path) -> None:
    touch(tmp_path, "Wok (L) +15.txt", "Wok (R) +15.txt", "pan/left 2.txt")
    proposal = propose_measurements(tmp_path, pattern="{earphone} ({channel}) +{added_ohm}")
    assert [row[1:6] for row in rows(proposal)] == [
        ["Wok", "left", "response", "15", "15-1"],
        ["Wok", "right", "response", "15", "15-1"],
    ]
    assert [problem.file for problem in proposal.problems] == ["pan/left 2.txt"]
    proposal = propose_measurements(tmp_path, pattern="{earphone}/{channel} {seat}")
    assert [row[1:6] for row in rows(proposal)] == [["pan", "left", "response", "0", "0-2"]]


def test_impedances_are_known_by_the_word(tmp_path: Path) -> None:
    touch(tmp_path, "impedances/wok_left.txt", "wok_right_impedance.txt", "Impedance wok_l.csv", "wok_left.txt")
    proposal = propose_measurements(tmp_path)
    assert rows(proposal) == [
        ["Impedance wok_l.csv", "wok", "left", "impedance", "", "", ""],
        ["impedances/wok_left.txt", "wok", "left", "impedance", "", "", ""],
        ["wok_left.txt", "wok", "left", "response", "0", "0-1", "relative"],
        ["wok_right_impedance.txt", "wok", "right", "impedance", "", "", ""],
    ]


def test_only_curve_files_count(tmp_path: Path) -> None:
    touch(tmp_path, "a.png", ".hidden/wok_left_0ohm_1.txt", "recordings/wok_left_0ohm_1.txt", "meter.csv", "README.md")
    proposal = propose_measurements(tmp_path)
    assert (len(proposal.measurements), proposal.problems) == (0, ())


@pytest.mark.parametrize(
    ("pattern", "found"),
    [
        ("{earphone}", "has {channel} not"),
        ("{channel}_{seat}", "has {earphone} not"),
        ("{earphone}_{channel}_{ohm}", "has {ohm};"),
        ("{ohm}_{seat}_{seat}", "has {ohm};"),
        ("{earphone}{channel}{seat}_{seat}", "has {seat} twice;"),
        ("", "has {earphone} not"),
    ],
)
def test_pattern_that_cannot_work_is_refused(tmp_path: Path, pattern: str, found: str) -> None:
    with pytest.raises(StudyError, match="a pattern names") as caught:
        propose_measurements(tmp_path, pattern=pattern)
    assert f"but {pattern!r} {found}" in str(caught.value)


def test_missing_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError):
        propose_measurements(tmp_path / "nowhere")


def test_proposing_writes_nothing(tmp_path: Path) -> None:
    touch(tmp_path, "wok_left_0ohm_1.txt")
    before = sorted(tmp_path.rglob("*"))
    propose_measurements(tmp_path)
    assert sorted(tmp_path.rglob("*")) == before


def test_written_proposal_is_a_valid_manifest(tmp_path: Path) -> None:
    touch(tmp_path, "wok, old_left_0ohm_1.txt", "wok, old_left_15ohm_1.txt", "impedance wok, old_left.txt")
    proposal = propose_measurements(tmp_path)
    start_study(tmp_path, measurements=proposal.measurements)
    table = read_table(tmp_path, "measurements.csv", MeasurementRow)
    assert (len(table.rows), table.problems) == (3, ())
    before = (tmp_path / "measurements.csv").read_bytes()
    with pytest.raises(StudyError, match="never written over"):
        start_study(tmp_path, measurements=proposal.measurements.head(1))
    assert (tmp_path / "measurements.csv").read_bytes() == before


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such a name themselves")
def test_a_name_that_is_no_text_is_listed(tmp_path: Path) -> None:
    touch(tmp_path, "wok_left_0ohm_1.txt")
    (tmp_path / os.fsdecode(b"w\xffk_left_0ohm_1.txt")).touch()
    proposal = propose_measurements(tmp_path)
    assert list(proposal.measurements["file"]) == ["wok_left_0ohm_1.txt"]
    (problem,) = proposal.problems
    assert (problem.file, problem.rule) == ("w?k_left_0ohm_1.txt", "the name of a curve file is text")


@pytest.mark.parametrize("taken", ["", "responses"])
def test_a_file_where_a_folder_should_be_is_never_written_over(tmp_path: Path, taken: str) -> None:
    (tmp_path / "new" / taken).parent.mkdir(exist_ok=True)
    (tmp_path / "new" / taken).write_text("mine")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(StudyError, match="a file of yours is never written over"):
        start_study(tmp_path / "new")
    assert sorted(tmp_path.rglob("*")) == before


def test_empty_study_opens_and_says_that_it_is_empty(tmp_path: Path) -> None:
    written = start_study(tmp_path / "new")
    assert sorted(path.name for path in written) == [
        "CONTRIBUTE.txt",
        "contribution.csv",
        "earphones.csv",
        "measurements.csv",
        "meter.csv",
        "study.toml",
    ]
    assert all((tmp_path / "new" / name).is_dir() for name in FOLDERS)
    study = open_study(tmp_path / "new")
    assert ([problem.where for problem in study.problems], study.names) == (["measurements.csv"], ())


def test_study_started_from_files_opens(tmp_path: Path) -> None:
    touch(tmp_path, "wok_left_0ohm_1.txt")
    text = "\n".join(f"{20 * 1.1**i:.3f} {90 + i / 100}" for i in range(72))
    (tmp_path / "wok_left_0ohm_1.txt").write_text(text)
    start_study(tmp_path, measurements=propose_measurements(tmp_path).measurements)
    study = open_study(tmp_path)
    assert (study.problems, study.names) == ((), ("wok",))
    assert study.earphones["driver_class"].tolist() == ["not stated"]
    assert study.responses("wok").seat == ("0-1",)


@pytest.mark.parametrize("name", ["study.toml", "earphones.csv", "measurements.csv", "meter.csv"])
def test_starting_never_writes_over_anything(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(StudyError, match="never written over"):
        start_study(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"
