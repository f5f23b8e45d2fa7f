"""Three resistances without an impedance, against exact divider data, hand arithmetic and simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ohmshift.chain.crosscheck_model import MeasuredBands
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.linearity import check_linearity
from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.errors import CurveError

F = octave_grid()
BANDS = fractional_octave_bands(3)
R = np.array([10.0, 33.0, 75.0])
OCTAVE = np.log2(F / 1000)


def load(resonance_hz: float = 100.0, height_ohm: float = 20.0) -> np.ndarray:
    x = F / resonance_hz
    return 16 + height_ohm / (1 + 1.5j * (x - 1 / x)) + 2j * np.pi * F * 1e-4


def noise(sd_db: float, *, level_sd_db: float = 0.0) -> MeasuredBands:
    return MeasuredBands(
        bands=BANDS,
        change_db=np.zeros(29),
        variance_db2=np.full(29, sd_db**2),
        level_drop_db=0.0,
        level_variance_db2=level_sd_db**2,
        label="ladle",
    )


@given(
    resonance_hz=st.floats(20, 10_000),
    height_ohm=st.floats(0, 400),
    resistances=st.lists(st.floats(1, 500), min_size=3, max_size=5, unique_by=lambda ohm: round(np.log(ohm), 1)),
    source_ohm=st.builds(complex, st.floats(0, 5), st.floats(-5, 5)),
)
@settings(max_examples=40, deadline=None)
@pytest.mark.source(
    "analytic", ref="10^(-D/10) = |1 + R Y|^2 = 1 + 2 R Re Y + R^2 |Y|^2, so (10^(-D/10) - 1)/R is linear in R"
)
def test_any_load_and_source_pass(
    resonance_hz: float, height_ohm: float, resistances: list[float], source_ohm: complex
) -> None:
    D = divider_change_db(load(resonance_hz, height_ohm), added_ohm=resistances, source_ohm=source_ohm)
    check = check_linearity(F, D, [noise(0.01)] * len(resistances), added_ohm=resistances)
    assert check.p_value == pytest.approx(1, abs=1e-6)
    np.testing.assert_allclose(check.residual_db[:, check.judged], 0, atol=1e-9)


@pytest.mark.source(
    "analytic",
    ref="flat load Z: w with sum w = 0 = sum w R; e dB on D_3 move w q by -w_3 ln(10)/10 (1 + R_3/Z)^2 e/R_3",
)
def test_p_value_of_one_change_that_is_off() -> None:
    Z, off, sd = 16.0, 0.3, 0.1
    D = divider_change_db(np.full(F.size, Z + 0j), added_ohm=R)
    D[2] += off
    check = check_linearity(F, D, [noise(sd)] * 3, added_ohm=R, tolerance=0.0, shared=0.0)
    w = np.array([R[1] - R[2], R[2] - R[0], R[0] - R[1]])
    effect = -np.log(10) / 10 * (1 + R / Z) ** 2 / R
    q = ((1 + R / Z) ** 2 - 1) / R
    q[2] = ((1 + R[2] / Z) ** 2 * 10 ** (-off / 10) - 1) / R[2]
    effect[2] *= 10 ** (-off / 10)
    z = (w @ q) / np.sqrt(((w * effect) ** 2).sum() * (sd**2 + 0.002**2))
    assert check.p_value == pytest.approx(stats.chi2.sf(check.judged.sum() * z**2, check.judged.sum()), rel=1e-6)


@pytest.mark.source("analytic", ref="an error of R_3 by 1 % moves its point by 1 % of q + b R; the tolerance covers it")
def test_tolerance_of_the_resistances() -> None:
    true = R * np.array([1, 1, 1.02])
    D = divider_change_db(load(), added_ohm=true)
    assert check_linearity(F, D, [noise(0.005)] * 3, added_ohm=R, tolerance=0.0).word == "not explained"
    assert check_linearity(F, D, [noise(0.005)] * 3, added_ohm=R, tolerance=0.02).word == "explained by the divider"


@pytest.mark.source("analytic", ref="a bump of 1 dB in one of three changes at 800 Hz is no divider")
def test_a_bump_in_one_change_is_found_where_it_is() -> None:
    D = divider_change_db(load(), added_ohm=R)
    D[2] += np.exp(-0.5 * (6 * (OCTAVE - np.log2(0.8))) ** 2)
    check = check_linearity(F, D, [noise(0.05)] * 3, added_ohm=R)
    assert check.word == "not explained"
    assert "near 790 Hz" in check.sentence


@pytest.mark.source("analytic", ref="alpha = 5 % of 300 draws; what all changes share is the responses without")
def test_false_alarms() -> None:
    rng = np.random.default_rng(5)
    D = divider_change_db(load(), added_ohm=R)
    measured = [noise(0.1, level_sd_db=0.1)] * 3
    edges = np.concatenate([[0], np.searchsorted(F, BANDS.high_hz)])
    alarms = []
    for _ in range(300):
        steps = rng.standard_normal((4, 29)) * 0.1 / np.sqrt(2)
        levels = rng.standard_normal(4) * 0.1 / np.sqrt(2)
        curves = np.zeros((4, F.size))
        for band in range(29):
            curves[:, edges[band] : edges[band + 1]] = steps[:, band : band + 1] + levels[:, None]
        check = check_linearity(F, D + curves[1:] - curves[0], measured, added_ohm=R, tolerance=0.0)
        alarms.append(check.p_value < 0.05)
    assert 0.005 < np.mean(alarms) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_much_noise_cannot_tell() -> None:
    D = divider_change_db(load(), added_ohm=R)
    check = check_linearity(F, D, [noise(2.0)] * 3, added_ohm=R)
    assert check.word == "cannot tell"
    assert check.unseen_db > 1


def test_what_is_missing_is_said() -> None:
    D, measured = divider_change_db(load(), added_ohm=R), [noise(0.1)] * 3
    with pytest.raises(CurveError, match="3 different resistances"):
        check_linearity(F, D[:2], measured[:2], added_ohm=R[:2])
    with pytest.raises(CurveError, match="3 different resistances"):
        check_linearity(F, D, measured, added_ohm=[10, 10, 75])
    with pytest.raises(CurveError, match="3 different resistances"):
        check_linearity(F, D, measured, added_ohm=[10, 33, np.inf])
    with pytest.raises(CurveError, match="tolerance"):
        check_linearity(F, D, measured, added_ohm=R, tolerance=np.nan)
    with pytest.raises(CurveError, match="change of level"):
        check_linearity(F, D, [*measured[:2], replace(noise(0.1), level_drop_db=np.nan)], added_ohm=R)
    with pytest.raises(CurveError, match="one curve and one noise"):
        check_linearity(F, D[:, :9], measured, added_ohm=R)
    with pytest.raises(CurveError, match="known noise"):
        check_linearity(F, D, [replace(noise(0.1), degrees=0.0)] * 3, added_ohm=R)
