"""Rank correlation, against published and other software's values."""

from __future__ import annotations

import numpy as np
import pytest
from inventing import read_reference
from scipy import stats

from ohmshift.errors import EvidenceError
from ohmshift.evidence.counts import correlate_ranks, earphones_for_rank, rank_interval

REFERENCE = read_reference("collection_statistics.txt")
MANUAL = "manual of the R package statpsych, ci.spear, its example and 'should return'"


@pytest.mark.source("published", ref=MANUAL)
def test_spearman_and_its_interval() -> None:
    found = correlate_ranks(REFERENCE["ci.spear.y"], REFERENCE["ci.spear.x"])
    assert (found.rho, found.low, found.high) == pytest.approx(REFERENCE["ci.spear"], abs=5e-8)


@pytest.mark.source("independent", ref="scipy 1.17 stats.spearmanr")
def test_ties_share_their_rank() -> None:
    x, y = [1.0, 2, 2, 4, 4, 4, 7], [3.0, 3, 5, 5, 9, 8, 8]
    assert correlate_ranks(x, y).rho == pytest.approx(float(stats.spearmanr(x, y).statistic))


@pytest.mark.source("analytic", ref="of 120 orders of 5, two are perfect one way or the other: p = 2/120")
def test_perfect_order() -> None:
    found = correlate_ranks([1.0, 2, 3, 4, 5], [10.0, 20, 30, 40, 50])
    assert (found.rho, found.high) == (1.0, 1.0)
    assert found.p == pytest.approx(2 / 120)
    assert found.low == pytest.approx(rank_interval(1 - 12 / 120, 5)[0])


@pytest.mark.source("analytic", ref="turning one order round turns the sign; any rising function keeps ranks")
def test_laws() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.standard_normal(14), rng.standard_normal(14)
    one, turned, bent = correlate_ranks(x, y), correlate_ranks(x, -y), correlate_ranks(np.exp(x), y)
    assert (turned.rho, turned.low, turned.high) == pytest.approx((-one.rho, -one.high, -one.low))
    assert (bent.rho, bent.p) == pytest.approx((one.rho, one.p))


def test_what_cannot_be_correlated() -> None:
    assert "fewer than 5" in correlate_ranks([1.0, 2, np.nan, 4, 5], [1.0, 2, 3, 4, 5]).reason
    assert "equal" in correlate_ranks([1.0] * 6, [1.0, 2, 3, 4, 5, 6]).reason
    with pytest.raises(EvidenceError, match="each earphone has both"):
        correlate_ranks([1.0], [1.0, 2.0])
    with pytest.raises(EvidenceError, match="error rate"):
        correlate_ranks([1.0], [1.0], alpha=0)


@pytest.mark.source(
    "analytic", ref="at the number given the interval of that rho leaves out 0 with room for the power's z"
)
def test_earphones_for_a_correlation() -> None:
    needed = earphones_for_rank(0.5)
    z = np.arctanh(0.5) / np.sqrt((1 + 0.125) / (needed - 3))
    assert z >= stats.norm.isf(0.025) + stats.norm.isf(0.2)
    assert np.arctanh(0.5) / np.sqrt((1 + 0.125) / (needed - 4)) < stats.norm.isf(0.025) + stats.norm.isf(0.2)
    assert earphones_for_rank(0.0) is None
