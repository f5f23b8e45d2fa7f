"""Do classes differ anywhere in the band? One test of the whole change, which bears with unequal spread."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from ohmshift.errors import EvidenceError
from ohmshift.evidence.groups import LEAST_IN_CLASS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class VectorTest:
    """Whether the classes' mean changes differ in any band.

    Parameters
    ----------
    statistic : float
        W*d; nan where nothing could be tested.
    p : float
        Share of relabellings that give as large a statistic.
    classes : tuple of str
        Classes tested.
    count : int
        Earphones in them.
    resamples : int
        Relabellings tried; every one where they are no more than asked for.
    seed : int
        Seed of the relabellings.
    reason : str
        Why nothing was tested; empty where it was.
    """

    statistic: float
    p: float
    classes: tuple[str, ...]
    count: int
    resamples: int
    seed: int
    reason: str = ""


def compare_vectors(
    vectors: npt.ArrayLike, classes: Sequence[str], *, resamples: int = 4999, seed: int = 0
) -> VectorTest:
    """Test whether classes differ in their mean change over all bands.

    Parameters
    ----------
    vectors : array_like, shape (n, b)
        Change of each earphone in bands [dB]; bands that one of them does not cover are left out.
    classes : sequence of str, length n
        Class of each.
    resamples : int
        Most relabellings to try.
    seed : int
        Seed of the relabellings.

    Returns
    -------
    VectorTest
        Statistic and p value.

    Raises
    ------
    EvidenceError
        Other numbers of vectors and classes, or no band that all cover.

    Notes
    -----
    The statistic is W*d of [1]_, Welch's F with distances between earphones in place of differences: for one band it is
    Welch's F. Its p value comes from relabelling the earphones.

    References
    ----------
    .. [1] B. Hamidi, K. Wallace, C. Vasu, A. V. Alekseyenko, "W*d-test: robust distance-based multivariate analysis of
       variance", Microbiome 7:51 (2019).
    """
    x = np.asarray(vectors, dtype=np.float64)
    if x.ndim != 2 or len(x) != len(classes):  # noqa: PLR2004 - rows and bands
        found = f"vectors have shape {x.shape} and there are {len(classes)} classes"
        raise EvidenceError("compare_vectors", "each earphone has a row of bands and a class", found, "give one each")
    named = np.asarray(classes, dtype=object)
    tested = tuple(key for key in dict.fromkeys(classes) if np.sum(named == key) >= LEAST_IN_CLASS)
    rows = np.flatnonzero(np.isin(named, tested))
    if len(tested) < 2:  # noqa: PLR2004 - a difference needs two
        reason = f"fewer than two classes have {LEAST_IN_CLASS} earphones"
        return VectorTest(
            statistic=np.nan, p=np.nan, classes=tested, count=rows.size, resamples=0, seed=seed, reason=reason
        )
    x = x[:, np.isfinite(x[rows]).all(axis=0)]
    if x.shape[1] == 0:
        raise EvidenceError("compare_vectors", "all earphones cover one band in common", "none does", "drop one")
    squares = ((x[:, None] - x[None]) ** 2).sum(axis=2)
    result = stats.permutation_test(
        tuple(np.flatnonzero(named == key) for key in tested),
        lambda *groups, axis: welch_distance(squares, groups),  # noqa: ARG005 - the last axis, as scipy hands it over
        permutation_type="independent",
        vectorized=True,
        n_resamples=resamples,
        alternative="greater",
        axis=-1,
        rng=np.random.default_rng(seed),
    )
    return VectorTest(
        statistic=float(result.statistic),
        p=float(result.pvalue),
        classes=tested,
        count=rows.size,
        resamples=int(np.size(result.null_distribution)),
        seed=seed,
    )


def welch_distance(squares: FloatArray, groups: Sequence[npt.NDArray[np.intp]]) -> FloatArray:
    """Give W*d of groups of rows.

    Parameters
    ----------
    squares : ndarray, shape (n, n)
        Squared distances between all rows.
    groups : sequence of ndarray, shape (..., m)
        Indices of each group's rows.

    Returns
    -------
    ndarray, shape (...)
        The statistic; infinite where a group has no spread.
    """
    k, n = len(groups), np.array([group.shape[-1] for group in groups])
    # Sum of squared distances over all ordered pairs of two groups.
    sums = np.array(
        [[squares[one[..., :, None], other[..., None, :]].sum(axis=(-2, -1)) for other in groups] for one in groups]
    )
    within = np.array([sums[i, i] / (2 * n[i]) for i in range(k)])  # sum of squares about the group's mean
    shape = (k, *([1] * (within.ndim - 1)))
    size = n.reshape(shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        w = size * (size - 1) / within  # n over variance
        total = w.sum(axis=0)
        between = np.zeros_like(total)
        for i in range(k):
            for j in range(i + 1, k):
                apart = sums[i, j] / (n[i] * n[j]) - within[i] / n[i] - within[j] / n[j]
                between = between + w[i] * w[j] * apart / total
        h = ((1 - w / total) ** 2 / (size - 1)).sum(axis=0)
        found = between / (k - 1) / (1 + 2 * (k - 2) / (k**2 - 1) * h)
    return np.where(np.isfinite(found), found, np.inf)
