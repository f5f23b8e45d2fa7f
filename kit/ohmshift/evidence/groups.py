"""Do classes of earphones differ? Tests that bear with few, unequal classes of unequal spread."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

from ohmshift.errors import EvidenceError
from ohmshift.evidence.studentized import range_probability, range_quantile
from ohmshift.evidence.welch import compare_means

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

LEAST_IN_CLASS = 3
"""Earphones that a class needs to be tested; smaller classes are listed."""

_LARGEST_F = 1e10


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassSummary:
    """One class in numbers.

    Parameters
    ----------
    name : str
        The class.
    count : int
        Earphones in it whose value is known.
    mean, sd : float
        Mean and standard deviation, in the values' unit; nan where too few.
    tested : bool
        Whether it is large enough to be tested.
    """

    name: str
    count: int
    mean: float
    sd: float
    tested: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PairDifference:
    """Difference of two classes' means.

    Parameters
    ----------
    first, second : str
        The classes.
    difference : float
        Mean of the first less that of the second.
    low, high : float
        Ends of the interval that holds for all pairs at once.
    p : float
        The p value, adjusted for all pairs.
    """

    first: str
    second: str
    difference: float
    low: float
    high: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupTest:
    """Whether the classes' means differ.

    Parameters
    ----------
    name : str
        What was compared.
    classes : tuple of ClassSummary
        Every class, the largest mean first.
    statistic : float
        Welch's F; nan where nothing could be tested, as are the other numbers then.
    degrees : tuple of two floats
        Its degrees of freedom.
    p_welch : float
        Its p value by Welch's approximate distribution.
    p : float
        Its p value by drawing means and spreads anew, which holds for small classes too.
    p_holm : float
        The same adjusted for all metrics tested together; equal to `p` for one alone.
    omega2 : float
        Share of the variance that the classes explain in the population, each class counted by its own spread.
    omega2_interval : tuple of two floats
        Its 1 - alpha interval.
    pairs : tuple of PairDifference
        Every pair of tested classes.
    alpha : float
        Error rate.
    reason : str
        Why nothing was tested; empty where it was.
    """

    name: str
    classes: tuple[ClassSummary, ...]
    statistic: float = float("nan")
    degrees: tuple[float, float] = (float("nan"), float("nan"))
    p_welch: float = float("nan")
    p: float = float("nan")
    p_holm: float = float("nan")
    omega2: float = float("nan")
    omega2_interval: tuple[float, float] = (float("nan"), float("nan"))
    pairs: tuple[PairDifference, ...] = ()
    alpha: float = 0.05
    reason: str = ""

    @property
    def differ(self) -> bool:
        """Whether the classes differ at the error rate, with all metrics tested together."""
        return bool(self.p_holm <= self.alpha)


def compare_classes(
    values: npt.ArrayLike, classes: Sequence[str], *, name: str = "value", alpha: float = 0.05, seed: int = 0
) -> GroupTest:
    """Test whether classes differ in the mean of one number an earphone.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value an earphone; nan counts as not measured.
    classes : sequence of str, length n
        Class of each.
    name : str
        What the values are.
    alpha : float
        Error rate, and one less the level of the intervals.
    seed : int
        Seed of the draws behind the p value.

    Returns
    -------
    GroupTest
        Welch's test, its effect size, and every pair of classes.

    Raises
    ------
    EvidenceError
        Other numbers of values and classes, or an alpha out of range.

    Notes
    -----
    Welch's test [1]_ does not pool the classes' spreads: on few earphones in unequal classes the pooled F gives several
    times the false alarms it promises. Its p value is drawn, as `compare_means` tells. Pairs are compared by Games and
    Howell's procedure [2]_; look at them only where the classes differ, since by themselves they alarm too often among
    classes of three. The effect size is omega squared with the interval that inverts the noncentral F distribution
    [3]_.

    References
    ----------
    .. [1] B. L. Welch, "On the comparison of several mean values: an alternative approach", Biometrika 38 (1951)
       330-336.
    .. [2] P. A. Games and J. F. Howell, "Pairwise multiple comparison procedures with unequal n's and/or variances: a
       Monte Carlo study", Journal of Educational Statistics 1 (1976) 113-125.
    .. [3] J. H. Steiger, "Beyond the F test: effect size confidence intervals and tests of close fit in the analysis of
       variance and contrast analysis", Psychological Methods 9 (2004) 164-182.

    Examples
    --------
    >>> test = compare_classes([1.0, 1.2, 1.1, 3.0, 3.3, 2.9, 5.0], ["a"] * 3 + ["b"] * 3 + ["c"])
    >>> test.differ, [one.name for one in test.classes if not one.tested]
    (True, ['c'])
    """
    y = np.asarray(values, dtype=np.float64)
    if y.shape != (len(classes),):
        rule, found = "each value has a class", f"there are {y.size} values and {len(classes)} classes"
        raise EvidenceError("compare_classes", rule, found, "give one class a value")
    if not 0 < alpha < 1:
        raise EvidenceError("compare_classes, alpha", "an error rate is between 0 and 1", f"it is {alpha}", "give 0.05")
    samples = gather_classes(y, classes)
    summaries = tuple(sorted((_summarise(key, x) for key, x in samples.items()), key=lambda one: -one.mean))
    tested = [one.name for one in summaries if one.tested]
    flat = [one.name for one in summaries if one.tested and one.sd == 0]
    if len(tested) < 2:  # noqa: PLR2004 - a difference needs two
        reason = f"fewer than two classes have {LEAST_IN_CLASS} earphones"
        return GroupTest(name=name, classes=summaries, alpha=alpha, reason=reason)
    if flat:
        reason = f"all values of {flat[0]} are equal, so its spread is not known"
        return GroupTest(name=name, classes=summaries, alpha=alpha, reason=reason)
    x = [samples[key] for key in tested]
    welch = compare_means(x, seed=seed)
    omega2, interval = omega_squared(welch.statistic, welch.degrees, sum(one.size for one in x), alpha=alpha)
    return GroupTest(
        name=name,
        classes=summaries,
        statistic=welch.statistic,
        degrees=welch.degrees,
        p_welch=welch.p_welch,
        p=welch.p,
        p_holm=welch.p,
        omega2=omega2,
        omega2_interval=interval,
        pairs=_compare_pairs(tested, x, alpha),
        alpha=alpha,
    )


def gather_classes(values: FloatArray, classes: Sequence[str]) -> dict[str, FloatArray]:
    """Gather values by class.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values; nan counts as not measured.
    classes : sequence of str, length n
        Class of each.

    Returns
    -------
    dict of str to ndarray
        Known values of each class, in the order in which classes come.
    """
    named = np.asarray(classes, dtype=object)
    return {key: values[(named == key) & np.isfinite(values)] for key in dict.fromkeys(classes)}


def adjust_holm(tests: Sequence[GroupTest]) -> tuple[GroupTest, ...]:
    """Adjust the p values of several metrics for being tested together.

    Parameters
    ----------
    tests : sequence of GroupTest
        One for each metric.

    Returns
    -------
    tuple of GroupTest
        The same with `p_holm` adjusted; those that could not be tested do not count.

    References
    ----------
    .. [1] S. Holm, "A simple sequentially rejective multiple test procedure", Scandinavian Journal of Statistics 6
       (1979) 65-70.
    """
    order = sorted((i for i, test in enumerate(tests) if np.isfinite(test.p)), key=lambda i: tests[i].p)
    adjusted, largest = list(tests), 0.0
    for place, i in enumerate(order):
        largest = max(largest, min(1.0, (len(order) - place) * tests[i].p))
        adjusted[i] = replace(tests[i], p_holm=largest)
    return tuple(adjusted)


def omega_squared(
    F: float, degrees: tuple[float, float], count: int, *, alpha: float = 0.05
) -> tuple[float, tuple[float, float]]:
    """Give the share of variance that classes explain, from an F value.

    Parameters
    ----------
    F : float
        F value.
    degrees : tuple of two floats
        Its degrees of freedom.
    count : int
        Earphones tested.
    alpha : float
        One less the level of the interval.

    Returns
    -------
    omega2 : float
        Estimate, 0 where the F value is below 1.
    interval : tuple of two floats
        Its 1 - alpha interval.

    Notes
    -----
    The interval holds each noncentrality under which an F value as small, and one as large, as the one found is not
    too rare; omega squared is lambda / (lambda + N) [1]_.

    References
    ----------
    .. [1] J. H. Steiger, Psychological Methods 9 (2004) 164-182, equations 13 to 16.
    """
    between = max(degrees[0] * (F - 1), 0.0)
    ends = [_noncentrality(min(F, _LARGEST_F), degrees, p) for p in (1 - alpha / 2, alpha / 2)]
    return between / (between + count), (ends[0] / (ends[0] + count), ends[1] / (ends[1] + count))


def _noncentrality(F: float, degrees: tuple[float, float], probability: float) -> float:
    """Give the noncentrality under which an F value is the quantile of a probability; 0 where none is."""

    def excess(nc: float) -> float:
        return float(special.ncfdtr(*degrees, nc, F)) - probability

    if excess(0.0) <= 0:
        return 0.0
    high = 10.0 * (degrees[0] * F + 1)
    while excess(high) > 0:
        high *= 2
    return float(optimize.brentq(excess, 0.0, high, xtol=1e-10 * high, rtol=1e-12))


def _summarise(name: str, x: FloatArray) -> ClassSummary:
    mean = float(x.mean()) if x.size else float("nan")
    sd = float(x.std(ddof=1)) if x.size > 1 else float("nan")
    return ClassSummary(name=name, count=x.size, mean=mean, sd=sd, tested=x.size >= LEAST_IN_CLASS)


def _compare_pairs(names: Sequence[str], samples: Sequence[FloatArray], alpha: float) -> tuple[PairDifference, ...]:
    """Compare every pair of classes, [2] of `compare_classes`."""
    k = len(names)
    squared_error = [x.var(ddof=1) / x.size for x in samples]
    found = []
    for i, j in combinations(range(k), 2):
        parts = np.array([squared_error[i], squared_error[j]])
        degrees = float(parts.sum() ** 2 / (parts**2 / [samples[i].size - 1, samples[j].size - 1]).sum())
        error = float(np.sqrt(parts.sum() / 2))
        difference = float(samples[i].mean() - samples[j].mean())
        half = range_quantile(alpha, k, degrees) * error
        found.append(
            PairDifference(
                first=names[i],
                second=names[j],
                difference=difference,
                low=difference - half,
                high=difference + half,
                p=1 - range_probability(abs(difference) / error, k, degrees),
            )
        )
    return tuple(found)
