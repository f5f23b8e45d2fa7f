"""What was declared before looking, and what can be told of when."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.study.declarations import DECLARATION, read_declaration
from ohmshift.study.findings import Finding, append_finding

if TYPE_CHECKING:
    from pathlib import Path

TEXT = 'declared_on = 2026-11-20\nmetrics = ["size", "bass"]\nnote = "before measuring"\n'


def declare(folder: Path, text: str = TEXT, *, written: datetime | None = None) -> str:
    path = folder / DECLARATION
    path.write_text(text, encoding="utf-8")
    if written is not None:
        os.utime(path, (written.timestamp(), written.timestamp()))
    return hashlib.sha256(path.read_bytes()).hexdigest()


def find(folder: Path, when: str, **data: str) -> None:
    append_finding(folder, Finding(statement="s", caveat="c", recorded_at=when, data=data))


def test_without_a_file_nothing_is_declared(tmp_path: Path) -> None:
    found = read_declaration(tmp_path)
    assert (found.metrics, found.declared_on, found.sha256) == ((), None, "")
    assert "No metrics were declared" in found.sentence
    with pytest.raises(FileMissingError):
        read_declaration(tmp_path / "nowhere")


def test_what_the_file_says(tmp_path: Path) -> None:
    sha256 = declare(tmp_path)
    found = read_declaration(tmp_path)
    assert (found.metrics, found.declared_on, found.note) == (("size", "bass"), date(2026, 11, 20), "before measuring")
    assert found.sha256 == sha256
    assert found.order == "no finding"
    assert found.sentence == "Declared on 2026-11-20: size, bass; no finding is recorded yet."


@pytest.mark.parametrize(
    ("when", "order", "told"),
    [
        ("2026-11-22T09:00:00+00:00", "before", "before the first finding recorded (2026-11-22)."),
        ("2026-11-20T23:00:00+00:00", "same day", "which came first cannot be told"),
        ("2026-11-18T09:00:00+00:00", "after", "it may have been chosen by what was seen"),
    ],
)
def test_order_against_the_first_finding(tmp_path: Path, when: str, order: str, told: str) -> None:
    declare(tmp_path, written=datetime(2026, 11, 20, 8, tzinfo=UTC))
    find(tmp_path, "2026-11-29T09:00:00+00:00")
    find(tmp_path, when)
    found = read_declaration(tmp_path)
    assert (found.order, found.first_finding) == (order, when)
    assert told in found.sentence
    assert not found.changed


def test_a_file_written_later_than_it_says_is_told(tmp_path: Path) -> None:
    declare(tmp_path, written=datetime(2026, 11, 25, tzinfo=UTC))
    find(tmp_path, "2026-11-22T09:00:00+00:00")
    found = read_declaration(tmp_path)
    assert found.written_later
    assert "the day is the study's word" in found.sentence


def test_a_finding_that_holds_the_hash_is_a_witness(tmp_path: Path) -> None:
    sha256 = declare(tmp_path, written=datetime(2026, 11, 25, tzinfo=UTC))
    find(tmp_path, "2026-11-22T09:00:00+00:00", **{DECLARATION: sha256})
    found = read_declaration(tmp_path)
    assert found.kept_since == "2026-11-22T09:00:00+00:00"
    assert "word" not in found.sentence
    declare(tmp_path, TEXT.replace("bass", "treble"))
    changed = read_declaration(tmp_path)
    assert changed.changed
    assert "changed since a finding that rests on it" in changed.sentence


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("declared_on = ", "valid TOML"),
        ('metrics = ["size"]', "a day without quotes"),
        ('declared_on = "2026-11-20"\nmetrics = ["size"]', "a day without quotes"),
        ("declared_on = 2026-11-20", "size, bass, treble, tilt"),
        ('declared_on = 2026-11-20\nmetrics = ["loudness"]', "['loudness']"),
        ('declared_on = 2026-11-20\nmetrics = ["size", "size"]', "each once"),
        ('declared_on = 2026-11-20\nmetrics = "size"', "'size'"),
        ('declared_on = 2026-11-20\nmetrics = ["size"]\nmargin = 1', "'margin'"),
        ("\udcff", "valid TOML"),
        ("declared_on = " + "9" * 5000, "valid TOML"),
        ("a = " + "[" * 50_000, "valid TOML"),
        ("declared_on = 0x" + "f" * 9999, "too long to show"),
    ],
)
def test_a_bad_file_gets_one_clear_error(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / DECLARATION).write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(StudyError) as caught:
        read_declaration(tmp_path)
    assert told in str(caught.value)
    assert DECLARATION in caught.value.where


def test_a_folder_of_that_name(tmp_path: Path) -> None:
    (tmp_path / DECLARATION).mkdir()
    with pytest.raises(StudyError, match="plain text file"):
        read_declaration(tmp_path)


def test_a_day_with_a_time_counts_as_the_day(tmp_path: Path) -> None:
    declare(tmp_path, TEXT.replace("2026-11-20", "2026-11-20T08:00:00"))
    assert read_declaration(tmp_path).declared_on == date(2026, 11, 20)
