"""What a residual of the divider looks like: shapes that known faults leave, and how well each one fits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc

from ohmshift.curves.smoothing import mean_levels
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    from ohmshift.chain.crosscheck_fit import Errors
    from ohmshift.chain.crosscheck_model import DividerModel
    from ohmshift.curves.values import FloatArray

LEAK_HZ = tuple(float(f) for f in np.geomspace(25, 400, 9))
"""Corner frequencies tried for a leak [Hz]."""

BUMP_OCTAVES = (1 / 6, 1 / 3)
"""Standard deviations tried for a local bump [octave]."""

CANAL_LOW_HZ, CANAL_HIGH_HZ = 4500.0, 6500.0
"""Between these a moved ear-canal resonance sets in [Hz]."""

LIKELY = 0.01
"""A shape is named where chance fits one of its kind as well this seldom."""

LEAST_SHARE = 0.5
"""A shape is named where it accounts for this part of the misfit."""

NEAR = 6.0
"""Shapes whose misfit is no more than this above the best one's are named beside it."""

ALIKE = 0.98
"""Two effects with this correlation, in units of the errors, cannot be told apart."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Family:
    """Shapes that one kind of fault leaves.

    Parameters
    ----------
    name : str
        The fault.
    shapes_db : ndarray, shape (m, b + 1)
        Shapes in bands with the level last [dB], of any size.
    at_hz : tuple of float, length m
        Frequency that belongs to each [Hz].
    one_sided : bool
        Whether the fault adds its shape and cannot take it away.
    """

    name: str
    shapes_db: FloatArray
    at_hz: tuple[float, ...]
    one_sided: bool = False


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Likeness:
    """How well a fault's best shape fits.

    Parameters
    ----------
    name : str
        The fault.
    shape_db : ndarray, shape (b + 1,)
        Its shape, at the size fitted [dB].
    amplitude : float
        Factor on the shape of the family.
    at_hz : float
        Frequency that belongs to it [Hz].
    gain : float
        Misfit that it removes, as a chi-square of one degree of freedom.
    share : float
        Part of the misfit beyond chance that it removes, 0 to 1.
    p_value : float
        How often chance fits a shape of this kind as well, number of shapes tried included.
    score : float
        The gain less twice the logarithm of the number of shapes tried.
    """

    name: str
    shape_db: FloatArray
    amplitude: float
    at_hz: float
    gain: float
    share: float
    p_value: float
    score: float


def gather_shapes(
    model: DividerModel, predicted_db: FloatArray, *, bump_hz: tuple[float, ...], response_db: FloatArray | None
) -> list[Family]:
    """Give the shapes that known faults leave.

    Parameters
    ----------
    model : DividerModel
        The divider, for its bands.
    predicted_db : ndarray, shape (b + 1,)
        Predicted change in bands, the level last [dB].
    bump_hz : tuple of float
        Centres tried for a local bump [Hz].
    response_db : ndarray, shape (n,), or None
        Response without the resistance at the frequencies of the impedance [dB].

    Returns
    -------
    list of Family
        Seal leak, change of level, local bump and compression.

    Notes
    -----
    - Seal leak: a first-order high-pass that comes and goes, or whose corner moves.
    - Compression: the change is too small by a constant factor, level drop included, or, with a response, too small
      where the driver plays loudest.
    - Change of level: the level alone is off. It stands out only where the tone tells the resistance.
    """
    f = model.frequency_hz
    key = (f.tobytes(), model.low_hz.tobytes(), model.high_hz.tobytes())
    level = np.zeros(predicted_db.shape)
    level[-1] = 1.0
    smaller = [-predicted_db]
    families = [
        Family(name="seal leak", shapes_db=_leaks(*key), at_hz=LEAK_HZ * 2),
        Family(name="change of level", shapes_db=level[None], at_hz=(float("nan"),)),
        Family(name="local bump", shapes_db=_bumps(*key, bump_hz), at_hz=bump_hz * len(BUMP_OCTAVES)),
    ]
    if response_db is not None:
        follows = model.average(response_db)
        follows[-1] = 0.0
        smaller.append(follows)
    nowhere = (float("nan"),) * len(smaller)
    families.append(Family(name="compression", shapes_db=np.array(smaller), at_hz=nowhere, one_sided=True))
    return families


def shape_misalignment(model: DividerModel, response_db: FloatArray) -> Family:
    """Give the shape that a moved ear-canal resonance leaves.

    Parameters
    ----------
    model : DividerModel
        The divider, for its bands.
    response_db : ndarray, shape (n,)
        Response without the resistance at the frequencies of the impedance [dB].

    Returns
    -------
    Family
        The slope of the response over log frequency above the midrange: its size is the relative shift.
    """
    f = model.frequency_hz
    x = np.clip(np.log(f / CANAL_LOW_HZ) / np.log(CANAL_HIGH_HZ / CANAL_LOW_HZ), 0, 1)
    moved = model.average(np.gradient(response_db, np.log(f)) * x**2 * (3 - 2 * x))
    return Family(name="misaligned resonance", shapes_db=moved[None], at_hz=(float("nan"),))


def compare_shapes(
    families: list[Family],
    residual_db: FloatArray,
    errors: Errors,
    *,
    slope: FloatArray | None,
    deflation: float = 1.0,
) -> list[Likeness]:
    """Fit each fault's shapes to a residual, one at a time.

    Parameters
    ----------
    families : list of Family
        Shapes.
    residual_db : ndarray, shape (k,)
        Residual of the used entries [dB].
    errors : Errors
        Their errors.
    slope : ndarray, shape (b + 1,), or None
        Effect of the resistance [dB/ohm], where it is fitted along with each shape.
    deflation : float
        Factor on misfits, for variances that are themselves uncertain.

    Returns
    -------
    list of Likeness
        The best shape of each kind that could be told from the resistance, the likeliest first.
    """
    used, W = errors.used, errors.inverse
    count = residual_db.size
    if slope is not None:
        W = errors.project(slope[used])
        count -= 1
    total = float(residual_db @ W @ residual_db)
    found = []
    for family in families:
        shapes = family.shapes_db[:, used]
        with np.errstate(invalid="ignore", divide="ignore"):
            norm = ((shapes @ W) * shapes).sum(axis=1)
            whole = ((shapes @ errors.inverse) * shapes).sum(axis=1)
            own = norm > (1 - ALIKE**2) * whole
            amplitude = np.where(own, shapes @ (W @ residual_db) / np.where(own, norm, 1), 0.0)
        if family.one_sided:
            amplitude = np.maximum(amplitude, 0.0)
        gains = amplitude**2 * np.where(own, norm, 0.0)
        if not np.any(gains > 0):
            continue
        i = int(np.argmax(gains))
        gain, tried = float(gains[i]) * deflation, len(shapes)
        found.append(
            Likeness(
                name=family.name,
                shape_db=amplitude[i] * family.shapes_db[i],
                amplitude=float(amplitude[i]),
                at_hz=family.at_hz[i],
                gain=gain,
                share=float(np.clip(gain / max(total * deflation - count, gain, 1e-9), 0, 1)),
                p_value=min(1.0, tried * float(chdtrc(1, gain))),
                score=gain - 2 * float(np.log(tried)),
            )
        )
    return sorted(found, key=lambda likeness: -likeness.score)


def choose_likely(likenesses: list[Likeness]) -> list[Likeness]:
    """Keep the shapes worth naming.

    Parameters
    ----------
    likenesses : list of Likeness
        Shapes, the likeliest first.

    Returns
    -------
    list of Likeness
        The likeliest, and those that fit nearly as well; none where chance could do it or most of the misfit stays.
    """
    worthy = [one for one in likenesses if one.p_value < LIKELY and one.share >= LEAST_SHARE]
    return [one for one in worthy if one.score >= worthy[0].score - NEAR]


@lru_cache(maxsize=16)
def _leaks(frequency: bytes, low: bytes, high: bytes) -> FloatArray:
    f = np.frombuffer(frequency)
    squares = (np.array(LEAK_HZ)[:, None] / f) ** 2
    whole, moving = -10 * np.log10(1 + squares), -squares / (1 + squares)
    return _average(f, np.concatenate([whole, moving]), low, high)


@lru_cache(maxsize=16)
def _bumps(frequency: bytes, low: bytes, high: bytes, centres_hz: tuple[float, ...]) -> FloatArray:
    f = np.frombuffer(frequency)
    distance = octaves_from_frequency(f) - octaves_from_frequency(np.array(centres_hz))[:, None]
    curves = np.concatenate([np.exp(-0.5 * (distance / width) ** 2) for width in BUMP_OCTAVES])
    return _average(f, curves, low, high)


def _average(f: FloatArray, curves: FloatArray, low: bytes, high: bytes) -> FloatArray:
    means = mean_levels(f, curves, low_hz=np.frombuffer(low), high_hz=np.frombuffer(high))
    means[:, :-1] -= means[:, -1:]
    means.setflags(write=False)
    return means
