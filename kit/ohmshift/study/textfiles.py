"""Read frequency responses and impedances from text files of any origin.

Plain columns are enough: the reader finds the encoding, the rows, what separates the cells, the
decimal sign, the columns and their units, and writes what it decided into the curve's provenance.
Each decision can be taken from it by a keyword. What is not clear is refused, never guessed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeVar

from ohmshift.curves.values import Impedance, Provenance, Response
from ohmshift.errors import FileRefusedError
from ohmshift.study.textbytes import read_text
from ohmshift.study.textcolumns import find_header
from ohmshift.study.textdecimal import find_decimal
from ohmshift.study.textimpedance import read_ohms
from ohmshift.study.textquantities import read_level, read_phase
from ohmshift.study.textrows import Opened, read_rows
from ohmshift.study.textsniff import DELIMITERS, sniff

if TYPE_CHECKING:
    import os
    from collections.abc import Callable

    from ohmshift.curves.values import LevelReference
    from ohmshift.study.textrows import Decisions, Rows

Curve = TypeVar("Curve", Response, Impedance)


def read_response(
    path: str | os.PathLike[str],
    *,
    delimiter: Literal[",", ";", "\t", " "] | None = None,
    decimal: Literal[".", ","] | None = None,
    encoding: str | None = None,
    first_line: int | None = None,
    frequency_unit: Literal["Hz", "kHz"] | None = None,
    frequency_column: int | str | None = None,
    level_column: int | str | None = None,
    phase_column: int | str | None = None,
    phase_unit: Literal["degree", "radian"] | None = None,
    level_reference: LevelReference = "absolute",
    label: str | None = None,
    source: str | None = None,
) -> Response:
    r"""Read a frequency response from a text file.

    Parameters
    ----------
    path : str or path
        The file.
    delimiter : {",", ";", "\t", " "}, optional
        What separates cells; a blank stands for any run of blanks.
    decimal : {".", ","}, optional
        Decimal sign.
    encoding : str, optional
        Encoding, by a name Python knows.
    first_line : int, optional
        Number of the line of the first row of numbers, counted from 1.
    frequency_unit : {"Hz", "kHz"}, optional
        Unit of the frequencies.
    frequency_column, level_column, phase_column : int or str, optional
        Number of the column, counted from 1, or its name; 0 for `phase_column` reads no phase.
    phase_unit : {"degree", "radian"}, optional
        Unit of the phase.
    level_reference : {"absolute", "relative"}
        "absolute": the same drive voltage was kept, so levels of one study compare.
    label : str, optional
        What to call the curve; the file's name without its ending where not given.
    source : str, optional
        What to call the file in messages and provenance; its name where not given.

    Returns
    -------
    Response
        The response, rising in frequency, each number as ``float`` reads it. Its provenance holds
        every decision and what it rests on.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        The file is no curve, or something in it is not clear. The message names file, line, rule,
        what was found and what to do.

    Notes
    -----
    Rows with falling frequency are reversed, and a row at 0 Hz is left out; both are recorded.
    Nothing else is repaired: rows out of order, repeated frequencies and cells without a number are
    refused. Columns that are not used may hold anything. A phase is left out, and that is recorded,
    where its unit is not clear.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "ladle.csv")
    ...     _ = file.write_text("Frequency (kHz);Level (dB)\n0,02;78,5\n1;80,25\n20;71\n")
    ...     ladle = read_response(file)
    >>> ladle.label, ladle.frequency_hz.tolist(), ladle.level_db.tolist()
    ('ladle', [20.0, 1000.0, 20000.0], [78.5, 80.25, 71.0])
    >>> dict(ladle.provenance.decisions)["frequency_unit"]
    'kHz (header, line 1)'
    """
    opened = _open(
        path,
        delimiter=delimiter,
        decimal=decimal,
        encoding=encoding,
        first_line=first_line,
        frequency=frequency_column,
        unit=frequency_unit,
        source=source,
    )

    def build(rows: Rows) -> Response:
        level, level_db, decided = read_level(rows, level_column)
        phase_deg, more = read_phase(rows, level, phase_column, phase_unit)
        return Response(
            frequency_hz=rows.frequency_hz,
            level_db=level_db,
            phase_deg=phase_deg,
            level_reference=level_reference,
            label=Path(path).stem if label is None else label,
            provenance=_provenance(rows, decided + more),
        )

    return _first_possible(opened, build)


def read_impedance(
    path: str | os.PathLike[str],
    *,
    delimiter: Literal[",", ";", "\t", " "] | None = None,
    decimal: Literal[".", ","] | None = None,
    encoding: str | None = None,
    first_line: int | None = None,
    frequency_unit: Literal["Hz", "kHz"] | None = None,
    frequency_column: int | str | None = None,
    magnitude_column: int | str | None = None,
    phase_column: int | str | None = None,
    phase_unit: Literal["degree", "radian"] | None = None,
    real_column: int | str | None = None,
    imaginary_column: int | str | None = None,
    label: str | None = None,
    source: str | None = None,
) -> Impedance:
    r"""Read an impedance from a text file.

    Parameters
    ----------
    path : str or path
        The file.
    delimiter : {",", ";", "\t", " "}, optional
        What separates cells; a blank stands for any run of blanks.
    decimal : {".", ","}, optional
        Decimal sign.
    encoding : str, optional
        Encoding, by a name Python knows.
    first_line : int, optional
        Number of the line of the first row of numbers, counted from 1.
    frequency_unit : {"Hz", "kHz"}, optional
        Unit of the frequencies.
    frequency_column : int or str, optional
        Number of the column, counted from 1, or its name.
    magnitude_column, phase_column : int or str, optional
        Columns of magnitude and phase.
    phase_unit : {"degree", "radian"}, optional
        Unit of the phase.
    real_column, imaginary_column : int or str, optional
        Columns of real and imaginary part.
    label : str, optional
        What to call the curve; the file's name without its ending where not given.
    source : str, optional
        What to call the file in messages and provenance; its name where not given.

    Returns
    -------
    Impedance
        The impedance in ohm, rising in frequency. Its provenance holds every decision and what it
        rests on.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        The file is no impedance, or something in it is not clear. The message names file, line,
        rule, what was found and what to do.

    Notes
    -----
    Magnitude and phase are needed, or real and imaginary part: the magnitude alone does not tell
    what a resistance does to the response. Rows are treated as `read_response` treats them.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "whisk.txt")
    ...     _ = file.write_text("Hz\tRe(Z) ohm\tIm(Z) ohm\n20\t16.5\t-0.25\n20000\t18\t4\n")
    ...     read_impedance(file).impedance_ohm.tolist()
    [(16.5-0.25j), (18+4j)]
    """
    opened = _open(
        path,
        delimiter=delimiter,
        decimal=decimal,
        encoding=encoding,
        first_line=first_line,
        frequency=frequency_column,
        unit=frequency_unit,
        source=source,
    )
    wanted = {
        "real": real_column,
        "imaginary": imaginary_column,
        "magnitude": magnitude_column,
        "phase": phase_column,
    }

    def build(rows: Rows) -> Impedance:
        impedance_ohm, decided = read_ohms(rows, wanted, phase_unit)
        return Impedance(
            frequency_hz=rows.frequency_hz,
            impedance_ohm=impedance_ohm,
            label=Path(path).stem if label is None else label,
            provenance=_provenance(rows, decided),
        )

    return _first_possible(opened, build)


def _open(
    path: str | os.PathLike[str],
    *,
    delimiter: str | None,
    decimal: str | None,
    encoding: str | None,
    first_line: int | None,
    frequency: int | str | None,
    unit: str | None,
    source: str | None,
) -> Opened:
    file = read_text(path, source=source, encoding=encoding)
    layout = sniff(file, delimiter=delimiter, first_line=first_line)
    columns = find_header(file, layout)
    sure = delimiter is not None or columns.delimiter == layout.delimiter
    return Opened(
        file=file,
        layout=layout,
        columns=columns,
        decimals=find_decimal(file, layout, decimal=decimal, delimiter_is_sure=sure),
        decisions=(
            ("encoding", file.encoding),
            ("delimiter", f"{DELIMITERS[layout.delimiter]} ({'given' if delimiter else 'content'})"),
            ("first_line", f"{layout.first_line} ({'given' if first_line else 'content'})"),
        ),
        frequency=frequency,
        unit=unit,
        how_decimal="given" if decimal else "content",
    )


def _first_possible(opened: Opened, build: Callable[[Rows], Curve]) -> Curve:
    """Build the curve; where the decimal sign is open, by the one reading of it that makes a curve."""
    curves, refusals = [], []
    for decimal in opened.decimals:
        try:
            curves.append(build(read_rows(opened, decimal)))
        except FileRefusedError as refusal:
            refusals.append(refusal)
    if len(curves) > 1:
        raise opened.file.refusal(
            f"it must be clear whether {opened.decimals[0].mark!r} marks decimals or groups digits by three",
            "nothing in the file tells, and either way it makes a curve",
            'give decimal="." or decimal=","',
            line=opened.layout.first_line,
        )
    if not curves:
        raise refusals[0]
    return curves[0]


def _provenance(rows: Rows, decided: Decisions) -> Provenance:
    return Provenance(source=rows.file.source, sha256=rows.file.sha256, decisions=rows.decisions + decided)
