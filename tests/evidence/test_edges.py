"""What is left over at the edges: intervals of few earphones, bands that one lacks, a study without repeats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from ohmshift.curves.grids import octave_grid
from ohmshift.evidence.bandvectors import compare_vectors
from ohmshift.evidence.concordance import measure_concordance
from ohmshift.evidence.estimates import borrow_uncertainty
from ohmshift.evidence.explained import ExplainedDifference, explain_values
from ohmshift.evidence.floors import estimate_noise_floor

F = octave_grid()


@pytest.mark.source(
    "analytic",
    ref="y = +-1: the others' mean errs by 8/7 each time, so R^2 is the mean of 8 shares g: -+ t(0.975, 7) s/sqrt 8",
)
def test_interval_of_few_earphones_is_as_wide_as_a_t_interval() -> None:
    y = np.tile([1.0, -1.0], 4)
    g = 0.5 + 0.2 * stats.norm.ppf((np.arange(8) + 0.5) / 8)
    predicted = y - 8 / 7 * np.sqrt(1 - g)
    found = explain_values(
        y,
        list("abcdefgh"),
        classes=["x"] * 8,
        counts=np.ones(8),
        features=np.ones((8, 1)),
        predicted=predicted,
        resamples=19_999,
        seed=1,
    ).explained[-1]
    assert found.r2 == pytest.approx(g.mean())
    half = stats.t.isf(0.025, 7) * g.std(ddof=1) / np.sqrt(8)
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=0.04)


@pytest.mark.parametrize(("low", "high", "certain"), [(-2, -1, True), (-1, 1, False), (1, 2, True)])
def test_difference_is_certain_where_its_interval_leaves_out_0(*, low: float, high: float, certain: bool) -> None:
    one = ExplainedDifference(better="divider", worse="type", difference=(low + high) / 2, low=low, high=high)
    assert one.certain is certain


def test_a_band_that_one_earphone_lacks_is_left_out_for_all() -> None:
    rows = np.random.default_rng(3).standard_normal((8, 3))
    classes = list("aaaabbbb")
    lacking = rows.copy()
    lacking[5, 2] = np.nan
    without, with_gap = compare_vectors(rows[:, :2], classes), compare_vectors(lacking, classes)
    assert (with_gap.statistic, with_gap.p) == (without.statistic, without.p)


def test_three_pairs_are_enough() -> None:
    assert measure_concordance(np.array([1.0, 2, 3]), np.array([1.0, 2, 3])) == pytest.approx(1)


def test_nothing_is_known_of_a_change_that_can_borrow_nothing() -> None:
    nothing = estimate_noise_floor([])
    found = borrow_uncertainty(F, 2.0 * (F > 3000), nothing, party="theirs", label="ladle", added_ohm=15.0)
    assert found.repeats is None
    np.testing.assert_array_equal(found.degrees[0], 0)
    assert not found.known.any()
