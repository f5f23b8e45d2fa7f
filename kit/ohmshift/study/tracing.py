"""Tracing one curve of a chart in a picture, to a part of a pixel, with its reading error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import PchipInterpolator

from ohmshift.curves.values import Provenance, Response, Step, read_only
from ohmshift.errors import CurveError
from ohmshift.study.picture_axes import CLICK_PX
from ohmshift.study.tracing_paths import WIDEST_GAP_PX, follow_curve
from ohmshift.study.tracing_pixels import Runs, cover_pixels, find_runs

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.study.picture_axes import Calibration
    from ohmshift.study.pictures import Picture

Colour = tuple[int, int, int]
Point = tuple[float, float]

FEWEST_COLUMNS = 30
"""A curve seen in fewer columns of the picture is no curve."""

CENTRE_PX = 0.29
"""Standard uncertainty of a line's centre in one column [px]: half a pixel over the square root of three."""

WIDTH_SHARE = 0.05
"""And the share of the line's width that is added to it."""

_MARGIN_PX = 3.0
_ENOUGH = 0.5
_SLOPE_PX = 3
_MOST_MASS = 1.9
_LEAST_MASS = 0.55
_ROOM_PX = 0.8
_HIDDEN_SHARE = 0.12
_MOST_PAIRS = 2e8
_MOST_PAIRS_A_COLUMN = 5e6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TracedCurve:
    """A curve read off a picture.

    Parameters
    ----------
    response : Response
        The curve, one point a column of the picture; level relative, for a picture says nothing of the drive.
    reading_db : ndarray, shape (n,)
        Standard uncertainty of reading it [dB]: centre of the line, calibration of both axes, and what was not seen.
    seen : ndarray of bool, shape (n,)
        Columns in which the line was seen; between them it was drawn through.
    x_px, y_px : ndarray, shape (n,)
        Where the points lie [px].
    line_px : float
        Width of the line [px].
    caveats : tuple of str
        What to keep in mind.
    """

    response: Response
    reading_db: FloatArray
    seen: npt.NDArray[np.bool_]
    x_px: FloatArray
    y_px: FloatArray
    line_px: float
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("reading_db", "x_px", "y_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "seen", read_only(self.seen, np.bool_))


def trace_curve(
    picture: Picture,
    calibration: Calibration,
    colour: Colour,
    *,
    corrections: tuple[Point, ...] = (),
    label: str = "",
) -> TracedCurve:
    """Trace the curve of one colour.

    Parameters
    ----------
    picture : Picture
        The picture.
    calibration : Calibration
        Its axes. Only the columns between the two points of the frequency axis are read.
    colour : tuple of int
        Red, green and blue of the line, 0 to 255.
    corrections : tuple of (x, y)
        Points [px] that the curve passes through.
    label : str
        What to call the curve.

    Returns
    -------
    TracedCurve
        Curve and reading error.

    Raises
    ------
    CurveError
        A colour that is the background's, or one that makes no curve; an axis or a correction outside the picture.

    Notes
    -----
    A pixel counts by how far it lies on the way from the background to the line's colour, so that soft edges place the
    line's centre between pixels. What whole rows or columns share, as grid lines do, is taken for background. In each
    column upright runs of such pixels are candidates; the chain of candidates that sees most of the line with the
    fewest jumps is the curve. Runs much thicker or thinner than the line, as where another curve crosses, are drawn
    through, as are gaps of dashed lines. The reading error has four parts: the centre of the line, the calibration of
    the level, that of the frequency times the curve's slope, and in gaps the height of the arc that a bend can hide.
    """
    first, last = _columns_read(picture, calibration)
    _check_corrections(picture, corrections, first, last)
    path: Runs | None = None
    for keep_rows in (False, True):  # a curve that runs level looks like a grid line, but is rare
        cover = cover_pixels(picture.rgb[:, first:last], colour, where=picture.name, keep_rows=keep_rows)
        runs = find_runs(cover, first_column=first)
        _check_effort(runs, picture, colour)
        found = follow_curve(runs, corrections=corrections)
        if path is None or found.column.size > 2 * path.column.size:
            path = found
        if path.column.size > _ENOUGH * (last - first):
            break
    if path is None or path.column.size < FEWEST_COLUMNS:
        raise CurveError(
            picture.name,
            "a curve is seen in many columns of the picture",
            f"the colour {colour_name(colour)} makes a line in {0 if path is None else path.column.size}",
            "click on the curve again, or check the two points of the frequency axis",
        )
    x_px, y_px, seen, line_px = _join(path, corrections)
    return _read_off(
        picture, calibration, x_px, y_px, seen, line_px=line_px, colour=colour, corrections=corrections, label=label
    )


def colour_name(colour: Colour) -> str:
    """Write a colour as its code.

    Parameters
    ----------
    colour : tuple of int
        Red, green and blue, 0 to 255.

    Returns
    -------
    str
        As "#0072b2".

    Examples
    --------
    >>> colour_name((0, 114, 178))
    '#0072b2'
    """
    return "#" + "".join(f"{part:02x}" for part in colour)


def _columns_read(picture: Picture, calibration: Calibration) -> tuple[int, int]:
    """Give the first column that is read and the one after the last: between the axis's points, above 0 Hz."""
    low, high = sorted((calibration.x.first_px, calibration.x.second_px))
    first = int(np.clip(np.floor(low - _MARGIN_PX), 0, picture.width))
    last = int(np.clip(np.ceil(high + _MARGIN_PX), 0, picture.width))
    centres = np.arange(first, last, dtype=np.float64) + 0.5
    read = np.flatnonzero(calibration.x.value(centres) > 0)  # a linear axis may begin at 0 Hz
    if read.size < FEWEST_COLUMNS:
        rule = f"the frequency axis spans {FEWEST_COLUMNS} columns of the picture or more, above 0 Hz"
        found = f"from {low:g} to {high:g} px it spans {read.size}"
        raise CurveError(picture.name, rule, found, "place its two points on the chart's axis")
    return first + int(read[0]), first + int(read[-1]) + 1


def _check_corrections(picture: Picture, corrections: tuple[Point, ...], first: int, last: int) -> None:
    for x, y in corrections:
        if not (first <= x < last and 0 <= y <= picture.height):
            rule = "a point that the curve passes through lies in the picture, between the ends of the frequency axis"
            raise CurveError(picture.name, rule, f"{x:g}, {y:g} px does not", "place it on the curve, or take it out")


def _check_effort(runs: Runs, picture: Picture, colour: Colour) -> None:
    """Refuse what would take minutes and all memory: a colour in so many places that it is no line's."""
    columns, starts, counts = np.unique(runs.column, return_index=True, return_counts=True)
    pairs = counts * (starts - np.searchsorted(runs.column, columns - WIDEST_GAP_PX))
    if pairs.sum() > _MOST_PAIRS or pairs.max(initial=0) > _MOST_PAIRS_A_COLUMN:
        raise CurveError(
            picture.name,
            "a curve's colour is in few places of a column",
            f"the colour {colour_name(colour)} is in {runs.column.size / columns.size:.0f} of each, on average",
            "click on the middle of the curve, or cut the picture to the chart",
        )


def _join(path: Runs, corrections: tuple[Point, ...]) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_], float]:
    """Drop runs that hold more or less than the line, and draw through what is missing."""
    x, y = np.asarray(path.column + 0.5, dtype=np.float64), path.centre
    line_px = float(np.median(path.mass / np.hypot(1, _slopes(x, y))))
    sides = np.abs(np.stack([_slopes(x, y, after=0), _slopes(x, y, before=0)]))
    most, least = (line_px * np.hypot(1, side) for side in (sides.max(axis=0), sides.min(axis=0)))
    fits = (path.mass < _MOST_MASS * most + _ROOM_PX) & (path.mass > _LEAST_MASS * least - _ROOM_PX / 4)
    fits &= ~path.touched | (np.abs(path.mass - most) < _HIDDEN_SHARE * most)
    fits |= path.forced
    if fits.sum() < FEWEST_COLUMNS:
        fits[:] = True
    columns = np.arange(path.column[fits].min(), path.column[fits].max() + 1) + 0.5
    known_x, known_y = x[fits], y[fits]
    if corrections:
        near = np.abs(known_x[:, None] - np.array([point[0] for point in corrections])).min(axis=1) >= 1
        extra = np.array(sorted(corrections))
        order = np.argsort(np.concatenate([known_x[near], extra[:, 0]]), kind="stable")
        known_x = np.concatenate([known_x[near], extra[:, 0]])[order]
        known_y = np.concatenate([known_y[near], extra[:, 1]])[order]
    known_x, kept = np.unique(known_x, return_index=True)
    known_y = known_y[kept]
    seen = np.isin(np.floor(columns), np.floor(known_x))
    return columns, PchipInterpolator(known_x, known_y)(columns), seen, line_px


