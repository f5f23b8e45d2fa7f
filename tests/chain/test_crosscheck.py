"""The cross-check against exact divider data, scipy.stats, and simulated noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from ohmshift.chain.crosscheck import CrossCheck, cross_check
from ohmshift.chain.crosscheck_fit import chi_square_tail, power_to_see, weigh_errors
from ohmshift.chain.crosscheck_model import MeasuredBands, build_model
from ohmshift.chain.crosscheck_shapes import Likeness, choose_likely
from ohmshift.chain.divider import divider_change_db
from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import Impedance, Response
from ohmshift.errors import CurveError

F = octave_grid()
S = 2j * np.pi * F
BANDS = fractional_octave_bands(3)
OCTAVE = np.log2(F / 1000)
DIVIDER = "D = 20 log10 |(Z + R_0) / (Z + R_0 + R)|, averaged over each band by the exact integral"
NOISE_DB = 0.1

# 16 ohm with a resonance at 100 Hz and an inductive rise, and a flat load.
HUMP = 16 + 10 / (1 + 1.5j * (F / 100 - 100 / F)) + S * 1e-4
FLAT = np.full(F.size, 16 + 0j)
SMOOTH = np.exp(-0.5 * (OCTAVE[:, None] - OCTAVE) ** 2) + 1e-8 * np.eye(F.size)
ROOT = np.linalg.cholesky(SMOOTH)


def means(curve_db: np.ndarray) -> np.ndarray:
    low, high = np.append(BANDS.low_hz, 200.0), np.append(BANDS.high_hz, 2000.0)
    levels = mean_levels(F, curve_db, low_hz=low, high_hz=high)
    levels[..., :-1] -= levels[..., -1:]
    return levels


OPERATOR = means(np.eye(F.size)).T
COVARIANCE = NOISE_DB**2 * OPERATOR @ SMOOTH @ OPERATOR.T
CORRELATION = 0.9 * COVARIANCE / np.sqrt(np.outer(np.diag(COVARIANCE), np.diag(COVARIANCE))) + 0.1 * np.eye(30)


def impedance(Z: np.ndarray) -> Impedance:
    return Impedance(frequency_hz=F, impedance_ohm=Z, label="ladle")


def exact(
    Z: np.ndarray, R: float, *, extra: np.ndarray | float = 0.0, sd_db: float = 0.02, source_ohm: float = 0.0
) -> MeasuredBands:
    change = means(divider_change_db(Z, added_ohm=R, source_ohm=source_ohm) + extra)
    return MeasuredBands(
        bands=BANDS,
        change_db=change[:-1],
        variance_db2=np.full(29, sd_db**2),
        level_drop_db=change[-1],
        level_variance_db2=sd_db**2,
        label="ladle",
    )


def noisy(rng: np.random.Generator, Z: np.ndarray, R: float) -> MeasuredBands:
    change = means(divider_change_db(Z, added_ohm=R) + NOISE_DB * ROOT @ rng.standard_normal(F.size))
    return MeasuredBands(
        bands=BANDS,
        change_db=change[:-1],
        variance_db2=np.diag(COVARIANCE)[:-1],
        correlation=CORRELATION,
        level_drop_db=change[-1],
        level_variance_db2=COVARIANCE[-1, -1],
    )


def names(check: CrossCheck) -> list[str]:
    return [name for name, _ in check.looks_like]


@pytest.mark.source("analytic", ref=DIVIDER)
@pytest.mark.parametrize("R", [5.0, 15.0, 75.0])
@pytest.mark.parametrize("Z", [HUMP, FLAT], ids=["hump", "flat"])
def test_exact_data_give_the_resistance_back(Z: np.ndarray, R: float) -> None:
    check = cross_check(impedance(Z), exact(Z, R, source_ohm=2.0), nominal_ohm=0.9 * R, source_ohm=2.0)
    assert check.resistance_ohm == pytest.approx(R, rel=1e-5)
    assert check.resistance_interval_ohm is not None
    low, high = check.resistance_interval_ohm
    assert low < R < high
    np.testing.assert_allclose(check.residual_db[check.judged], 0, atol=1e-5)
    assert check.level_residual_db == pytest.approx(0, abs=1e-5)
    assert check.p_after_fit == pytest.approx(1, abs=1e-6)
    assert not any("no resistance is given" in caveat for caveat in check.caveats)


@pytest.mark.source("analytic", ref=DIVIDER + "; without noise nothing is left, whatever rounding does")
@pytest.mark.parametrize("Z", [HUMP, FLAT], ids=["hump", "flat"])
def test_rounding_alone_is_explained(Z: np.ndarray) -> None:
    for R in np.geomspace(2, 200, 25):
        check = cross_check(impedance(Z), exact(Z, R), nominal_ohm=R)
        assert (check.word, check.agrees, check.looks_like) == ("explained by the divider", True, ())
        assert 0 <= check.p_value <= 1


@pytest.mark.source("analytic", ref=DIVIDER + "; with the level lost the tone alone tells the resistance")
def test_tone_alone_gives_the_resistance_of_an_uneven_load() -> None:
    lost = replace(exact(HUMP, 15.0), level_drop_db=np.nan)
    check = cross_check(impedance(HUMP), lost, nominal_ohm=12.0)
    assert check.resistance_ohm == pytest.approx(15, rel=1e-4)
    assert np.isnan(check.level_residual_db)
    assert "the level is lost: only the tone was tested" in check.caveats


@pytest.mark.source(
    "analytic", ref="a flat load has the same change at all frequencies: without its level nothing tells R"
)
def test_flat_load_without_level_is_refused_a_resistance() -> None:
    lost = replace(exact(FLAT, 15.0), level_drop_db=np.nan)
    check = cross_check(impedance(FLAT), lost, nominal_ohm=15.0)
    assert check.word == "cannot tell"
    assert np.isnan(check.resistance_ohm)
    assert check.resistance_interval_ohm is None
    assert any("too flat" in caveat for caveat in check.caveats)


@pytest.mark.source(
    "analytic", ref="one level: D = -20 log10(1 + R/16); var R = var D / (dD/dR)^2, dD/dR = 8.6859/(16 + R)"
)
def test_interval_of_a_flat_load_is_that_of_its_level() -> None:
    measured = replace(exact(FLAT, 15.0, sd_db=0.05), level_variance_db2=0.01)
    check = cross_check(impedance(FLAT), measured, nominal_ohm=15.0, impedance_gain=0.0)
    sd_ohm = np.hypot(0.1, 0.002) * (16 + 15) / 8.685890
    assert check.resistance_interval_ohm is not None
    low, high = check.resistance_interval_ohm
    # The ends by hand: D lies 1.959964 standard uncertainties off.
    off = 1.959964 * np.hypot(0.1, 0.002)
    by_hand = [16 * (10 ** (-(means(divider_change_db(FLAT, added_ohm=15.0))[-1] + s * off) / 20) - 1) for s in (1, -1)]
    assert [low, high] == pytest.approx(by_hand, rel=1e-4)
    assert (high - low) / 2 == pytest.approx(1.959964 * sd_ohm, rel=0.01)


@pytest.mark.source(
    "analytic",
    ref="bivariate normal: a level error that goes with one band's by 0.8 keeps sqrt(1 - 0.8^2) = 0.6 of its spread",
)
def test_correlation_with_the_level_is_used() -> None:
    alone = exact(FLAT, 15.0, sd_db=0.1)
    correlation = np.eye(30)
    correlation[20, 29] = correlation[29, 20] = 0.8
    moved = np.array(alone.change_db)
    moved[20] += 0.1
    along = replace(alone, correlation=correlation, change_db=moved, level_drop_db=alone.level_drop_db + 0.08)
    check, plain = (cross_check(impedance(FLAT), one, nominal_ohm=15.0, impedance_gain=0.0) for one in (along, alone))
    assert check.resistance_ohm == pytest.approx(15, abs=0.01)  # the level's 0.08 dB is what its band foretells
    widths = [np.diff(one.resistance_interval_ohm or (0, 0))[0] for one in (check, plain)]
    assert widths[0] / widths[1] == pytest.approx(0.6, abs=0.005)


@pytest.mark.source("analytic", ref="0.42 dB of level with 0.1 dB of noise: 4.2 standard errors tell 15 ohm from none")
def test_a_resistance_that_the_level_alone_tells_is_explained() -> None:
    load = np.full(F.size, 300 + 0j)
    check = cross_check(impedance(load), exact(load, 15.0, sd_db=0.1), nominal_ohm=15.0, impedance_gain=0.0)
    assert check.word == "explained by the divider"
    assert check.power > 0.95


@pytest.mark.source("analytic", ref="D depends on R/Z alone: a scale error of Z by g moves R by g")
def test_scale_of_the_impedance_widens_the_interval() -> None:
    measured = exact(FLAT, 15.0, sd_db=1e-4)
    check = cross_check(impedance(FLAT), measured, nominal_ohm=15.0, impedance_gain=0.02)
    assert check.resistance_interval_ohm is not None
    low, high = check.resistance_interval_ohm
    assert (high - low) / 2 / 15 == pytest.approx(1.96 * 0.02, rel=0.05)
    assert cross_check(impedance(FLAT * 1.03), measured, nominal_ohm=15.0, impedance_gain=0.02).agrees
    assert not cross_check(impedance(FLAT * 1.03), measured, nominal_ohm=15.0, impedance_gain=0.002).agrees


@pytest.mark.source("independent", ref="scipy.stats: chi2.sf, ncx2.sf and t.sf, run here")
def test_tails_match_scipy_stats() -> None:
    assert chi_square_tail(31.4, 20) == pytest.approx(stats.chi2.sf(31.4, 20), rel=1e-12)
    measured = exact(FLAT, 15.0)
    model = build_model(impedance(FLAT), measured, source_ohm=0.0, source_sd_ohm=0.0, impedance_gain=0.0)
    used = np.arange(30) < 20
    errors = weigh_errors(measured, model, used, added_ohm=15.0)
    effect = np.full(20, 0.02)
    power = stats.ncx2.sf(stats.chi2.isf(0.05, 20), 20, 20 * 0.02**2 / (0.02**2 + 0.002**2))
    assert power_to_see(effect, errors, alpha=0.05) == pytest.approx(power, rel=1e-9)


@pytest.mark.source("independent", ref="scipy.stats: chi2.sf and norm.sf on a residual worked out here by hand")
def test_p_values_at_a_flat_load() -> None:
    rng = np.random.default_rng(3)
    measured = exact(FLAT, 15.0, sd_db=0.1)
    noise = 0.1 * rng.standard_normal(29)
    measured = replace(measured, change_db=measured.change_db + noise, level_drop_db=measured.level_drop_db + 0.25)
    check = cross_check(impedance(FLAT), measured, nominal_ohm=15.0, impedance_gain=0.0)
    # The tone of a flat load does not depend on R, so R takes all of the level and the bands keep their noise.
    variance = 0.1**2 + 0.002**2
    count = int(check.judged.sum())
    assert check.p_after_fit == pytest.approx(
        stats.chi2.sf((noise[check.judged] ** 2).sum() / variance, count), rel=1e-6
    )
    assert check.p_resistance == pytest.approx(2 * stats.norm.sf(0.25 / np.sqrt(variance)), rel=1e-5)
    p = min(check.p_after_fit, check.p_resistance)
    assert check.p_value == pytest.approx(1 - (1 - p) ** 2)


@pytest.mark.source("published", ref="t table, 4 degrees: 2.776 at 97.5 %")
def test_few_degrees_of_freedom_widen_the_interval() -> None:
    measured = replace(exact(FLAT, 15.0, sd_db=0.1), degrees=4.0, level_degrees=4.0)
    check = cross_check(impedance(FLAT), measured, nominal_ohm=15.0, impedance_gain=0.0)
    off = 2.776445 * np.hypot(0.1, 0.002)
    level = means(divider_change_db(FLAT, added_ohm=15.0))[-1]
    by_hand = [16 * (10 ** (-(level + s * off) / 20) - 1) for s in (1, -1)]
    assert check.resistance_interval_ohm == pytest.approx(by_hand, rel=1e-4)


@pytest.mark.source(
    "analytic", ref="without the level a change of tone ends at 20 log10 |Z| behind any large resistance"
)
def test_an_interval_without_an_upper_end_is_said() -> None:
    measured = replace(
        exact(HUMP, 75.0, sd_db=0.15), degrees=1.0, level_drop_db=float("nan"), level_variance_db2=float("nan")
    )
    check = cross_check(impedance(HUMP), measured, nominal_ohm=75.0, impedance_gain=0.0)
    assert check.resistance_interval_ohm is not None
    assert check.resistance_interval_ohm[1] == np.inf
    assert "or more" in check.sentence


@pytest.mark.source(
    "analytic", ref="alpha = 5 % of 160 draws by the divider alone, and no more than 3 standard errors above"
)
def test_false_alarms_with_correlated_noise() -> None:
    rng = np.random.default_rng(11)
    right = [disagrees(noisy(rng, HUMP, 15.0)) for _ in range(160)]
    assert 0 < np.mean(right) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 160)


@pytest.mark.source(
    "analytic", ref="0.1 dB at each of 16 points in a band and 160 in the level band, as if independent"
)
def test_taking_noise_as_white_raises_many_false_alarms() -> None:
    rng = np.random.default_rng(12)
    white = {
        "correlation": None,
        "variance_db2": np.full(29, NOISE_DB**2 / 16),
        "level_variance_db2": NOISE_DB**2 / 160,
    }
    assert np.mean([disagrees(replace(noisy(rng, HUMP, 15.0), **white)) for _ in range(40)]) > 0.7


def disagrees(measured: MeasuredBands) -> bool:
    return not cross_check(impedance(HUMP), measured, nominal_ohm=15.0, impedance_gain=0.0).agrees


@pytest.mark.source("analytic", ref="a 95 % interval holds the truth in 95 % of 160 draws; 3.5 standard errors")
def test_interval_covers() -> None:
    rng = np.random.default_rng(12)
    found = [
        cross_check(impedance(HUMP), noisy(rng, HUMP, 15.0), nominal_ohm=20.0, impedance_gain=0.0) for _ in range(160)
    ]
    inside = [low < 15 < high for low, high in (check.resistance_interval_ohm or (0, 0) for check in found)]
    assert abs(np.mean(inside) - 0.95) < 3.5 * np.sqrt(0.05 * 0.95 / 160)


@pytest.mark.source("analytic", ref=DIVIDER + "; 18 ohm in circuit where 15 are stated")
def test_wrong_resistance_is_named_and_leaves_nothing() -> None:
    check = cross_check(impedance(HUMP), exact(HUMP, 18.0), nominal_ohm=15.0)
    assert (check.word, check.agrees) == ("explained by the divider", False)
    assert check.resistance_ohm == pytest.approx(18, rel=1e-4)
    assert names(check)[0] == "another resistance"
    assert check.where_hz == ()
    assert "18.0 ohm" in check.sentence
    assert "15 ohm stated" in check.sentence


@pytest.mark.source("analytic", ref="the divider with R = 0 changes nothing")
def test_a_resistance_that_is_not_there() -> None:
    check = cross_check(impedance(HUMP), exact(HUMP, 0.0), nominal_ohm=15.0)
    assert check.word == "not explained"
    assert names(check) == ["no resistance added"]
    assert "as if no resistance had been added" in check.sentence


@pytest.mark.source("analytic", ref="first-order high-pass with its corner at 50 Hz added to exact divider data")
def test_seal_leak_is_named_in_the_bass() -> None:
    leak = -10 * np.log10(1 + (50 / F) ** 2)
    check = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=leak), nominal_ohm=15.0)
    assert check.word == "not explained"
    assert names(check)[0] == "seal leak"
    sentence = check.looks_like[0][1]
    assert "Not certain" in sentence
    assert check.where_hz[0][0] < 30
    assert max(high for _, high in check.where_hz) < 800
    corner_hz = float(sentence.split("below about ")[1].split(" Hz")[0])
    assert 35 <= corner_hz <= 71  # one step of the corners tried either way


@pytest.mark.source("analytic", ref="a bump of 0.6 dB at 800 Hz added to exact divider data")
def test_local_bump_is_found_where_it_is() -> None:
    bump = 0.6 * np.exp(-0.5 * (6 * (OCTAVE - np.log2(0.8))) ** 2)
    check = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=bump), nominal_ohm=15.0)
    assert names(check)[0] == "local bump"
    size = float(check.looks_like[0][1].split("bump of ")[1].split(" dB")[0])
    assert size == pytest.approx(means(bump)[:-1].max(), abs=0.01)  # its width is one of those that are tried
    assert "near 790 Hz" in check.looks_like[0][1]  # exact mid-band frequency 794.3 Hz
    dip = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=-bump), nominal_ohm=15.0)
    assert "dip of" in dip.looks_like[0][1]


@pytest.mark.source("analytic", ref="a change 10 % too small, level included, of a load that is not flat")
def test_compression_is_named_beside_another_resistance() -> None:
    small = -0.1 * divider_change_db(HUMP, added_ohm=15.0)
    check = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=small, sd_db=0.05), nominal_ohm=15.0)
    assert not check.agrees
    assert "compression" in names(check)
    larger = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=-small, sd_db=0.05), nominal_ohm=15.0)
    assert "compression" not in names(larger)


@pytest.mark.source(
    "analytic", ref="0.5 dB added to all frequencies alike: the tone keeps the resistance, the level leaves it"
)
def test_change_of_level_is_told_where_the_tone_tells_the_resistance() -> None:
    check = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=0.5), nominal_ohm=15.0)
    assert check.word == "not explained"
    assert names(check)[0] == "change of level"
    size = float(check.looks_like[0][1].split("level of ")[1].split(" dB")[0])
    assert size == pytest.approx(0.5, abs=0.02)


@pytest.mark.source("analytic", ref="response shifted by 3 % above 6.5 kHz: its slope over log frequency times 0.03")
def test_moved_resonance_is_named_though_it_lies_above_the_tested_range() -> None:
    level = 90 + 10 * np.log10(1 + 9 / (1 + (8 * (F / 8000 - 8000 / F)) ** 2))
    x = np.clip(np.log(F / 4500) / np.log(6500 / 4500), 0, 1)
    moved = np.interp(np.log(F) + 0.03 * x**2 * (3 - 2 * x), np.log(F), level) - level
    response = Response(frequency_hz=F, level_db=level)
    measured = exact(HUMP, 15.0, extra=moved, sd_db=0.1)
    check = cross_check(impedance(HUMP), measured, nominal_ohm=15.0, response=response)
    assert check.word == "explained by the divider"
    assert names(check) == ["misaligned resonance"]
    share = float(check.looks_like[0][1].split("misaligned by ")[1].split(" %")[0])
    assert share == pytest.approx(3, rel=0.15)
    assert names(cross_check(impedance(HUMP), exact(HUMP, 15.0), nominal_ohm=15.0, response=response)) == []


@pytest.mark.source("analytic", ref="6 of misfit below the best: 30 - 6 = 24 keeps 24.5 and drops 23.5")
def test_shapes_that_fit_nearly_as_well_are_named_beside() -> None:
    shapes = [
        Likeness(
            name=name,
            shape_db=np.zeros(3),
            amplitude=1.0,
            at_hz=float("nan"),
            gain=score,
            share=share,
            p_value=p,
            score=score,
        )
        for name, score, share, p in (
            ("best", 30.0, 0.9, 1e-6),
            ("near", 24.5, 0.8, 1e-5),
            ("by chance", 24.4, 0.8, 0.02),
            ("of little", 24.3, 0.4, 1e-5),
            ("far", 23.5, 0.8, 1e-5),
        )
    ]
    assert [one.name for one in choose_likely(shapes)] == ["best", "near"]


def test_nothing_known_of_the_noise_says_nothing() -> None:
    measured = replace(exact(HUMP, 15.0), degrees=0.0)
    check = cross_check(impedance(HUMP), measured, nominal_ohm=15.0)
    assert check.word == "cannot tell"
    assert "0 bands" in check.sentence
    assert not check.judged.any()
    np.testing.assert_allclose(check.residual_db, 0, atol=1e-9)


@pytest.mark.source("analytic", ref="0.11 dB of level change drowns in 3 dB of noise")
def test_noise_larger_than_the_change_cannot_tell() -> None:
    measured = exact(np.full(F.size, 600 + 0j), 8.0, sd_db=3.0)
    check = cross_check(impedance(np.full(F.size, 600 + 0j)), measured, nominal_ohm=8.0)
    assert check.word == "cannot tell"
    assert check.power < 0.8
    assert any("noise is too large" in caveat for caveat in check.caveats)


@pytest.mark.source("analytic", ref="bands below 6 kHz: the third octaves up to 5 kHz, whose upper edge is 5623 Hz")
def test_tested_range() -> None:
    check = cross_check(impedance(HUMP), exact(HUMP, 15.0), nominal_ohm=15.0)
    assert check.bands.mid_hz[check.judged].max() == pytest.approx(5011.9, abs=0.1)
    assert check.judged.sum() == 24
    bass = cross_check(impedance(HUMP), exact(HUMP, 15.0), nominal_ohm=15.0, high_hz=200.0)
    assert bass.bands.high_hz[bass.judged].max() < 200


def test_louder_with_the_resistance_is_pointed_out() -> None:
    bump = 12 * np.exp(-0.5 * (6 * OCTAVE) ** 2)
    check = cross_check(impedance(HUMP), exact(HUMP, 15.0, extra=bump), nominal_ohm=15.0)
    assert any("louder" in caveat for caveat in check.caveats)


@pytest.mark.source("analytic", ref="tone and level of sd 0.1 dB each: 2 sqrt(0.01 + 0.01) = 0.283 dB")
@pytest.mark.parametrize(("total_db", "told"), [(0.2, False), (0.35, True)])
def test_louder_is_pointed_out_beyond_two_standard_deviations(*, total_db: float, told: bool) -> None:
    measured = exact(HUMP, 15.0, extra=total_db - divider_change_db(HUMP, added_ohm=15.0), sd_db=0.1)
    check = cross_check(impedance(HUMP), measured, nominal_ohm=15.0)
    assert any("louder" in caveat for caveat in check.caveats) is told


@pytest.mark.source(
    "analytic",
    ref="a flat load's level tells R from none at R/sd(R) standard errors; either of two tests may tell it, each at "
    "1 - sqrt(0.95)",
)
def test_power_of_a_level_alone() -> None:
    for level_sd_db in (1.5, 2.0):
        measured = replace(exact(FLAT, 15.0, sd_db=2.0), level_variance_db2=level_sd_db**2)
        check = cross_check(impedance(FLAT), measured, nominal_ohm=15.0, impedance_gain=0.0)
        sd_ohm = np.hypot(level_sd_db, 0.002) * (16 + 15) / 8.685890
        critical = stats.norm.isf((1 - np.sqrt(0.95)) / 2)
        assert check.power == pytest.approx(stats.norm.cdf(15 / sd_ohm - critical), abs=2e-3)


@pytest.mark.parametrize(
    ("options", "rule"),
    [
        ({"nominal_ohm": 0.0}, "above 0 ohm"),
        ({"nominal_ohm": 15.0, "nominal_sd_ohm": -1.0}, "0 or more"),
        ({"nominal_ohm": 15.0, "low_hz": 300.0, "high_hz": 200.0}, "above low_hz"),
        ({"nominal_ohm": 15.0, "alpha": 0.9}, "error rate"),
        ({"nominal_ohm": 15.0, "impedance_gain": -0.1}, "0 or more"),
        ({"nominal_ohm": 15.0, "source_sd_ohm": -0.1}, "0 or more"),
    ],
)
def test_options_are_checked(options: dict[str, float], rule: str) -> None:
    with pytest.raises(CurveError, match=rule):
        cross_check(impedance(HUMP), exact(HUMP, 15.0), **options)


def test_wrong_arrays_are_refused() -> None:
    measured = exact(HUMP, 15.0)
    with pytest.raises(CurveError, match="one value a band"):
        replace(measured, change_db=np.zeros(5))
    with pytest.raises(CurveError, match="one value a band"):
        replace(measured, correlation=np.eye(7))
    with pytest.raises(CurveError, match="0 or more"):
        replace(measured, variance_db2=np.full(29, -1.0))
    with pytest.raises(CurveError, match="positive definite"):
        cross_check(impedance(HUMP), replace(measured, correlation=-np.eye(29) + 2), nominal_ohm=15.0)
    short = Impedance(frequency_hz=F[F > 500], impedance_ohm=HUMP[F > 500], label="ladle")
    with pytest.raises(CurveError, match="level band"):
        cross_check(short, measured, nominal_ohm=15.0)


@pytest.mark.source("analytic", ref="an impedance from 100 Hz on predicts no band below it; the others are unchanged")
def test_bands_without_impedance_are_not_judged() -> None:
    part = F > 100
    check = cross_check(Impedance(frequency_hz=F[part], impedance_ohm=HUMP[part]), exact(HUMP, 15.0), nominal_ohm=15.0)
    assert check.bands.mid_hz[check.judged].min() == pytest.approx(125.9, abs=0.1)
    assert check.resistance_ohm == pytest.approx(15, rel=1e-3)
