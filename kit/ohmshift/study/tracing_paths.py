"""The chain of runs that is one curve: most of the line, with the fewest jumps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.study.tracing_pixels import Runs

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray

WIDEST_GAP_PX = 60
"""Columns that a curve may be hidden for, behind another curve or between dashes."""

_JUMP = 0.12
_GAP = 0.02
_BEND = 0.06
_MOST_BEND = 2.0
_BACK = 8
_NEAR_PX = 4.0
_CERTAIN = 1000.0


def follow_curve(runs: Runs, *, corrections: tuple[tuple[float, float], ...] = ()) -> Runs:
    """Find the chain of runs, at most one a column, that is the curve.

    Parameters
    ----------
    runs : Runs
        Candidates.
    corrections : tuple of (x, y)
        Points [px] that it passes through.

    Returns
    -------
    Runs
        Those of the curve, by rising column.

    Notes
    -----
    Dynamic programming over columns: a run seen counts one; a jump costs its height, a gap its length, a bend away
    from the direction that the chain had its height, up to a limit.
    """
    runs = _force(runs, corrections)
    n = runs.column.size
    if n == 0:
        return runs
    score, before, slope = np.zeros(n), np.full(n, -1), np.zeros(n)
    gain = np.where(runs.forced, _CERTAIN, np.minimum(runs.mass / _typical(runs.mass), 1.0))
    columns, starts = np.unique(runs.column, return_index=True)
    ends = np.append(starts[1:], n)
    for column, start, end in zip(columns, starts, ends, strict=True):
        here = slice(start, end)
        first = int(np.searchsorted(runs.column, column - WIDEST_GAP_PX))
        score[here] = gain[here]
        if first == start:
            continue
        best, total = _best_before(runs, slice(first, start), here, score, slope)
        chained = total > 0
        score[here] = np.where(chained, gain[here] + total, gain[here])
        before[here] = np.where(chained, best, -1)
        for i in range(start, end):
            slope[i] = _direction(runs, before, i)
    chain = [int(np.argmax(score))]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    return runs.take(np.array(chain[::-1]))


def _typical(mass: FloatArray) -> float:
    """Give the mass that half of all ink is in runs above of: that of the line, not of the many dots of a grid."""
    order = np.sort(mass)
    return float(order[np.searchsorted(np.cumsum(order), order.sum() / 2)])


def _best_before(
    runs: Runs, earlier: slice, here: slice, score: FloatArray, slope: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Give for each run of a column the best run before it, and what the chain up to there is worth."""
    step = (runs.column[here][:, None] - runs.column[earlier]).astype(np.float64)
    apart = np.maximum(runs.top[here][:, None] - runs.bottom[earlier], runs.top[earlier] - runs.bottom[here][:, None])
    ahead = runs.centre[earlier] + slope[earlier] * step
    bend = np.abs(runs.centre[here][:, None] - ahead)
    cost = _JUMP * np.maximum(apart, 0) + _GAP * (step - 1) + np.minimum(_BEND * bend, _MOST_BEND)
    worth = score[earlier] - cost
    best = np.argmax(worth, axis=1)
    return best + earlier.start, worth[np.arange(best.size), best]


def _direction(runs: Runs, before: FloatArray, i: int) -> float:
    """Give the slope of a chain over its last columns."""
    j = i
    for _ in range(_BACK):
        if before[j] < 0:
            break
        j = int(before[j])
    step = float(runs.column[i] - runs.column[j])
    return float(runs.centre[i] - runs.centre[j]) / step if step else 0.0


def _force(runs: Runs, corrections: tuple[tuple[float, float], ...]) -> Runs:
    """Put in the corrections, and take out the runs of their columns."""
    if not corrections:
        return runs
    x, y = np.array(sorted(corrections)).T
    column = np.floor(x).astype(np.int64)
    column, kept = np.unique(column, return_index=True)
    y = y[kept]
    stay = ~np.isin(runs.column, column)
    left = runs.take(np.flatnonzero(stay))
    typical = float(np.median(runs.mass)) if runs.mass.size else 1.0
    merged = Runs(
        column=np.concatenate([left.column, column]),
        top=np.concatenate([left.top, y - typical / 2]),
        bottom=np.concatenate([left.bottom, y + typical / 2]),
        centre=np.concatenate([left.centre, y]),
        mass=np.concatenate([left.mass, np.full(y.size, typical)]),
        touched=np.concatenate([left.touched, np.zeros(y.size, dtype=bool)]),
        forced=np.concatenate([left.forced, np.ones(y.size, dtype=bool)]),
    )
    return merged.take(np.argsort(merged.column, kind="stable"))
