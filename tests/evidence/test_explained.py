"""What foretells an earphone left out, against explicit refits and other software."""

from __future__ import annotations

import numpy as np
import pytest
from inventing import read_reference

from ohmshift.errors import EvidenceError
from ohmshift.evidence.explained import explain_values, foretell_by_class, foretell_by_line, foretell_by_mean

REFERENCE = read_reference("collection_statistics.txt")
STATSMODELS = "statsmodels 0.15.0 OLSInfluence.ess_press, commands in tests/references/collection_statistics.txt"


@pytest.mark.source("independent", ref=STATSMODELS)
def test_squared_errors_of_a_line_left_out() -> None:
    y, x = REFERENCE["cars.dist"], REFERENCE["cars.speed"]
    errors = y - foretell_by_line(y, x[:, None])
    assert float(errors @ errors) == pytest.approx(REFERENCE["ess_press.cars"][0], rel=1e-10)


@pytest.mark.source("independent", ref=STATSMODELS)
def test_squared_errors_of_classes_left_out() -> None:
    samples = {name: REFERENCE[f"InsectSprays.{name}"] for name in "ABCDEF"}
    y, classes = np.concatenate(list(samples.values())), [name for name, x in samples.items() for _ in x]
    errors = y - foretell_by_class(y, classes)
    assert float(errors @ errors) == pytest.approx(REFERENCE["ess_press.InsectSprays"][0], rel=1e-10)


@pytest.mark.source("analytic", ref="each fit done again without the earphone, by numpy.linalg.lstsq")
def test_a_line_is_fitted_to_the_others_alone() -> None:
    rng = np.random.default_rng(8)
    X, y = rng.standard_normal((9, 2)), rng.standard_normal(9)
    for i, value in enumerate(foretell_by_line(y, X)):
        others = np.arange(9) != i
        A = np.column_stack([np.ones(8), X[others]])
        fit = np.linalg.lstsq(A, y[others], rcond=None)[0]
        assert value == pytest.approx(fit @ [1, *X[i]])


@pytest.mark.source("analytic", ref="the only one of its class is foretold by the mean of all others")
def test_a_class_of_one_falls_back_on_the_mean() -> None:
    found = foretell_by_class(np.array([1.0, 3.0, 11.0]), ["a", "a", "b"])
    assert found.tolist() == [3.0, 1.0, 2.0]
    assert foretell_by_mean(np.array([1.0, 3.0, 11.0])).tolist() == [7.0, 6.0, 2.0]


@pytest.mark.source("analytic", ref="without the one earphone that differs the slope is not determined")
def test_an_undetermined_fit_falls_back_on_the_mean() -> None:
    y, x = np.array([1.0, 2, 3, 9]), np.array([[1.0], [1], [1], [5]])
    assert foretell_by_line(y, x)[3] == pytest.approx(2.0)


@pytest.mark.source("analytic", ref="perfect: 1; the others' mean itself: 0; twice the worst error: below 0")
def test_scale_of_r2() -> None:
    rng = np.random.default_rng(6)
    y = rng.standard_normal(12)
    fixed = {"classes": ["a"] * 12, "counts": np.ones(12), "features": rng.standard_normal((12, 2))}
    labels = [f"{i}" for i in range(12)]
    perfect = explain_values(y, labels, predicted=y, **fixed, resamples=99)
    r2 = {one.name: one.r2 for one in perfect.explained}
    assert r2["divider"] == pytest.approx(1)
    assert r2["type"] == r2["count"] == pytest.approx(0)
    mean = explain_values(y, labels, predicted=foretell_by_mean(y), **fixed, resamples=99)
    assert mean.explained[-1].r2 == pytest.approx(0)
    assert mean.differences[0].difference == pytest.approx(0)
    assert not mean.differences[0].certain
    assert [one.fitted for one in perfect.explained] == [True, True, True, False]


@pytest.mark.source(
    "analytic", ref="what is not known of an earphone leaves it out for all, so that all see the same ones"
)
def test_all_are_compared_on_the_same_earphones() -> None:
    y = np.arange(8.0)
    counts = np.array([1.0, 2, np.nan, 4, 5, 6, 7, 8])
    predicted = np.array([0.0, 1, 2, np.nan, 4, 5, 6, 7])
    found = explain_values(
        y, list("abcdefgh"), classes=["x"] * 8, counts=counts, features=np.ones((8, 1)), predicted=predicted
    )
    assert found.labels == ("a", "b", "e", "f", "g", "h")
    assert all(one.foretold.shape == (6,) for one in found.explained)
    few = explain_values(
        y[:5], list("abcde"), classes=["x"] * 5, counts=np.ones(5), features=np.ones((5, 1)), predicted=y[:5]
    )
    assert "only 5 of the earphones" in few.reason
    uncounted = explain_values(
        y, list("abcdefgh"), classes=["x"] * 8, counts=np.full(8, np.nan), features=np.ones((8, 1)), predicted=predicted
    )
    assert [one.name for one in uncounted.explained] == ["type", "|Z|", "divider"]
    assert len(uncounted.labels) == 7
    with pytest.raises(EvidenceError, match="one row an earphone"):
        explain_values(y, ["a"], classes=["x"] * 8, counts=counts, features=np.ones((8, 1)), predicted=predicted)


@pytest.mark.source("analytic", ref="resampled earphones: an interval holds the value, and the seed fixes it")
def test_intervals_are_of_the_earphones() -> None:
    rng = np.random.default_rng(9)
    y = rng.standard_normal(15)
    options = {"classes": list("abcde") * 3, "counts": rng.integers(1, 5, 15), "features": rng.standard_normal((15, 2))}
    one, other = (
        explain_values(y, [f"{i}" for i in range(15)], predicted=y + 0.1, **options, resamples=499, seed=4)
        for _ in range(2)
    )
    for a, b in zip(one.explained, other.explained, strict=True):
        assert (a.low, a.high) == (b.low, b.high)
        assert a.low <= a.r2 <= a.high
