"""What foretells the change of an earphone left out: its type, its driver count, its impedance, or the divider."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

LEAST_FOR_R2 = 6
"""Earphones that a leave-one-out comparison needs."""

_LEAST_SINGULAR = 1e-10


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Explained:
    """How well one kind of knowledge foretells an earphone that it has not seen.

    Parameters
    ----------
    name : str
        What was known: "type", "count".
    fitted : bool
        Whether parameters were fitted to the other earphones.
    foretold : ndarray, shape (n,)
        Value foretold for each earphone from the others alone.
    r2 : float
        Leave-one-out R^2: 1 less the squared errors over those of foretelling each earphone by the mean of the others.
        1 is perfect; 0 and less is no better than that mean.
    low, high : float
        Ends of its 1 - alpha interval, earphones resampled.
    """

    name: str
    fitted: bool
    foretold: FloatArray
    r2: float
    low: float
    high: float

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "foretold", read_only(self.foretold))


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedDifference:
    """How much better one kind of knowledge foretells than another.

    Parameters
    ----------
    better, worse : str
        Names of the two.
    difference : float
        R^2 of the first less that of the second.
    low, high : float
        Ends of its 1 - alpha interval, earphones resampled.
    """

    better: str
    worse: str
    difference: float
    low: float
    high: float

    @property
    def certain(self) -> bool:
        """Whether the interval leaves out 0."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Explanation:
    """Several kinds of knowledge, compared on the same earphones.

    Parameters
    ----------
    labels : tuple of str, length n
        Earphones compared: those for which everything is known.
    values : ndarray, shape (n,)
        What was to be foretold.
    explained : tuple of Explained
        One for each kind of knowledge.
    differences : tuple of ExplainedDifference
        The last kind against each of the others.
    reason : str
        Why nothing was compared; empty where it was.
    """

    labels: tuple[str, ...]
    values: FloatArray
    explained: tuple[Explained, ...] = ()
    differences: tuple[ExplainedDifference, ...] = ()
    reason: str = ""

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "values", read_only(self.values))


def explain_values(
    values: npt.ArrayLike,
    labels: Sequence[str],
    *,
    classes: Sequence[str],
    counts: npt.ArrayLike,
    features: npt.ArrayLike,
    predicted: npt.ArrayLike,
    alpha: float = 0.05,
    resamples: int = 4999,
    seed: int = 0,
) -> Explanation:
    """Compare what foretells a metric: driver type, driver count, impedance magnitude, or the divider.

    Parameters
    ----------
    values : array_like, shape (n,)
        The metric of each earphone.
    labels : sequence of str, length n
        Names of the earphones.
    classes : sequence of str, length n
        Driver class of each.
    counts : array_like, shape (n,)
        Driver count of each; nan where not known. Where too few are known, the count is left out of the comparison.
    features : array_like, shape (n, p)
        Numbers that describe the magnitude of each impedance; nan where not known.
    predicted : array_like, shape (n,)
        The metric as the divider predicts it, no parameter fitted; nan where it was not predicted independently.
    alpha : float
        One less the level of the intervals.
    resamples : int
        Resamplings of the earphones.
    seed : int
        Seed of those.

    Returns
    -------
    Explanation
        Leave-one-out R^2 of each, on the earphones for which all are known, and the differences to the divider.

    Raises
    ------
    EvidenceError
        Arrays of different lengths.

    Notes
    -----
    The type foretells an earphone by the mean of the others of its class, or of all others where it is the only one;
    count and features by a straight line fitted to the others. All three are judged on the earphone left out, as the
    divider is, which fits nothing: an R^2 of a fit to the same earphones would flatter them.

    The intervals resample earphones with what was foretold for them: percentiles of the ratio of sums, expanded for few
    earphones [1]_. In simulation they hold in 89 to 93 % of collections of 15 to 60 earphones in place of 95 %, since
    what was foretold is not foretold anew.

    References
    ----------
    .. [1] T. C. Hesterberg, "What teachers should know about the bootstrap: resampling in the undergraduate statistics
       curriculum", The American Statistician 69 (2015) 371-386, section 5.3.
    """
    y, count = np.asarray(values, dtype=np.float64), np.asarray(counts, dtype=np.float64)
    X, divider = np.asarray(features, dtype=np.float64), np.asarray(predicted, dtype=np.float64)
    lengths = {len(y), len(labels), len(classes), len(count), len(X), len(divider)}
    if len(lengths) > 1:
        found = f"they have {sorted(lengths)} rows"
        raise EvidenceError("explain_values", "everything has one row an earphone", found, "give one row each")
    known = np.isfinite(y) & np.isfinite(X).all(axis=1) & np.isfinite(divider)
    counted = known & np.isfinite(count)
    known = counted if counted.sum() >= LEAST_FOR_R2 else known
    names = tuple(label for label, used in zip(labels, known, strict=True) if used)
    if len(names) < LEAST_FOR_R2:
        reason = f"change and measured impedance are both known for only {len(names)} of the earphones"
        return Explanation(labels=names, values=y[known], reason=reason)
    y, kept = y[known], [name for name, used in zip(classes, known, strict=True) if used]
    foretold = {"type": foretell_by_class(y, kept)}
    if counted.sum() >= LEAST_FOR_R2:
        foretold["count"] = foretell_by_line(y, count[known, None])
    foretold |= {"|Z|": foretell_by_line(y, X[known]), "divider": divider[known]}
    explained, differences = _score(y, foretold, alpha=alpha, resamples=resamples, seed=seed)
    return Explanation(labels=names, values=y, explained=explained, differences=differences)


