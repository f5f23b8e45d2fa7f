"""Findings: recorded whole or not at all, whatever stops the writer; retracted, never deleted."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from dataclasses import fields
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ohmshift.errors import FileMissingError, FindingError
from ohmshift.study.findings import (
    LOG,
    LONGEST_STATEMENT,
    Finding,
    FindingsLog,
    Quantity,
    append_finding,
    findings_table,
    quantities_table,
    read_findings,
    reinstate_finding,
    retract_finding,
)
from ohmshift.study.logfile import mentions
from ohmshift.study.plain import write_value

if TYPE_CHECKING:
    from pathlib import Path

CAVEAT = "One pair, three seats."

WRITER = """
import sys
from ohmshift.study.findings import Finding, Quantity, append_finding
folder, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
for i in range(count):
    long = "ladle " * (1 + 37 * i % 150)
    finding = Finding(id=f"{name}-{i}", statement=long, caveat="Invented.",
                      quantities=(Quantity(name="bass", value=i / 7, unit="dB"),))
    append_finding(folder, finding)
    print(finding.id, flush=True)
"""


CRAMPED = """
import resource, sys
from ohmshift.errors import FindingError
from ohmshift.study.findings import Finding, append_finding
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
try:
    append_finding(sys.argv[1], Finding(id="two", statement="It changed." * 50, caveat="Invented."))
except FindingError as error:
    print(type(error).__name__, error)
