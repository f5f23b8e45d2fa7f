"""Which columns hold level and phase, and in which units."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.study.textcolumns import choose

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray
    from ohmshift.study.textrows import Decisions, Rows

LEVEL_LIMIT_DB = 1000.0
"""No level is further from 0 dB than this: a larger number is another quantity, or misread."""

_PHASE_UNITS = ("degree", "radian")
_DEGREE = re.compile(r"deg|°|grad", re.IGNORECASE)
_RADIAN = re.compile(r"\brad(?:ian)?s?\b", re.IGNORECASE)
_QUARTER_TURN_RAD = 1.65
_JUMP_DEG = 300.0
_TURN_DEG = 361.0
_ENOUGH = 10


def read_level(rows: Rows, wanted: int | str | None) -> tuple[int, FloatArray, Decisions]:
    """Find the column of levels, and read it.

    Parameters
    ----------
    rows : Rows
        The numbers of the file.
    wanted : int or str, optional
        Number or name of the column, where the user gave it.

    Returns
    -------
    int
        The column, counted from 0.
    ndarray, shape (n,)
        Level [dB].
    tuple of (str, str)
        What was decided.

    Raises
    ------
    FileRefusedError
        No column, or more than one, can be it; or a cell of it holds no level.

    Notes
    -----
    Without names, the second of two columns holds the level; so it does where every further column
    holds one number throughout, or where the third of three shows the jumps of a wrapped phase.
    """
    if wanted is None:
        index, how = _find_level(rows)
    else:
        index, how = choose(rows.file, rows.columns, rows.n_columns, wanted, "level_column"), "given"
    level_db = rows.column(index, "level_column")
    if level_db.max() > LEVEL_LIMIT_DB or level_db.min() < -LEVEL_LIMIT_DB:
        row = int(np.argmax(np.abs(level_db) > LEVEL_LIMIT_DB))
        raise rows.file.refusal(
            f"a level must stay within {LEVEL_LIMIT_DB:,.0f} dB",
            f"column {rows.columns.told(index)} holds {level_db[row]:g}",
            "give level_column= or decimal= if this was misread",
            line=rows.line(row),
        )
    return index, level_db, (("level_column", f"{rows.columns.told(index)} ({how})"),)


def _find_level(rows: Rows) -> tuple[int, str]:
    columns, values = rows.columns, rows.table.values
    rest = [i for i in range(rows.n_columns) if i != rows.frequency]
    roles = columns.roles() or ("unknown",) * rows.n_columns
    for role in ("level", "size"):
        able = [i for i in rest if roles[i] == role]
        if len(able) == 1:
            return able[0], f"header, line {columns.line}"
        if able:
            break
    else:
        able = [i for i in rest if roles[i] == "unknown"]
        if len(able) == 1:
            return able[0], "no other can be it"
        if able and not _is_constant(values[:, able[0]]):
            if all(_is_constant(values[:, i]) for i in able[1:]):
                return able[0], "content, each further column holds one number throughout"
            if len(able) == 2 and _is_wrapped_phase(values[:, able[1]]):  # noqa: PLR2004 - level and phase
                return able[0], "content, the next column holds a wrapped phase"
    raise rows.file.refusal(
        "it must be clear which column holds the level" if able else "one column must hold a level in dB",
        f"it may be {columns.listed(able, mark=' or ')}" if able else f"the columns are {columns.listed()}",
        "give level_column=" if able else "export the level in dB, or say that it is an impedance",
        line=columns.line or rows.table.line(0),
    )


def read_phase(
    rows: Rows, level: int, wanted: int | str | None, given: str | None
) -> tuple[FloatArray | None, Decisions]:
    """Find the column of phases where there is one, and read it.

    Parameters
    ----------
    rows : Rows
        The numbers of the file.
    level : int
        The column of levels, counted from 0.
    wanted : int or str, optional
        Number or name of the column, where the user gave it; 0 for none.
    given : {"degree", "radian"}, optional
        Unit of the phase, where the user gave it.

    Returns
    -------
    ndarray, shape (n,), or None
        Phase [degree]; None where there is none, or its unit is not clear.
    tuple of (str, str)
        What was decided.

    Raises
    ------
    FileRefusedError
        A phase asked for is not there, or its unit is not clear; or a cell of it holds no number.
    """
    if wanted is None:
        index, how = _find_phase(rows, level)
    elif wanted == 0:
        index, how = None, "none (given)"
    else:
        index, how = choose(rows.file, rows.columns, rows.n_columns, wanted, "phase_column"), "given"
    if index is None:
        return None, (("phase_column", how),)
    phase = rows.column(index, "phase_column")
    unit, why = phase_unit(rows, index, phase, given, quarter_turn=False)
    told = rows.columns.told(index)
    if not unit:
        if wanted is not None:
            raise rows.file.refusal(
                "the phase must be in degrees or radians",
                f"column {told} does not say which",
                'give phase_unit="degree" or phase_unit="radian"',
                line=rows.columns.line or rows.table.line(0),
            )
        return None, (("phase_column", f"none, column {told} says neither degree nor radian"),)
    decided = (("phase_column", f"{told} ({how})"), ("phase_unit", f"{unit} ({why})"))
    return (np.rad2deg(phase) if unit == "radian" else phase), decided


def _find_phase(rows: Rows, level: int) -> tuple[int | None, str]:
    columns = rows.columns
    roles = columns.roles()
    named = [i for i, role in enumerate(roles) if role == "phase" and i != level]
    if len(named) == 1:
        return named[0], f"header, line {columns.line}"
    if named:
        return None, f"none, it may be {columns.listed(named, mark=' or ')}"
    taken = {rows.frequency, level}
    rest = [i for i in range(rows.n_columns) if i not in taken and (not roles or roles[i] == "unknown")]
    if len(rest) == 1 and _is_wrapped_phase(rows.table.values[:, rest[0]]):
        return rest[0], "content"
    return None, "none"


def phase_unit(rows: Rows, index: int, phase: FloatArray, given: str | None, *, quarter_turn: bool) -> tuple[str, str]:
    """Find the unit of a column of phases.

    Parameters
    ----------
    rows : Rows
        The numbers of the file.
    index : int
        The column, counted from 0.
    phase : ndarray, shape (n,)
        Its numbers.
    given : {"degree", "radian"}, optional
        The unit, where the user gave it.
    quarter_turn : bool
        Whether the phase stays within a quarter turn, as that of a passive impedance does.

    Returns
    -------
    str
        "degree" or "radian", or empty where that is not clear.
    str
        What decided.

    Raises
    ------
    FileRefusedError
        The unit given is neither.
    """
    if given is not None:
        if given not in _PHASE_UNITS:
            raise rows.file.refusal(
                'phase_unit must be "degree" or "radian"', f"it is {given!r}", "give one of these, or leave it out"
            )
        return given, "given"
    name = rows.columns.names[index] if rows.columns.names else ""
    for unit, pattern in zip(_PHASE_UNITS, (_DEGREE, _RADIAN), strict=True):
        if pattern.search(name):
            return unit, f"header, line {rows.columns.line}"
    if _is_wrapped_phase(phase):
        return "degree", "content, it jumps by a turn"
    if quarter_turn and np.abs(phase).max() > _QUARTER_TURN_RAD:
        return "degree", "content, in radians it would pass a quarter turn"
    return "", "not said"


def _is_constant(values: FloatArray) -> bool:
    return values.size >= _ENOUGH and bool((values == values[0]).all())


def _is_wrapped_phase(values: FloatArray) -> bool:
    """Say whether numbers stay within a turn in degrees, and jump by nearly one."""
    within = np.abs(values).max() < _TURN_DEG and np.ptp(values) < _TURN_DEG
    return bool(within and (np.abs(np.diff(values)) > _JUMP_DEG).any())
