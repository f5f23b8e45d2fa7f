"""Lin's concordance against an independent program."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.errors import EvidenceError
from ohmshift.evidence.concordance import measure_concordance

FLOW = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])


@pytest.mark.source(
    "independent",
    ref="R epiR 2.0.57, epi.ccc on 17 pairs of peak flow (Bland and Altman 1986, first readings; data from memory)",
)
def test_peak_flow():
    assert measure_concordance(FLOW, MINI) == pytest.approx(0.9427424314, rel=1e-8)


@pytest.mark.source("analytic", ref="y = x + 1 with variance 1: 2 / (1 + 1 + 1) = 2/3")
def test_an_offset_by_hand():
    x = np.array([-1.0, 1.0, -1.0, 1.0])
    assert measure_concordance(x, x + 1) == pytest.approx(2 / 3)


@given(st.lists(st.floats(-10, 10), min_size=4, max_size=20).filter(lambda x: np.ptp(x) > 0.1))
def test_equal_values_agree_wholly_and_opposite_ones_not(values):
    x = np.array(values)
    assert measure_concordance(x, x) == pytest.approx(1.0)
    centred = x - x.mean()
    assert measure_concordance(centred, -centred) == pytest.approx(-1.0)


@pytest.mark.parametrize(
    ("x", "y"), [([1, 2], [1, 2]), ([1, 2, 3], [1, 2]), ([1, 1, 1], [1, 2, 3]), ([1, 2, np.nan], [1, 2, 3])]
)
def test_too_little_is_refused(x, y):
    with pytest.raises(EvidenceError, match="three or more pairs"):
        measure_concordance(np.array(x, dtype=float), np.array(y, dtype=float))
