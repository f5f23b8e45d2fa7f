"""The reader: every style it must read, and every refusal with file, line, rule and mend."""

from __future__ import annotations

import hashlib
import os
import pickle
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from ohmshift.errors import FileMissingError, FileRefusedError
from ohmshift.study.textbytes import LINE_LIMIT_BYTES, SIZE_LIMIT_BYTES
from ohmshift.study.textfiles import read_impedance, read_response

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import Response

pytestmark = pytest.mark.source("analytic", ref="each expected number is the one the test itself writes into the file")

BENCH = Path(__file__).resolve().parents[3] / "shared" / "data" / "rrc_bench"


@pytest.fixture
def save(tmp_path: Path) -> Callable[[str | bytes], Path]:
    def write(text: str | bytes, name: str = "ladle.txt") -> Path:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def decided(curve: Response) -> dict[str, str]:
    return dict(curve.provenance.decisions)


STYLES: dict[str, str | bytes] = {
    "comma": "20,-1.5\n100,2.25\n1000,3\n",
    "comma and blank": "20, -1.5\n100, 2.25\n1000, 3\n",
    "comma and tab": "20,\t-1.5\n100,\t2.25\n1000,\t3\n",
    "tab": "20\t-1.5\n100\t2.25\n1000\t3\n",
    "semicolon": "20;-1.5\n100;2.25\n1000;3\n",
    "semicolon and blank": "20; -1.5\n100; 2.25\n1000; 3\n",
    "blank": "20 -1.5\n100 2.25\n1000 3\n",
    "blanks in columns": "    20.0    -1.50\n   100.0     2.25\n  1000.0     3.00\n",
    "blanks, now and then a tab": "20 -1.5\n100\t2.25\n1000 3\n",
    "decimal comma, semicolon": "20,0;-1,5\n100,0;2,25\n1000,0;3\n",
    "decimal comma, tab": "20\t-1,5\n100\t2,25\n1000\t3\n",
    "decimal comma, blanks": "20,0  -1,5\n100,0  2,25\n1000,0  3,0\n",
    "thousands comma": "20;-1.5\n100;2.25\n1,000;3\n",
    "thousands dot": "20;-1,5\n100;2,25\n1.000;3\n",
    "thousands comma, blanks": "20 -1.5\n100 2.25\n1,000.0 3\n",
    "thousands dot, no other sign that tells": "20\t-1,5\n100\t2,25\n1.000\t3\n",
    "thousands apostrophe": "20;-1.5\n100;2.25\n1'000;3\n",
    "thousands blank": "20;-1,5\n100;2,25\n1 000;3\n",
    "thousands narrow blank": "20;-1,5\n100;2,25\n1\u202f000;3\n",
    "typographic minus": "20;\u22121,5\n100;2,25\n1000;3\n",
    "quoted": '"20","-1.5"\n"100","2.25"\n"1000","3"\n',
    "quoted decimal comma": '"20,0","-1,5"\n"100,0","2,25"\n"1000,0","3"\n',
    "quoted, comma and tab": '"20",\t"-1.5"\n"100",\t"2.25"\n"1000",\t"3"\n',
    "quoted only above a thousand": '20,-1.5\n100,2.25\n"1,000",3\n',
    "quoted, blanks": '"20" "-1.5"\n"100" "2.25"\n"1000" "3"\n',
    "trailing comma": "20,-1.5,\n100,2.25,\n1000,3,\n",
    "trailing comma and tab": "20,\t-1.5,\t\n100,\t2.25,\t\n1000,\t3,\t\n",
    "trailing semicolon": "20;-1.5;\n100;2.25;\n1000;3;\n",
    "trailing tab": "20\t-1.5\t\n100\t2.25\t\n1000\t3\t\n",
    "trailing comma with header": "Hz,dB,\n20,-1.5,\n100,2.25,\n1000,3,\n",
    "scientific": "2.0e1 -1.5E+0\n1.0e+02 2.25e0\n1E3 3\n",
    "scientific with D": "2.0D+01 -1.5\n1.0D+02 2.25\n1.0D+03 3\n",
    "plus signs": "+20 -1.5\n+100 +2.25\n+1000 +3\n",
    "no digit before the dot": "20. -1.5\n100. 2.25\n1000. 3.\n",
    "carriage return and line feed": "20\t-1.5\r\n100\t2.25\r\n1000\t3\r\n",
    "carriage return": "20\t-1.5\r100\t2.25\r1000\t3\r",
    "no line end at the end": "20,-1.5\n100,2.25\n1000,3",
    "empty lines": "\n\n20 -1.5\n\n100 2.25\n1000 3\n\n\n",
    "UTF-8 with byte order mark": "\ufeff20 -1.5\n100 2.25\n1000 3\n",
    "UTF-16 with byte order mark": "20\t-1,5\n100\t2,25\n1000\t3\n".encode("utf-16"),
    "UTF-16 big end first": b"\xfe\xff" + "20\t-1,5\n100\t2,25\n1000\t3\n".encode("utf-16-be"),
    "UTF-16 without mark": "20\t-1,5\n100\t2,25\n1000\t3\n".encode("utf-16-le"),
    "UTF-16 big end first without mark": "20\t-1,5\n100\t2,25\n1000\t3\n".encode("utf-16-be"),
    "UTF-16 without mark, signs beyond Latin-1": "# Ladle, left, of 16 Ω\n20\t-1,5\n100\t2,25\n1000\t3\n".encode(
        "utf-16-le"
    ),
    "UTF-8 header": "Fréquence (Hz);Niveau (dB)\n20;-1,5\n100;2,25\n1000;3\n",
    "cp1252 header": "Frequenz – Hz;Pegel dB\n20;-1,5\n100;2,25\n1000;3\n".encode("cp1252"),
    "latin-1 header": "Fr\u00e9quence (Hz);Niveau (dB)\n20;-1,5\n100;2,25\n1000;3\n".encode("latin-1"),
    "hash comments": "# a\n# Hz dB\n20 -1.5\n# b\n100 2.25\n1000 3\n# end\n",
    "star comments": "* a\n* 1/12 octave\n20 -1.5\n100 2.25\n1000 3\n* end\n",
    "percent, slashes, exclamation": "% a\n// b\n! c\n20 -1.5\n% d\n100 2.25\n// e\n1000 3\n! f\n",
    "semicolon comments": "; a\n20 -1.5\n; b\n100 2.25\n1000 3\n",
    "header without marks": "Smoothing 1/12\nSensitivity 94.0 dB\nDate: 3 May\n20 -1.5\n100 2.25\n1000 3\n",
    "numbers among the words of a header": "Channel 1\nMic2 94.0\nSerial 0815\n20 -1.5\n100 2.25\n1000 3\n",
    "date before the header": "10.03.2024 12:30\nHz dB\n20 -1.5\n100 2.25\n1000 3\n",
    "quoted header": '"Frequency, Hz","Level, dB"\n20,-1.5\n100,2.25\n1000,3\n',
    "header with blanks in the names": "Frequency (Hz)   Level (dB)\n20 -1.5\n100 2.25\n1000 3\n",
    "reference in the name": "Hz;SPL re 20 uPa\n20;-1.5\n100;2.25\n1000;3\n",
    "units below the names": "Frequency\tLevel\nHz\tdB\n20\t-1.5\n100\t2.25\n1000\t3\n",
    "header split by another mark": "Freq[Hz], SPL[dB]\n20\t-1.5\n100\t2.25\n1000\t3\n",
    "kilohertz": "kHz;dB\n0.02;-1.5\n0.1;2.25\n1;3\n",
    "kilohertz, unit below": "Frequency;Level\nkHz;dB\n0,02;-1,5\n0,1;2,25\n1;3\n",
    "falling": "1000 3\n100 2.25\n20 -1.5\n",
    "0 Hz": "0 9\n20 -1.5\n100 2.25\n1000 3\n",
    "0 Hz without a level": "0 -inf\n20 -1.5\n100 2.25\n1000 3\n",
    "0 Hz last": "1000 3\n100 2.25\n20 -1.5\n0 nan\n",
    "level first, by header": "SPL (dB);Frequency (Hz)\n-1.5;20\n2.25;100\n3;1000\n",
    "level first, by content": "-1.5;20\n2.25;100\n3;1000\n",
    "row numbers first": ",freq,dB\n0,20,-1.5\n1,100,2.25\n2,1000,3\n",
    "phase": "Freq(Hz) SPL(dB) Phase(deg)\n20 -1.5 10\n100 2.25 20\n1000 3 30\n",
    "coherence beside": "Hz,dB,Coherence\n20,-1.5,0.9\n100,2.25,nan\n1000,3,\n",
    "whole numbers in three named columns": "Hz,dB,deg\n20,-1.5,5\n100,2.25,6\n1000,3,7\n",
}


