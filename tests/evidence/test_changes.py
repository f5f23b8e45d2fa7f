"""Changes: with minus without, at equal loudness."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ohmshift.curves.alignment import align_level
from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.curves.values import ResponseSet
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.metrics import metric_values

if TYPE_CHECKING:
    from collections.abc import Callable

    Shelves = Callable[..., ResponseSet]

BANDS = fractional_octave_bands(3)
BASS = BANDS.mid_hz < 130
TREBLE = BANDS.mid_hz > 3900
FOUR = ("1", "2", "1", "2")
OTHER_FOUR = ("3", "4", "3", "4")
values = st.lists(st.floats(-6, 6), min_size=4, max_size=4)


@pytest.mark.source("analytic", ref="seat means: left 1.5 - 0.1, right 2.5 - 0.3 = 1.4, 2.2; their mean 1.8")
def test_change_is_mean_over_seats_then_channels(shelves: Shelves) -> None:
    without = shelves([0.0, 0.2, 0.4, 0.2], seat=FOUR)
    with_added = shelves([1.0, 2.0, 3.0, 2.0], seat=OTHER_FOUR, added_ohm=15.0)
    change = measure_change(without, with_added)
    assert change.channels == ("left", "right")
    np.testing.assert_allclose(change.channel_band_change_db[:, BASS], [[1.4] * BASS.sum(), [2.2] * BASS.sum()])
    np.testing.assert_allclose(change.band_change_db[BASS], 1.8)
    np.testing.assert_allclose(change.band_change_db[TREBLE], 0, atol=1e-12)
    np.testing.assert_allclose(change.change_db[change.frequency_hz < 150], 1.8)
    np.testing.assert_allclose(change.seat_band_change_db[:, 0], [0.9, 1.9, 2.7, 1.7])
    assert (change.seat_channel, change.seat) == (("left", "left", "right", "right"), OTHER_FOUR)
    assert (change.reseated, change.added_ohm, change.seats) == (True, 15.0, (2, 2))


@pytest.mark.source("analytic", ref="variances 1/2+1/2 = 1 a channel, halved by the mean of two; paired 2/2, halved")
def test_variance_factor(shelves: Shelves) -> None:
    without = shelves([0.0] * 4, seat=FOUR)
    reseated = measure_change(without, shelves([0.0] * 4, seat=OTHER_FOUR))
    paired = measure_change(without, shelves([0.0] * 4, seat=FOUR))
    one = measure_change(without, shelves([0.0, 0.0], seat=("9", "9")))
    assert (reseated.variance_factor, paired.variance_factor) == (0.5, 0.5)
    assert one.variance_factor == pytest.approx((0.5 + 1) / 2)
    np.testing.assert_array_equal(one.channel_variance_factor, [1.5, 1.5])


@pytest.mark.source(
    "analytic",
    ref="reseated: squares 4 (0.1^2) + 4 (0.5^2) = 1.04 over 4 degrees; paired: differences 1, 2 and 3, 2 have "
    "variance 0.5 each, half of it a measurement",
)
def test_own_variance(shelves: Shelves) -> None:
    before, after = [0.0, 0.2, 0.4, 0.2], [1.0, 2.0, 3.0, 2.0]
    reseated = measure_change(shelves(before, seat=FOUR), shelves(after, seat=OTHER_FOUR))
    np.testing.assert_allclose(reseated.own_variance_db2[BASS], 1.04 / 4)
    np.testing.assert_array_equal(reseated.own_degrees, 4)
    paired = measure_change(shelves([0.0] * 4, seat=FOUR), shelves(after, seat=FOUR))
    np.testing.assert_allclose(paired.own_variance_db2[BASS], 0.25)
    np.testing.assert_array_equal(paired.own_degrees, 2)
    np.testing.assert_allclose(paired.seat_band_change_db[:, 0], after)


@pytest.mark.source("published", ref="t table, 97.5 %, 4 degrees: 2.776; level sd 0.1 a seat by construction")
def test_level_drop_and_its_interval(shelves: Shelves) -> None:
    step = 0.1 / np.sqrt(2)
    without = shelves([0.0] * 4, level_db=[-step, step, -step, step], seat=FOUR)
    with_added = shelves([1.0] * 4, level_db=[-3 - step, -3 + step, -5 - step, -5 + step], seat=OTHER_FOUR)
    change = measure_change(without, with_added)
    assert change.level_drop_db == pytest.approx(-4)
    assert change.level_drop_interval_db is not None
    low, high = change.level_drop_interval_db
    assert (high - low) / 2 == pytest.approx(2.776 * 0.1 * np.sqrt(0.5), rel=2e-4)
    assert (high + low) / 2 == pytest.approx(-4)


@pytest.mark.source("analytic", ref="8 bass bands at a, 14 at 0, 7 treble bands at b: mean and standard deviation")
def test_size_bass_and_treble(shelves: Shelves) -> None:
    change = measure_change(shelves([0.0, 0.0]), shelves([2.0, 2.0], [-1.0, -1.0], seat=("8", "9")))
    bands = np.r_[np.full(8, 2.0), np.zeros(14), np.full(7, -1.0)]
    np.testing.assert_allclose(change.band_change_db[BASS | TREBLE], bands[bands != 0], atol=1e-12)
    found = metric_values(change.band_change_db, BANDS)
    assert found["treble"] == pytest.approx(-1)
    assert 2 * 8 / 9 < found["bass"] < 2  # the band at 160 Hz holds the step
    assert change.size_db == pytest.approx(np.std(change.band_change_db))


@pytest.mark.source("analytic", ref="a straight line over log frequency has the same mean slope in every band")
@given(slope=st.floats(-2, 2))
def test_tilt_of_a_line_is_its_slope(slope: float) -> None:
    f = octave_grid()
    line = slope * np.log10(f / 1000) / 0.3
    first = ResponseSet(frequency_hz=f, level_db=np.zeros((1, f.size)), channel=("left",), seat=("1",))
    second = replace(first, level_db=line[None], seat=("2",))
    found = metric_values(measure_change(first, second).band_change_db, BANDS)
    assert found["tilt"] == pytest.approx(slope, abs=1e-9)


@pytest.mark.source("analytic", ref="with minus without is odd under swapping")
@given(bass=values, treble=values, level=values, paired=st.booleans())
@settings(deadline=None, max_examples=30)
def test_swapping_flips_the_change(
    shelves: Shelves, bass: list[float], treble: list[float], level: list[float], *, paired: bool
) -> None:
    without = shelves(bass, treble[::-1], level_db=level[::-1], seat=FOUR)
    with_added = shelves(treble, bass, level_db=level, seat=FOUR if paired else OTHER_FOUR, added_ohm=15.0)
    there, back = measure_change(without, with_added), measure_change(with_added, without)
    for name in ("change_db", "band_change_db", "channel_band_change_db"):
        np.testing.assert_allclose(getattr(there, name), -getattr(back, name), atol=1e-12)
    for name in ("level_drop_db", "added_ohm"):
        assert getattr(there, name) == pytest.approx(-getattr(back, name), abs=1e-12)
    for name in ("size_db", "variance_factor", "reseated"):
        assert getattr(there, name) == pytest.approx(getattr(back, name), abs=1e-12)
    np.testing.assert_allclose(there.own_variance_db2, back.own_variance_db2, atol=1e-12)


@pytest.mark.source("analytic", ref="a level is constant over frequency and is taken off")
@given(level=values)
@settings(deadline=None, max_examples=30)
def test_level_leaves_the_tone_alone(shelves: Shelves, level: list[float]) -> None:
    without = shelves([0.0] * 4, seat=FOUR)
    plain = measure_change(without, shelves([1.0, 2.0, 3.0, 4.0], seat=OTHER_FOUR))
    moved = measure_change(without, shelves([1.0, 2.0, 3.0, 4.0], level_db=level, seat=OTHER_FOUR))
    np.testing.assert_allclose(moved.band_change_db, plain.band_change_db, atol=1e-12)
    assert moved.level_drop_db - plain.level_drop_db == pytest.approx(np.mean(level), abs=1e-12)


@pytest.mark.source("analytic", ref="another level band shifts all bands alike, and a standard deviation ignores that")
def test_size_does_not_depend_on_the_level_band(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    pair = noisy(np.random.default_rng(3), label="ladle")
    narrow, wide = measure_change(*pair, level_low_hz=500), measure_change(*pair, level_high_hz=4000)
    assert narrow.size_db == pytest.approx(wide.size_db, rel=1e-12)
    bass = [metric_values(change.band_change_db, BANDS)["bass"] for change in (narrow, wide)]
    assert bass[0] != pytest.approx(bass[1], rel=1e-3)


@pytest.mark.source("analytic", ref="20 lg(20/30) = -3.5218 dB for 10 ohm added to 20 ohm")
def test_resistive_earphone_only_loses_level(shelves: Shelves) -> None:
    drop = 20 * np.log10(20 / 30)
    change = measure_change(shelves([1.0, 1.0]), shelves([1.0, 1.0], level_db=[drop, drop], added_ohm=10.0))
    assert change.level_drop_db == pytest.approx(-3.5218, abs=5e-5)
    np.testing.assert_allclose(change.band_change_db, 0, atol=1e-12)
    assert change.size_db == pytest.approx(0, abs=1e-12)


def test_same_seat_names_mean_not_reseated(shelves: Shelves) -> None:
    without = shelves([0.0] * 4, seat=FOUR)
    assert not measure_change(without, shelves([1.0] * 4, seat=FOUR)).reseated
    fewer = measure_change(without, shelves([1.0] * 2, seat=("2", "2")))
    assert not fewer.reseated
    assert fewer.seats == (1, 1)
    assert "left aside, because measured in one condition only: seat 1" in fewer.caveats
    mixed = measure_change(without, shelves([1.0] * 4, seat=("1", "3", "1", "3")))
    assert mixed.reseated
    assert any("overstated" in caveat for caveat in mixed.caveats)


@pytest.mark.source(
    "analytic", ref="two readings 1 and 3 of one seat are one of 2, whatever the other seat's 6 counts: 4"
)
def test_readings_of_one_seat_are_no_repeats(shelves: Shelves) -> None:
    without = shelves([0.0], channel=("left",))
    with_added = shelves([1.0, 3.0, 6.0], channel=("left",) * 3, seat=("5", "5", "6"))
    change = measure_change(without, with_added)
    np.testing.assert_allclose(change.band_change_db[BASS], 4)
    assert change.seats == (1, 2)
    assert change.own_degrees[0] == 1


def test_one_channel_and_a_missing_channel_say_so(shelves: Shelves) -> None:
    left = shelves([0.0, 0.0], channel=("left", "left"))
    both = shelves([1.0, 1.0, 5.0, 5.0])
    change = measure_change(left, both)
    assert change.channels == ("left",)
    np.testing.assert_allclose(change.band_change_db[BASS], 1)
    assert any("right channel" in caveat for caveat in change.caveats)
    assert any("one channel only" in caveat for caveat in change.caveats)


def test_levels_that_do_not_compare_give_no_level_drop(shelves: Shelves) -> None:
    without, with_added = shelves([0.0] * 4), shelves([1.0] * 4, level_db=[-3.0] * 4)
    relative = measure_change(replace(without, level_reference="relative"), with_added)
    levelled = measure_change(align_level(without)[0], align_level(with_added)[0])
    for change in (relative, levelled):
        assert np.isnan(change.level_drop_db)
        assert change.level_drop_interval_db is None
        assert any("no change of level is given" in caveat for caveat in change.caveats)
        np.testing.assert_allclose(change.band_change_db[BASS], 1)


def test_another_source_is_told(shelves: Shelves) -> None:
    change = measure_change(shelves([0.0] * 2, source_ohm=1.0), shelves([1.0] * 2, source_ohm=3.0))
    assert change.caveats[0] == "the source differed as well: 1 ohm without, 3 ohm with"


def test_no_repeats_give_no_interval(shelves: Shelves) -> None:
    change = measure_change(shelves([0.0, 0.0]), shelves([1.0, 1.0], seat=("8", "9")))
    assert change.level_drop_interval_db is None
    assert np.isnan(change.own_variance_db2).all()
    assert not change.own_degrees.any()


def test_bands_not_covered_are_masked(shelves: Shelves) -> None:
    short = shelves([0.0] * 4, frequency_hz=octave_grid(low_hz=60, high_hz=9000))
    change = measure_change(short, shelves([1.0] * 4, seat=OTHER_FOUR))
    covered = np.isfinite(change.band_change_db)
    np.testing.assert_array_equal(covered, (BANDS.low_hz > 60) & (BANDS.high_hz < 9000))
    assert change.frequency_hz[-1] < 9000
    assert any("bands at" in caveat for caveat in change.caveats)
    assert np.isfinite(list(metric_values(change.band_change_db, BANDS).values())).all()


@pytest.mark.parametrize(
    ("second", "rule"),
    [
        ({"label": "whisk"}, "one earphone"),
        ({"channel": ("other",) * 4}, "one channel in common"),
    ],
)
def test_what_does_not_belong_together_is_refused(shelves: Shelves, second: dict[str, object], rule: str) -> None:
    without = shelves([0.0] * 4)
    with pytest.raises(EvidenceError, match=rule):
        measure_change(without, replace(without, **second))


def test_data_without_the_level_band_are_refused(shelves: Shelves) -> None:
    high = shelves([0.0] * 4, frequency_hz=octave_grid(low_hz=1000))
    with pytest.raises(EvidenceError, match="200 to 2000 Hz"):
        measure_change(high, high)
    low = shelves([0.0] * 4, frequency_hz=octave_grid(high_hz=900))
    with pytest.raises(EvidenceError, match="common band"):
        measure_change(high, low)
    with pytest.raises(EvidenceError, match="at least one band"):
        measure_change(low, low, bands=fractional_octave_bands(3, low_hz=8000), level_high_hz=800)


def test_change_cannot_be_written_to(shelves: Shelves) -> None:
    change: Change = measure_change(shelves([0.0] * 2), shelves([1.0] * 2))
    with pytest.raises(ValueError, match="read-only"):
        change.band_change_db[0] = 0
    assert change.history[-1].name == "measure_change"