"""


def plain(finding: Finding) -> dict[str, object]:
    values = {field.name: getattr(finding, field.name) for field in fields(Finding)}
    values["quantities"] = [tuple(getattr(q, field.name) for field in fields(Quantity)) for q in finding.quantities]
    return values | {name: dict(values[name]) for name in ("settings", "data", "versions")}


def writer(folder: Path, name: str, count: int) -> subprocess.Popen[str]:
    program = [sys.executable, "-c", WRITER, str(folder), name, str(count)]
    return subprocess.Popen(program, stdout=subprocess.PIPE, text=True)


def test_what_is_recorded_is_read_back(tmp_path: Path) -> None:
    finding = Finding(
        statement="The ladle gains bass behind 15 Ω.",
        caveat=CAVEAT,
        quantities=(Quantity(name="bass change", value=np.float32(1.5), unit="dB", low=1, high=2.0),),
        settings={"margin_db": 1.0, "bands": (25, 50), "window": "hann", "floor": None, "aligned": np.bool_(True)},
        data={"responses/ladle_left.txt": "ab" * 32},
        notebook="30_real_or_variation",
        earphone="ladle",
    )
    recorded = append_finding(tmp_path, finding)
    log = read_findings(tmp_path)
    assert log.problems == ()
    assert [plain(found) for found in log.findings] == [plain(finding)] == [plain(recorded)]
    assert set(log.findings[0].versions) == {"ohmshift", "python", "numpy", "scipy", "pandas"}
    assert log.findings[0].recorded_at.endswith("+00:00")


def test_each_line_is_json_readable_as_it_stands(tmp_path: Path) -> None:
    append_finding(tmp_path, Finding(statement="Größer: Σ, 響, 🥄", caveat=CAVEAT))
    text = (tmp_path / LOG).read_text(encoding="utf-8")
    assert text.endswith("\n")
    assert json.loads(text)["entry"]["statement"] == "Größer: Σ, 響, 🥄"
    assert "🥄" in text


def test_no_log_is_no_findings(tmp_path: Path) -> None:
    log = read_findings(tmp_path)
    assert (log.findings, log.problems) == ((), ())


@pytest.mark.parametrize("caveat", ["", "  \n\t", None])
def test_empty_caveat_is_refused(caveat: str) -> None:
    with pytest.raises(FindingError, match="caveat: it must be said in words"):
        Finding(statement="It changed.", caveat=caveat)


def test_statement_has_a_length() -> None:
    Finding(statement="x" * LONGEST_STATEMENT, caveat=CAVEAT)
    with pytest.raises(FindingError, match=f"statement: it may have {LONGEST_STATEMENT} characters"):
        Finding(statement="x" * (LONGEST_STATEMENT + 1), caveat=CAVEAT)
    with pytest.raises(FindingError, match="statement: it must be said in words"):
        Finding(statement=" ", caveat=CAVEAT)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, True, "1", None, 1j, np.float64("nan"), 10**400])
def test_number_that_is_none_is_refused(value: float) -> None:
    with pytest.raises(FindingError, match="value: it must be a finite number"):
        Quantity(name="bass", value=value, unit="dB")


@pytest.mark.parametrize(("low", "high"), [(1.0, None), (None, 1.0), (2.0, 1.0), (math.nan, 1.0)])
def test_half_or_crossed_interval_is_refused(low: float | None, high: float | None) -> None:
    with pytest.raises(FindingError):
        Quantity(name="bass", value=1.0, unit="dB", low=low, high=high)


@pytest.mark.parametrize("value", [math.nan, np.zeros(2), {"a": 1}, [[1]], object(), 1j, "\ud800", 10**400])
def test_setting_that_is_not_plain_is_refused(value: object) -> None:
    with pytest.raises(FindingError, match="setting 'option'"):
        Finding(statement="It changed.", caveat=CAVEAT, settings={"option": value})  # type: ignore[dict-item]


def test_text_that_utf8_cannot_hold_is_refused() -> None:
    with pytest.raises(FindingError, match="valid text"):
        Finding(statement="half \ud800", caveat=CAVEAT)


@pytest.mark.parametrize("part", ["notebook", "earphone", "recorded_at", "reason"])
@pytest.mark.parametrize("value", [None, 5])
def test_what_must_be_text_and_is_none_is_refused(part: str, value: object) -> None:
    with pytest.raises(FindingError, match=f"{part}: it must be text"):
        Finding(statement="It changed.", caveat=CAVEAT, **{part: value})  # type: ignore[arg-type]


def test_log_that_is_no_file_is_said(tmp_path: Path) -> None:
    (tmp_path / LOG).mkdir(parents=True)
    finding = Finding(statement="It changed.", caveat=CAVEAT)
    for act in (lambda: read_findings(tmp_path), lambda: append_finding(tmp_path, finding)):
        with pytest.raises(FindingError, match="a log is a file that can be read, but it is a folder or a device"):
            act()


def test_findings_that_is_no_folder_is_said(tmp_path: Path) -> None:
    (tmp_path / "findings").write_text("mine")
    with pytest.raises(FindingError, match="it must be possible to write the log, but the system says: File exists"):
        append_finding(tmp_path, Finding(statement="It changed.", caveat=CAVEAT))
    assert (tmp_path / "findings").read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")
@pytest.mark.parametrize(("room", "told"), [(0, "the system says: File too large"), (100, "only 100 of ")])
def test_full_disk_is_said_and_hurts_no_other_finding(tmp_path: Path, room: int, told: str) -> None:
    append_finding(tmp_path, Finding(id="one", statement="It changed.", caveat=CAVEAT))
    size = (tmp_path / LOG).stat().st_size
    program = [sys.executable, "-c", CRAMPED, str(tmp_path), str(size + room)]
    said = subprocess.run(program, capture_output=True, text=True, check=True).stdout
    assert said.startswith("FindingError findings.jsonl: ")
    assert told in said
    assert [found.id for found in read_findings(tmp_path).findings] == ["one"]
    append_finding(tmp_path, Finding(id="three", statement="It changed.", caveat=CAVEAT))
    log = read_findings(tmp_path)
    assert [found.id for found in log.findings] == ["one", "three"]
    assert len(log.problems) == (1 if room else 0)


def test_entries_are_read_only_where_one_may_be_the_same(tmp_path: Path) -> None:
    """Reading all of them each time would let one writer starve the others by a long log."""
    path = tmp_path / LOG
    append_finding(tmp_path, Finding(id="one", statement="It changed.", caveat=CAVEAT))
    line = path.read_bytes()
    assert not mentions(path, "two")
    assert mentions(path, "one")
    path.write_bytes(line.replace(b'"id":"one"', b'"id" : "one"'))  # as an editor may lay it out
    assert mentions(path, "one")
    with pytest.raises(FindingError, match="recorded once"):
        append_finding(tmp_path, Finding(id="one", statement="It changed.", caveat=CAVEAT))


def test_finding_is_recorded_once(tmp_path: Path) -> None:
    finding = append_finding(tmp_path, Finding(statement="It changed.", caveat=CAVEAT))
    with pytest.raises(FindingError, match="recorded once"):
        append_finding(tmp_path, finding)
    assert len(read_findings(tmp_path).findings) == 1


def test_missing_study_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError):
        append_finding(tmp_path / "nowhere", Finding(statement="It changed.", caveat=CAVEAT))


def test_retracting_keeps_the_finding_and_reinstating_undoes_it(tmp_path: Path) -> None:
    first = append_finding(tmp_path, Finding(statement="It changed.", caveat=CAVEAT))
    second = append_finding(tmp_path, Finding(statement="It did not.", caveat=CAVEAT))
    before = (tmp_path / LOG).read_bytes()
    retract_finding(tmp_path, first.id, "The seal leaked.")
    log = read_findings(tmp_path)
    assert (tmp_path / LOG).read_bytes().startswith(before)
    assert [(found.id, found.retracted, found.reason) for found in log.findings] == [
        (first.id, True, "The seal leaked."),
        (second.id, False, ""),
    ]
    assert [found.id for found in log.standing] == [second.id]
    reinstate_finding(tmp_path, first.id, "Measured again.")
    again = read_findings(tmp_path).findings[0]
    assert (again.retracted, again.reason) == (False, "Measured again.")
    assert plain(again) | {"reason": ""} == plain(first)


@pytest.mark.parametrize("reason", ["", " "])
def test_retracting_needs_a_reason(tmp_path: Path, reason: str) -> None:
    finding = append_finding(tmp_path, Finding(statement="It changed.", caveat=CAVEAT))
    with pytest.raises(FindingError, match="reason"):
        retract_finding(tmp_path, finding.id, reason)


def test_marking_must_change_something(tmp_path: Path) -> None:
    finding = append_finding(tmp_path, Finding(statement="It changed.", caveat=CAVEAT))
    with pytest.raises(FindingError, match="must be in the log"):
        retract_finding(tmp_path, "nobody", "No reason.")
    with pytest.raises(FindingError, match="it stands"):
        reinstate_finding(tmp_path, finding.id, "No reason.")
    retract_finding(tmp_path, finding.id, "The seal leaked.")
    with pytest.raises(FindingError, match="retracted already"):
        retract_finding(tmp_path, finding.id, "Again.")


@pytest.mark.parametrize("kept", [0, 1, 40, -2, -1])
def test_torn_last_line_is_reported_and_the_next_starts_fresh(tmp_path: Path, kept: int) -> None:
    """A write cut anywhere loses at most itself: cut before its line end, the entry still counts."""
    for name in ("one", "two"):
        append_finding(tmp_path, Finding(id=name, statement="It changed.", caveat=CAVEAT))
    path = tmp_path / LOG
    whole, last, _ = path.read_bytes().split(b"\n")
    path.write_bytes(whole + b"\n" + (last + b"\n")[:kept])
    log = read_findings(tmp_path)
    survives = ["one", "two"] if kept == -1 else ["one"]
    assert [found.id for found in log.findings] == survives
    assert [problem.row for problem in log.problems] == ([2] if kept in {1, 40, -2} else [])
    append_finding(tmp_path, Finding(id="three", statement="It changed.", caveat=CAVEAT))
    log = read_findings(tmp_path)
    assert [found.id for found in log.findings] == [*survives, "three"]
    assert len(log.problems) == (1 if kept in {1, 40, -2} else 0)


@pytest.mark.parametrize(
    "line",
    [
        b"\x00\x00\x00\x00",
        b"\xff\xfe",
        b"[]",
        b"17",
        b'{"sha256":"00","entry":{"kind":"finding"}}',
        b'{"entry":{}}',
        b"[" * 5000,
    ],
    ids=["zeros", "bytes", "list", "number", "checksum", "no hash", "deep"],
)
def test_foreign_line_is_reported(tmp_path: Path, line: bytes) -> None:
    path = tmp_path / LOG
    append_finding(tmp_path, Finding(id="one", statement="It changed.", caveat=CAVEAT))
    path.write_bytes(line + b"\n" + path.read_bytes())
    log = read_findings(tmp_path)
    assert [found.id for found in log.findings] == ["one"]
    assert [(problem.row, problem.effect) for problem in log.problems] == [(1, "left out")]


def test_changed_line_is_reported(tmp_path: Path) -> None:
    path = tmp_path / LOG
    append_finding(tmp_path, Finding(statement="It changed by 1 dB.", caveat=CAVEAT))
    path.write_bytes(path.read_bytes().replace(b"1 dB", b"9 dB"))
    log = read_findings(tmp_path)
    assert log.findings == ()
    assert "checksum" in log.problems[0].rule
    assert "backup" in log.problems[0].mend


def test_entry_of_another_kind_is_reported(tmp_path: Path) -> None:
    from ohmshift.study.logfile import append_entry  # noqa: PLC0415 - only this test writes a raw entry

    append_finding(tmp_path, Finding(id="one", statement="It changed.", caveat=CAVEAT))
    for entry in ({"kind": "poem"}, {"kind": "retraction", "id": "nobody", "reason": "x"}, {"kind": "finding"}, {}):
        append_entry(tmp_path / LOG, entry)
    log = read_findings(tmp_path)
    assert [found.id for found in log.findings] == ["one"]
    assert [problem.row for problem in log.problems] == [2, 3, 4, 5]


def test_killed_writer_loses_nothing_it_acknowledged(tmp_path: Path) -> None:
    rng = np.random.default_rng(20240517)
    acknowledged: list[str] = []
    for turn in range(12):
        process = writer(tmp_path, f"turn{turn}", 100_000)
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        acknowledged += [process.stdout.readline().strip() for _ in range(rng.integers(1, 6))]
        time.sleep(rng.uniform(0.0, 0.02))  # into the middle of the next one
        process.kill()
        out, _ = process.communicate()
        acknowledged += out.split()
        log = read_findings(tmp_path)
        known = [found.id for found in log.findings]
        assert [name for name in acknowledged if name not in set(known)] == []
        assert len(known) == len(set(known)) <= len(acknowledged) + turn + 1
        assert len(log.problems) <= turn + 1
    assert len(acknowledged) > 12


def test_several_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    processes = [writer(tmp_path, f"writer{i}", 25) for i in range(4)]
    for process in processes:
        process.communicate(timeout=120)
        assert process.returncode == 0
    log = read_findings(tmp_path)
    assert log.problems == ()
    assert {found.id for found in log.findings} == {f"writer{i}-{j}" for i in range(4) for j in range(25)}
    assert len(log.findings) == 100
    for i in range(4):
        own = [found.id for found in log.findings if found.id.startswith(f"writer{i}-")]
        assert own == [f"writer{i}-{j}" for j in range(25)]


def test_tables(tmp_path: Path) -> None:
    bass = Quantity(name="bass change", value=1.5, unit="dB", low=1.0, high=2.0)
    drop = Quantity(name="level drop", value=-4.0, unit="dB")
    append_finding(tmp_path, Finding(statement="It changed.", caveat=CAVEAT, quantities=(bass, drop), earphone="ladle"))
    log = read_findings(tmp_path)
    table, numbers = findings_table(log), quantities_table(log)
    assert table.loc[0, "quantities"] == "bass change 1.5 dB (1.0 to 2.0); level drop -4 dB"
    assert table.loc[0, "caveat"] == CAVEAT
    assert numbers[["quantity", "value", "unit"]].to_numpy().tolist() == [
        ["bass change", 1.5, "dB"],
        ["level drop", -4.0, "dB"],
    ]
    assert math.isnan(numbers.loc[1, "low"])
    empty = FindingsLog(findings=(), problems=())
    assert list(findings_table(empty)) == list(table)
    assert list(quantities_table(empty)) == list(numbers)


@pytest.mark.parametrize(
    ("value", "ends", "written"),
    [
        (2.2971, None, ("2.30", "")),
        (0.8, None, ("0.8", "")),
        (-4.0, None, ("-4", "")),
        (12345.6, None, ("12346", "")),
        (8.64e-8, None, ("0.0000000864", "")),
        (0.0, None, ("0", "")),
        (-0.317, (-1.2214, 0.588), ("-0.32", "-1.22 to 0.59")),
        (5e-324, None, ("0", "")),
    ],
)
def test_a_number_is_written_with_three_digits_of_the_largest(
    value: float, ends: tuple[float, float] | None, written: tuple[str, str]
) -> None:
    assert write_value(value, *(ends or (None, None))) == written


words = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40).filter(str.strip)
numbers = st.floats(allow_nan=False, allow_infinity=False)
scalars = st.one_of(st.none(), st.booleans(), st.integers(-(2**70), 2**70), numbers, words)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    statement=words,
    caveat=words,
    value=numbers,
    interval=st.none() | st.tuples(numbers, numbers).map(sorted),
    options=st.dictionaries(words, scalars | st.lists(scalars, max_size=3).map(tuple), max_size=4),
)
def test_any_finding_survives_the_log(
    *,
    tmp_path_factory: pytest.TempPathFactory,
    statement: str,
    caveat: str,
    value: float,
    interval: list[float] | None,
    options: dict[str, object],
) -> None:
    folder = tmp_path_factory.mktemp("study")
    low, high = interval or (None, None)
    quantity = Quantity(name=statement, value=value, unit="dB", low=low, high=high)
    finding = Finding(statement=statement, caveat=caveat, quantities=(quantity,), settings=options)  # type: ignore[arg-type]
    append_finding(folder, finding)
    log = read_findings(folder)
    assert log.problems == ()
    assert [plain(found) for found in log.findings] == [plain(finding)]
