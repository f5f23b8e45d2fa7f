"""From pixels to frequencies and levels: each axis by two points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray

AxisScale: TypeAlias = Literal["log", "linear"]

LEAST_APART_PX = 20.0
"""Two points of an axis closer than this do not calibrate it [px]."""

LEAST_LOG_VALUE, MOST_VALUE = 1e-3, 1e7
"""Least value on a logarithmic axis, and most on any, either side of 0: what lies beyond is a slip [Hz or dB]."""

CLICK_PX = 0.29
"""Standard uncertainty of a point placed to the nearest pixel: half a pixel over the square root of three [px]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureAxis:
    """One axis of a chart in a picture.

    Parameters
    ----------
    name : str
        "frequency" or "level".
    first_px, second_px : float
        Where two points of it lie [px], from the left or from the top; the middle of the first pixel is at 0.5.
    first_value, second_value : float
        What they stand for [Hz or dB].
    scale : {"log", "linear"}
        How values go with pixels.

    Raises
    ------
    CurveError
        Points too close, equal values, values beyond any chart's, or one of zero or below on a logarithmic axis.

    Examples
    --------
    >>> axis = PictureAxis(name="frequency", first_px=100, second_px=700, first_value=20, second_value=20_000,
    ...                    scale="log")
    >>> round(float(axis.value(np.array(300.0))), 6)
    200.0
    """

    name: str
    first_px: float
    second_px: float
    first_value: float
    second_value: float
    scale: AxisScale = "linear"

    def __post_init__(self) -> None:
        """Check once."""
        numbers = (self.first_px, self.first_value, self.second_px, self.second_value)
        if not np.all(np.isfinite(numbers)):
            raise CurveError(f"{self.name} axis", "its points are numbers", f"they are {numbers}", "give numbers")
        if abs(self.second_px - self.first_px) < LEAST_APART_PX:
            rule = f"its two points lie at least {LEAST_APART_PX:g} pixels apart"
            found = f"they lie at {self.first_px:g} and {self.second_px:g}"
            raise CurveError(f"{self.name} axis", rule, found, "choose two ticks far apart")
        values = (self.first_value, self.second_value)
        if values[0] == values[1] or (self.scale == "log" and min(values) <= 0):
            rule = "its two points have two values" + (", both above 0" if self.scale == "log" else "")
            raise CurveError(f"{self.name} axis", rule, f"they are {values[0]:g} and {values[1]:g}", "read them anew")
        log = self.scale == "log"
        if max(map(abs, values)) > MOST_VALUE or (log and min(values) < LEAST_LOG_VALUE):
            rule = (
                f"its values are {LEAST_LOG_VALUE:g} to {MOST_VALUE:g}"
                if log
                else f"its values are up to {MOST_VALUE:g}"
            )
            raise CurveError(f"{self.name} axis", rule, f"they are {values[0]:g} and {values[1]:g}", "read them anew")

    def value(self, px: FloatArray) -> FloatArray:
        """Give what pixels stand for.

        Parameters
        ----------
        px : ndarray
            Pixels.

        Returns
        -------
        ndarray
            Values [Hz or dB], same shape.
        """
        t = (np.asarray(px, dtype=np.float64) - self.first_px) / (self.second_px - self.first_px)
        if self.scale == "log":
            return np.asarray(self.first_value * (self.second_value / self.first_value) ** t)
        return np.asarray(self.first_value + t * (self.second_value - self.first_value))

    def pixel(self, value: FloatArray) -> FloatArray:
        """Give where values lie.

        Parameters
        ----------
        value : ndarray
            Values [Hz or dB].

        Returns
        -------
        ndarray
            Pixels, same shape.
        """
        v = np.asarray(value, dtype=np.float64)
        if self.scale == "log":
            t = np.log(v / self.first_value) / np.log(self.second_value / self.first_value)
        else:
            t = (v - self.first_value) / (self.second_value - self.first_value)
        return np.asarray(self.first_px + t * (self.second_px - self.first_px))

    def click_px(self, px: FloatArray) -> FloatArray:
        """Give what the calibration leaves uncertain.

        Parameters
        ----------
        px : ndarray
            Pixels.

        Returns
        -------
        ndarray
            Standard uncertainty [px] from the two points, each placed to the nearest pixel; larger outside them.
        """
        t = (np.asarray(px, dtype=np.float64) - self.first_px) / (self.second_px - self.first_px)
        return np.asarray(CLICK_PX * np.hypot(1 - t, t))


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Both axes of a chart in a picture.

    Parameters
    ----------
    x : PictureAxis
        Frequency [Hz], from left to right.
    y : PictureAxis
        Level or change [dB], from top to bottom in pixels.
    """

    x: PictureAxis
    y: PictureAxis
