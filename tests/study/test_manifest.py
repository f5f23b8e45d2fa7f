"""Manifests: every row checked, every problem listed with its place, rule and mend."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ohmshift.errors import StudyError
from ohmshift.study.manifest import LARGEST_MANIFEST, Table, read_settings, read_table
from ohmshift.study.problems import Problem, problems_table
from ohmshift.study.rows import EarphoneRow, MeasurementRow, MeterRow, Row

if TYPE_CHECKING:
    from pathlib import Path

HEADER = "file,earphone,channel,quantity,added_ohm,source_ohm,seat,level_reference,notes"
GOOD = "responses/ladle.txt,Ladle,left,response,15,,1,absolute,"


def read(folder: Path, text: str | bytes, model: type[Row] = MeasurementRow) -> Table[Row]:
    data = text.encode() if isinstance(text, str) else text
    (folder / "table.csv").write_bytes(data)
    return read_table(folder, "table.csv", model)


def places(problems: tuple[Problem, ...]) -> list[tuple[int | None, str, str, str]]:
    return [(problem.row, problem.column, problem.value, problem.effect) for problem in problems]


def test_good_row_is_read(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER}\n{GOOD}\n")
    ((line, row),) = table.rows
    assert (line, table.problems) == (2, ())
    assert row.model_dump() == {
        "file": "responses/ladle.txt",
        "earphone": "Ladle",
        "channel": "left",
        "quantity": "response",
        "added_ohm": 15.0,
        "source_ohm": None,
        "seat": "1",
        "level_reference": "absolute",
        "notes": "",
    }


@pytest.mark.parametrize(
    ("column", "wrong"),
    [
        ("earphone", ""),
        ("channel", "Left"),
        ("channel", ""),
        ("quantity", "phase"),
        ("added_ohm", "fifteen"),
        ("added_ohm", "-1"),
        ("added_ohm", "nan"),
        ("added_ohm", "inf"),
        ("added_ohm", "1e300"),
        ("added_ohm", "1_0"),
        ("file", "x" * 300 + ".txt"),
        ("file", "/".join(["x" * 200] * 6)),
        ("added_ohm", "1,000"),
        ("added_ohm", ""),
        ("source_ohm", "x"),
        ("seat", ""),
        ("level_reference", "loud"),
        ("level_reference", ""),
        ("file", ""),
        ("file", "../ladle.txt"),
        ("file", "responses/../../ladle.txt"),
        ("file", "/etc/ladle.txt"),
        ("file", "C:/ladle.txt"),
        ("file", r"responses\ladle.txt"),
        ("file", r"\\host\ladle.txt"),
    ],
)
def test_wrong_cell_is_left_out_with_its_place(tmp_path: Path, column: str, wrong: str) -> None:
    cells = dict(zip(HEADER.split(","), GOOD.split(","), strict=True)) | {column: f'"{wrong}"'}
    table = read(tmp_path, f"{HEADER}\n{GOOD}\n{','.join(cells.values())}\n")
    assert [line for line, _ in table.rows] == [2]
    assert [(p.row, p.column, p.effect) for p in table.problems] == [(3, column, "left out")]
    assert table.problems[0].value == (wrong if len(wrong) <= 120 else f"{wrong[:119]}…")
    assert table.problems[0].rule
    assert table.problems[0].mend


def test_all_problems_of_a_row_are_listed_at_once(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER}\n../x.txt,Ladle,middle,response,loud,-2,,,\n")
    assert table.rows == ()
    columns = ["file", "channel", "added_ohm", "source_ohm", "seat", "level_reference"]
    assert [problem.column for problem in table.problems] == columns
    assert {problem.earphone for problem in table.problems} == {"Ladle"}


def test_impedance_needs_neither_seat_nor_resistance(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER}\nimpedances/ladle.txt,Ladle,left,impedance,,,,,\n")
    assert [(row.added_ohm, row.seat, row.level_reference) for _, row in table.rows] == [(None, "", None)]


def test_impedance_is_the_earphones_own(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER}\nimpedances/ladle.txt,Ladle,left,impedance,15,,,,\n")
    assert places(table.problems) == [(2, "added_ohm", "15", "left out")]
    assert "own" in table.problems[0].rule


def test_path_is_told_by_its_own_rule(tmp_path: Path) -> None:
    problem = read(tmp_path, f"{HEADER}\n{GOOD.replace('responses/', '../')}\n").problems[0]
    assert problem.rule == "a path stays inside the study folder"
    problem = read(tmp_path, f"{HEADER}\n{GOOD.replace('/', chr(92))}\n").problems[0]
    assert problem.mend == "write responses/ladle.txt"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_common_ways_of_saving_a_table_are_read(tmp_path: Path, delimiter: str, encoding: str, end: str) -> None:
    header = "item,sample,conductor,reading_ohm,lead_ohm,meter,range_ohm,notes".replace(",", delimiter)
    number = "0.5" if delimiter == "," else "0,5"
    row = delimiter.join(["Stecker für Töpfe", "1", "left", number, "", "", "", ""])
    table = read(tmp_path, f"{end}{header}{end}{end}{row}{end}".encode(encoding), MeterRow)
    assert table.problems == ()
    assert [(line, found.item, found.reading_ohm) for line, found in table.rows] == [(4, "Stecker für Töpfe", 0.5)]


def test_line_is_the_editors_line_after_a_cell_of_several_lines(tmp_path: Path) -> None:
    text = f'{HEADER}\n{GOOD}"one\ntwo\nthree"\n\n{GOOD.replace("left", "middle")}\n'
    table = read(tmp_path, text)
    assert [line for line, _ in table.rows] == [2]
    assert [problem.row for problem in table.problems] == [6]


def test_columns_are_found_by_name_in_any_order(tmp_path: Path) -> None:
    columns, cells = HEADER.split(","), GOOD.split(",")
    table = read(tmp_path, ",".join(reversed(columns)) + "\n" + ",".join(reversed(cells)) + "\n")
    assert (len(table.rows), table.problems) == (1, ())


def test_unknown_column_is_flagged_and_a_missing_one_leaves_all_out(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER.replace('channel', 'Channel')}\n{GOOD}\n")
    assert table.rows == ()
    assert places(table.problems) == [(1, "Channel", "", "flagged"), (1, "channel", "", "left out")]
    assert table.problems[0].mend == "rename it to channel"


def test_column_that_may_be_blank_may_be_missing(tmp_path: Path) -> None:
    table = read(tmp_path, "earphone,driver_class\nLadle,dynamic\n", EarphoneRow)
    assert len(table.rows) == 1
    assert {problem.effect for problem in table.problems} == {"flagged"}
    assert [problem.column for problem in table.problems] == list(EarphoneRow.model_fields)[2:]


def test_column_that_every_row_needs_is_missed_once(tmp_path: Path) -> None:
    rows = f"{GOOD}\n{GOOD.replace('left', 'right')}\n{GOOD.replace('left', 'middle')}\n"
    table = read(tmp_path, f"{HEADER.replace('added_ohm', 'added_ohms')}\n{rows}")
    assert table.rows == ()
    assert places(table.problems) == [
        (1, "added_ohms", "", "flagged"),
        (1, "added_ohm", "", "left out"),
        (4, "channel", "middle", "left out"),
    ]
    assert table.problems[1].mend == "add it; 3 rows are left out until then"


def test_column_named_twice_leaves_all_out(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER},seat\n{GOOD},2\n")
    assert (table.rows, places(table.problems)) == ((), [(1, "seat", "", "left out")])


def test_short_row_has_blank_cells_and_a_long_one_is_left_out(tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER}\n{GOOD.rstrip(',')}\n{GOOD},,\n{GOOD}a, b\n")
    assert [line for line, _ in table.rows] == [2, 3]
    assert places(table.problems) == [(4, "", "10 cells", "left out")]


def test_open_quote_is_refused_at_the_line_where_it_opens(tmp_path: Path) -> None:
    table = read(tmp_path, f'{HEADER}\n{GOOD}\n{GOOD}"inch\n{GOOD}\n')
    assert (table.rows, places(table.problems)) == ((), [(3, "", "", "left out")])


@pytest.mark.parametrize("data", [b"", b"\n\n", b"\x00\x01\x02", HEADER.encode("utf-16"), b"\x81\x8d"], ids=str)
def test_file_that_is_no_table_is_left_out(tmp_path: Path, data: bytes) -> None:
    table = read(tmp_path, data)
    assert table.rows == ()
    assert {problem.effect for problem in table.problems} & {"left out"}


def test_missing_file_and_folder_in_its_place_are_left_out(tmp_path: Path) -> None:
    assert places(read_table(tmp_path, "meter.csv", MeterRow).problems) == [(None, "", "it is missing", "left out")]
    (tmp_path / "meter.csv").mkdir()
    assert places(read_table(tmp_path, "meter.csv", MeterRow).problems) == [
        (None, "", "a folder or a device", "left out")
    ]


def test_huge_file_is_left_out_unread(tmp_path: Path) -> None:
    with (tmp_path / "table.csv").open("wb") as handle:
        handle.truncate(LARGEST_MANIFEST + 1)
    (problem,) = read_table(tmp_path, "table.csv", MeterRow).problems
    assert problem.value == f"{LARGEST_MANIFEST + 1} bytes"


def test_sensitivity_needs_its_reference(tmp_path: Path) -> None:
    header = ",".join(EarphoneRow.model_fields)
    rows = "Ladle,dynamic,1,16,104,dB/mW,\nWhisk,dynamic,1,16,104,,\nWok,dynamic,1,16,,,\nPan,dynamic,1.5,0,x,dB,\n"
    rows += f"Pot,dynamic,{10**20},1e200,1e4,dB/V,\n"
    table = read(tmp_path, f"{header}\n{rows}", EarphoneRow)
    assert [row.earphone for _, row in table.rows] == ["Ladle", "Wok"]
    assert [(problem.row, problem.column) for problem in table.problems] == [
        (3, "sensitivity_reference"),
        (5, "driver_count"),
        (5, "rated_ohm"),
        (5, "sensitivity_db"),
        (5, "sensitivity_reference"),
        (6, "driver_count"),
        (6, "rated_ohm"),
        (6, "sensitivity_db"),
    ]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.one_of(
        st.binary(max_size=300), st.text(max_size=200).map(lambda text: f"{HEADER}\n{text}".encode(errors="replace"))
    )
)
def test_any_bytes_give_rows_or_problems(tmp_path: Path, data: bytes) -> None:
    table = read(tmp_path, data)
    lines = data.count(b"\n") + data.count(b"\r") + 1
    assert all(1 < line <= lines for line, _ in table.rows)
    assert all(problem.row is None or 1 <= problem.row <= lines for problem in table.problems)
    assert all(problem.rule and problem.mend for problem in table.problems)


def toml(folder: Path, text: str) -> Path:
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return folder


def test_settings_are_read(tmp_path: Path) -> None:
    text = 'title = "Töpfe"\nsource_ohm = 0.6\ncable_ohm = 1\n[rig]\nalignment_hz = 7500\near_simulator = "x"\n'
    found, problems = read_settings(toml(tmp_path, f"{text}[margins]\nchange_db = 0.5\n"))
    assert problems == ()
    assert found.model_dump() == {
        "title": "Töpfe",
        "question": "",
        "licence": "",
        "authors": "",
        "ear_simulator": "x",
        "alignment_hz": 7500.0,
        "source_ohm": 0.6,
        "cable_ohm": 1.0,
        "margin_db": 0.5,
        "meters": (),
    }


def test_wrong_settings_give_way_to_their_defaults_and_are_listed(tmp_path: Path) -> None:
    text = "title = 5\nsource_ohm = -1\ncable_ohm = true\n[rig]\nalignment_hz = 80\n[margins]\nchange_db = nan\n"
    found, problems = read_settings(toml(tmp_path, text))
    assert (found.title, found.source_ohm, found.cable_ohm, found.alignment_hz, found.margin_db) == (
        "Untitled study",
        0.0,
        0.0,
        8000.0,
        1.0,
    )
    assert {(problem.row, problem.column, problem.value, problem.effect) for problem in problems} == {
        (1, "title", "5", "left out"),
        (2, "source_ohm", "-1", "left out"),
        (3, "cable_ohm", "True", "left out"),
        (5, "rig.alignment_hz", "80", "left out"),
        (7, "margins.change_db", "nan", "left out"),
    }
    assert "until then 0.0 is used" in next(p.mend for p in problems if p.column == "source_ohm")


def test_unstated_and_misplaced_settings_are_flagged(tmp_path: Path) -> None:
    found, problems = read_settings(toml(tmp_path, 'alignment_hz = 7000\nsource = 1\nwhim = 2\n[rig]\ntitle = "x"\n'))
    assert found.alignment_hz == 8000
    assert {problem.effect for problem in problems} == {"flagged"}
    mends = {problem.column: problem.mend for problem in problems}
    assert mends["alignment_hz"] == "write it as alignment_hz under [rig]"
    assert mends["rig.title"] == "write it as title at the top, above the first [table]"
    assert mends["source"].startswith("write it as source_ohm")
    assert mends["whim"].startswith("remove it")
    assert mends["source_ohm"] == mends["cable_ohm"] == "write it; 0 ohm is assumed"


@pytest.mark.parametrize("text", ["title = Ladle", "[rig", "title = 'a'\ntitle = 'b'"])
def test_settings_that_are_no_toml_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(
        StudyError, match=r"study.toml: it must be valid TOML, but it is not \(.*(line 1|end of document)"
    ):
        read_settings(toml(tmp_path, text))


@pytest.mark.parametrize("text", ["a = " + "9" * 5000, "a = " + "[" * 50_000], ids=["digits", "deep"])
def test_settings_that_no_reader_can_hold_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(StudyError, match=r"study.toml: it must be valid TOML, but it is not \("):
        read_settings(toml(tmp_path, text))


@pytest.mark.parametrize("place", ["source_ohm", "whim", ".".join(["a"] * 3000)], ids=["known", "unknown", "deep"])
def test_setting_too_long_to_show_is_told_as_such(tmp_path: Path, place: str) -> None:
    sheet = f"[[meters]]\nmeter = 'm'\npercent = 0x{'f' * 9999}\ndigits = 3\nresolution_ohm = 0.1\n"
    _, problems = read_settings(toml(tmp_path, f"{place} = 0x{'f' * 9999}\n{sheet}"))
    told = {problem.column: problem.value for problem in problems}
    assert told["meters.percent"] == "too long to show"
    assert list(told.values()).count("too long to show") == 2


def test_settings_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_bytes(b"\x00")
    with pytest.raises(StudyError, match="text"):
        read_settings(tmp_path)


def test_problems_make_a_table_even_when_there_are_none() -> None:
    assert list(problems_table([]).columns) == [
        "file",
        "row",
        "column",
        "value",
        "rule",
        "mend",
        "effect",
        "earphone",
    ]
    problem = Problem(file="f", row=None, column="", value="x" * 500, rule="r", mend="m", effect="flagged")
    table = problems_table([problem])
    assert table["row"].isna().all()
    assert len(table.loc[0, "value"]) == 120


def test_a_setting_is_not_taken_for_one_that_is_written(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("amp_ohm = 1.0\ncable_ohm = 0.3\n", encoding="utf-8")
    _, problems = read_settings(tmp_path)
    assert [(problem.column, "cable_ohm" in problem.mend) for problem in problems] == [
        ("amp_ohm", False),
        ("source_ohm", False),
    ]
