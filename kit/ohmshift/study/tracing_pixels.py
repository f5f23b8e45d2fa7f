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
_ROWS = 128  # of a picture at a time: a large one would take a gigabyte at once


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
    line : ndarray of float32, shape (h, w)
        Share of each pixel that the line covers, from 0 to 1.
    other : ndarray of bool, shape (h, w)
        Pixels of another line.
    """

    line: npt.NDArray[np.float32]
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
    unit, paper = (line / size).astype(np.float32), background.astype(np.float32)
    cover, other = np.empty(rgb.shape[:2], dtype=np.float32), np.empty(rgb.shape[:2], dtype=bool)
    for top in range(0, len(rgb), _ROWS):
        rows = slice(top, top + _ROWS)
        p = rgb[rows].astype(np.float32) - paper
        along = p @ unit
        aside = np.sqrt(np.maximum((p * p).sum(axis=2) - along**2, 0))
        hue = np.clip(1.5 - aside / np.maximum(_HUE_SHARE * along + _HUE_ROOM, 1e-6), 0, 0.5) * 2
        share = along / size
        share = np.where(share > _DARKER, 0.0, share) * (share > 0)
        cover[rows] = np.minimum(share, 1.0) * hue
        other[rows] = (np.hypot(along, aside) > _INK) & (cover[rows] < _OTHER_HUE)
    across, upright = _grid(cover, keep_rows=keep_rows)
    cover -= np.maximum(across[:, None], upright)
    across, upright = _grid(other.astype(np.float32), keep_rows=False)
    return Cover(line=np.maximum(cover, 0, out=cover), other=other & (across[:, None] == 0) & (upright == 0))


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
    height = cover.line.shape[0] + 2
    flat = np.pad(cover.line.T, ((0, 0), (1, 1))).ravel()  # column after column, none running on into the next
    covered = np.flatnonzero(flat > _FAINT)
    share = flat[covered].astype(np.float64)
    first = np.flatnonzero(np.diff(covered, prepend=-2) > 1)
    size = np.diff(first, append=covered.size)
    clear = np.maximum.reduceat(share, first) >= _CLEAR
    mass = np.add.reduceat(share, first)[clear]
    moment = np.add.reduceat(share * (covered % height - 0.5), first)[clear]
    column, top = np.divmod(covered[first[clear]], height)
    top, bottom = top - 1, top - 1 + size[clear]
    padded = np.pad(cover.other, ((2, 2), (0, 0)))
    touched = padded[top, column] | padded[top + 1, column] | padded[bottom + 2, column] | padded[bottom + 3, column]
    return Runs(
        column=np.asarray(column + first_column, dtype=np.int64),
        top=top.astype(np.float64),
        bottom=bottom.astype(np.float64),
        centre=moment / mass,
        mass=mass,
        touched=touched,
        forced=np.zeros(column.size, dtype=bool),
    )


def _grid(cover: npt.NDArray[np.float32], *, keep_rows: bool) -> list[npt.NDArray[np.float32]]:
    """Give what whole rows and whole columns share, as grid lines do: those from end to end, equally strong."""
    parts = []
    for axis in (1, 0):
        shared = np.median(cover, axis=axis)
        even = (cover > np.expand_dims(shared, axis) / 2).mean(axis=axis) > _WHOLE
        shared = np.where(even | (shared < _CLEAR), shared, 0.0)
        shared = np.where(shared > _OTHER_HUE, 1.0, shared)
        parts.append(np.zeros_like(shared) if axis == 1 and keep_rows else shared)
    return parts
