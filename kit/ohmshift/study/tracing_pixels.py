"""Which pixels of a picture belong to a line of one colour, and by how much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.errors import CurveError
from ohmshift.study.pictures import find_background

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

LEAST_CONTRAST = 40.0
"""Least distance of a line's colour from the background, of 442 at most."""

_HUE_SHARE = 0.08
_HUE_ROOM = 12.0
_DARKER = 1.2
_FAINT = 0.06
_CLEAR = 0.3
_WHOLE = 0.75
_INK = 70.0
_OTHER_HUE = 0.5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Runs:
    """Upright runs of pixels that a line could go through, by rising column.

    Parameters
    ----------
    column : ndarray of int, shape (r,)
        Column of each.
    top, bottom : ndarray, shape (r,)
        Where it starts and ends [px].
    centre : ndarray, shape (r,)
        Its centre of gravity [px]; the middle of the first row is at 0.5.
    mass : ndarray, shape (r,)
        How many whole pixels of the line it holds.
    touched : ndarray of bool, shape (r,)
        Whether another line lies right above or below it, and may hide part of it.
    forced : ndarray of bool, shape (r,)
        Whether a person put it there.
    """

    column: npt.NDArray[np.int64]
    top: FloatArray
    bottom: FloatArray
    centre: FloatArray
    mass: FloatArray
    touched: npt.NDArray[np.bool_]
    forced: npt.NDArray[np.bool_]

    def take(self, which: npt.NDArray[np.int64]) -> Runs:
        """Give some of the runs.

        Parameters
        ----------
        which : ndarray of int, shape (k,)
            Their places.

        Returns
        -------
        Runs
            Those.
        """
        names = ("column", "top", "bottom", "centre", "mass", "touched", "forced")
        return Runs(**{name: getattr(self, name)[which] for name in names})


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cover:
    """How a line and what else is drawn cover the pixels of a picture.

    Parameters
    ----------
    line : ndarray, shape (h, w)
        Share of each pixel that the line covers, from 0 to 1.
    other : ndarray of bool, shape (h, w)
        Pixels of another line.
    """

    line: FloatArray
    other: npt.NDArray[np.bool_]


def cover_pixels(
    rgb: npt.NDArray[np.uint8], colour: tuple[int, int, int], *, where: str, keep_rows: bool = False
) -> Cover:
    """Give how much of each pixel the line covers.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (h, w, 3)
        Pixels.
    colour : tuple of int
        The line's red, green and blue.
    where : str
        Name of the picture, for a message.
    keep_rows : bool
        Keep rows that are covered from end to end, for a curve that runs level.

    Returns
    -------
    Cover
        The line, and what may hide it.

    Raises
    ------
    CurveError
        The colour is that of the background.
    """
    background = find_background(rgb)
    line = np.array(colour, dtype=np.float64) - background
    size = float(np.linalg.norm(line))
    if size < LEAST_CONTRAST:
        raise CurveError(
            where,
            "a line stands out from the background",
            "the colour chosen is nearly the background's",
            "click on the middle of the curve",
        )
    p = rgb.astype(np.float32) - background.astype(np.float32)
    along = p @ (line / size).astype(np.float32)
    aside = np.sqrt(np.maximum((p * p).sum(axis=2) - along**2, 0))
    hue = np.clip(1.5 - aside / np.maximum(_HUE_SHARE * along + _HUE_ROOM, 1e-6), 0, 0.5) * 2
    cover = along / size
    cover = np.where(cover > _DARKER, 0.0, cover) * (cover > 0)
    cover = np.minimum(cover, 1.0) * hue
    other = (np.hypot(along, aside) > _INK) & (cover < _OTHER_HUE)
    return Cover(
        line=np.asarray(np.maximum(cover - _grid(cover, keep_rows=keep_rows), 0.0), dtype=np.float64),
        other=other & (_grid(other.astype(np.float64), keep_rows=False) == 0),
    )


def find_runs(cover: Cover, *, first_column: int = 0) -> Runs:
    """Find the upright runs of covered pixels.

    Parameters
    ----------
    cover : Cover
        How much of each pixel the line covers.
    first_column : int
        Number of the first column.

    Returns
    -------
    Runs
        By rising column.
    """
    height = cover.line.shape[0]
    flat = np.pad(cover.line.T, ((0, 0), (1, 1))).ravel()  # column after column, none running on into the next
    edges = np.flatnonzero(np.diff((flat > _FAINT).astype(np.int8))) + 1
    if edges.size:
        peak = np.maximum.reduceat(flat, edges)[::2]
        edges = edges.reshape(-1, 2)[peak >= _CLEAR].ravel()
    start, stop = edges[::2], edges[1::2]
    rows = np.tile(np.arange(height + 2) - 0.5, cover.line.shape[1])
    mass, moment = (np.concatenate([[0.0], np.cumsum(values)]) for values in (flat, flat * rows))
    column, top = np.divmod(start, height + 2)
    top, bottom = top - 1, top - 1 + stop - start
    padded = np.pad(cover.other, ((2, 2), (0, 0)))
    touched = padded[top, column] | padded[top + 1, column] | padded[bottom + 2, column] | padded[bottom + 3, column]
    total = mass[stop] - mass[start]
    return Runs(
        column=np.asarray(column + first_column, dtype=np.int64),
        top=top.astype(np.float64),
        bottom=bottom.astype(np.float64),
        centre=(moment[stop] - moment[start]) / total,
        mass=total,
        touched=touched,
        forced=np.zeros(column.size, dtype=bool),
    )


def _grid(cover: FloatArray, *, keep_rows: bool) -> FloatArray:
    """Give what whole rows or columns share, as grid lines do: those that go from end to end, equally strong."""
    parts = []
    for axis in (1, 0):
        shared = np.median(cover, axis=axis)
        even = (cover > np.expand_dims(shared, axis) / 2).mean(axis=axis) > _WHOLE
        shared = np.where(even | (shared < _CLEAR), shared, 0.0)
        shared = np.where(shared > _OTHER_HUE, 1.0, shared)
        parts.append(np.zeros_like(shared) if axis == 1 and keep_rows else shared)
    return np.maximum(parts[0][:, None], parts[1][None, :])
