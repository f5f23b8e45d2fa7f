"""Which columns hold an impedance, and what they make together."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.study.textcolumns import choose
from ohmshift.study.textquantities import phase_unit

if TYPE_CHECKING:
    from ohmshift.curves.values import ComplexArray
    from ohmshift.errors import FileRefusedError
    from ohmshift.study.textrows import Decisions, Rows

_KILO_OHM = re.compile(r"\bk\s*(?:ohms?\b|[ΩΩ])", re.IGNORECASE)
_OTHER_OHM = re.compile(r"(?<![a-z])[mµu]\s*(?:ohms?\b|[ΩΩ])", re.IGNORECASE)
_NEGATED = re.compile(r"\s*[-−]\s*(?:z|im|x)|\bneg", re.IGNORECASE)
_FORMS = (("real", "imaginary"), ("magnitude", "phase"))


def read_ohms(
    rows: Rows, wanted: dict[str, int | str | None], given_phase_unit: str | None
) -> tuple[ComplexArray, Decisions]:
    """Find the two columns that hold an impedance, and put it together.

    Parameters
    ----------
    rows : Rows
        The numbers of the file.
    wanted : dict
        Number or name of the column of "real", "imaginary", "magnitude", "phase", where given.
    given_phase_unit : {"degree", "radian"}, optional
        Unit of the phase, where the user gave it.

    Returns
    -------
    ndarray of complex, shape (n,)
        Impedance [ohm].
    tuple of (str, str)
        What was decided.

    Raises
    ------
    FileRefusedError
        A column or unit is missing or not clear, or a cell holds no number.

    Notes
    -----
    Real and imaginary part are preferred where both forms are there. The magnitude alone is not
    enough: a change predicted from it errs by more than 1 dB on ordinary loads. An imaginary part
    whose name begins with a minus sign is negated.
    """
    form, pair, how = _find_pair(rows, wanted)
    told = rows.columns.told
    decided = tuple((f"{name}_column", f"{told(i)} ({how})") for name, i in zip(form, pair, strict=True))
    impedance_ohm, units = _from_parts(rows, pair) if form == _FORMS[0] else _from_polar(rows, pair, given_phase_unit)
    return impedance_ohm, decided + units


def _find_pair(rows: Rows, wanted: dict[str, int | str | None]) -> tuple[tuple[str, str], tuple[int, int], str]:
    given = {
        key: choose(rows.file, rows.columns, rows.n_columns, value, f"{key}_column")
        for key, value in wanted.items()
        if value is not None
    }
    roles = rows.columns.roles()
    able = {key: [i for i, role in enumerate(roles) if role == key] for key in ("real", "imaginary", "phase")}
    able["magnitude"] = [i for i, role in enumerate(roles) if role == "impedance"]
    able["magnitude"] = able["magnitude"] or [i for i, role in enumerate(roles) if role == "size"]
    able |= {key: [index] for key, index in given.items()}
    for form in _FORMS:
        asked_otherwise = given and not set(given) & set(form)
        if not asked_otherwise and all(len(able[key]) == 1 for key in form):
            how = "given" if set(form) <= set(given) else f"header, line {rows.columns.line}"
            return form, (able[form[0]][0], able[form[1]][0]), how
    raise _no_pair(rows, able)


def _no_pair(rows: Rows, able: dict[str, list[int]]) -> FileRefusedError:
    rule = "an impedance needs magnitude and phase, or real and imaginary part"
    line = rows.columns.line or rows.table.line(0)
    listed = rows.columns.listed()
    if rows.n_columns == 2 or (able["magnitude"] and not any(able[key] for key in able if key != "magnitude")):  # noqa: PLR2004 - frequency and one more
        return rows.file.refusal(
            rule,
            f"the columns are {listed}",
            "export the phase too; the magnitude alone does not tell what a resistance does",
            line=line,
        )
    doubtful = [f"the {key} may be {rows.columns.listed(i, mark=' or ')}" for key, i in able.items() if len(i) > 1]
    return rows.file.refusal(
        rule,
        "; ".join(doubtful) or f"the columns {listed} do not say which they are",
        "give magnitude_column= and phase_column=, or real_column= and imaginary_column=",
        line=line,
    )


def _from_parts(rows: Rows, pair: tuple[int, int]) -> tuple[ComplexArray, Decisions]:
    real, imaginary = rows.column(pair[0], "real_column"), rows.column(pair[1], "imaginary_column")
    (factor, unit), (other, _) = (_ohm_unit(rows, index) for index in pair)
    if factor != other:
        raise rows.file.refusal(
            "real and imaginary part must be in one unit",
            f"only one of {' and '.join(map(rows.columns.told, pair))} is in kilo-ohm",
            "export both in ohm",
            line=rows.columns.line,
        )
    decided: Decisions = (("impedance_unit", unit),)
    impedance_ohm = np.empty(real.size, np.complex128)
    impedance_ohm.real, impedance_ohm.imag = factor * real, factor * imaginary
    if rows.columns.names and _NEGATED.match(rows.columns.names[pair[1]]):
        impedance_ohm = impedance_ohm.conj()
        decided += (("imaginary_sign", f"negated, as its name says (header, line {rows.columns.line})"),)
    return impedance_ohm, decided


def _from_polar(rows: Rows, pair: tuple[int, int], given: str | None) -> tuple[ComplexArray, Decisions]:
    size, phase = rows.column(pair[0], "magnitude_column"), rows.column(pair[1], "phase_column")
    factor, unit = _ohm_unit(rows, pair[0])
    if (size < 0).any():
        row = int(np.argmax(size < 0))
        raise rows.file.refusal(
            "the magnitude of an impedance cannot be below 0 ohm",
            f"column {rows.columns.told(pair[0])} holds {size[row]:g}",
            "give the columns by keyword if this was misread",
            line=rows.line(row),
        )
    turn, why = phase_unit(rows, pair[1], phase, given, quarter_turn=True)
    if not turn:
        raise rows.file.refusal(
            "the phase must be in degrees or radians",
            f"column {rows.columns.told(pair[1])} does not say which, and its numbers do not tell",
            'give phase_unit="degree" or phase_unit="radian"',
            line=rows.columns.line or rows.table.line(0),
        )
    angle = np.deg2rad(phase) if turn == "degree" else phase
    return np.asarray(factor * size * np.exp(1j * angle), np.complex128), (
        ("impedance_unit", unit),
        ("phase_unit", f"{turn} ({why})"),
    )


def _ohm_unit(rows: Rows, index: int) -> tuple[float, str]:
    name = rows.columns.names[index] if rows.columns.names else ""
    if _OTHER_OHM.search(name):
        raise rows.file.refusal(
            "an impedance must be in ohm or kilo-ohm",
            f"column {rows.columns.told(index)} is in another unit",
            "export it in ohm",
            line=rows.columns.line,
        )
    if _KILO_OHM.search(name):
        return 1000.0, f"kilo-ohm (header, line {rows.columns.line})"
    return 1.0, "ohm"
