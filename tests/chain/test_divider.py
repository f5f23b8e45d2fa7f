"""The divider against hand arithmetic, published circuits and a circuit simulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from spice import run_ngspice

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.limits import highest_source_ohm
from ohmshift.chain.prediction import predict_change
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path

OHM = st.floats(0.1, 1e4)


def driver(f: np.ndarray) -> np.ndarray:
    """32 ohm in series with 64 ohm || 40.743665 mH || 62.169894 uF: a driver at 100 Hz, Qms 2.5, Qes 1.25."""
    s = 2j * np.pi * f
    return 32 + 1 / (1 / 64 + 1 / (s * 40.743665e-3) + s * 62.169894e-6)


@pytest.mark.source("analytic", ref="20 log10(Z / (Z + R)), Z resistive, by hand: 20 log10(8/9) and so on")
def test_level_behind_a_resistance() -> None:
    Z, R = np.array([8.0, 16, 32, 64, 300]), [1.0, 10, 75, 120]
    by_hand = [
        [-1.0231, -0.5266, -0.2673, -0.1347, -0.0289],
        [-7.0437, -4.2171, -2.3620, -1.2610, -0.2848],
        [-20.3198, -15.0984, -10.4847, -6.7367, -1.9382],
        [-24.0824, -18.5884, -13.5339, -9.1728, -2.9226],
    ]
    np.testing.assert_allclose(divider_change_db(Z, added_ohm=R), by_hand, atol=5e-5)


@pytest.mark.source("independent", ref="ngspice 39.3, AC analysis of the circuit in tests/references/divider.cir")
def test_reactive_load_matches_the_circuit_simulator() -> None:
    level = divider_change_db(driver(np.array([20.0, 100, 1000])), added_ohm=75)
    np.testing.assert_allclose(level, [-10.29773911, -5.014497547, -10.43940186], atol=2e-8)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/divider.cir")
def test_reactive_load_matches_a_live_run(tmp_path: Path) -> None:
    f, (voltage,) = run_ngspice("divider", tmp_path)
    with_source = 20 * np.log10(np.abs(voltage))
    ours = divider_change_db(driver(f), added_ohm=75.0)
    np.testing.assert_allclose(ours, with_source, atol=1e-9)


@pytest.mark.source(
    "analytic",
    ref="28 V behind 4 ohm beside 7 V behind 1 ohm: (28/4 + 7)/(1/4 + 1) = 11.2 V behind 0.8 ohm; 8 V on 2 ohm",
)
def test_thevenin_example() -> None:
    source_v, source_ohm = (28 / 4 + 7) / (1 / 4 + 1), 1 / (1 / 4 + 1)
    unloaded_db = divider_change_db([2.0], added_ohm=source_ohm)
    assert source_v * 10 ** (unloaded_db[0] / 20) == pytest.approx(8.0)


@pytest.mark.source("analytic", ref="H = (Z + R_0)/(Z + R_0 + R): R_0 joins Z, also when it is complex")
def test_source_impedance_joins_the_load() -> None:
    f = octave_grid()
    Z, R_0 = driver(f), 5 + 1 / (2j * np.pi * f * 220e-6)
    exact = 20 * np.log10(np.abs((Z + R_0) / (Z + R_0 + 33)))
    np.testing.assert_allclose(divider_change_db(Z, added_ohm=33, source_ohm=R_0), exact, atol=1e-12)


@pytest.mark.source(
    "analytic",
    ref="|1 + jx|: a pure reactance of 1 ohm with 1 ohm loses 10 log10 2, magnitudes alone would say 6.02 dB",
)
def test_phase_counts() -> None:
    assert divider_change_db([1j], added_ohm=1)[0] == pytest.approx(-10 * np.log10(2))


@pytest.mark.source("analytic", ref="passive Z: 0 >= change >= -20 log10(1 + R/|Z|), by the triangle inequality")
@given(OHM, st.floats(-np.pi / 2, np.pi / 2), OHM)
def test_passive_bounds(magnitude: float, angle: float, added_ohm: float) -> None:
    change = divider_change_db([magnitude * np.exp(1j * angle)], added_ohm=added_ohm)[0]
    assert -20 * np.log10(1 + added_ohm / magnitude) - 1e-9 <= change <= 1e-9


@pytest.mark.source("analytic", ref="(Z+a)/(Z+a+b) x Z/(Z+a) = Z/(Z+a+b)")
@given(OHM, OHM, OHM)
def test_resistances_add(ohm: float, first: float, second: float) -> None:
    Z = ohm * np.array([1 + 1j, 2 - 0.5j])
    one = divider_change_db(Z, added_ohm=first)
    two = divider_change_db(Z, added_ohm=second, source_ohm=first)
    np.testing.assert_allclose(one + two, divider_change_db(Z, added_ohm=first + second), atol=1e-9)


@pytest.mark.source("analytic", ref="32 ohm at 20 Hz over 16 ohm: 2(16+R)/(32+R) = 10^(1/20) gives R = 4.4472 ohm")
def test_highest_source_by_hand() -> None:
    hump = Impedance(frequency_hz=np.array([20.0, 200, 2000, 20000]), impedance_ohm=np.array([32, 16, 16, 16]))
    limit = highest_source_ohm(hump, tolerance_db=1.0)
    g = 10 ** (1 / 20)
    assert limit.source_ohm == pytest.approx((32 * g - 32) / (2 - g), abs=1e-6)
    assert limit.worst_hz == 20


@pytest.mark.source("analytic", ref="a resistive load has no tonal change at any resistance")
def test_flat_load_has_no_limit() -> None:
    f = octave_grid()
    flat = Impedance(frequency_hz=f, impedance_ohm=np.full(f.size, 18.0))
    assert highest_source_ohm(flat, tolerance_db=0.1).source_ohm == np.inf


@pytest.mark.source("analytic", ref="just below the limit the change is within the tolerance, just above it is not")
@given(st.floats(0.2, 3.0), st.floats(0.0, 10.0))
def test_limit_is_where_the_tolerance_ends(tolerance_db: float, start_ohm: float) -> None:
    f = octave_grid()
    impedance = Impedance(frequency_hz=f, impedance_ohm=driver(f))
    limit = highest_source_ohm(impedance, tolerance_db=tolerance_db, start_ohm=start_ohm)
    assert np.isfinite(limit.source_ohm)
    for factor, within in ((0.999, True), (1.001, False)):
        added = (limit.source_ohm - start_ohm) * factor
        change = predict_change(impedance, added_ohm=added, source_ohm=start_ohm)
        assert bool(np.abs(change.tonal_change_db).max() <= tolerance_db) is within


@pytest.mark.source(
    "analytic", ref="driver fs-to-Re spread: 20 log10 of (96/(96+R)) / (32/(32+R)), 5.47018 dB at 75 ohm"
)
def test_spread_between_resonance_and_resistance() -> None:
    level = divider_change_db([96.0, 32.0], added_ohm=75)
    assert level[0] - level[1] == pytest.approx(5.47018, abs=5e-6)


@pytest.mark.parametrize(
    ("impedance_ohm", "added_ohm"), [([16.0], -1.0), ([16.0], np.nan), ([0.0], 1.0), ([np.inf], 1.0)]
)
def test_what_cannot_be_is_refused(impedance_ohm: list[float], added_ohm: float) -> None:
    with pytest.raises(CurveError, match=r"ohm.*;"):
        divider_change_db(impedance_ohm, added_ohm=added_ohm)


def test_level_band_must_be_covered() -> None:
    short = Impedance(frequency_hz=np.array([500.0, 1000]), impedance_ohm=np.array([16, 16]))
    with pytest.raises(CurveError, match="200 to 2000 Hz"):
        predict_change(short, added_ohm=10)
