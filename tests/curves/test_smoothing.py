from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.integrate import quad

from ohmshift.curves import windows
from ohmshift.curves.grids import Bands, fractional_octave_bands, octave_grid
from ohmshift.curves.smoothing import band_levels, mean_levels, smooth_fractional_octave
from ohmshift.curves.values import Impedance, Response, ResponseSet
from ohmshift.errors import CurveError
from ohmshift.units import OCTAVE_RATIO, octaves_from_frequency

BASE_2 = 0.3 / np.log10(2)  # windows an octave of ratio 10^0.3 for one window an octave of ratio 2
WINDOWS = ("rectangular", "hann", "gaussian")

levels = st.floats(-60, 120)
curves = st.builds(
    lambda steps, level: (20 * np.exp(np.cumsum(steps)), level),
    arrays(float, 12, elements=st.floats(0.01, 0.6)),
    arrays(float, 12, elements=st.floats(30, 110)),  # powers are worth their digits over some 100 dB
)


def response(frequency_hz, level_db) -> Response:
    return Response(frequency_hz=frequency_hz, level_db=level_db, label="ladle")


def rows(frequency_hz, level_db) -> ResponseSet:
    m = len(level_db)
    return ResponseSet(
        frequency_hz=frequency_hz, level_db=level_db, channel=("left",) * m, seat=tuple(map(str, range(m)))
    )


def slope(db_per_decade: float) -> Response:
    f = octave_grid(2880, low_hz=400, high_hz=2500)
    return response(f, db_per_decade * np.log10(f / 1000))


@pytest.mark.source(
    "analytic",
    ref="mean of 10^(2n log10 f) over +-1/2N octave of ratio 2 is sinh(a)/a with a = (n/N) ln 2; dB thereof",
)
@pytest.mark.parametrize(
    ("fraction", "db_per_decade", "bias_db"),
    [
        (3, 20, 0.038572),
        (3, 40, 0.153476),
        (6, 20, 0.009656),
        (6, 40, 0.038572),
        (12, 20, 0.002415),
        (12, 40, 0.009656),
    ],
)
def test_power_average_of_a_straight_slope_reads_high_by_the_known_bias(fraction, db_per_decade, bias_db):
    smooth = smooth_fractional_octave(
        slope(db_per_decade), fraction * BASE_2, average="power", frequency_hz=[1000.0, 1100.0]
    )
    assert smooth.level_db[0] == pytest.approx(bias_db, abs=2e-6)


@pytest.mark.source("analytic", ref="sinh(a)/a with a = n ln(10^0.3)/N: octaves are those of ratio 10^0.3")
def test_octaves_are_of_base_ten():
    a = 0.3 * np.log(10) / 3
    smooth = smooth_fractional_octave(slope(20), 3, average="power", frequency_hz=[1000.0, 1100.0])
    assert smooth.level_db[0] == pytest.approx(10 * np.log10(np.sinh(a) / a), abs=1e-6)


@pytest.mark.source("analytic", ref="a window symmetric over log frequency leaves a straight line as it is")
@pytest.mark.parametrize("window", WINDOWS)
def test_level_average_leaves_a_straight_slope(window):
    smooth = smooth_fractional_octave(slope(40), 3, window=window, frequency_hz=[1000.0, 1100.0])
    assert smooth.level_db == pytest.approx([0, 40 * np.log10(1.1)], abs=1e-9)


@pytest.mark.source("analytic", ref="at an end half a rectangular window remains: its mean lies a quarter width inside")
def test_window_is_cut_off_at_the_ends():
    curve = slope(40)
    smooth = smooth_fractional_octave(curve, 3)
    quarter_db = 40 * 0.3 / 3 / 4
    assert smooth.level_db[0] - curve.level_db[0] == pytest.approx(quarter_db, abs=1e-9)
    assert smooth.level_db[-1] - curve.level_db[-1] == pytest.approx(-quarter_db, abs=1e-9)


@pytest.mark.source("analytic", ref="a symmetric peak under a symmetric window has its maximum in the middle")
@pytest.mark.parametrize("average", ["level", "power"])
@pytest.mark.parametrize("window", WINDOWS)
def test_narrow_peak_stays_on_its_frequency(window, average):
    f = octave_grid()
    k = int(np.argmin(np.abs(f - 3000)))
    level = 20 * np.exp(-((octaves_from_frequency(f, reference_hz=f[k]) / 0.05) ** 2))
    smooth = smooth_fractional_octave(response(f, level), 3, window=window, average=average).level_db
    around = np.arange(1, 60)
    assert smooth[k - around] == pytest.approx(smooth[k + around], abs=1e-9)
    assert smooth.max() == pytest.approx(smooth[k], abs=1e-9)