@pytest.mark.parametrize("text", STYLES.values(), ids=STYLES.keys())
def test_every_style_gives_the_same_curve(text: str | bytes, save: Callable[..., Path]) -> None:
    curve = read_response(save(text))
    assert curve.frequency_hz.tolist() == [20, 100, 1000]
    assert curve.level_db.tolist() == [-1.5, 2.25, 3]
    assert curve.label == "ladle"


def test_provenance_holds_source_hash_and_decisions(save: Callable[..., Path]) -> None:
    text = "Freq (kHz);SPL (dB);Phase (rad)\n2;3,25;0,5\n0,1;2;0,25\n0;0;0\n"
    curve = read_response(save(text))
    assert curve.provenance.source == "ladle.txt"
    assert curve.provenance.sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert curve.provenance.decisions == (
        ("encoding", "UTF-8 (content)"),
        ("delimiter", "semicolon (content)"),
        ("first_line", "2 (content)"),
        ("decimal", "comma (content)"),
        ("frequency_column", "1 'Freq (kHz)' (header, line 1)"),
        ("frequency_unit", "kHz (header, line 1)"),
        ("order", "falling frequency, rows reversed"),
        ("zero_frequency", "row at 0 Hz left out, line 4"),
        ("level_column", "2 'SPL (dB)' (header, line 1)"),
        ("phase_column", "3 'Phase (rad)' (header, line 1)"),
        ("phase_unit", "radian (header, line 1)"),
    )
    assert curve.phase_deg is not None
    assert curve.phase_deg.tolist() == [np.rad2deg(0.25), np.rad2deg(0.5)]


