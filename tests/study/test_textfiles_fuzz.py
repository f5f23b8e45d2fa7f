"""Whatever a file holds, the reader gives a valid curve or one clear error, and never a changed number."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ohmshift.curves.values import Impedance, Response
from ohmshift.errors import FileRefusedError
from ohmshift.study.textfiles import read_impedance, read_response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

QUICK = settings(
    deadline=None,
    database=None,
    max_examples=300,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
FORMATS = ("%.0f", "%.1f", "%.2f", "%.3f", "%.6f", "%g", "%.10g", "%r", "%.5e", "%.17g", "%.3E")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1")
LINE_ENDS = ("\n", "\r\n", "\r")
SEPARATORS = {".": (",", ", ", "\t", ";", "; ", " ", "   ", " \t "), ",": ("\t", ";", "; ", " ", "   ")}
TITLES = ("", "Ladle, left seat {}\n", "# {}\n", "* made in the tool library\n# {}\n\n", "Mesure {} à 1/12 d'octave\n")


@pytest.fixture(scope="module")
def path() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder, "ladle.txt")


@st.composite
def written_curves(draw: st.DrawFn) -> tuple[bytes, list[float], list[float]]:
    """Give a file in a random style, and what `float` gives for the text of its numbers."""
    decimal = draw(st.sampled_from([".", ","]))
    separator = draw(st.sampled_from(SEPARATORS[decimal]))
    formats = draw(st.tuples(st.sampled_from(FORMATS), st.sampled_from(FORMATS)))
    end = draw(st.sampled_from(LINE_ENDS))
    size = draw(st.integers(2, 40))
    seed = draw(st.integers(0, 2**32 - 1))
    levels = draw(st.lists(st.floats(-200, 200, allow_subnormal=True), min_size=size, max_size=size))
    frequencies = np.sort(np.random.default_rng(seed).uniform(5, 96000, size)).tolist()
    texts = [(formats[0] % f, formats[1] % level) for f, level in zip(frequencies, levels, strict=True)]
    rows = {float(f): (f, level) for f, level in texts if float(f) > 0}  # rounding may make two frequencies one
    ordered = [rows[f] for f in sorted(rows)]
    if draw(st.booleans()):
        ordered.reverse()
    cell = '"{}"' if draw(st.booleans()) and separator.strip(" ") in {",", ";", "\t"} else "{}"
    trailing = separator.strip(" ") if draw(st.booleans()) else ""
    lines = [separator.join(cell.format(text.replace(".", decimal)) for text in row) + trailing for row in ordered]
    title = draw(st.sampled_from(TITLES)).format("of May").replace("\n", end)
    header = separator.join(("Frequency(Hz)", "Level(dB)")) + end
    encoding = draw(st.sampled_from(ENCODINGS))
    text = title + header + end.join(lines) + draw(st.sampled_from(["", end, end + "# end" + end, 3 * end]))
    expected = sorted((float(f), float(level)) for f, level in ordered)
    return text.encode(encoding), [f for f, _ in expected], [level for _, level in expected]


@QUICK
@given(written=written_curves())
@pytest.mark.source("analytic", ref="float of the text that the test itself writes")
def test_a_curve_written_in_any_style_comes_back_bit_for_bit(
    written: tuple[bytes, list[float], list[float]], path: Path
) -> None:
    raw, frequency_hz, level_db = written
    path.write_bytes(raw)
    if len(frequency_hz) < 2:
        with pytest.raises(FileRefusedError, match="at least two rows"):
            read_response(path)
        return
    curve = read_response(path)
    assert curve.frequency_hz.tobytes() == np.array(frequency_hz).tobytes()
    assert curve.level_db.tobytes() == np.array(level_db).tobytes()


FORMS: dict[tuple[str, str], Callable[[np.ndarray, np.ndarray], np.ndarray]] = {
    ("|Z| (ohm)", "Phase (deg)"): lambda a, b: a * np.exp(1j * np.deg2rad(b)),
    ("Impedance (kOhm)", "Phase (rad)"): lambda a, b: 1000 * a * np.exp(1j * b),
    ("Re(Z) (Ω)", "Im(Z) (Ω)"): lambda a, b: a + 1j * b,
    ("Z' (ohm)", "-Z'' (ohm)"): lambda a, b: a - 1j * b,
}


@QUICK
@given(
    names=st.sampled_from(list(FORMS)),
    style=st.sampled_from([(mark, separator) for mark, some in SEPARATORS.items() for separator in some]),
    kilohertz=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-16", "utf-16-le", "utf-16-be"]),
    rows=st.lists(
        st.tuples(st.floats(10, 1_900), st.floats(0.5, 500), st.floats(-1.5, 1.5)),
        min_size=4,
        max_size=20,
        unique_by=lambda row: f"{row[0]:.4f}",
    ),
)
@pytest.mark.source("analytic", ref="the impedance that the names above its columns say of what the test writes")
def test_an_impedance_written_in_any_form_comes_back(
    *,
    names: tuple[str, str],
    style: tuple[str, str],
    kilohertz: bool,
    encoding: str,
    rows: list[tuple[float, ...]],
    path: Path,
) -> None:
    (mark, separator), order = style, (1, 2, 0)  # frequency last: names tell, not places
    texts = [[f"{row[i]:.4f}" for i in order] for row in sorted(rows)]
    between = separator if separator.strip(" ") else "   "
    header = between.join((*names, "Frequency (kHz)" if kilohertz else "Frequency (Hz)"))
    lines = [header, *(separator.join(cells).replace(".", mark) for cells in texts)]
    path.write_bytes("\n".join(lines).encode(encoding))
    first, second, frequency = np.array(texts, dtype=np.float64).T
    curve = read_impedance(path)
    assert curve.frequency_hz.tolist() == (frequency * (1000 if kilohertz else 1)).tolist()
    np.testing.assert_allclose(curve.impedance_ohm, FORMS[names](first, second), rtol=1e-14, atol=1e-14)


def real_looking_files() -> list[bytes]:
    f = np.geomspace(20, 20000, 24)
    level = 80 + 5 * np.sin(np.log(f))
    phase = 60 * np.cos(np.log(f))
    tab = "".join(f"{a:.3f}\t{b:.2f}\t{c:.1f}\r\n" for a, b, c in zip(f, level, phase, strict=True))
    comma = "".join(f"{a:.2f},{b:.3f}\n" for a, b in zip(f, level, strict=True))
    swapped = comma.replace(",", ";").replace(".", ",")
    grouped = "".join(f'"{a:,.1f}","{b:.2f}"\n' for a, b in zip(f, level, strict=True))
    blanks = "".join(f"{a:12.4e} {b:9.3f} {c:9.2f}\n" for a, b, c in zip(f[::-1], level, phase, strict=True))
    return [
        b"* Ladle\r\n* Freq(Hz)\tSPL(dB)\tPhase(degrees)\r\n" + tab.encode(),
        b"Frequency (Hz),Level (dB)\n" + comma.encode(),
        "\ufeffFréquence (Hz);Niveau (dB)\n".encode() + swapped.encode(),
        ("Frequenz;Pegel\nHz;dB\n" + swapped).encode("utf-16"),
        b'"Hz","dB"\n' + grouped.encode(),
        b"% sweep 3\n% f/Hz  |Z|/ohm  phase/deg\n" + blanks.encode(),
        b"Hz,Re(Z),Im(Z)\r" + tab.replace("\t", ",").replace("\r\n", "\r").encode(),
    ]


FILES = real_looking_files()
SPLICES = (b"\n", b"\r", b",", b";", b"\t", b" ", b".", b"-", b"+", b"e", b"nan", b"inf", b'"', b"#", b"\0", b"\xff")
SPLICES = (*SPLICES, b"0", b"1e400", b"20 1\n", b"1,234", b"\xc3", b"\xe2\x80\xaf", b"text", b"1_0", b"0x1f", b"D+02")


def mutate(raw: bytes, dice: random.Random) -> bytes:
    for _ in range(dice.choice([1, 1, 1, 2, 5, 20])):
        at = dice.randrange(len(raw) + 1)
        end = min(len(raw), at + dice.choice([0, 0, 1, 1, 2, 10]))
        kind = dice.randrange(5)
        if kind == 0:
            raw = raw[:at] + bytes([dice.randrange(256)]) + raw[end:]
        elif kind == 1:
            raw = raw[:at] + dice.choice(SPLICES) + raw[end:]
        elif kind == 2:
            raw = raw[:at] if dice.random() < 0.2 else raw[:at] + raw[end:]
        elif kind == 3:
            raw = raw[:at] + raw[at : at + 30] + raw[at:]
        else:
            raw = raw.replace(dice.choice(SPLICES), dice.choice(SPLICES), dice.choice([1, -1]))
        raw = raw or b"\n"
    return raw


def check(path: Path, raw: bytes) -> bool:
    """Read a file both ways, check the curves, and say whether one was given."""
    path.write_bytes(raw)
    return any([check_one(path, read_response), check_one(path, read_impedance)])


def check_one(path: Path, read: Callable[[Path], Response | Impedance]) -> bool:
    refusal = None
    try:
        curve = read(path)
    except FileRefusedError as error:
        refusal = error
    if refusal:
        assert refusal.where.startswith("ladle.txt")
        assert all([refusal.rule, refusal.found, refusal.mend])
        return False
    values = curve.level_db if isinstance(curve, Response) else curve.impedance_ohm
    assert np.isfinite(curve.frequency_hz).all()
    assert np.isfinite(values).all()
    assert curve.frequency_hz[0] > 0
    assert (np.diff(curve.frequency_hz) > 0).all()
    assert len(curve.frequency_hz) == len(values) >= 2
    return True


def test_every_file_that_will_be_mutated_is_read_as_it_is(path: Path) -> None:
    assert [check(path, raw) for raw in FILES] == [True] * len(FILES)


@pytest.mark.parametrize("number", range(len(FILES)))
def test_a_mutated_file_gives_a_valid_curve_or_a_clear_error(number: int, path: Path) -> None:
    dice = random.Random(number)  # noqa: S311 - no secret
    outcomes = [check(path, mutate(FILES[number], dice)) for _ in range(300)]
    assert 0 < sum(outcomes) < 300  # some survive, some are refused: the mutations are neither harmless nor fatal


@QUICK
@given(
    raw=st.one_of(st.binary(max_size=300), st.text("0123456789.,;-+eE \t\n\r\"#'nainf", max_size=120).map(str.encode))
)
def test_any_bytes_give_a_valid_curve_or_a_clear_error(raw: bytes, path: Path) -> None:
    check(path, raw)


@pytest.mark.parametrize("number", range(len(FILES)))
def test_a_file_cut_anywhere_gives_a_valid_curve_or_a_clear_error(number: int, path: Path) -> None:
    raw = FILES[number]
    outcomes = [check(path, raw[:end]) for end in range(0, len(raw), 7)]
    assert not outcomes[0]
    assert any(outcomes)