@pytest.mark.source("independent", ref="scipy.integrate.quad of the window times numpy.interp, scipy 1.14 or later")
@pytest.mark.parametrize("fraction", [1, 3, 24])
@pytest.mark.parametrize(
    ("window", "reach", "weight"),
    [
        ("rectangular", 0.5, np.ones_like),
        ("hann", 1.0, lambda t: 1 + np.cos(np.pi * t)),
        ("gaussian", 4 / np.sqrt(8 * np.log(2)), lambda t: 0.5 ** (4 * t * t)),
    ],
)
def test_window_is_integrated_exactly_on_an_uneven_grid(window, reach, weight, fraction):
    rng = np.random.default_rng(5)
    f = np.sort(rng.uniform(100, 2000, 25))
    curve = response(f, rng.normal(80, 5, 25))
    x = octaves_from_frequency(f)
    target = f[[0, 3, 12, 24]]
    expected = []
    for y in octaves_from_frequency(target):
        low, high = max(y - reach / fraction, x[0]), min(y + reach / fraction, x[-1])
        knots = [low, *x[(x > low) & (x < high)], high]
        pieces = list(pairwise(knots))
        area = sum(quad(lambda u, y=y: weight((u - y) * fraction), *piece)[0] for piece in pieces)
        moment = sum(
            quad(lambda u, y=y: weight((u - y) * fraction) * np.interp(u, x, curve.level_db), *piece)[0]
            for piece in pieces
        )
        expected.append(moment / area)
    smooth = smooth_fractional_octave(curve, fraction, window=window, frequency_hz=target)
    assert smooth.level_db == pytest.approx(expected, abs=1e-8)


@pytest.mark.source("independent", ref="pyfar 0.8.1, pyfar.dsp.smooth_fractional_octave, at the width it really used")
def test_power_average_agrees_with_pyfar():
    pyfar = pytest.importorskip("pyfar", reason="pyfar does not install on this Python")
    f = np.fft.rfftfreq(2**16, 1 / 48_000)
    detune = 8 * (f[1:] / 3000 - 3000 / f[1:])
    level = 10 * np.log10(1 + 9 / (1 + detune**2))
    power = np.concatenate([[1.0], 10 ** (level / 10)])
    signal = pyfar.Signal(power, 48_000, 2**16, "freq")
    reference, (_, width_used) = pyfar.dsp.smooth_fractional_octave(signal, 3)
    target = f[(f > 200) & (f < 15_000)]
    expected = 10 * np.log10(np.abs(reference.freq_raw[0, (f > 200) & (f < 15_000)]))
    smooth = smooth_fractional_octave(response(f[1:], level), width_used * BASE_2, average="power", frequency_hz=target)
    assert np.max(np.abs(smooth.level_db - expected)) < 0.003


@given(curve=curves, level=levels, window=st.sampled_from(WINDOWS), fraction=st.sampled_from([0.5, 1, 3, 12, 48]))
def test_constant_stays_that_constant(curve, level, window, fraction):
    f, _ = curve
    for average in ("level", "power"):
        smooth = smooth_fractional_octave(response(f, np.full(12, level)), fraction, window=window, average=average)
        assert np.all(smooth.level_db == level)


@given(curve=curves, offset=levels, window=st.sampled_from(WINDOWS), average=st.sampled_from(["level", "power"]))
def test_level_added_before_or_after_is_the_same(curve, offset, window, average):
    f, level = curve
    before = smooth_fractional_octave(response(f, level + offset), 3, window=window, average=average)
    after = smooth_fractional_octave(response(f, level), 3, window=window, average=average)
    assert before.level_db == pytest.approx(after.level_db + offset, abs=1e-6)


@given(curve=curves, window=st.sampled_from(WINDOWS), fraction=st.sampled_from([1, 3, 12]))
def test_average_lies_between_the_extremes(curve, window, fraction):
    f, level = curve
    smooth = smooth_fractional_octave(response(f, level), fraction, window=window).level_db
    assert np.all((smooth >= level.min() - 1e-9) & (smooth <= level.max() + 1e-9))


