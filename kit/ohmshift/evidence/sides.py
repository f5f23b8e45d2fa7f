"""Do left and right stray together? Then their mean is less certain than two independent sides would make it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.repeats import Deviations

_STANDARD_ERRORS = 1.0


def correlate_sides(earphones: Iterable[Sequence[Deviations]], correlation: FloatArray) -> tuple[float, float]:
    """Correlate what the left and the right side of one seat stray by.

    Parameters
    ----------
    earphones : iterable of sequence of Deviations
        Each earphone's groups of repeats.
    correlation : ndarray, shape (b, b)
        Correlation between bands.

    Returns
    -------
    tuple of two float
        Correlation in the bands on the whole, and of the level; 0 where it is not one standard error above none.

    Notes
    -----
    Twice the covariance over the sum of both variances: by that the variance of their mean is larger than that of two
    independent sides. Each earphone counts by its degrees of freedom, whatever its noise. The standard error is that of
    a true correlation of 0: bands correlate, so their correlations do by the square.

    One standard error, not more: sides that share nothing then widen the interval of the level by 1 to 3 % in the mean,
    while sides that correlate by 0.3 to 0.8 leave it the coverage that it has where that is known, within 1 %. In
    simulated studies of 6 to 20 earphones, two or three seats, three standard errors left it 87 to 93 % in place of 92
    to 95 %, where six earphones with two seats were worst.
    """
    cross, square, degrees = [], [], []
    for groups in earphones:
        left = {group.places: group for group in groups if group.channel == "left"}
        pairs = [(left[group.places], group) for group in groups if group.channel == "right" and group.places in left]
        if pairs:
            first, second = (
                np.concatenate([np.column_stack([side.band_db, side.level_db]) for side in sides])
                for sides in zip(*pairs, strict=True)
            )
            cross.append((first * second).sum(axis=0))
            square.append((first**2 + second**2).sum(axis=0) / 2)
            degrees.append(sum(group.degrees for group, _ in pairs))
    if not cross:
        return 0.0, 0.0
    used = np.isfinite(square).all(axis=0) & (np.sum(square, axis=0) > 0)
    products, squares = np.array(cross)[:, used], np.array(square)[:, used]
    noise = np.median(squares / squares.sum(axis=0), axis=1, keepdims=True) / np.array(degrees)[:, np.newaxis]
    weight = np.divide(1.0, noise, out=np.zeros_like(noise), where=noise > 0)
    found = (weight * products).sum(axis=0) / (weight * squares).sum(axis=0)
    error = _STANDARD_ERRORS / np.sqrt(sum(degrees))
    inside = correlation[np.ix_(used[:-1], used[:-1])]
    whole = float(found[:-1].mean()) if inside.size else 0.0
    level = float(found[-1]) if used[-1] else 0.0
    return (whole if whole > error * np.sqrt((inside**2).mean()) else 0.0, level if level > error else 0.0)
