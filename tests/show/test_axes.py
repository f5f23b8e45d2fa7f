"""Axes: ranges, ticks, labels that keep apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize

from ohmshift.show.axes import even_ticks, fit_range, log_ticks, minor_log_ticks, spread
from ohmshift.units import nominal_frequency


@pytest.mark.source("published", ref="IEC 61260-1:2014, table E.1: nominal mid-band frequencies, 25 Hz to 20 kHz")
def test_nominal_names() -> None:
    wanted = "25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000 1250 1600 2000 2500 3150 4000 5000"
    wanted += " 6300 8000 10000 12500 16000 20000"
    assert [nominal_frequency(1000 * 10 ** (k / 10)) for k in range(-16, 14)] == wanted.split()


@pytest.mark.source("practice", ref="frequency axes are labelled 1, 2, 5, 10")
def test_log_ticks_of_the_audio_band() -> None:
    assert log_ticks((20, 20_000)) == (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
    assert minor_log_ticks((20, 100)) == (30, 40, 60, 70, 80, 90)


@given(st.floats(-200, 200), st.floats(0.01, 300), st.floats(60, 500))
def test_even_ticks_are_even_inside_and_apart(low: float, extent: float, length: float) -> None:
    ticks = np.array(even_ticks((low, low + extent), length=length))
    assert np.all(ticks >= low - 1e-6 * extent)
    assert np.all(ticks <= low + extent + 1e-6 * extent)
    if ticks.size > 1:
        assert np.diff(ticks).min() * length / extent >= 34 - 1e-3
        np.testing.assert_allclose(np.diff(ticks), np.diff(ticks)[0], rtol=1e-6)


@given(st.lists(st.floats(0.02, 5000), min_size=1, max_size=30), st.sampled_from(["db", "ohm", "linear"]))
def test_a_fitted_range_holds_all_values(values: list[float], scale: str) -> None:
    low, high = fit_range(np.array([*values, np.nan]), scale=scale)
    assert low <= min(values) <= max(values) <= high
    assert low < high
    assert scale != "ohm" or low > 0


@given(st.lists(st.floats(0, 100), max_size=12))
def test_spread_keeps_order_distance_and_ends(wanted: list[float]) -> None:
    placed = np.array(spread(wanted, low=0, high=100, apart=9))
    order = np.argsort(np.array(wanted), kind="stable")
    apart = min(9, 100 / max(len(wanted) - 1, 1))
    assert np.all(np.diff(placed[order]) >= apart - 1e-9)
    assert np.all((placed >= -1e-9) & (placed <= 100 + 1e-9))


@pytest.mark.source("independent", ref="scipy.optimize.minimize, SLSQP: least squares under the same constraints")
@pytest.mark.parametrize("wanted", [[5, 5, 20], [1, 2, 3, 50, 51], [28, 29, 30], [0, 0, 0, 1]])
def test_spread_moves_as_little_as_possible(wanted: list[float]) -> None:
    constraints = [{"type": "ineq", "fun": lambda y, i=i: y[i + 1] - y[i] - 4} for i in range(len(wanted) - 1)]
    best = minimize(
        lambda y: np.sum((y - wanted) ** 2),
        np.linspace(0, 60, len(wanted)),
        bounds=[(0, 60)] * len(wanted),
        constraints=constraints,
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 500},
    )
    np.testing.assert_allclose(spread(wanted, low=0, high=60, apart=4), best.x, atol=1e-4)
