from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.curves.grids import Bands, fractional_octave_bands, gather_responses, octave_grid, resample
from ohmshift.curves.values import Impedance, Provenance, Response, ResponseSet
from ohmshift.errors import CurveError
from ohmshift.units import OCTAVE_RATIO

# nominal: lower edge, exact mid-band, upper edge
IEC_THIRD_OCTAVES = {
    20: (17.782794, 19.952623, 22.387211),
    31.5: (28.183829, 31.622777, 35.481339),
    63: (56.234133, 63.095734, 70.794578),
    100: (89.125094, 100, 112.201845),
    125: (112.201845, 125.892541, 141.253754),
    250: (223.872114, 251.188643, 281.838293),
    500: (446.683592, 501.187234, 562.341325),
    630: (562.341325, 630.957344, 707.945784),
    800: (707.945784, 794.328235, 891.250938),
    1000: (891.250938, 1000, 1122.018454),
    2000: (1778.279410, 1995.262315, 2238.721139),
    3150: (2818.382931, 3162.277660, 3548.133892),
    4000: (3548.133892, 3981.071706, 4466.835922),
    8000: (7079.457844, 7943.282347, 8912.509381),
    10_000: (8912.509381, 10_000, 11_220.184543),
    20_000: (17_782.794100, 19_952.623150, 22_387.211386),
}


def resonance_db(frequency_hz, quality=12.0, height_db=11.0, centre_hz=8000.0):
    f = np.asarray(frequency_hz)
    detune = quality * (f / centre_hz - centre_hz / f)
    return 10 * np.log10(1 + (10 ** (height_db / 10) - 1) / (1 + detune**2))


@pytest.mark.source("published", ref="IEC 61260-1:2014, equations 1 to 5, exact frequencies to a millionth")
@pytest.mark.parametrize("nominal_hz", IEC_THIRD_OCTAVES)
def test_third_octave_frequencies(nominal_hz):
    bands = fractional_octave_bands(3, low_hz=20, high_hz=20_000)
    i = int(np.argmin(np.abs(bands.mid_hz - nominal_hz)))
    found = (bands.low_hz[i], bands.mid_hz[i], bands.high_hz[i])
    assert found == pytest.approx(IEC_THIRD_OCTAVES[nominal_hz], rel=3e-8)


@pytest.mark.source("published", ref="IEC 61260-1:2014: 31 third-octave bands from 20 Hz to 20 kHz; octave at 1 kHz")
def test_number_of_bands_and_octave_edges():
    assert len(fractional_octave_bands(3, low_hz=20, high_hz=20_000)) == 31
    octave = fractional_octave_bands(1, low_hz=1000, high_hz=1001)
    assert (octave.low_hz[0], octave.high_hz[0]) == pytest.approx((707.9457843841, 1412.5375446227), rel=1e-12)


@pytest.mark.source("published", ref="IEC 61260-1:2014, equation 3: for even b 1 kHz is an edge, not a mid-band")
@pytest.mark.parametrize(
    ("b", "below_hz", "above_hz"),
    [
        (6, 944.060876, 1059.253725),
        (12, 971.627952, 1029.200527),
        (24, 985.711901, 1014.495208),
        (48, 992.830248, 1007.221529),
    ],
)
def test_even_fractions_have_no_band_at_1_khz(b, below_hz, above_hz):
    bands = fractional_octave_bands(b, low_hz=980 if b > 6 else 950, high_hz=1020 if b > 6 else 1050)
    i = int(np.searchsorted(bands.mid_hz, 1000))
    assert (bands.mid_hz[i - 1], bands.mid_hz[i]) == pytest.approx((below_hz, above_hz), rel=1e-8)
    assert bands.low_hz[i] == pytest.approx(1000, rel=1e-12)


@pytest.mark.source(
    "published", ref="IEC 61260-1:2014, equation 1: base ten; base-two edges would be 890.90 and 1122.46"
)
def test_edges_are_not_those_of_base_two():
    bands = fractional_octave_bands(3, low_hz=1000, high_hz=1001)
    assert bands.low_hz[0] == pytest.approx(891.2509, abs=1e-3)
    assert bands.high_hz[0] == pytest.approx(1122.0185, abs=1e-3)


@given(b=st.integers(1, 96), low=st.floats(10, 900), ratio=st.floats(1.01, 100))
def test_bands_join_without_gaps_and_hold_the_range(b, low, ratio):
    bands = fractional_octave_bands(b, low_hz=low, high_hz=low * ratio)
    assert bands.high_hz[:-1] == pytest.approx(bands.low_hz[1:], rel=1e-12)
    assert bands.low_hz[0] <= low * (1 + 1e-9)
    assert bands.high_hz[-1] >= low * ratio * (1 - 1e-9)
    assert bands.high_hz / bands.low_hz == pytest.approx(OCTAVE_RATIO ** (1 / b), rel=1e-12)
    assert bands.mid_hz**2 == pytest.approx(bands.low_hz * bands.high_hz, rel=1e-12)


