"""Tests over classes, against certified values and other software."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from inventing import read_reference
from scipy import optimize, stats

from ohmshift.errors import EvidenceError
from ohmshift.evidence.bandvectors import compare_vectors
from ohmshift.evidence.groups import GroupTest, adjust_holm, compare_classes, omega_squared
from ohmshift.evidence.studentized import range_probability, range_quantile
from ohmshift.evidence.welch import compare_means, draw_p, widen_by_means

REFERENCE = read_reference("collection_statistics.txt")
SPRAYS = {name: REFERENCE[f"InsectSprays.{name}"] for name in "ABCDEF"}
OTHERS = "statsmodels 0.15.0 and pingouin 0.7.0, commands in tests/references/collection_statistics.txt"
NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def flat(samples: dict[str, np.ndarray]) -> tuple[np.ndarray, list[str]]:
    return np.concatenate(list(samples.values())), [name for name, x in samples.items() for _ in x]


def nist(name: str) -> dict[str, np.ndarray]:
    lines = (NIST / name).read_text(encoding="utf-8").splitlines()[60:]
    rows = np.array([line.split() for line in lines if line.split()], dtype=float)
    return {f"{group:g}": rows[rows[:, 0] == group, 1] for group in np.unique(rows[:, 0])}


@pytest.mark.source("independent", ref="R 4.2.2 oneway.test(count ~ spray, InsectSprays); statsmodels 0.15.0 for p")
def test_welch_on_insect_sprays() -> None:
    test = compare_classes(*flat(SPRAYS))
    assert (test.statistic, test.degrees[1]) == pytest.approx(REFERENCE["oneway.test.F.df2"], rel=1e-9)
    assert test.p_welch == pytest.approx(float(REFERENCE["anova_oneway.p"][0]), rel=1e-6)
    assert test.p == 1e-4
    assert test.degrees[0] == 5
    assert test.differ


@pytest.mark.source(
    "published",
    ref="NIST StRD AtmWtAg, certified F 15.9467335677930; for two classes of one size Welch's F is the pooled one",
)
def test_certified_f_of_two_equal_classes() -> None:
    samples = nist("AtmWtAg.dat")
    y, classes = flat(samples)
    assert {len(x) for x in samples.values()} == {24}
    assert compare_classes(y, classes).statistic == pytest.approx(15.9467335677930, rel=1e-7)
    assert compare_vectors(y[:, None], classes).statistic == pytest.approx(15.9467335677930, rel=1e-7)


@pytest.mark.source(
    "analytic",
    ref="beside a class that hardly spreads, the other's mean over its error is a t value: F = t^2, p the t test's",
)
def test_drawn_p_is_the_t_test_where_one_class_hardly_spreads() -> None:
    wide, narrow = np.array([0.3, 2.1, 1.4, -0.2]), 1e-7 * np.arange(4.0)
    t = wide.mean() / np.sqrt(wide.var(ddof=1) / 4)
    test = compare_means([wide, narrow], draws=40_000)
    assert test.statistic == pytest.approx(t**2, rel=1e-5)
    assert test.p == pytest.approx(2 * stats.t.sf(t, 3), abs=0.007)
    assert compare_means([wide, narrow], draws=99, seed=1).p == compare_means([wide, narrow], draws=99, seed=1).p


@pytest.mark.source("independent", ref="R 4.2.2 oneway.test: both p values agree where classes are large")
def test_drawn_p_agrees_with_welch_in_large_classes() -> None:
    samples = [SPRAYS["A"], SPRAYS["B"], SPRAYS["F"]]
    test = compare_means(samples, draws=20_000)
    assert test.p == pytest.approx(test.p_welch, abs=0.02)


@pytest.mark.source("independent", ref=OTHERS)
@pytest.mark.parametrize("pair", ["A.B", "C.D", "C.E", "D.E", "D.F"])
def test_games_howell_on_insect_sprays(pair: str) -> None:
    found = {frozenset((one.first, one.second)): one for one in compare_classes(*flat(SPRAYS)).pairs}
    first, second = pair.split(".")
    one = found[frozenset((first, second))]
    difference, p = REFERENCE[f"gameshowell.{pair}"]
    assert abs(one.difference) == pytest.approx(abs(difference))
    assert one.p == pytest.approx(p, abs=2e-6)
    assert one.low < one.difference < one.high
    assert (one.low < 0 < one.high) == (p > 0.05)


@pytest.mark.source("independent", ref="scipy 1.17 stats.tukey_hsd(equal_var=False), intervals of Games and Howell")
def test_games_howell_intervals() -> None:
    samples = {name: SPRAYS[name][:5] for name in "CDE"}
    mine = compare_classes(*flat(samples))
    theirs = stats.tukey_hsd(*samples.values(), equal_var=False)
    ends = theirs.confidence_interval()
    names = list(samples)
    for one in mine.pairs:
        i, j = names.index(one.first), names.index(one.second)
        assert (one.low, one.high) == pytest.approx((ends.low[i, j], ends.high[i, j]), rel=1e-4)


@pytest.mark.source("independent", ref="scipy 1.17 stats.studentized_range")
@pytest.mark.parametrize(("q", "count", "degrees"), [(3.0, 3, 20.0), (5.0, 8, 2.3), (1.2, 4, 7.7), (9.0, 6, 60.0)])
def test_studentized_range(q: float, count: int, degrees: float) -> None:
    want = float(stats.studentized_range.cdf(q, count, degrees))
    assert range_probability(q, count, degrees) == pytest.approx(want, abs=2e-6)


@pytest.mark.source("memory", ref="H. L. Harter's table of the studentized range as most textbooks print it, 5 %")
def test_studentized_range_of_the_tables() -> None:
    assert range_quantile(0.05, 3, 20) == pytest.approx(3.58, abs=0.005)
    assert range_quantile(0.05, 4, 10) == pytest.approx(4.33, abs=0.005)
    assert range_quantile(0.05, 2, 12) == pytest.approx(np.sqrt(2) * stats.t.isf(0.025, 12))


@pytest.mark.source("independent", ref=OTHERS)
@pytest.mark.parametrize("case", ["3.0 3 20", "36.0654438935773 5 30.0425605087674", "1.2 4 13", "11.221 3 96"])
def test_omega_squared_and_its_interval(case: str) -> None:
    F, *degrees = (float(part) for part in case.split())
    count = 100
    omega2, interval = omega_squared(F, (degrees[0], degrees[1]), count)
    want = REFERENCE[f"ci_nc.{case.replace(' ', '.')}"]
    # statsmodels stops where the probability is right to 1e-5; the next test looks at the probability itself.
    found = np.array(interval) * count / (1 - np.array(interval))
    assert found == pytest.approx(want, rel=2e-3, abs=1e-9)
    assert interval[0] <= omega2 <= interval[1]


@pytest.mark.source("independent", ref="scipy 1.17 stats.ncf")
def test_ends_are_the_noncentralities_that_make_the_f_value_rare() -> None:
    F, degrees, count = 6.0, (3.0, 14.2), 18
    low, high = omega_squared(F, degrees, count)[1]
    at = [share / (1 - share) * count for share in (low, high)]
    assert [float(stats.ncf.cdf(F, *degrees, nc)) for nc in at] == pytest.approx([0.975, 0.025], abs=1e-9)


@pytest.mark.source("independent", ref=OTHERS)
def test_omega_squared_itself() -> None:
    assert omega_squared(3.0, (3, 20), 24)[0] == pytest.approx(REFERENCE["omega2.3.0.3.20"][0])
    assert omega_squared(11.221, (3, 96), 100)[0] == pytest.approx(REFERENCE["omega2.11.221.3.96"][0])
    assert omega_squared(0.5, (3, 20), 24) == (0.0, pytest.approx((0.0, omega_squared(0.5, (3, 20), 24)[1][1])))


@pytest.mark.source("independent", ref=OTHERS)
def test_holm() -> None:
    plain = [GroupTest(name="", classes=(), p=p) for p in (0.01, 0.04, 0.03, 0.005)]
    assert [test.p_holm for test in adjust_holm(plain)] == pytest.approx(REFERENCE["holm"])
    unknown = replace(plain[0], p=np.nan)
    adjusted = adjust_holm([unknown, plain[0]])
    assert adjusted[1].p_holm == pytest.approx(0.01)
    assert not adjusted[0].differ


def test_small_classes_are_listed_not_tested() -> None:
    test = compare_classes([1.0, 2, 3, 7, 8, 8.5, 100, 101, np.nan], ["a"] * 3 + ["b"] * 3 + ["c"] * 3)
    by_name = {one.name: one for one in test.classes}
    assert (by_name["c"].count, by_name["c"].tested) == (2, False)
    assert {pair.first for pair in test.pairs} | {pair.second for pair in test.pairs} == {"a", "b"}
    assert test.classes[0].name == "c"


def test_what_cannot_be_tested_says_why() -> None:
    few = compare_classes([1.0, 2, 3, 4], ["a", "a", "b", "b"])
    assert "fewer than two classes have 3" in few.reason
    assert not few.differ
    flat_class = compare_classes([1.0, 1, 1, 2, 3, 4], ["a"] * 3 + ["b"] * 3)
    assert "equal" in flat_class.reason
    with pytest.raises(EvidenceError, match="3 values and 2 classes"):
        compare_classes([1.0, 2, 3], ["a", "b"])
    with pytest.raises(EvidenceError, match="between 0 and 1"):
        compare_classes([1.0], ["a"], alpha=2)


@pytest.mark.source(
    "analytic",
    ref="two classes of 3 in the plane: centroids (0, 0) and (3, 4), sums of squares 4 and 16; n/var 1.5 and 0.375, "
    "so W*d = 1.5 x 0.375 / 1.875 x 25 = 7.5, and for two classes nothing divides it",
)
def test_w_star_in_the_plane() -> None:
    first = np.array([[-1.0, 1], [-0.0, -1], [1, 0]])
    second = 2 * first + [3, 4]
    rows = np.concatenate([first, second])
    sums = (first**2).sum()
    assert (sums, first.mean(axis=0) == 0) == (4, pytest.approx([True, True]))
    assert compare_vectors(rows, ["a"] * 3 + ["b"] * 3).statistic == pytest.approx(7.5)


@pytest.mark.source(
    "independent", ref="R 4.2.2 oneway.test(count ~ spray, InsectSprays): for one band W*d is Welch's F"
)
def test_w_star_of_one_band_is_welch() -> None:
    y, classes = flat(SPRAYS)
    test = compare_vectors(y[:, None], classes)
    assert test.statistic == pytest.approx(REFERENCE["oneway.test.F.df2"][0], rel=1e-9)


@pytest.mark.source("analytic", ref="turning the bands' axes leaves distances as they are")
def test_w_star_does_not_depend_on_axes() -> None:
    rng = np.random.default_rng(2)
    rows, classes = rng.standard_normal((11, 5)), ["a"] * 4 + ["b"] * 7
    turn = np.linalg.qr(rng.standard_normal((5, 5)))[0]
    assert compare_vectors(rows @ turn, classes).statistic == pytest.approx(compare_vectors(rows, classes).statistic)


@pytest.mark.source(
    "published",
    ref="Hamidi et al. 2019 (Microbiome 7:51), W*d from distances alone: means lie apart by the mean squared distance "
    "across less half the mean squared distance within each, variances are half the mean squared distance of two",
)
def test_w_star_from_distances() -> None:
    rng, sizes = np.random.default_rng(6), (3, 4, 6)
    rows = np.concatenate([s * rng.standard_normal((n, 5)) + s for s, n in zip((0.4, 1.0, 2.0), sizes, strict=True)])
    d2 = ((rows[:, None] - rows) ** 2).sum(axis=2)
    parts = np.split(np.arange(13), np.cumsum(sizes)[:-1])
    variance = [d2[np.ix_(at, at)].sum() / (2 * at.size * (at.size - 1)) for at in parts]
    w = np.array([at.size / v for at, v in zip(parts, variance, strict=True)])
    between = sum(
        w[i] * w[j] / w.sum() * (d2[np.ix_(parts[i], parts[j])].mean() - sum(d2[np.ix_(a, a)].mean() / 2 for a in pair))
        for i in range(3)
        for j in range(i)
        for pair in [(parts[i], parts[j])]
    )
    h = sum((1 - x / w.sum()) ** 2 / (n - 1) for x, n in zip(w, sizes, strict=True))
    expected = between / 2 / (1 + 2 * 1 / 8 * h)
    test = compare_vectors(rows, [name for name, n in zip("abc", sizes, strict=True) for _ in range(n)])
    assert test.statistic == pytest.approx(expected, rel=1e-12)


@pytest.mark.source(
    "analytic",
    ref="a class that spreads alike in all d directions, beside one that hardly spreads: the squared distance of the "
    "means over its error is a ratio of chi-squares over d and d(n - 1) degrees, F(d, d(n - 1))",
)
def test_w_star_of_round_classes_follows_f() -> None:
    corners = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])  # of a tetrahedron
    rows = np.concatenate([corners + np.array([1.1, 0.4, 0.2]), 1e-6 * corners])
    test = compare_vectors(rows, ["a"] * 4 + ["b"] * 4, draws=40_000)
    assert test.statistic == pytest.approx((1.1**2 + 0.4**2 + 0.2**2) / (12 / 3 / 4), rel=1e-5)
    assert test.p == pytest.approx(stats.f.sf(test.statistic, 3, 9), abs=3 * np.sqrt(0.25 / 40_000))
    assert 0.2 < test.p < 0.3


@pytest.mark.source("analytic", ref="for one band the draws are those of Welch's test, number by number")
def test_w_star_of_one_band_draws_as_welch() -> None:
    rng = np.random.default_rng(8)
    samples = [rng.standard_normal(3), 2 * rng.standard_normal(4) + 1]
    rows = np.concatenate(samples)[:, None]
    assert compare_vectors(rows, ["a"] * 3 + ["b"] * 4, seed=5).p == compare_means(samples, seed=5).p


def test_vectors_that_cannot_be_compared() -> None:
    assert "fewer than two classes" in compare_vectors(np.ones((4, 3)), ["a", "a", "b", "b"]).reason
    assert "all changes of b are equal" in compare_vectors(np.eye(6, 2), ["a"] * 3 + ["b"] * 3).reason
    with pytest.raises(EvidenceError, match="none does"):
        compare_vectors(np.full((6, 2), np.nan), ["a"] * 3 + ["b"] * 3)
    with pytest.raises(EvidenceError, match="a row of bands and a class"):
        compare_vectors(np.ones(4), ["a"] * 4)


@pytest.mark.source(
    "analytic", ref="of 300 collections of one mean 5 % are called different; 9 % is 3 standard deviations"
)
def test_false_alarms_on_unequal_spread() -> None:
    rng = np.random.default_rng(4)
    spreads, classes = np.repeat([0.3, 0.6, 1.0, 1.5], [12, 5, 4, 3]), np.repeat(["a", "b", "c", "d"], [12, 5, 4, 3])
    welch, pooled = [], []
    for _ in range(300):
        y = spreads * rng.standard_normal(24)
        samples = [y[classes == name] for name in "abcd"]
        welch.append(compare_means(samples, draws=399).p <= 0.05)
        pooled.append(stats.f_oneway(*samples).pvalue <= 0.05)
    assert np.mean(pooled) > 0.2
    assert np.mean(welch) < 0.12


@pytest.mark.source(
    "analytic",
    ref="two classes of n members, squared error e and means d apart: each counts half, each strays d/2, so the "
    "squared error about the common mean is ((n - 1) e + d^2/4) / (n - 1/2); with equal means of variance e the mean "
    "of d^2 is 2 e, which makes it e",
)
def test_spread_about_the_common_mean() -> None:
    n, e, d = 5, 0.7, 1.8
    found = widen_by_means(np.array([[0.0], [d]]), np.array([e, e]), np.array([n, n]))
    assert found == pytest.approx([((n - 1) * e + d**2 / 4) / (n - 0.5)] * 2)
    turned = widen_by_means(np.array([[0.0, 0.0], [0.6 * d, 0.8 * d]]), np.array([e, e]), np.array([n, n]))
    assert turned == pytest.approx(found)
    assert widen_by_means(np.array([[0.0], [np.sqrt(2 * e)]]), np.array([e, e]), np.array([n, n])) == pytest.approx(e)


@pytest.mark.source(
    "independent", ref="scipy 1.17 optimize.fsolve on the equations: each class's squares about the mean they weigh out"
)
def test_spread_about_the_common_mean_settles() -> None:
    sizes, mean = np.array([12, 5, 4, 3]), np.array([0.2, -0.4, 1.1, 3.0])
    squared_error = np.array([0.09, 0.36, 1.0, 0.1]) / sizes

    def gap(log_error: np.ndarray) -> np.ndarray:
        w = np.exp(-log_error)
        squares = (sizes - 1) * squared_error + (mean - (w * mean).sum() / w.sum()) ** 2
        return np.exp(log_error) * (sizes - w / w.sum()) / squares - 1

    found = widen_by_means(mean[:, None], squared_error, sizes)
    assert np.exp(optimize.fsolve(gap, np.log(found) + 0.01)) == pytest.approx(found, rel=1e-6)
    assert found[3] > 5 * squared_error[3]


@pytest.mark.source(
    "analytic",
    ref="of 2000 collections of one mean 1.25 % have p up to 0.0125, where Holm looks first among four; 2 % is 3 "
    "standard deviations. Draws with the spreads about each own mean gave 2.6 % in 3000 others",
)
def test_false_alarms_in_the_tail() -> None:
    rng, sizes = np.random.default_rng(5), np.array([12, 4])
    found = []
    for seed in range(2000):
        wide, narrow = 0.6 * rng.standard_normal(4), 0.3 * rng.standard_normal(12)
        mean = np.array([[narrow.mean()], [wide.mean()]])
        squared_error = np.array([narrow.var(ddof=1), wide.var(ddof=1)]) / sizes
        found.append(draw_p(mean, squared_error, sizes, np.ones(1), draws=399, seed=seed))
    assert np.mean(np.array(found) <= 0.0125) < 0.02