def test_source_label_and_reference_are_as_given(save: Callable[..., Path]) -> None:
    path = save("20 1\n2000 2\n")
    curve = read_response(str(path), source="responses/ladle.txt", label="Ladle", level_reference="relative")
    assert (curve.provenance.source, curve.label, curve.level_reference) == ("responses/ladle.txt", "Ladle", "relative")
    with pytest.raises(FileRefusedError, match=r"^responses/ladle\.txt: frequency_unit must"):
        read_response(path, source="responses/ladle.txt", frequency_unit="MHz")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "choice", "levels"),
    [
        ("Hz,Left (dB),Right (dB)\n20,1.5,2.5\n2000,1,3\n", {"level_column": "right"}, [2.5, 3]),
        ("Hz,Left (dB),Right (dB)\n20,1.5,2.5\n2000,1,3\n", {"level_column": "Left (dB)"}, [1.5, 1]),
        ("Hz,Left (dB),Right (dB)\n20,1.5,2.5\n2000,1,3\n", {"level_column": 3}, [2.5, 3]),
        ("20 1.5 2.5\n2000 1 3\n", {"level_column": 2}, [1.5, 1]),
        ("1.5 20 2.5\n1.5 2000 3\n", {"level_column": 3, "frequency_column": 2}, [2.5, 3]),
        ("20,80,5\n2000,90,6\n", {"delimiter": ",", "level_column": 2}, [80, 90]),
        ("20,80\t3\n2000,90\t6\n", {"delimiter": "\t", "decimal": ","}, [3, 6]),
        ("1,234;5\n2,345;6\n", {"decimal": ",", "frequency_unit": "kHz", "frequency_column": 1}, [5, 6]),
        ("48 90\n20 1\n2000 2\n", {"first_line": 2}, [1, 2]),
        ("48 points\n20 1\n2000 2\n", {"first_line": 2}, [1, 2]),
        ("3.5 1\n4.5 2\n", {"frequency_unit": "kHz", "frequency_column": 1}, [1, 2]),
        ("Гц;дБ\n20;1\n2000;2\n".encode("cp1251"), {"encoding": "cp1251"}, [1, 2]),
    ],
)
def test_a_keyword_overrides_the_decision(
    text: str | bytes, choice: dict[str, object], levels: list[float], save: Callable[..., Path]
) -> None:
    curve = read_response(save(text), **choice)  # type: ignore[arg-type]
    assert curve.level_db.tolist() == levels
    for keyword in choice:
        assert decided(curve)[keyword].endswith("(given)")


@pytest.mark.parametrize(
    ("text", "choice", "phase"),
    [
        ("Hz dB deg\n20 1 10\n2000 2 20\n", {}, [10, 20]),
        ("Hz dB Phase\n20 1 10\n2000 2 20\n", {}, None),
        ("Hz dB Phase\n20 1 10\n2000 2 20\n", {"phase_unit": "degree"}, [10, 20]),
        ("Hz dB deg\n20 1 10\n2000 2 20\n", {"phase_column": 0}, None),
        ("20 1 10\n2000 2 20\n", {"level_column": 2, "phase_column": 3, "phase_unit": "degree"}, [10, 20]),
        ("20 1 170\n200 3 -170\n2000 2 20\n", {}, [170, -170, 20]),
        ("Hz,L dB,L deg,R dB,R deg\n20,1.5,2,3,4\n2000,5,6,7,8\n", {"level_column": 2}, None),
    ],
)
def test_phase_is_read_where_its_unit_is_clear(
    text: str, choice: dict[str, object], phase: list[float] | None, save: Callable[..., Path]
) -> None:
    curve = read_response(save(text), **choice)  # type: ignore[arg-type]
    assert (curve.phase_deg if curve.phase_deg is None else curve.phase_deg.tolist()) == phase
    assert phase is not None or decided(curve)["phase_column"].startswith("none")


def test_level_is_found_without_header_where_other_columns_hold_one_number(save: Callable[..., Path]) -> None:
    rows = "".join(f"{20 * 2**i} {80 + (-1) ** i}.5 0.0\n" for i in range(10))
    curve = read_response(save(rows))
    assert curve.level_db.tolist() == [81.5, 79.5] * 5
    assert "one number throughout" in decided(curve)["level_column"]


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("0.02 80\n1 81\n20 80\n", "kHz"),
        ("20 80\n100 81\n20000 80\n", "Hz"),
        ("5 80\n100 81\n190 80\n", "Hz"),
        ("Hz dB\n0.02 80\n1 81\n20 80\n", "Hz"),
    ],
)
def test_unit_is_decided_from_content_only_where_clear(text: str, unit: str, save: Callable[..., Path]) -> None:
    assert decided(read_response(save(text)))["frequency_unit"].startswith(f"{unit} (")


