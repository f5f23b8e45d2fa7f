"""Recovered impedances against a circuit simulator, hand arithmetic and an impedance-spectroscopy library."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom
from spice import REFERENCES, run_ngspice

from ohmshift.chain.consistency import check_without_phase
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.gainphase import plan_gain_phase
from ohmshift.chain.inverse import impedance_from_transfer, transfer_from_change
from ohmshift.chain.levels import (
    AnchorImpedance,
    level_from_anchor,
    levels_from_resistances,
    passive_level_limit,
)
from ohmshift.chain.prediction import predict_change
from ohmshift.chain.recovery import recover_impedance
from ohmshift.chain.reseating import settle_change
from ohmshift.curves.grids import octave_grid
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from ohmshift.chain.recovery import BandMethod, RecoveredImpedance

F = octave_grid()


@pytest.fixture(scope="module")
def earphones(tmp_path_factory: pytest.TempPathFactory) -> tuple[np.ndarray, np.ndarray]:
    return run_ngspice("earphones", tmp_path_factory.mktemp("spice"))


def driver(f: np.ndarray) -> np.ndarray:
    """23 ohm and 30 uH, with 40 ohm at 100 Hz and 8 ohm at 3 kHz: a load that can be computed anywhere."""
    s = 2j * np.pi * f
    peaks = [R / (1 + 1j * Q * (f / f_0 - f_0 / f)) for R, f_0, Q in ((17.0, 100.0, 1.8), (8.0, 3000.0, 3.0))]
    return np.asarray(23 + 4 * s * 60e-6 / (4 + s * 60e-6) + sum(peaks))


@cache
def smooth_root(octaves: float) -> np.ndarray:
    distance = np.log2(F[:, None] / F) / octaves
    return np.asarray(np.linalg.cholesky(np.exp(-0.5 * distance**2) + 1e-6 * np.eye(F.size)))


def noise(rng: np.random.Generator, n: int, size_db: float) -> np.ndarray:
    return size_db * rng.standard_normal((n, F.size)) @ smooth_root(0.3).T


@pytest.mark.source("independent", ref="ngspice run live on tests/references/earphones.cir, thirteen earphones")
@pytest.mark.parametrize("added_ohm", [5.0, 15.0, 75.0])
def test_clean_data_give_the_simulators_impedance(earphones: tuple[np.ndarray, np.ndarray], added_ohm: float) -> None:
    f, loads = earphones
    ranges = (f < 2000, (f >= 2000) & (f < 6000), f >= 6000)
    for Z in loads:
        D = divider_change_db(Z, added_ohm=added_ohm, source_ohm=0.5)
        found = recover_impedance(f, D, added_ohm=added_ohm, source_ohm=0.5, band="linear", draws=50).impedance_ohm
        for ohm in (1.0, 10.0, 50.0, 120.0):
            error = np.abs(
                divider_change_db(found, added_ohm=ohm, source_ohm=0.5)
                - divider_change_db(Z, added_ohm=ohm, source_ohm=0.5)
            )
            assert error[f < 6000].max() < 0.05
            assert error.max() < 0.15
        magnitude = 100 * np.abs(np.abs(found / Z) - 1)
        phase = np.abs(np.degrees(np.angle(found / Z)))
        for at, percent, degrees in zip(ranges, (1.0, 0.5, 3.4), (1.0, 3.0, 12.0), strict=True):
            assert magnitude[at].max() < percent
            assert phase[at].max() < degrees


@pytest.mark.source("analytic", ref="Z = R H / (1 - H) - R_0 with H from the circuit itself, source resistive or not")
def test_inverse_of_the_exact_ratio() -> None:
    Z = driver(F)
    for R_0 in (0.0, 4.7, 2 + 1 / (2j * np.pi * F * 470e-6)):
        R = np.array([[15.0], [82.0]])
        H = (Z + R_0) / (Z + R_0 + R)
        found = impedance_from_transfer(H, added_ohm=R, source_ohm=R_0)
        np.testing.assert_allclose(found, Z, rtol=1e-12)


@pytest.mark.source("analytic", ref="passive Z behind R_0: |H| from R_0/(R + R_0) to 1, H in the disk between them")
@given(st.floats(0.1, 500), st.floats(-1.57, 1.57), st.floats(0, 20), st.floats(1, 200))
def test_passive_disk_holds_every_load(size: float, angle: float, source_ohm: float, added_ohm: float) -> None:
    W = size * np.exp(1j * angle) + source_ohm
    H = W / (W + added_ohm)
    k = source_ohm / (source_ohm + added_ohm)
    assert abs(H - (1 + k) / 2) <= (1 - k) / 2 + 1e-9
    assert np.cos(np.angle(H)) >= (abs(H) ** 2 + k) / (abs(H) * (1 + k)) - 1e-9


@pytest.mark.source("analytic", ref="a phase beyond arccos |H| is no passive load's: Re Z must not come out below 0")
def test_phase_is_held_to_passive_loads() -> None:
    plan = plan_gain_phase(F)
    D = -6 + 8 * np.sin(3 * np.log(F))
    H = transfer_from_change(plan, D, added_ohm=10.0, source_ohm=2.0)
    assert np.all(impedance_from_transfer(H[None], added_ohm=10.0, source_ohm=2.0).real > -1e-6)


@pytest.mark.source("analytic", ref="the load of driver() behind 12 ohm and an output capacitor of 330 uF")
def test_complex_source() -> None:
    Z, R_0 = driver(F), 12 + 1 / (2j * np.pi * F * 330e-6)
    D = divider_change_db(Z, added_ohm=33, source_ohm=R_0)
    found = recover_impedance(F, D, added_ohm=33, source_ohm=R_0)
    inside = (F > 60) & (F < 8000)
    np.testing.assert_allclose(found.impedance_ohm[inside], Z[inside], rtol=0.03)


@pytest.mark.source(
    "analytic", ref="20 dB added to every level leaves the phase, and |Z| at 1 kHz gives the 20 dB back"
)
def test_lost_level_comes_back_from_an_anchor() -> None:
    Z = driver(F)
    D = divider_change_db(Z, added_ohm=33) + 20.0
    anchor = AnchorImpedance(magnitude_ohm=float(np.interp(1000, F, np.abs(Z))), spread=0.01)
    found = recover_impedance(F, D, added_ohm=33, level_known=False, anchor=anchor)
    assert found.level_db[0] == pytest.approx(-20.0, abs=0.02)
    assert 0.02 < found.level_spread_db[0] < 0.1
    assert found.level_limit_db[0] > found.level_db[0]
    np.testing.assert_allclose(np.abs(found.impedance_ohm[F < 6000]), np.abs(Z[F < 6000]), rtol=0.01)


@pytest.mark.source("analytic", ref="1/(g h) = 1 + R Y for both resistances with one Y")
def test_lost_levels_come_back_from_two_resistances() -> None:
    Z, rng = driver(F), np.random.default_rng(1)
    D = np.stack([divider_change_db(Z, added_ohm=15) + 3, divider_change_db(Z, added_ohm=75) - 8])
    curves = np.stack([noise(rng, 30, 0.01), noise(rng, 30, 0.01)])
    found = recover_impedance(F, D, added_ohm=[15, 75], noise_db=curves, level_known=False)
    np.testing.assert_allclose(found.level_db, [-3, 8], atol=0.1)
    assert max(found.level_spread_db) < 0.3
    assert 1 < found.level_condition < 1000


@pytest.mark.source("analytic", ref="the quadratic's roots put back into Z = R g h / (1 - g h) - R_0")
@given(st.floats(1, 300), st.floats(-1.4, 1.4), st.floats(1, 200), st.floats(0, 200), st.floats(0.1, 10))
def test_anchor_round_trip(size: float, angle: float, added_ohm: float, source_ohm: float, g: float) -> None:
    Z = size * np.exp(1j * angle)
    h = (Z + source_ohm) / (Z + source_ohm + added_ohm) / g
    factor = level_from_anchor(h, magnitude_ohm=size, added_ohm=added_ohm, source_ohm=source_ohm)
    H = factor * h
    back = added_ohm * H / (1 - H) - source_ohm
    assert abs(back - Z) < 1e-5 * (size + source_ohm)


@pytest.mark.source("analytic", ref="the load of driver(), 16 to 60 ohm, behind 120 ohm: less than the source")
def test_an_anchor_below_the_source_impedance() -> None:
    Z = driver(F) / 2
    anchor = AnchorImpedance(magnitude_ohm=float(np.interp(1000, F, np.abs(Z))), spread=0.0)
    D = divider_change_db(Z, added_ohm=75, source_ohm=120) + 7.0
    found = recover_impedance(F, D, added_ohm=75, source_ohm=120, level_known=False, anchor=anchor)
    assert found.level_db[0] == pytest.approx(-7.0, abs=0.02)
    np.testing.assert_allclose(found.impedance_ohm[F < 6000], Z[F < 6000], rtol=0.05)


@pytest.mark.source("analytic", ref="exact ratios times any factors give the factors back")
@given(st.lists(st.floats(0.1, 10), min_size=3, max_size=3))
def test_levels_round_trip(factors: list[float]) -> None:
    R = np.array([10.0, 33.0, 100.0])
    h = driver(F) / (driver(F) + R[:, None]) / np.array(factors)[:, None]
    found, condition = levels_from_resistances(h, added_ohm=R)
    np.testing.assert_allclose(found, factors, rtol=1e-6)
    assert condition > 1


@pytest.mark.source("analytic", ref="a resistive load among others: |g h| = 1 is the limit, so g = 1/max|h|; R_0 = 0")
def test_passive_limit_of_the_level() -> None:
    h = np.array([0.2, 0.5, 0.4], dtype=np.complex128)
    assert float(passive_level_limit(h, added_ohm=10.0)) == pytest.approx(2.0)
    turned = h * np.exp(0.5j)
    assert float(passive_level_limit(turned, added_ohm=10.0)) == pytest.approx(2.0 * np.cos(0.5))


@pytest.mark.source(
    "independent", ref="ngspice run live on tests/references/earphones.cir; exact data, two resistances"
)
def test_two_resistances_need_no_phase(earphones: tuple[np.ndarray, np.ndarray]) -> None:
    f, loads = earphones
    for Z in loads:
        D = divider_change_db(Z, added_ohm=[15, 75], source_ohm=0.5)
        check = check_without_phase(f, D, added_ohm=[15, 75])
        np.testing.assert_allclose(check.magnitude_ohm, np.abs(Z + 0.5), rtol=1e-6)
        np.testing.assert_allclose(check.conductance_s, (1 / (Z + 0.5)).real, rtol=1e-6, atol=1e-9)


@pytest.mark.source("analytic", ref="one load makes all changes; a resistance labelled 25 % off makes them disagree")
def test_resistances_are_held_against_each_other() -> None:
    Z, rng = driver(F), np.random.default_rng(2)
    D = divider_change_db(Z, added_ohm=[10, 33, 75]) + noise(rng, 3, 0.05)
    curves = np.stack([np.roll(noise(rng, 120, 0.05), 40 * i, axis=0) for i in range(3)])
    agreeing = recover_impedance(F, D, added_ohm=[10, 33, 75], noise_db=curves, band="linear")
    wrong = recover_impedance(F, D, added_ohm=[10, 33, 94], noise_db=curves, band="linear")
    assert agreeing.agreement is not None
    assert wrong.agreement is not None
    assert agreeing.agreement.p_value > 0.05
    assert wrong.agreement.p_value < 0.02
    assert any("do not agree" in caveat for caveat in wrong.caveats)
    error = divider_change_db(agreeing.impedance_ohm, added_ohm=50) - divider_change_db(Z, added_ohm=50)
    assert np.abs(error).max() < 0.3


def draw(rng: np.random.Generator, Z: np.ndarray, **options: object) -> RecoveredImpedance:
    D = divider_change_db(Z, added_ohm=33 * (1 + 0.01 * rng.standard_normal())) + noise(rng, 1, 0.1)[0]
    curves = noise(rng, 60, 0.1)
    return recover_impedance(F, D, added_ohm=33, added_tolerance=0.01, noise_db=curves, band="linear", **options)  # type: ignore[arg-type]


@pytest.mark.source(
    "analytic", ref="95 % bands hold the truth in 90 to 98 % of draws, widened by the binomial 0.1 % tails"
)
def test_bands_hold_the_truth() -> None:
    rng, runs, Z = np.random.default_rng(3), 120, driver(F)
    at = [int(np.argmin(np.abs(np.log(F / hz)))) for hz in (60, 300, 1000, 3000, 9000, 15_000)]
    held = np.zeros((3, len(at)))
    change = divider_change_db(Z, added_ohm=75)
    for _ in range(runs):
        found = draw(rng, Z)
        predicted = predict_change(found, added_ohm=75)
        held[0] += ((found.low_ohm <= np.abs(Z)) & (np.abs(Z) <= found.high_ohm))[at]
        phase = np.degrees(np.angle(Z))
        held[1] += ((found.phase_low_deg <= phase) & (phase <= found.phase_high_deg))[at]
        held[2] += ((predicted.low_db <= change) & (change <= predicted.high_db))[at]
    assert np.all(held >= binom.ppf(0.001, runs, 0.90))
    assert np.mean(held) / runs <= 0.98


@pytest.mark.source("analytic", ref="to first order and solved anew must agree where errors are small")
def test_linear_bands_are_those_of_the_ensemble() -> None:
    Z, rng = driver(F), np.random.default_rng(4)
    D, curves = divider_change_db(Z, added_ohm=33), noise(rng, 60, 0.05)
    full, linear = (
        recover_impedance(F, D, added_ohm=33, noise_db=curves, band=band, draws=1000) for band in ("ensemble", "linear")
    )
    inside = (F > 40) & (F < 10_000)
    width = [(found.high_ohm - found.low_ohm)[inside] for found in (full, linear)]
    np.testing.assert_allclose(width[1], width[0], rtol=0.2)
    # 0.05 dB is 0.6 %, times (Z + R)/R of at most 4 that is 2.3 % of Z: far below 25 %.
    assert not any(found.lower_bound_only[inside].any() for found in (full, linear))


@pytest.mark.source(
    "analytic", ref="error of ln Z = (Z + R)/R times that of ln H: large |Z| beside R makes the band wide"
)
def test_large_impedances_give_a_lower_bound_and_a_good_prediction() -> None:
    rng = np.random.default_rng(5)
    Z = 300 + 250 / (1 + 2j * (F / 100 - 100 / F))
    curves = noise(rng, 60, 0.1)
    found = recover_impedance(F, divider_change_db(Z, added_ohm=15), added_ohm=15, noise_db=curves)
    assert np.mean(found.lower_bound_only) > 0.5
    assert any("lower end" in caveat for caveat in found.caveats)
    predicted = predict_change(found, added_ohm=5)
    assert np.max(predicted.high_db - predicted.low_db) < 0.25


@pytest.mark.source(
    "independent", ref="impedance 1.7.1, linKK, session and spectrum in tests/references/kramers_kronig.txt"
)
def test_recovered_impedance_obeys_kramers_kronig() -> None:
    text = (Path(REFERENCES) / "kramers_kronig.txt").read_text(encoding="utf-8").splitlines()
    residual = {
        line.rsplit(" ", 2)[0]: float(line.rsplit(" ", 1)[1]) for line in text if line.startswith(("rec", "con"))
    }
    table = np.array([[float(word) for word in line.split()] for line in text[text.index("") :] if line[:1].isdigit()])
    f, checked = table[:, 0], table[:, 1] + 1j * table[:, 2]
    s = 2j * np.pi * F
    Z = 16 + 6 * s * 40e-6 / (6 + s * 40e-6) + 12 / (1 + s * 12 * 33e-6)
    found = recover_impedance(F, divider_change_db(Z, added_ohm=33), added_ohm=33).impedance_ohm[::8]
    np.testing.assert_allclose(F[::8], f, rtol=1e-8)
    np.testing.assert_allclose(found, checked, rtol=1e-3)  # what the library judged is what we recover today
    assert residual["recovered"] < 0.005
    assert residual["conjugate"] > 0.1


@pytest.mark.source("analytic", ref="a move by 2.5 % put in, and a slope of 6 dB an octave that is not one")
def test_settling_finds_the_move_and_spares_the_change() -> None:
    def resonance(f_c: float) -> np.ndarray:
        return np.asarray(9 * np.exp(-((np.log(F / f_c) / 0.08) ** 2)))

    slope = -6 * np.clip(np.log2(F / 4000), 0, 2)
    moved = settle_change(F, resonance(8200), resonance(8000) + slope)
    assert 10 ** (0.3 * moved.shift_octaves) == pytest.approx(1.025, abs=0.002)
    assert np.abs(moved.change_db - slope)[F < 15_000].max() < 0.25
    still = settle_change(F, resonance(8200), resonance(8200) + slope)
    assert still.shift_octaves == 0
    np.testing.assert_allclose(still.change_db, slope, atol=1e-12)


def test_same_seed_same_draws_and_locked() -> None:
    D = divider_change_db(driver(F), added_ohm=33)
    first, again = (recover_impedance(F, D, added_ohm=33, noise_db=np.full((4, F.size), 0.1), seed=7) for _ in range(2))
    np.testing.assert_array_equal(first.draws_ohm, again.draws_ohm)
    with pytest.raises(ValueError, match="read-only"):
        first.low_ohm[0] = 1
    assert str(first.as_impedance().history[0]).startswith("recover_impedance(added_ohm='33'")


def test_caveats_say_what_to_doubt() -> None:
    f = F[(F > 100) & (F < 9000)]
    Z = 30 + 200 / (1 + 2j * (f / 9000 - 9000 / f)) + 1 / (2j * np.pi * f * 20e-6)
    D = divider_change_db(Z, added_ohm=33)
    said = " ".join(recover_impedance(f, D, added_ohm=33, readable_high_hz=5000).caveats)
    for words in ("No noise", "start at", "end at", "not certain to be aligned"):
        assert words in said
    coarse = octave_grid(6)
    flat = recover_impedance(coarse, np.full(coarse.size, -3.0), added_ohm=10)
    assert any("12 points" in caveat for caveat in flat.caveats)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"level_known": False}, r"\+\d\.\d\d dB is the most a passive load allows"),
        ({"level_known": False, "anchor": AnchorImpedance(magnitude_ohm=1e6, spread=0.0)}, "passive"),
        ({"added_ohm": -5.0}, "above 0 ohm"),
        ({"source_ohm": -5.0}, "passive"),
        ({"noise_db": np.zeros((3, 5))}, "one value a frequency"),
        ({"draws": 10}, "50 draws"),
        ({"band": "wide"}, "ensemble"),
        ({"added_tolerance": float("nan")}, "tolerances and spreads"),
        ({"source_spread_ohm": float("inf")}, "tolerances and spreads"),
    ],
)
def test_what_cannot_be_is_refused(options: dict[str, object], words: str) -> None:
    D = divider_change_db(driver(F), added_ohm=33)
    with pytest.raises(CurveError, match=words):
        recover_impedance(F, D, **{"added_ohm": 33.0, **options})  # type: ignore[arg-type]


@pytest.mark.source(
    "analytic", ref="a change of 0 dB +- 0.1 dB behind 75 ohm: 1 - 10^(-0.2/20) is 2.3 %, so |Z| > 3 kohm, no more"
)
@pytest.mark.parametrize("band", ["ensemble", "linear"])
def test_no_change_bounds_the_impedance_from_below_only(band: BandMethod) -> None:
    curves = np.full((1, F.size), 0.1)
    found = recover_impedance(F, np.full(F.size, 0.03), added_ohm=75, noise_db=curves, smoothing="none", band=band)
    middle = (F > 100) & (F < 5000)
    assert np.all(found.lower_bound_only[middle])
    if band == "ensemble":
        assert 3000 < found.low_ohm[middle].min() <= found.low_ohm[middle].max() < 10_000


def test_levels_that_cannot_be_settled_are_refused() -> None:
    for f, level in ((F, np.full(F.size, np.nan)), (np.empty(0), np.empty(0)), (F, np.zeros(3))):
        with pytest.raises(CurveError, match="one finite level"):
            settle_change(f, level, level)


def test_a_flat_load_does_not_give_its_level_back() -> None:
    rng = np.random.default_rng(6)
    D = divider_change_db(np.full(F.size, 18.0 + 0j), added_ohm=[15, 75]) + noise(rng, 2, 0.05)
    curves = np.stack([noise(rng, 30, 0.05), noise(rng, 30, 0.05)])
    with pytest.raises(CurveError, match="anchor"):
        recover_impedance(F, D, added_ohm=[15, 75], noise_db=curves, level_known=False)


def test_a_change_above_nothing_is_refused_or_doubted() -> None:
    D = divider_change_db(np.full(F.size, 400.0 + 0j), added_ohm=10)
    bump = np.exp(-((np.log(F / 3000) / 0.3) ** 2))
    with pytest.raises(CurveError, match="no louder"):
        recover_impedance(F, D + 2 * bump, added_ohm=10)
    curves = np.full((1, F.size), 0.3)
    doubted = recover_impedance(F, D + 1.1 * bump, added_ohm=10, noise_db=curves)
    assert any("rises" in caveat for caveat in doubted.caveats)


@pytest.mark.source("analytic", ref="any Z of Re Z >= 0 behind 120 ohm: |H| >= 120/195, -4.22 dB; 16 behind 10: 26/101")
def test_a_change_below_that_of_no_earphone_is_refused_or_doubted() -> None:
    D = divider_change_db(np.full(F.size, 16.0 + 0j), added_ohm=75, source_ohm=10)
    with pytest.raises(CurveError, match="0 ohm behind the source stated"):
        recover_impedance(F, D, added_ohm=75, source_ohm=120)
    lowest = np.full(F.size, 20 * np.log10(120 / 195))
    curves = np.full((1, F.size), 0.3)
    doubted = recover_impedance(F, lowest - 0.9, added_ohm=75, source_ohm=120, noise_db=curves)
    assert any("falls" in caveat for caveat in doubted.caveats)
    assert np.all(np.isfinite(doubted.phase_low_deg))
    unsure = recover_impedance(F, lowest - 0.9, added_ohm=75, source_ohm=120, source_spread_ohm=30, noise_db=curves)
    assert not any("falls" in caveat for caveat in unsure.caveats)


def test_a_dc_resistance_fails_behind_a_capacitor() -> None:
    Z = 32 + 1 / (2j * np.pi * F * 100e-6)
    anchor = AnchorImpedance(magnitude_ohm=32.0, frequency_hz=0.0, what="meter's resistance")
    with pytest.raises(CurveError, match="capacitor"):
        recover_impedance(F, divider_change_db(Z, added_ohm=33), added_ohm=33, level_known=False, anchor=anchor)
    flat = recover_impedance(
        F,
        divider_change_db(driver(F), added_ohm=33) + 4,
        added_ohm=33,
        level_known=False,
        anchor=AnchorImpedance(magnitude_ohm=float(np.abs(driver(F)[0])), frequency_hz=0.0, what="meter's resistance"),
    )
    assert any("series capacitor" in caveat for caveat in flat.caveats)


@pytest.mark.source("analytic", ref="what is smoothed by its noise lies nearer to the load that made it")
def test_smoothing_by_noise_brings_the_load_nearer() -> None:
    Z, rng = driver(F), np.random.default_rng(3)
    inside = (F > 200) & (F < 5000)
    squares: dict[str, list[float]] = {"by noise": [], "none": []}
    for _ in range(3):
        curves, D = noise(rng, 60, 0.1), divider_change_db(Z, added_ohm=33) + noise(rng, 1, 0.1)[0]
        for smoothing, found in squares.items():
            one = recover_impedance(F, D, added_ohm=33, noise_db=curves, smoothing=smoothing, band="linear")
            found.append(float(np.mean((np.abs(one.impedance_ohm / Z)[inside] - 1) ** 2)))
    assert all(smooth < rough for smooth, rough in zip(squares["by noise"], squares["none"], strict=True))