def test_bands_are_locked():
    bands = Bands(fraction=3, low_hz=[1], mid_hz=[2], high_hz=[3])
    with pytest.raises(ValueError, match="read-only"):
        bands.mid_hz[0] = 5


@pytest.mark.parametrize(
    ("make", "rule"),
    [
        (lambda: fractional_octave_bands(0), "whole number, 1 or more"),
        (lambda: fractional_octave_bands(2.5), "whole number, 1 or more"),
        (lambda: fractional_octave_bands(float("nan")), "whole number, 1 or more"),
        (lambda: octave_grid(high_hz=float("inf")), "0 < low_hz < high_hz"),
        (lambda: fractional_octave_bands(3, low_hz=100, high_hz=100), "0 < low_hz < high_hz"),
        (lambda: fractional_octave_bands(3, low_hz=0, high_hz=100), "0 < low_hz < high_hz"),
        (lambda: octave_grid(0), "whole number, 1 or more"),
        (lambda: octave_grid(48, low_hz=200, high_hz=100), "0 < low_hz < high_hz"),
    ],
)
def test_wrong_ranges_are_refused(make, rule):
    with pytest.raises(CurveError, match=rule):
        make()


@given(points=st.integers(1, 200), low=st.floats(5, 900), high=st.floats(1100, 90_000))
def test_grid_is_even_anchored_at_1_khz_and_as_long_as_its_range_allows(points, low, high):
    grid = octave_grid(points, low_hz=low, high_hz=high)
    step = OCTAVE_RATIO ** (1 / points)
    assert grid[1:] / grid[:-1] == pytest.approx(step, rel=1e-9)
    assert np.any(grid == 1000)
    assert low * (1 - 1e-8) <= grid[0] < low * step * (1 + 1e-8)
    assert high / step * (1 - 1e-8) < grid[-1] <= high * (1 + 1e-8)


@pytest.mark.source(
    "analytic", ref="a resonance in closed form, Q 12, 11 dB at 8 kHz, and the straight lines through it"
)
@pytest.mark.parametrize(
    "native_hz",
    [np.arange(1, 513) * 48_000 / 1024, octave_grid(48) * 1.0075, octave_grid(24)],
    ids=["linear", "as dense", "half as dense"],
)
def test_sparse_resonance_errs_by_a_quarter_of_straight_lines_at_most(native_hz):
    level = resonance_db(native_hz)
    grid = octave_grid(low_hz=max(native_hz[0], 200), high_hz=min(native_hz[-1], 19_000))
    error = np.abs(resample(Response(frequency_hz=native_hz, level_db=level), grid).level_db - resonance_db(grid))
    line_error = np.abs(np.interp(np.log(grid), np.log(native_hz), level) - resonance_db(grid))
    assert error.max() < line_error.max() / 4


@pytest.mark.source("analytic", ref="mean of a resonance in closed form over each step of 1/48 octave, midpoint rule")
def test_dense_resonance_is_the_mean_of_each_step():
    native_hz = np.arange(1, 16_385) * 48_000 / 32_768
    grid = octave_grid(low_hz=2000, high_hz=20_000)
    step = (np.arange(400) + 0.5) / 400 - 0.5
    truth = resonance_db(grid[:, np.newaxis] * OCTAVE_RATIO ** (step / 48)).mean(axis=1)
    found = resample(Response(frequency_hz=native_hz, level_db=resonance_db(native_hz)), grid).level_db
    assert np.max(np.abs(found - truth)) < 1e-4
    assert np.max(np.abs(found - resonance_db(grid))) < 0.04


@pytest.mark.source(
    "analytic", ref="every step mean of a straight line is the line itself, up to both ends of the data"
)
def test_dense_slope_is_not_bent_at_the_ends():
    native_hz = np.arange(100, 20_001, 1.0)
    curve = resample(Response(frequency_hz=native_hz, level_db=-24 * np.log2(native_hz)))
    assert curve.level_db == pytest.approx(-24 * np.log2(curve.frequency_hz), abs=1e-6)


@pytest.mark.source("analytic", ref="Z = R + R_res/(1 + jQ(f/f0 - f0/f)), both parts read back")
def test_resampled_impedance_is_near_the_truth():
    def ohm(f):
        return 16 + 24 / (1 + 2j * (f / 80 - 80 / f))

    native = octave_grid(24)
    impedance = resample(Impedance(frequency_hz=native, impedance_ohm=ohm(native)))
    assert np.max(np.abs(impedance.impedance_ohm / ohm(impedance.frequency_hz) - 1)) < 5e-4