@given(curve=curves, window=st.sampled_from(WINDOWS))
def test_points_added_on_the_lines_change_nothing(curve, window):
    f, level = curve
    x = np.log(f)
    middle = (x[1:] + x[:-1]) / 2
    finer = np.sort(np.concatenate([x, middle]))
    finely = smooth_fractional_octave(
        response(np.exp(finer), np.interp(finer, x, level)), 3, window=window, frequency_hz=f[1:-1]
    )
    coarsely = smooth_fractional_octave(response(f, level), 3, window=window, frequency_hz=f[1:-1])
    assert finely.level_db == pytest.approx(coarsely.level_db, abs=1e-6)


@pytest.mark.parametrize("average", ["level", "power"])
@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("n", [480, 3000])
def test_many_curves_at_once_equal_one_by_one(window, average, n):
    f = np.geomspace(20, 20_000, n)
    level = np.random.default_rng(2).normal(90, 6, (7, n))
    target = octave_grid(12, low_hz=30, high_hz=15_000)
    together = smooth_fractional_octave(rows(f, level), 3, window=window, average=average, frequency_hz=target)
    for row, one in zip(together.level_db, level, strict=True):
        alone = smooth_fractional_octave(response(f, one), 3, window=window, average=average, frequency_hz=target)
        assert row == pytest.approx(alone.level_db, abs=1e-8)


def test_weights_too_many_to_keep_give_the_same(monkeypatch):
    f = octave_grid()
    curves = rows(f, np.random.default_rng(3).normal(0, 5, (200, f.size)))
    kept = smooth_fractional_octave(curves, 3, window="hann")
    monkeypatch.setattr(windows, "_KEPT_WEIGHTS", 0)
    windows._kept_blocks.cache_clear()
    built = smooth_fractional_octave(curves, 3, window="hann")
    assert windows._kept_blocks(f.tobytes(), b"", 1 / 3, "hann") is None
    windows._kept_blocks.cache_clear()
    assert np.array_equal(built.level_db, kept.level_db)


def test_smoothing_is_written_into_the_history_and_leaves_phase_behind():
    curve = Response(frequency_hz=[100, 1000, 10_000], level_db=[0, 1, 2], phase_deg=[0, 10, 20])
    smooth = smooth_fractional_octave(curve, 6, window="hann", average="power")
    assert smooth.phase_deg is None
    assert str(smooth.history[-1]) == ("smooth_fractional_octave(fraction=6, window='hann', average='power', points=3)")


@pytest.mark.parametrize(
    ("options", "rule"),
    [
        ({"fraction": 0}, "above 0"),
        ({"fraction": float("inf")}, "above 0"),
        ({"window": "boxcar"}, "rectangular, hann, gaussian"),
        ({"average": "loudness"}, "level, power"),
        ({"frequency_hz": [50.0]}, "not extrapolated"),
        ({"frequency_hz": [200.0, float("nan")]}, "not extrapolated"),
    ],
)
def test_smoothing_refuses(options, rule):
    with pytest.raises(CurveError, match=rule):
        smooth_fractional_octave(response([100, 1000], [0, 1]), **options)


def test_smoothing_refuses_an_impedance():
    with pytest.raises(CurveError, match="a response is smoothed"):
        smooth_fractional_octave(Impedance(frequency_hz=[100, 1000], impedance_ohm=[16, 32]), 3)


@pytest.mark.source("analytic", ref="the mean of a straight line over an interval is its value in the middle")
@pytest.mark.parametrize("m", [1, 9])
@pytest.mark.parametrize("n", [40, 480, 5000])
def test_band_level_of_a_slope_is_that_at_mid_band(m, n):
    f = np.geomspace(20, 20_000, n)
    bands = fractional_octave_bands(3)
    level = np.tile(12 * np.log10(f), (m, 1)) + np.arange(m)[:, np.newaxis]
    expected = 12 * np.log10(bands.mid_hz) + np.arange(m)[:, np.newaxis]
    assert band_levels(f, level, bands) == pytest.approx(expected, abs=1e-9)


@pytest.mark.source(
    "analytic", ref="on a linear grid each octave counts the same: the mean over 1-4 kHz of a step at 2 kHz"
)
def test_mean_level_weights_octaves_not_points():
    f = np.arange(500.0, 5000.0, 0.5)
    level = np.where(f < 2000, 0.0, 10.0)
    mean = mean_levels(f, level, low_hz=[1000], high_hz=[4000])
    assert mean[0] == pytest.approx(5, abs=0.002)