def test_comma_with_three_digits_is_decided_from_the_whole_file(save: Callable[..., Path]) -> None:
    rows = "".join(f"{i},000;{70 + i},123\n" for i in range(20, 40))
    curve = read_response(save("f;dB\n" + rows))  # 70,123 dB cannot be seventy thousand decibels
    assert (curve.frequency_hz[0], curve.level_db[0]) == (20, 90.123)
    curve = read_response(save("Hz;dB\n500;80\n900;81\n1,000;82\n2,000;83\n"))  # 900 before 1.0 would fall
    assert curve.frequency_hz.tolist() == [500, 900, 1000, 2000]


REFUSALS: dict[str, tuple[str | bytes, int | None, str, str]] = {
    "empty": ("", None, "the file is empty", "export the curve again"),
    "blank lines only": ("\n  \n\n", None, "the file is empty", "export the curve again"),
    "header only": (
        "Frequency (Hz)\tLevel (dB)\n",
        None,
        "no line of the file is such a row",
        "export the curve as text",
    ),
    "one row": ("Hz dB\n20 1\n", 2, "at least two rows", "export more frequencies"),
    "one row beside 0 Hz": ("Hz dB\n0 1\n20 1\n", 2, "above 0 Hz in at least two rows", "drop the row"),
    "one column": ("20\n30\n40\n", None, "line 1 reads '20'", "export the curve as text"),
    "first row not a number": ("20 nan\n30 2\n40 3\n", 1, "'20 nan'", "first_line="),
    "first row with an empty cell": ("20,\n30,2\n40,3\n", 1, "'20,'", "first_line="),
    "first row cut": ("Hz;dB\n20\n30;2\n40;3\n", 2, "'20'", "mend or delete it"),
    "first row with text": ("20 loud\n30 2\n40 3\n", 1, "'20 loud'", "mark it with #"),
    "first frequency missing": ("nan 1\n30 2\n40 3\n", 1, "'nan 1'", "first_line="),
    "first frequency garbled": ("2..0,1\n30,2\n40,3\n", 1, "'2..0,1'", "first_line="),
    "first frequency quoted on one side": ("'20.00;1\n30;2\n40;3\n", 1, "'20.00;1", "first_line="),
    "all levels missing": ("20 nan\n30 nan\n", None, "line 1 reads '20 nan'", "export"),
    "nan": ("Hz dB\n20 1\n30 nan\n40 2\n", 3, "column 2 'dB' holds 'nan'", "drop the row at its source"),
    "inf": ("20 1\n30 -inf\n40 2\n", 2, "column 2 holds '-inf'", "level_column="),
    "too large for a number": ("20 1\n30 1e999\n40 2\n", 2, "column 2 holds '1e999'", "drop the row"),
    "empty cell": ("20;1\n30;\n40;2\n", 2, "column 2 holds ''", "drop the row"),
    "spreadsheet error": ("20;1\n30;#N/A\n40;2\n", 2, "column 2 holds '#N/A'", "drop the row"),
    "underscore": ("20;1\n30;1_0\n40;2\n", 2, "'1_0'", "drop the row"),
    "two dots": ("20;1.5\n30;1.0.5\n40;2\n", 2, "'1.0.5'", "drop the row"),
    "columns run together": ("20 1.5\n30-1.5\n40 2\n", 2, "it has 1: '30-1.5'", "mend the row"),
    "too many columns": ("20 1.5\n30 2 3\n40 2\n", 2, "it has 3: '30 2 3'", "mend the row"),
    "too few columns": ("Hz dB deg\n20 1.5 1\n30 2\n40 2 1\n", 3, "each row must have 3 columns", "mend the row"),
    "trailing comma in one row": ("20,1.5\n30,2,\n40,2\n", 2, "it has 3", "mend the row"),
    "text in the middle": ("20 1\n30 2\nsecond sweep\n40 3\n", 3, "'second sweep'", "mark it with #"),
    "text at the end": ("20 1\n30 2\nend of data\n", 3, "'end of data'", "mark it with #"),
    "frequency twice": ("20 1\n30 2\n30 3\n40 3\n", 3, "it goes from 30 to 30", "sort the rows or drop duplicates"),
    "frequency falls once": ("20 1\n30 2\n25 3\n40 3\n", 3, "it goes from 30 to 25", "sort the rows"),
    "frequency rises once": ("40 1\n30 2\n35 3\n20 3\n", 3, "must fall at every row", "sort the rows"),
    "two curves in one file": ("20 1\n30 2\n\n20 3\n30 3\n", 4, "it goes from 30 to 20", "sort the rows"),
    "twice, and the level rises": ("20 1\n20 20\n30 300\n", 2, "it goes from 20 to 20", "sort the rows"),
    "below 0 Hz": ("Hz dB\n-20 1\n30 2\n", 2, "above 0 Hz", "frequency_column="),
    "frequency not a number": ("Hz dB\n20 1\nx 2\n40 2\n", 3, "column 1 'Hz' holds 'x'", "frequency_column="),
    "decimal comma and dot": ("20.5;1.5\n30.5;2,5\n", 2, "one mark must be the decimal sign", 'decimal="."'),
    "comma as both": ("20,5,-3,1\n30,5,-4,1\n", 1, "it must be clear what a comma does", 'delimiter=","'),
    "comma as both, three cells": ("20,-3,1\n30,-4,1\n", 1, "what a comma does", "export with another delimiter"),
    "comma as both, two names": ("Hz,dB\n20,5,-3,1\n30,5,-4,1\n", 2, "what a comma does", 'delimiter=","'),
    "blanks and commas": ("20, 1 2\n30, 3 4\n", 1, "both blanks and commas separate", "delimiter="),
    "thousands or decimals": ("Hz;dB;-\n1,234;5;1\n2,345;6;1\n", 2, "marks decimals or groups digits", 'decimal=","'),
    "two levels": ("Hz,Left dB,Right dB\n20,1.5,2\n30,2,3\n", 1, "2 'Left dB' or 3 'Right dB'", "level_column="),
    "two levels, no header": ("20 1.5 2\n30 2 3\n400 3 1\n", 1, "it may be 2 or 3", "level_column="),
    "two frequencies": ("Hz,kHz,dB\n20,0.02,1\n3000,3,1\n", 1, "'Hz' or 2 'kHz'", "frequency_column="),
    "frequency not clear": ("20 30\n21 31\n", 1, "it may be 1 or 2", "frequency_column="),
    "unit of frequency not clear": ("f dB\n1 80\n5 81\n20 83\n", 1, "goes from 1 to 20", 'frequency_unit="kHz"'),
    "angular frequency": ("f (rad/s);dB\n100;80\n5000;81\n", 1, "from 100 to 5000", "frequency_unit="),
    "frequency too high": ("kHz dB\n20 80\n20000 81\n", 3, "it goes up to 2e+07 Hz", "frequency_unit="),
    "no level": ("Hz;Pressure (Pa)\n20;80\n5000;81\n", 1, "1 'Hz', 2 'Pressure (Pa)'", "export the level in dB"),
    "no level, by its unit alone": ("Hz;mV\n20;80\n5000;81\n", 1, "1 'Hz', 2 'mV'", "export the level in dB"),
    "an impedance": ("Hz;|Z| (ohm)\n20;80\n5000;81\n", 1, "must hold a level in dB", "say that it is an impedance"),
    "level too high": ("20;80\n500;79\n5000;81000\n", 3, "column 2 holds 81000", "level_column="),
    "picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\1\0" + bytes(range(256)), None, "must be text", "plain text"),
    "archive": (b"PK\x03\x04\x14\0\x08\0\x08\0" + bytes(range(128)) * 2, 1, "control character", "archives"),
    "zero byte": (b"20 1\n30 2\n40\0 3\n", 3, "byte 0x00", "plain text"),
    "control character in the header": (b"a\x07\n20 1\n30 2\n", 1, "byte 0x07", "plain text"),
    "half of UTF-16": ("20 1\n30 2\n".encode("utf-16")[:-1], None, "cannot be read as UTF-16", "encoding"),
    "long line": ("20 1\n30 2\n" + "1 " * LINE_LIMIT_BYTES + "\n", 3, "up to 65,536 bytes", "one row a line"),
    "long header": ("a" * 2 * LINE_LIMIT_BYTES + "\n20 1\n", 1, "up to 65,536 bytes", "one row a line"),
    "long header after the first line": ("a\n" + "a" * 2 * LINE_LIMIT_BYTES, 2, "up to 65,536 bytes", "one row"),
}