def foretell_by_mean(values: FloatArray) -> FloatArray:
    """Foretell each value by the mean of the others.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values.

    Returns
    -------
    ndarray, shape (n,)
        Means without each.
    """
    return np.asarray((values.sum() - values) / (values.size - 1))


def foretell_by_class(values: FloatArray, classes: Sequence[str]) -> FloatArray:
    """Foretell each value by the mean of the others of its class; of all others, where it is the only one.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values.
    classes : sequence of str, length n
        Class of each.

    Returns
    -------
    ndarray, shape (n,)
        Values foretold.
    """
    named = np.asarray(classes, dtype=object)
    found = foretell_by_mean(values)
    for name in dict.fromkeys(classes):
        inside = named == name
        if inside.sum() > 1:
            found[inside] = foretell_by_mean(values[inside])
    return found


def foretell_by_line(values: FloatArray, features: FloatArray) -> FloatArray:
    """Foretell each value by a linear fit to the others.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values.
    features : ndarray, shape (n, p)
        What they are fitted on, with a constant.

    Returns
    -------
    ndarray, shape (n,)
        Values foretold.

    Notes
    -----
    One fit gives all: the error of the value left out is its residual over 1 less its leverage [1]_. A value without
    which the fit would not be determined is foretold by the mean of the others.

    References
    ----------
    .. [1] D. M. Allen, "The relationship between variable selection and data augmentation and a method for
       prediction", Technometrics 16 (1974) 125-127.
    """
    A = np.column_stack([np.ones(len(values)), features])
    Q = np.linalg.svd(A, full_matrices=False)
    basis = Q.U[:, Q.S / Q.S[0] > _LEAST_SINGULAR]
    leverage = (basis**2).sum(axis=1)
    residual = values - basis @ (basis.T @ values)
    determined = 1 - leverage > _LEAST_SINGULAR
    error = np.divide(residual, 1 - leverage, out=np.zeros_like(residual), where=determined)
    return np.where(determined, values - error, foretell_by_mean(values))


def _score(
    y: FloatArray, foretold: Mapping[str, FloatArray], *, alpha: float, resamples: int, seed: int
) -> tuple[tuple[Explained, ...], tuple[ExplainedDifference, ...]]:
    """Score each kind, and the last against the others."""
    base = (y - foretell_by_mean(y)) ** 2
    square = {name: (y - values) ** 2 for name, values in foretold.items()}
    *others, last = foretold
    explained = tuple(
        Explained(
            name=name,
            fitted=name != last,
            foretold=foretold[name],
            r2=float(1 - square[name].sum() / base.sum()),
            **_interval(base, base - square[name], alpha=alpha, resamples=resamples, seed=seed),
        )
        for name in foretold
    )
    differences = tuple(
        ExplainedDifference(
            better=last,
            worse=name,
            difference=float((square[name] - square[last]).sum() / base.sum()),
            **_interval(base, square[name] - square[last], alpha=alpha, resamples=resamples, seed=seed),
        )
        for name in others
    )
    return explained, differences


def _interval(base: FloatArray, gain: FloatArray, *, alpha: float, resamples: int, seed: int) -> dict[str, float]:
    """Give the interval of sum(gain) / sum(base), earphones resampled."""
    if not base.any():
        return {"low": float("nan"), "high": float("nan")}
    found = stats.bootstrap(
        (gain, base),
        lambda over, under, axis: over.sum(axis=axis) / under.sum(axis=axis),
        paired=True,
        vectorized=True,
        n_resamples=resamples,
        confidence_level=1 - 2 * _expanded_tail(alpha, base.size),
        method="percentile",
        rng=np.random.default_rng(seed),
    )
    low, high = found.confidence_interval
    return {"low": float(low), "high": float(high)}


def _expanded_tail(alpha: float, count: int) -> float:
    """Give the tail of a percentile interval that is as wide as a t interval would be, [1] of `explain_values`."""
    t = float(stats.t.isf(alpha / 2, count - 1))
    return float(stats.norm.sf(t * np.sqrt(count / (count - 1))))