def _slopes(x: FloatArray, y: FloatArray, *, before: int = _SLOPE_PX, after: int = _SLOPE_PX) -> FloatArray:
    """Give the slope about each point, from its neighbours some places before and after."""
    n = x.size
    i = np.arange(n)
    left, right = np.maximum(i - before, 0), np.minimum(i + after, n - 1)
    return np.asarray((y[right] - y[left]) / np.maximum(x[right] - x[left], 1e-9))


def _hidden(x: FloatArray, y: FloatArray, seen: npt.NDArray[np.bool_]) -> FloatArray:
    """Give the height of the arc that a bend can hide in each gap [px]: its length times the change of slope, by 8."""
    hidden = np.zeros(x.size)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], seen, [True]]).astype(int)))
    slope = _slopes(x, y)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        before, after = max(start - 1 - _SLOPE_PX, 0), min(stop + _SLOPE_PX, x.size - 1)
        hidden[start:stop] = (stop - start + 1) * abs(slope[after] - slope[before]) / 8
    return hidden


def _read_off(
    picture: Picture,
    calibration: Calibration,
    x_px: FloatArray,
    y_px: FloatArray,
    seen: npt.NDArray[np.bool_],
    *,
    line_px: float,
    colour: Colour,
    corrections: tuple[Point, ...],
    label: str,
) -> TracedCurve:
    axis_x, axis_y = calibration.x, calibration.y
    f, level = axis_x.value(x_px), axis_y.value(y_px)
    db_per_px = np.abs(axis_y.value(y_px + 0.5) - axis_y.value(y_px - 0.5))
    across = np.hypot(axis_x.click_px(x_px), CLICK_PX) * np.abs(_slopes(x_px, y_px))
    centre = np.hypot(CENTRE_PX, WIDTH_SHARE * line_px)
    reading_px = np.sqrt(centre**2 + axis_y.click_px(y_px) ** 2 + across**2 + _hidden(x_px, y_px, seen) ** 2)
    order = slice(None) if f[0] < f[-1] else slice(None, None, -1)
    missing = 100 * float(1 - seen.mean())
    caveats = (f"{missing:.0f} % of the curve was not seen and is drawn through",) if missing >= 1 else ()
    options = (
        ("colour", colour_name(colour)),
        ("frequency_axis", _axis_text(calibration, "x")),
        ("level_axis", _axis_text(calibration, "y")),
        ("corrections", "; ".join(f"{x:g} {y:g}" for x, y in corrections) or None),
    )
    origin = picture.provenance
    kept = Provenance(
        source=origin.source,
        sha256=origin.sha256,
        decisions=(*origin.decisions, ("line", f"{line_px:.1f} pixels wide"), ("scale", _scale_text(f, db_per_px))),
    )
    response = Response(
        frequency_hz=f[order],
        level_db=level[order],
        level_reference="relative",
        label=label or picture.name,
        provenance=kept,
        history=(Step(name="trace_curve", options=options),),
    )
    return TracedCurve(
        response=response,
        reading_db=(reading_px * db_per_px)[order],
        seen=seen[order],
        x_px=x_px[order],
        y_px=y_px[order],
        line_px=line_px,
        caveats=caveats,
    )


def _axis_text(calibration: Calibration, which: str) -> str:
    axis = calibration.x if which == "x" else calibration.y
    first, second = (
        f"{px:g} px = {value:g}"
        for px, value in ((axis.first_px, axis.first_value), (axis.second_px, axis.second_value))
    )
    return f"{first}, {second}, {axis.scale}"


def _scale_text(f: FloatArray, db_per_px: FloatArray) -> str:
    share = 100 * float(np.median(np.abs(np.diff(np.log(f)))))
    return f"a pixel is {np.median(db_per_px):.3f} dB high and {share:.2f} % wide"