@pytest.mark.parametrize(("text", "line", "found", "mend"), REFUSALS.values(), ids=REFUSALS.keys())
def test_what_is_wrong_or_unclear_is_refused(
    text: str | bytes, line: int | None, found: str, mend: str, save: Callable[..., Path]
) -> None:
    with pytest.raises(FileRefusedError) as caught:
        read_response(save(text))
    error = caught.value
    assert error.where == ("ladle.txt" if line is None else f"ladle.txt, line {line}")
    assert found in f"{error.rule}, but {error.found}"
    assert mend in error.mend
    assert str(pickle.loads(pickle.dumps(error))) == str(error)  # noqa: S301 - our own bytes


@pytest.mark.parametrize(
    ("choice", "found"),
    [
        ({"delimiter": "|"}, "delimiter must be"),
        ({"decimal": "'"}, "decimal must be"),
        ({"decimal": ",", "delimiter": ","}, "one mark cannot separate cells and be the decimal sign"),
        ({"encoding": "nope"}, "the encoding must be one Python knows"),
        ({"encoding": "rot13"}, "the encoding must be one Python knows"),
        ({"encoding": "utf-16"}, "cannot be read as utf-16"),
        ({"encoding": "utf\0"}, "cannot be read as utf"),
        ({"frequency_unit": "MHz"}, "frequency_unit must be"),
        ({"phase_unit": "turn", "phase_column": 3, "level_column": 2}, "phase_unit must be"),
        ({"phase_column": 3, "level_column": 2}, "the phase must be in degrees or radians"),
        ({"frequency_column": 4}, "4 names none of 1 'Hz', 2 'dB', 3 'dB too'"),
        ({"frequency_column": 0}, "0 names none of"),
        ({"level_column": "d"}, "'d' names 2 of"),
        ({"level_column": "ohm"}, "'ohm' names none of"),
        ({"level_column": ""}, "'' names none of"),
        ({"first_line": 9}, "first_line must be the line of the first row"),
        ({"first_line": 1}, "first_line must be the line of the first row"),
    ],
)
def test_a_keyword_that_cannot_be_is_refused(choice: dict[str, object], found: str, save: Callable[..., Path]) -> None:
    path = save("Hz,dB,dB too\n20,1,2\n2000,2,3\n4000,2,3")
    with pytest.raises(FileRefusedError) as caught:
        read_response(path, **choice)  # type: ignore[arg-type]
    assert found in str(caught.value)