def test_band_not_wholly_covered_is_nan():
    bands = fractional_octave_bands(3, low_hz=100, high_hz=1000)
    mean = band_levels([bands.low_hz[0], 500.0], [[1.0, 1.0], [2.0, 2.0]], bands)
    whole = bands.high_hz <= 500
    assert np.array_equal(mean[:, whole], np.repeat([[1.0], [2.0]], whole.sum(), axis=1))
    assert np.all(np.isnan(mean[:, ~whole]))


@pytest.mark.source("analytic", ref="an unknown level leaves the means that need no straight line to it as they are")
@pytest.mark.parametrize("m", [1, 9])
def test_an_unknown_level_spoils_its_own_bands_only(m):
    f = np.geomspace(20, 20_000, 400)
    bands = fractional_octave_bands(3, low_hz=100, high_hz=8000)
    level = np.tile(np.log(f), (m, 1))
    known = band_levels(f, level, bands)
    level[-1, 200] = np.nan
    found = band_levels(f, level, bands)
    near = (bands.low_hz < f[201]) & (bands.high_hz > f[199])
    assert 0 < near.sum() <= 2
    assert np.all(np.isnan(found[-1, near]))
    np.testing.assert_allclose(found[-1, ~near], known[-1, ~near], rtol=1e-12)
    np.testing.assert_allclose(found[:-1], known[:-1], rtol=1e-12)


def test_powers_too_small_to_average_are_refused():
    with pytest.raises(CurveError, match="150 dB below the peak"):
        smooth_fractional_octave(
            response(np.geomspace(20, 20_000, 480), [0.0] * 400 + [-400.0] * 80), 12, average="power"
        )


def test_bands_outside_the_data_are_all_nan():
    assert np.all(np.isnan(band_levels([20.0, 40.0], [0.0, 1.0], fractional_octave_bands(3, low_hz=100, high_hz=200))))


@given(curve=curves)
def test_whole_range_is_the_weighted_mean_of_its_parts(curve):
    f, level = curve
    low, middle, high = f[0], f[5], f[-1]
    parts = mean_levels(f, level, low_hz=[low, middle], high_hz=[middle, high])
    share = np.log(middle / low) / np.log(high / low)
    whole = mean_levels(f, level, low_hz=[low], high_hz=[high])[0]
    assert share * parts[0] + (1 - share) * parts[1] == pytest.approx(whole, abs=1e-9)


@given(curve=curves)
def test_band_levels_are_rectangular_smoothing_at_mid_band(curve):
    f, level = curve
    bands = Bands(
        fraction=3, low_hz=[f[2]], mid_hz=[f[2] * OCTAVE_RATIO ** (1 / 6)], high_hz=[f[2] * OCTAVE_RATIO ** (1 / 3)]
    )
    if bands.high_hz[0] > f[-1]:
        return
    at_hz = [f[0], *bands.mid_hz]
    smooth = smooth_fractional_octave(response(f, level), 3, frequency_hz=at_hz)
    assert band_levels(f, level, bands)[0] == pytest.approx(smooth.level_db[1], abs=1e-8)


@pytest.mark.parametrize(
    ("frequency_hz", "level_db", "low_hz", "high_hz", "rule"),
    [
        ([100, 1000], [0, 1, 2], [100], [200], "one value a frequency"),
        ([1000, 100], [0, 1], [100], [200], "above 0 Hz and rise"),
        ([0, 100], [0, 1], [100], [200], "above 0 Hz and rise"),
        ([10, float("nan"), 300], [0, 1, 2], [100], [200], "above 0 Hz and rise"),
        ([100], [0], [100], [200], "above 0 Hz and rise"),
        ([100, 1000], [0, 1], [300], [200], "low_hz < high_hz"),
        ([100, 1000], [0, 1], [0], [200], "low_hz < high_hz"),
        ([100, 1000], [0, 1], [100, 200], [300], "low_hz < high_hz"),
    ],
)
def test_mean_levels_refuses(frequency_hz, level_db, low_hz, high_hz, rule):
    with pytest.raises(CurveError, match=rule):
        mean_levels(frequency_hz, level_db, low_hz=low_hz, high_hz=high_hz)
