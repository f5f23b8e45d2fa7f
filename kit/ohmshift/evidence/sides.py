"""Do left and right stray together? Then their mean is less certain than two independent sides would make it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.repeats import Deviations

_BEYOND_CHANCE = 2.0


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
        Correlation in the bands on the whole, and of the level; 0 where it is not two standard errors above none.

    Notes
    -----
    Each earphone and band gives one correlation, over the residuals of all seats that both sides have by the same name.
    Their mean is weighted by the degrees of freedom. Its standard error is that of a true correlation of 0: bands
    correlate, so their correlations do by the square.
    """
    found, degrees = [], []
    for groups in earphones:
        left = {group.places: group for group in groups if group.channel == "left"}
        pairs = [(left[group.places], group) for group in groups if group.channel == "right" and group.places in left]
        if pairs:
            first, second = (
                np.concatenate([np.column_stack([side.band_db, side.level_db]) for side in sides])
                for sides in zip(*pairs, strict=True)
            )
            size = np.sqrt((first**2).sum(axis=0) * (second**2).sum(axis=0))
            found.append(np.divide((first * second).sum(axis=0), size, out=np.full(size.size, np.nan), where=size > 0))
            degrees.append(sum(group.degrees for group, _ in pairs))
    if not found:
        return 0.0, 0.0
    table, weight = np.array(found), np.array(degrees, dtype=np.float64)[:, np.newaxis]
    weight = weight * np.isfinite(table)
    used = weight.sum(axis=0) > 0
    mean = np.nansum(weight * np.nan_to_num(table), axis=0)[used] / weight.sum(axis=0)[used]
    error = 1 / np.sqrt(sum(degrees))
    whole, level = float(mean[:-1].mean()), float(mean[-1])
    inside = correlation[np.ix_(used[:-1], used[:-1])]
    limits = _BEYOND_CHANCE * error * np.sqrt((inside**2).mean()), _BEYOND_CHANCE * error
    return (whole if whole > limits[0] else 0.0, level if level > limits[1] else 0.0)