@pytest.mark.parametrize("name", ["nowhere.txt", "ladle.txt/inside.txt"])
def test_a_file_that_is_not_there_is_missing(name: str, save: Callable[..., Path]) -> None:
    folder = save("20 1\n").parent
    with pytest.raises(FileMissingError) as caught:
        read_response(folder / name)
    assert caught.value.where == str(folder / name)
    assert "spelling" in caught.value.mend


def test_a_folder_a_pipe_and_a_name_that_cannot_be_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FileRefusedError, match="this is a folder; name one file in it"):
        read_response(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(FileRefusedError, match="this is a device or a pipe"):
        read_response(tmp_path / "pipe")
    with pytest.raises(FileRefusedError, match=r"the system says: (stat: )?embedded null"):
        read_response("la\0dle.txt")
    with pytest.raises(FileRefusedError, match="the system says: File name too long"):
        read_response("ladle" * 1000)


def test_a_file_one_may_not_read_is_refused(save: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    path = save("20 1\n30 2\n")
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read all
        refusal = PermissionError(13, "Permission denied", str(path))

        def refuse(*_: object, **__: object) -> None:
            raise refusal

        monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(FileRefusedError, match=r"ladle\.txt: it must be possible.*Permission denied; check its name"):
        read_response(path)


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "huge.txt"
    with path.open("wb") as handle:
        handle.truncate(2 * 2**30)
    with pytest.raises(FileRefusedError, match="may hold up to 32 MB, but it holds 2,048 MB; export fewer points"):
        read_response(path)
    with path.open("wb") as handle:
        handle.truncate(SIZE_LIMIT_BYTES)
    with pytest.raises(FileRefusedError, match=r"huge\.txt, line 1: a line may hold up to 65,536 bytes"):
        read_response(path)


@pytest.mark.parametrize("blanks", ["\t" * 60_000, " " * 60_000, "\t " * 30_000], ids=["tabs", "blanks", "both"])
def test_long_runs_of_blanks_take_no_time(tmp_path: Path, blanks: str) -> None:
    file = tmp_path / "a.txt"
    file.write_text(f"f\tdB\n20{blanks}x\n1,2{blanks};3\n")
    with pytest.raises(FileRefusedError, match=r"a\.txt"):
        read_response(file)


@pytest.mark.parametrize(
    "header",
    ["freq" + "_" * 60_000 + ",dB", "rad" * 20_000 + ",dB", "a" + " " * 60_000 + "b,c", "!" * 60_000 + "a,b"],
    ids=["underscores", "rad", "blanks", "marks"],
)
def test_a_header_as_long_as_a_line_takes_no_longer_to_read(header: str, save: Callable[..., Path]) -> None:
    start = time.process_time()
    curve = read_response(save(f"{header}\n20,80\n200,81\n20000,80\n"))
    assert time.process_time() - start < 5
    assert curve.level_db.tolist() == [80, 81, 80]


def test_a_message_names_a_dozen_columns_of_thousands(save: Callable[..., Path]) -> None:
    rows = [",".join([str(20 * (i + 1)), *[f"{(7 * i) % 13}.5"] * 2000]) for i in range(12)]
    with pytest.raises(FileRefusedError) as caught:
        read_response(save("\n".join(rows)))
    assert caught.value.found.startswith("it may be 2 or 3 or ")
    assert caught.value.found.endswith(" or 13 or 1988 more")


@pytest.mark.parametrize("row", ["٣٠٠٠٠,٨٠", "３００００,80", "30000,8²"])
def test_a_digit_of_another_script_is_refused_in_any_row(row: str, save: Callable[..., Path]) -> None:
    with pytest.raises(FileRefusedError, match="line 4: each cell of a column that is used must be a finite number"):
        read_response(save(f"Hz,dB\n20,80\n200,81\n{row}\n"))


def test_a_missing_file_is_named_as_its_manifest_names_it(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError) as caught:
        read_response(tmp_path / "whisk.txt", source="responses/whisk.txt")
    assert caught.value.where == "responses/whisk.txt"


def test_the_user_file_is_not_changed(save: Callable[..., Path]) -> None:
    path = save("2000 1\r\n20 2\r\n")
    before = path.stat().st_mtime_ns
    read_response(path)
    assert path.read_bytes() == b"2000 1\r\n20 2\r\n"
    assert path.stat().st_mtime_ns == before


POLAR = {
    "degrees": "Freq(Hz)\t|Z|(ohm)\tPhase(deg)\n20\t16\t30\n2000\t8\t-60\n",
    "degrees, by content": "freq mag phase\n20 16 30\n2000 8 -60\n",
    "radians": f"Hz;Impedance (Ohm);Phase (rad)\n20;16;{np.pi / 6!r}\n2000;8;{-np.pi / 3!r}\n",
    "ohm sign": "f,Z [Ω],φ [°]\n20,16.0,30\n2000,8.0,-60\n",
    "kilo-ohm": "f,Z [kΩ],φ [°]\n20,0.016,30\n2000,0.008,-60\n",
}
PARTS = {
    "named in full": "Frequency,Real (ohm),Imaginary (ohm)\n20,13.5,8\n2000,4,-7\n",
    "Re and Im": "Hz Re(Z) Im(Z)\n20 13.5 8\n2000 4 -7\n",
    "primes": "Freq(Hz)\tRange\tZ'(a)\tZ''(b)\n2000\t4\t4\t-7\n20\t5\t13.5\t8\n",
    "negated": "Hz,Re(Z),-Im(Z)\n20,13.5,-8\n2000,4,7\n",
    "both forms": "Hz,|Z|,deg,Re(Z),Im(Z)\n20,1.5,1,13.5,8\n2000,1,1,4,-7\n",
}


@pytest.mark.parametrize("text", POLAR.values(), ids=POLAR.keys())
def test_impedance_as_magnitude_and_phase(text: str, save: Callable[..., Path]) -> None:
    curve = read_impedance(save(text, "whisk.txt"))
    assert curve.label == "whisk"
    assert curve.frequency_hz.tolist() == [20, 2000]
    # 16 at 30 degrees is 8 sqrt(3) + 8j; 8 at -60 degrees is 4 - 4 sqrt(3) j.
    assert curve.impedance_ohm == pytest.approx([8 * 3**0.5 + 8j, 4 - 4j * 3**0.5], rel=1e-14)


@pytest.mark.parametrize("text", PARTS.values(), ids=PARTS.keys())
def test_impedance_as_real_and_imaginary_part(text: str, save: Callable[..., Path]) -> None:
    assert read_impedance(save(text)).impedance_ohm.tolist() == [13.5 + 8j, 4 - 7j]


def test_impedance_columns_by_keyword(save: Callable[..., Path]) -> None:
    path = save("20 16.5 0.25\n2000 8 -1\n")
    assert read_impedance(path, real_column=2, imaginary_column=3).impedance_ohm.tolist() == [16.5 + 0.25j, 8 - 1j]
    polar = read_impedance(path, magnitude_column=2, phase_column=3, phase_unit="radian")
    assert polar.impedance_ohm == pytest.approx([16.5 * np.exp(0.25j), 8 * np.exp(-1j)], rel=1e-15)
    both = save("Hz,|Z|,deg,Re(Z),Im(Z)\n20,2.0,90,13.5,8\n2000,1,90,4,-7\n")
    assert read_impedance(both, magnitude_column="|z|").impedance_ohm == pytest.approx([2j, 1j], abs=1e-15)


@pytest.mark.parametrize(
    ("text", "line", "found", "mend"),
    [
        ("Hz;|Z| (ohm)\n20;16\n2000;8\n", 1, "magnitude and phase, or real and imaginary part", "export the phase too"),
        ("20;16\n2000;8\n", 1, "the columns are 1, 2", "export the phase too"),
        ("Hz,|Z|,dB\n20,16.5,8\n2000,8,7\n", 1, "the columns are", "export the phase too"),
        ("20,16.5,8\n2000,8,7\n", 1, "the columns 1, 2, 3 do not say", "real_column="),
        (
            "Hz,L ohm,R ohm,deg\n20,16.5,8,1\n2000,8,7,1\n",
            1,
            "the magnitude may be 2 'L ohm' or 3 'R ohm'",
            "magnitude_",
        ),
        ("Hz mag phase\n20 16 1\n2000 8 -0.5\n", 1, "3 'phase' does not say which", 'phase_unit="degree"'),
        ("Hz |Z| deg\n20 16 1\n2000 -8 -0.5\n", 3, "column 2 '|Z|' holds -8", "keyword"),
        ("Hz |Z| deg\n20 16 1\n2000 8 nan\n", 3, "column 3 'deg' holds 'nan'", "phase_column="),
        ("Hz,Re (kohm),Im (ohm)\n20,16.5,1\n2000,8,1\n", 1, "one unit", "export both in ohm"),
        ("Hz,Re (mohm),Im (mohm)\n20,16.5,1\n2000,8,1\n", 1, "in another unit", "export it in ohm"),
    ],
)
def test_an_impedance_that_is_not_clear_is_refused(
    text: str, line: int, found: str, mend: str, save: Callable[..., Path]
) -> None:
    with pytest.raises(FileRefusedError) as caught:
        read_impedance(save(text))
    assert caught.value.where == f"ladle.txt, line {line}"
    assert found in f"{caught.value.rule}, but {caught.value.found}"
    assert mend in caught.value.mend


def numbers(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    return np.geomspace(20, 20000, n), random.normal(0, 12, n)


INDEPENDENT = {
    "three decimals": ("%.3f", "%.4f"),
    "shortest": ("%r", "%r"),
    "six digits": ("%g", "%g"),
    "scientific": ("%.6e", "%.5e"),
    "whole and one decimal": ("%.0f", "%.1f"),
    "seventeen digits": ("%.17g", "%.17g"),
}


@pytest.mark.source("independent", ref="numpy.loadtxt and pandas.read_csv (to the last digit but one), told everything")
@pytest.mark.parametrize("formats", INDEPENDENT.values(), ids=INDEPENDENT.keys())
@pytest.mark.parametrize("n", [3, 200, 9000])
def test_values_equal_those_of_other_readers_told_everything(
    formats: tuple[str, str], n: int, save: Callable[..., Path]
) -> None:
    f, level = (values.tolist() for values in numbers(n, n))
    if formats[0] in {"%.0f", "%g"}:
        f = list(range(20, 20 + n))
    path = save("Hz\tdB\n" + "".join(f"{formats[0] % a}\t{formats[1] % b}\n" for a, b in zip(f, level, strict=True)))
    curve = read_response(path)
    by_numpy = np.loadtxt(path, delimiter="\t", skiprows=1)
    by_pandas = pd.read_csv(path, sep="\t").to_numpy()
    ours = np.column_stack([curve.frequency_hz, curve.level_db])
    assert ours.tobytes() == by_numpy.tobytes()
    assert ours == pytest.approx(by_pandas, rel=5e-16, abs=0)


@pytest.mark.source("independent", ref="pandas.read_csv told delimiter, decimal and thousands sign")
def test_decimal_comma_and_thousands_equal_another_reader(save: Callable[..., Path]) -> None:
    f, level = numbers(1, 300)
    lines = [f"{a:,.2f};{b:.3f}" for a, b in zip(f, level, strict=True)]
    swapped = "\n".join(lines).translate(str.maketrans(",.", ".,"))
    path = save(swapped)
    other = pd.read_csv(path, sep=";", decimal=",", thousands=".", header=None).to_numpy(float)
    curve = read_response(path)
    assert np.column_stack([curve.frequency_hz, curve.level_db]) == pytest.approx(other, rel=5e-16, abs=0)


@pytest.mark.source(
    "published", ref="bench measurements of R + R||C circuits (MIT licence); range of |Z| told with them"
)
@pytest.mark.skipif(not BENCH.is_dir(), reason="the bench measurements are not beside this checkout")
@pytest.mark.parametrize(
    ("circuit", "n", "highest_hz", "smallest_ohm", "largest_ohm"),
    [(1, 48, 50e3, 29.04, 75.83), (2, 56, 300e3, 148, 655), (3, 53, 150e3, 1490, 6150)],
)
def test_bench_impedances_after_a_long_header(
    circuit: int, n: int, highest_hz: float, smallest_ohm: float, largest_ohm: float
) -> None:
    path = BENCH / f"Circuit{circuit}_EIS_1.z"
    told = read_impedance(path, frequency_column=1, real_column=5, imaginary_column=6, delimiter="\t")
    found = read_impedance(path)
    other = np.loadtxt(path, delimiter="\t", skiprows=found_rows(path))[::-1]
    assert np.array_equal(found.impedance_ohm, other[:, 4] + 1j * other[:, 5])
    assert np.array_equal(found.impedance_ohm, told.impedance_ohm)
    assert (len(found.frequency_hz), found.frequency_hz[-1]) == (n, highest_hz)
    assert np.abs(found.impedance_ohm).min() == pytest.approx(smallest_ohm, rel=5e-3)
    assert np.abs(found.impedance_ohm).max() == pytest.approx(largest_ohm, rel=5e-3)


def found_rows(path: Path) -> int:
    return path.read_text(encoding="latin-1").split("\n").index("End Comments") + 1