@pytest.mark.source("analytic", ref="phase of a pure delay, -360 f t degrees, wraps 20 times and reads back unwrapped")
def test_resampled_phase_does_not_jump():
    native = np.linspace(20, 20_000, 4000)
    phase = -360 * native * 1e-3
    wrapped = (phase + 180) % 360 - 180
    curve = resample(Response(frequency_hz=native, level_db=0 * native, phase_deg=wrapped), octave_grid(low_hz=100))
    expected = -360 * curve.frequency_hz * 1e-3
    assert np.max(np.abs(curve.phase_deg - expected - 360 * np.round((curve.phase_deg - expected) / 360))) < 0.5
    assert np.all(np.diff(curve.phase_deg) < 0)


def test_dense_steps_average_noise_instead_of_picking_it():
    native = np.linspace(1, 24_000, 48_000)
    noise = np.random.default_rng(4).normal(0, 1, native.size)
    curve = resample(Response(frequency_hz=native, level_db=noise), octave_grid(low_hz=5000, high_hz=20_000))
    assert np.std(curve.level_db) < 0.12  # a step at 5 kHz holds 144 points: 1/12


def test_the_common_grid_stays_inside_the_data():
    curve = resample(Response(frequency_hz=[33.0, 500.0, 7777.0], level_db=[0, 1, 2]))
    assert curve.frequency_hz[0] >= 33
    assert curve.frequency_hz[-1] <= 7777
    assert curve.history[-1].name == "resample"


@pytest.mark.parametrize("grid", [[10, 100], [100, 3000]])
def test_nothing_is_extrapolated(grid):
    with pytest.raises(CurveError, match="covers 20 to 2000 Hz and is not extrapolated"):
        resample(Response(frequency_hz=[20, 2000], level_db=[0, 0]), grid)


@pytest.mark.parametrize(
    ("grid", "rule"), [([[100, 200], [300, 400]], "a row"), ([300, 100], "rise"), ([], "two points")]
)
def test_a_grid_that_is_none_is_refused(grid, rule):
    with pytest.raises(CurveError, match=rule):
        resample(Response(frequency_hz=[20, 2000], level_db=[0, 0]), grid)


def test_a_curve_already_on_the_grid_is_returned_as_it_is():
    grid = octave_grid()
    curve = Response(frequency_hz=grid, level_db=np.sin(grid))
    assert resample(curve) is curve


@given(level=st.floats(-100, 150), n=st.integers(2, 400))
def test_resampling_keeps_a_constant(level, n):
    native = np.linspace(20, 20_000, n)
    assert resample(Response(frequency_hz=native, level_db=np.full(n, level))).level_db == pytest.approx(level)


def test_rows_of_a_set_are_resampled_like_single_curves():
    native = np.linspace(20, 20_000, 999)
    level = np.vstack([resonance_db(native), resonance_db(native, centre_hz=3000)])
    curves = ResponseSet(frequency_hz=native, level_db=level, channel=("left", "left"), seat=("1", "2"))
    together = resample(curves)
    for row, one in zip(together.level_db, level, strict=True):
        assert np.array_equal(row, resample(Response(frequency_hz=native, level_db=one)).level_db)


def gather(*ranges, **choices):
    found = [
        Response(
            frequency_hz=np.geomspace(low, high, 700), level_db=np.full(700, i), provenance=Provenance(source=str(i))
        )
        for i, (low, high) in enumerate(ranges)
    ]
    m = len(ranges)
    return gather_responses(found, channel=("left",) * m, seat=tuple(map(str, range(m))), label="ladle", **choices)


def test_gathered_responses_share_the_band_that_all_cover():
    curves = gather((20, 16_000), (50, 20_000), added_ohm=33.0)
    assert 50 <= curves.frequency_hz[0] < 51
    assert 15_700 < curves.frequency_hz[-1] <= 16_000
    assert curves.level_db[:, 0] == pytest.approx([0, 1])
    assert [provenance.source for provenance in curves.provenance] == ["0", "1"]
    assert curves.added_ohm == 33


def test_one_relative_level_makes_the_set_relative():
    f = octave_grid()
    made = [Response(frequency_hz=f, level_db=0 * f, level_reference=kind) for kind in ("absolute", "relative")]
    assert gather_responses(made, channel=("left",) * 2, seat=("1", "2")).level_reference == "relative"
    assert gather_responses(made[:1], channel=("left",), seat=("1",)).level_reference == "absolute"


def test_gathering_nothing_or_no_common_band_is_refused():
    with pytest.raises(CurveError, match="at least one response"):
        gather()
    with pytest.raises(CurveError, match="share a frequency band"):
        gather((20, 100), (200, 1000))
