"""Does more mean more? Rank correlation with an interval, and how many earphones would settle it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from ohmshift.errors import EvidenceError

if TYPE_CHECKING:
    import numpy.typing as npt

LEAST_FOR_RANKS = 5
"""Earphones that a rank correlation needs for its interval to mean anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RankCorrelation:
    """How one number rises with another over earphones.

    Parameters
    ----------
    rho : float
        Spearman's rank correlation, from -1 to 1; nan where it cannot be told, as are the others.
    low, high : float
        Ends of its 1 - alpha interval.
    p : float
        The p value of no correlation, from relabelling.
    count : int
        Earphones.
    alpha : float
        One less the level of the interval.
    reason : str
        Why it cannot be told; empty where it can.
    """

    rho: float
    low: float
    high: float
    p: float
    count: int
    alpha: float = 0.05
    reason: str = ""


def correlate_ranks(
    values: npt.ArrayLike, against: npt.ArrayLike, *, alpha: float = 0.05, resamples: int = 4999, seed: int = 0
) -> RankCorrelation:
    """Correlate the ranks of two numbers an earphone.

    Parameters
    ----------
    values, against : array_like, shape (n,)
        Two numbers an earphone, such as a metric and the driver count; nan counts as not known.
    alpha : float
        One less the level of the interval.
    resamples : int
        Most relabellings to try.
    seed : int
        Seed of the relabellings.

    Returns
    -------
    RankCorrelation
        Spearman's rho with its interval.

    Raises
    ------
    EvidenceError
        Arrays of different lengths, or an alpha out of range.

    Notes
    -----
    Equal values share their mean rank. The interval is that of Fisher's z with variance (1 + rho^2 / 2) / (n - 3) [1]_;
    for a perfect order it is taken at the next rho that n earphones can show.

    References
    ----------
    .. [1] D. G. Bonett and T. A. Wright, "Sample size requirements for estimating Pearson, Kendall and Spearman
       correlations", Psychometrika 65 (2000) 23-28.

    Examples
    --------
    >>> found = correlate_ranks([0.2, 0.9, 0.4, 1.6, 1.2, 2.3], [1, 2, 1, 4, 3, 5])
    >>> round(found.rho, 3), found.low > 0
    (0.986, True)
    """
    x, y = np.asarray(values, dtype=np.float64), np.asarray(against, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        found = f"they have shapes {x.shape} and {y.shape}"
        raise EvidenceError("correlate_ranks", "each earphone has both numbers", found, "give nan where one is unknown")
    if not 0 < alpha < 1:
        raise EvidenceError("correlate_ranks, alpha", "an error rate is between 0 and 1", f"it is {alpha}", "give 0.05")
    known = np.isfinite(x) & np.isfinite(y)
    n = int(known.sum())
    if n < LEAST_FOR_RANKS:
        return _unknown(n, alpha, f"fewer than {LEAST_FOR_RANKS} earphones tell")
    rank_x, rank_y = stats.rankdata(x[known]), stats.rankdata(y[known])
    if np.ptp(rank_x) == 0 or np.ptp(rank_y) == 0:
        return _unknown(n, alpha, "all values of one kind are equal")
    rank_x, rank_y = (rank - rank.mean() for rank in (rank_x, rank_y))
    scale = float(np.sqrt((rank_x @ rank_x) * (rank_y @ rank_y)))
    rho = float(np.clip(rank_x @ rank_y / scale, -1, 1))
    test = stats.permutation_test(
        (rank_x,),
        lambda sample, axis: sample @ rank_y / scale,  # noqa: ARG005 - the last axis, as scipy hands it over
        permutation_type="pairings",
        vectorized=True,
        n_resamples=resamples,
        axis=-1,
        rng=np.random.default_rng(seed),
    )
    low, high = rank_interval(rho, n, alpha=alpha)
    return RankCorrelation(rho=rho, low=low, high=high, p=float(test.pvalue), count=n, alpha=alpha)


def rank_interval(rho: float, count: int, *, alpha: float = 0.05) -> tuple[float, float]:
    """Give the interval of a rank correlation.

    Parameters
    ----------
    rho : float
        Spearman's rank correlation.
    count : int
        Earphones, more than 3.
    alpha : float
        One less the level of the interval.

    Returns
    -------
    tuple of two floats
        Its ends.
    """
    most = 1 - 12 / (count**3 - count)
    held = float(np.clip(rho, -most, most))
    half = float(stats.norm.isf(alpha / 2)) * np.sqrt((1 + held**2 / 2) / (count - 3))
    low, high = (float(np.tanh(np.arctanh(held) + side * half)) for side in (-1, 1))
    return (min(low, rho), max(high, rho))


def earphones_for_rank(rho: float, *, power: float = 0.8, alpha: float = 0.05) -> int | None:
    """Give how many earphones would tell a rank correlation from none.

    Parameters
    ----------
    rho : float
        Spearman's rank correlation to be told.
    power : float
        Probability of telling it.
    alpha : float
        Error rate.

    Returns
    -------
    int or None
        Earphones in all; None for a correlation of 0, which no number tells.
    """
    if abs(rho) < 1e-6:  # noqa: PLR2004 - nothing to tell
        return None
    z = stats.norm.isf(alpha / 2) + stats.norm.isf(1 - power)
    held = min(abs(rho), 0.999)
    return max(LEAST_FOR_RANKS, int(np.ceil(3 + (1 + held**2 / 2) * (z / np.arctanh(held)) ** 2)))


def _unknown(count: int, alpha: float, reason: str) -> RankCorrelation:
    nan = float("nan")
    return RankCorrelation(rho=nan, low=nan, high=nan, p=nan, count=count, alpha=alpha, reason=reason)
