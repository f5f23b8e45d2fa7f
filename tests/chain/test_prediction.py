"""Predictions behind any source, their bands, limits and bounds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from spice import run_ngspice

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.limits import bound_change, highest_source_ohm
from ohmshift.chain.prediction import level_drop, predict_change, readable_frequencies, source_change_db
from ohmshift.chain.recovery import RecoveredImpedance, recover_impedance
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

F = octave_grid()


def driver(f: np.ndarray) -> np.ndarray:
    """32 ohm in series with 64 ohm || 40.743665 mH || 62.169894 uF: a driver at 100 Hz, Qms 2.5, Qes 1.25."""
    s = 2j * np.pi * f
    return np.asarray(32 + 1 / (1 / 64 + 1 / (s * 40.743665e-3) + s * 62.169894e-6))


def measured() -> Impedance:
    return Impedance(frequency_hz=F, impedance_ohm=driver(F), label="ladle")


def recovered(added_ohm: float = 33.0, size_db: float = 0.1, *, readable_hz: float | None = None) -> RecoveredImpedance:
    rng = np.random.default_rng(1)
    noise = size_db * np.repeat(rng.standard_normal((60, F.size // 16)), 16, axis=1)
    D = divider_change_db(driver(F), added_ohm=added_ohm)
    return recover_impedance(F, D, added_ohm=added_ohm, noise_db=noise, readable_high_hz=readable_hz, label="ladle")


@pytest.mark.source("independent", ref="ngspice 39.3 on tests/references/divider.cir: -10.29773911 dB and so on")
def test_prediction_matches_the_circuit_simulator() -> None:
    three = Impedance(frequency_hz=[20.0, 100, 1000], impedance_ohm=driver(np.array([20.0, 100, 1000])))
    found = predict_change(three, added_ohm=75.0, level_low_hz=100, level_high_hz=1000)
    np.testing.assert_allclose(found.change_db, [-10.29773911, -5.014497547, -10.43940186], atol=2e-8)
    np.testing.assert_array_equal(found.low_db, found.change_db)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/earphones.cir")
def test_recovery_predicts_the_simulator_within_its_band(tmp_path_factory: pytest.TempPathFactory) -> None:
    f, loads = run_ngspice("earphones", tmp_path_factory.mktemp("spice"))
    held = []
    for Z in loads:
        D = divider_change_db(Z, added_ohm=33)
        noise = np.full((1, f.size), 0.05)
        found = predict_change(recover_impedance(f, D, added_ohm=33, noise_db=noise), added_ohm=5, source_ohm=10)
        exact = divider_change_db(Z, added_ohm=5, source_ohm=10)
        held.append(np.mean((found.low_db <= exact) & (exact <= found.high_db)))
    assert np.mean(held) > 0.95


@pytest.mark.source("analytic", ref="20 log10 |(Z + S_0)/(Z + S)| written out, S an output capacitor or a coil")
def test_any_complex_source_from_any_start() -> None:
    s = 2j * np.pi * F
    for S, S_0 in ((10 + 1 / (s * 220e-6), 0.1 + 0 * s), (0.5 + s * 4e-6, 120 + 0 * s)):
        found = predict_change(measured(), source_ohm=S, start_ohm=S_0, added_ohm=7.0)
        exact = 20 * np.log10(np.abs((driver(F) + S_0) / (driver(F) + S + 7)))
        np.testing.assert_allclose(found.change_db, exact, atol=1e-10)
        assert found.level_drop_db == pytest.approx(float(np.mean(exact[(F > 200) & (F < 2000)])), abs=0.05)


@pytest.mark.source("analytic", ref="changes from one source to the next add up to that from the first to the last")
@given(st.floats(0, 300), st.floats(0, 300), st.floats(0, 300))
def test_changes_add(first: float, second: float, third: float) -> None:
    Z = driver(F)
    there = source_change_db(Z, source_ohm=second, start_ohm=first) + source_change_db(
        Z, source_ohm=third, start_ohm=second
    )
    np.testing.assert_allclose(there, source_change_db(Z, source_ohm=third, start_ohm=first), atol=1e-9)


@pytest.mark.source("analytic", ref="g = (R'/R) |(Z+R)/(Z+R')| dB of prediction for each dB of data, resistive load")
def test_band_has_the_width_of_the_noise_times_its_gain() -> None:
    rng = np.random.default_rng(2)
    noise = 0.1 * rng.standard_normal((4000, 1)) * np.ones(F.size)
    D = divider_change_db(np.full(F.size, 20.0 + 0j), added_ohm=30)
    found = recover_impedance(F, D, added_ohm=30, noise_db=noise, draws=2000)
    for ohm in (5.0, 30.0, 120.0):
        predicted = predict_change(found, added_ohm=ohm)
        half = (predicted.high_db - predicted.low_db)[100:380] / 2
        gain = ohm / 30 * (20 + 30) / (20 + ohm)
        np.testing.assert_allclose(half, 1.96 * 0.1 * gain, rtol=0.08)


@pytest.mark.source("analytic", ref="no added resistance and no other source change nothing, with no uncertainty")
def test_nothing_changes_nothing() -> None:
    found = predict_change(recovered())
    np.testing.assert_allclose([found.change_db, found.low_db, found.high_db], 0, atol=1e-12)


@pytest.mark.source("analytic", ref="the same load measured and recovered has one limit, inside the interval")
def test_limit_has_an_interval() -> None:
    exact = highest_source_ohm(measured(), tolerance_db=1.0)
    found = highest_source_ohm(recovered(), tolerance_db=1.0)
    assert exact.low_ohm == exact.source_ohm == exact.high_ohm
    assert found.low_ohm < exact.source_ohm < found.high_ohm
    assert found.low_ohm < found.source_ohm < found.high_ohm
    assert found.high_ohm / found.low_ohm < 3
    narrow = highest_source_ohm(recovered(size_db=0.01), tolerance_db=1.0)
    assert narrow.high_ohm - narrow.low_ohm < (found.high_ohm - found.low_ohm) / 2


@pytest.mark.source(
    "analytic", ref="bias-corrected percentiles (Efron 1981) of the limits of all draws, each found on a fine scale"
)
def test_interval_of_the_limit_is_that_of_the_draws() -> None:
    one = recovered()
    found = highest_source_ohm(one, tolerance_db=1.0)
    R = np.linspace(0.9 * found.low_ohm, 1.1 * found.high_ohm, 25)
    change_db = divider_change_db(one.draws_ohm, added_ohm=R)
    change_db -= mean_levels(one.frequency_hz, change_db, low_hz=[200.0], high_hz=[2000.0])
    inside = (one.frequency_hz >= 20) & (one.frequency_hz <= 20_000)
    largest = np.abs(change_db[..., inside]).max(axis=-1)
    limits = np.array([np.interp(1.0, of_draw, R) for of_draw in largest.T])
    lean = stats.norm.ppf(np.mean(limits < found.source_ohm))
    tails = stats.norm.cdf(2 * lean + stats.norm.ppf([0.025, 0.975]))
    assert (found.low_ohm, found.high_ohm) == pytest.approx(np.quantile(limits, tails), rel=5e-3)


def test_limit_reads_only_what_is_readable() -> None:
    above = highest_source_ohm(recovered(readable_hz=5000.0), tolerance_db=1.0, low_hz=400.0)
    assert above.worst_hz <= 5000


@pytest.mark.source("analytic", ref="every passive load with the measured change lies on the arc between the two ends")
@given(
    size=st.floats(0.5, 500),
    angle=st.floats(-1.57, 1.57),
    source_ohm=st.floats(0, 50),
    added_ohm=st.floats(1, 300),
    target_ohm=st.floats(0, 500),
    start_ohm=st.floats(0, 500),
)
def test_bounds_hold_every_passive_load(
    *, size: float, angle: float, source_ohm: float, added_ohm: float, target_ohm: float, start_ohm: float
) -> None:
    Z = size * np.exp(1j * angle)
    D = 20 * np.log10(abs((Z + source_ohm) / (Z + source_ohm + added_ohm)))
    low, high = bound_change(D, added_ohm=added_ohm, source_ohm=source_ohm, target_ohm=target_ohm, start_ohm=start_ohm)
    truth = 20 * np.log10(abs((Z + start_ohm) / (Z + target_ohm)))
    slack = 1e-6 * (1 + 1 / abs(D))
    assert low - slack <= truth <= high + slack


@pytest.mark.source("analytic", ref="a resistor and a pure reactance with the same |H| are the two ends, R_0 = 0")
def test_bounds_are_reached() -> None:
    for Z in (16.0 + 0j, 16j * np.sqrt(1 / 3)):
        D = 20 * np.log10(abs(Z / (Z + 16)))
        low, high = bound_change(D, added_ohm=16.0, target_ohm=40.0)
        exact = 20 * np.log10(abs(Z / (Z + 40)))
        assert min(abs(float(low) - exact), abs(float(high) - exact)) < 1e-9
    low, high = bound_change([1.0, -40.0], added_ohm=16.0, source_ohm=4.0, target_ohm=40.0)
    assert np.all(np.isnan([low, high]))


def test_prediction_says_when_it_is_too_uncertain() -> None:
    vague = recovered(added_ohm=3.0, size_db=0.2)
    assert any(
        "more than the 0.5 dB" in said for said in predict_change(vague, added_ohm=120, tolerance_db=0.5).caveats
    )
    assert not any("0.5 dB" in said for said in predict_change(vague, added_ohm=1, tolerance_db=0.5).caveats)


def test_helpers_serve_both_kinds() -> None:
    assert readable_frequencies(measured()).all()
    assert not readable_frequencies(recovered(readable_hz=5000.0)).all()
    assert float(level_drop(measured(), np.full(F.size, -2.0), 200, 2000)) == pytest.approx(-2.0)


@pytest.mark.parametrize(
    "options",
    [
        {"added_ohm": -1.0},
        {"source_ohm": -2.0},
        {"source_ohm": np.ones(3)},
        {"source_ohm": np.inf},
        {"start_ohm": -1j * np.nan},
        {"level_low_hz": 5.0},
    ],
)
def test_what_cannot_be_is_refused(options: dict[str, object]) -> None:
    with pytest.raises(CurveError, match=";"):
        predict_change(measured(), **options)  # type: ignore[arg-type]


def test_bounds_refuse_what_is_out_of_range() -> None:
    with pytest.raises(CurveError, match="above 0 ohm"):
        bound_change(-3.0, added_ohm=0.0, target_ohm=10.0)
