"""The prepared divider against the exact one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.divider_plan import plan_divider
from ohmshift.errors import CurveError


@pytest.mark.source(
    "analytic", ref="20 log10(Z / (Z + R)) in single precision: relative rounding 6e-8, some 1e-6 of 50 dB"
)
@given(st.floats(1, 3e3), st.floats(-np.pi / 2, np.pi / 2), st.floats(0, 50))
def test_single_precision_is_enough(magnitude: float, angle: float, source_ohm: float) -> None:
    Z = magnitude * np.exp(1j * angle) * np.array([[1.0, 0.5, 2.0], [3.0, 1.5, 0.7]])
    added = [0.0, 0.1, 5.0, 75.0, 1000.0]
    change = plan_divider(Z, source_ohm=source_ohm).change_db(added)
    exact = divider_change_db(Z, added_ohm=added, source_ohm=source_ohm)
    assert change.shape == exact.shape == (5, 2, 3)
    np.testing.assert_allclose(change, exact, atol=1e-5, rtol=0)


@pytest.mark.source("analytic", ref="10 + 10 ohm halve the voltage: -20 log10 2 = -6.0206 dB")
def test_by_hand() -> None:
    assert plan_divider([6.0], source_ohm=4.0).change_db(10.0)[0] == pytest.approx(-6.0206, abs=1e-4)
    with pytest.raises(CurveError, match="impedance_ohm"):
        plan_divider([0.0])
