from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ohmshift.curves.alignment import (
    align_level,
    align_resonance,
    choose_warp,
    find_shifts,
    shift_resonance,
    warp_variances,
)
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.resonance import find_resonance
from ohmshift.curves.values import Response, ResponseSet
from ohmshift.curves.warping import warp_levels
from ohmshift.errors import CurveError
from ohmshift.units import OCTAVE_RATIO, octaves_from_frequency

F = octave_grid()
STILL = F < 4500
X = octaves_from_frequency(F)


def bump(centre_hz: float, width_octaves: float = 0.13, height_db: float = 9.0) -> np.ndarray:
    return height_db * np.exp(-((octaves_from_frequency(F, reference_hz=centre_hz) / width_octaves) ** 2))


def body() -> np.ndarray:
    """Give what stays when an earphone is reseated: a bass shelf, a broad rise and a falling treble."""
    return 90 + 5 / (1 + (F / 150) ** 1.5) + bump(2900, 0.6, 8) - 3 * np.clip(X - octaves_from_frequency(9000), 0, None)


def ear(shift_octaves: float, *, base_hz: float = 8000.0, height_db: float = 9.0) -> np.ndarray:
    return body() + bump(base_hz * OCTAVE_RATIO**shift_octaves, height_db=height_db)


def condition(levels, *, seats: str, added_ohm: float = 0.0, channel: str = "left") -> ResponseSet:
    return ResponseSet(
        frequency_hz=F,
        level_db=levels,
        channel=(channel,) * len(levels),
        seat=tuple(seats),
        added_ohm=added_ohm,
        label="ladle",
    )


def seated(shifts, *, seats: str, **choices) -> ResponseSet:
    return condition([ear(shift) for shift in shifts], seats=seats, **choices)


def peak_hz(level_db) -> float:
    (found,) = find_resonance(Response(frequency_hz=F, level_db=level_db))
    return found.frequency_hz


# Level


@pytest.mark.source("analytic", ref="mean over log frequency of a + b log f is its value at sqrt(200 2000) Hz")
def test_level_is_the_mean_over_octaves():
    slope = 7 * np.log10(F)
    aligned, report = align_level(condition([slope, slope + 3], seats="12"))
    assert report.offset_db == pytest.approx(7 * np.log10(np.sqrt(200 * 2000)) + np.array([0, 3]), abs=1e-9)
    assert aligned.level_db[0] == pytest.approx(aligned.level_db[1], abs=1e-9)


@pytest.mark.source("analytic", ref="a straight line read at 500 Hz")
def test_level_at_one_frequency():
    aligned, report = align_level(condition([7 * np.log10(F)], seats="1"), low_hz=500, high_hz=500)
    assert report.offset_db[0] == pytest.approx(7 * np.log10(500), abs=1e-9)
    assert np.interp(np.log(500), np.log(F), aligned.level_db[0]) == pytest.approx(0, abs=1e-9)
    assert "at 500 Hz" in report.summarise()


@pytest.mark.parametrize("end", [0, -1])
def test_level_at_either_end_of_the_data(end):
    level_db = body()
    _, report = align_level(condition([level_db], seats="1"), low_hz=F[end], high_hz=F[end])
    assert report.offset_db[0] == pytest.approx(level_db[end], abs=1e-9)


def test_a_change_of_treble_leaves_the_aligned_midrange():
    aligned, _ = align_level(condition([body(), body() + 6 * (F > 4000)], seats="12"))
    midrange = (F >= 200) & (F <= 2000)
    assert aligned.level_db[0, midrange] == pytest.approx(aligned.level_db[1, midrange], abs=1e-9)


@given(offset=st.floats(-40, 40))
@settings(deadline=None)
def test_aligning_levels_twice_equals_once(offset):
    once, report = align_level(condition([body(), body() + offset], seats="12"))
    twice, second = align_level(once)
    assert twice.level_db == pytest.approx(once.level_db, abs=1e-9)
    assert second.offset_db == pytest.approx([0, 0], abs=1e-9)
    assert np.diff(report.offset_db)[0] == pytest.approx(offset, abs=1e-9)


def test_level_alignment_makes_levels_relative_and_says_what_it_did():
    aligned, report = align_level(condition([body(), body() - 1.5], seats="12"), low_hz=500, high_hz=2000)
    assert aligned.level_reference == "relative"
    assert str(aligned.history[-1]) == "align_level(low_hz=500, high_hz=2000)"
    assert report.summarise() == "Levels aligned from 500 to 2000 Hz; before, they differed by 1.50 dB."
    with pytest.raises(ValueError, match="read-only"):
        report.offset_db[0] = 1


@pytest.mark.parametrize(
    ("low_hz", "high_hz"), [(20, 20_000), (200, 5000), (100, 2000), (2000, 200), (10, 10), (30_000, 30_000)]
)
def test_level_is_not_aligned_over_another_range(low_hz, high_hz):
    with pytest.raises(CurveError, match="a range within 200 to 2000 Hz, or one frequency of the data"):
        align_level(condition([body()], seats="1"), low_hz=low_hz, high_hz=high_hz)


def test_level_needs_the_whole_range():
    curves = ResponseSet(frequency_hz=[300, 3000], level_db=[[0, 0]], channel=("left",), seat=("1",))
    with pytest.raises(CurveError, match="must cover 200 to 2000 Hz"):
        align_level(curves)


# Resonance


@pytest.mark.source(
    "analytic", ref="a symmetric peak on a flat level lies where it was put and stands out by its height at most"
)
@pytest.mark.parametrize("centre_hz", [6100.0, 7943.0, 8000.0, 9011.0, 10_500.0])
def test_peak_is_found_where_it_is(centre_hz):
    (found,) = find_resonance(Response(frequency_hz=F, level_db=bump(centre_hz)))
    assert found.frequency_hz == pytest.approx(centre_hz, rel=0.0005)
    assert 7.2 < found.prominence_db < 9  # light smoothing and the straight trend take up to a fifth


def test_no_peak_is_no_resonance():
    (found,) = find_resonance(Response(frequency_hz=F, level_db=-6 * X))
    assert found.frequency_hz is None
    assert found.prominence_db == 0


def test_peak_needs_data_about_it():
    with pytest.raises(CurveError, match=r"needs data from 4050 to 14800 Hz, but they go from 20 to 10000 Hz"):
        find_resonance(Response(frequency_hz=[20, 10_000], level_db=[0, 0]))


@pytest.mark.source("analytic", ref="resonances put at known shifts from 8 kHz, against their own mean")
@pytest.mark.parametrize("true", [[0.0, 0.05], [-0.1, 0.02, 0.06], [0.03, 0.03, -0.07, 0.1, 0.0]])
def test_shifts_are_those_put_in(true):
    report = find_shifts(seated(true, seats="12345"[: len(true)]))
    (left,) = report.channels
    found = np.array([row.shift_octaves for row in left.rows])
    assert left.certain
    assert found == pytest.approx(np.array(true) - np.mean(true), abs=0.001)  # 0.07 % of the frequency
    assert found.sum() == pytest.approx(0, abs=1e-12)
    assert left.resonance_hz == pytest.approx(8000 * OCTAVE_RATIO ** np.mean(true), rel=0.003)


@pytest.mark.source("analytic", ref="rows made of one resonance moved about: aligned, they are one curve above 6.5 kHz")
@pytest.mark.parametrize("warp", ["local", "detail"])
def test_aligned_rows_lie_on_each_other(warp):
    without = seated([-0.05, 0.02], seats="12")
    with_added = seated([0.04, -0.06], seats="34", added_ohm=33.0)
    (first, second), report = align_resonance([without, with_added], warp=warp)
    rows = np.concatenate([first.level_db, second.level_db])
    above = (F > 6500) & (F < 16_000)
    before = np.ptp(np.concatenate([without.level_db, with_added.level_db]), axis=0)[above].max()
    assert report.certain
    assert before > 4
    assert np.ptp(rows, axis=0)[above].max() < 0.35
    assert [peak_hz(row) for row in rows] == pytest.approx([report.channels[0].resonance_hz] * 4, rel=0.002)


@pytest.mark.parametrize("warp", ["local", "detail"])
@pytest.mark.parametrize("target_hz", [None, 8000.0, 8600.0])
def test_nothing_moves_below_4500_hz(warp, target_hz):
    curves = seated([-0.05, 0.02, 0.06], seats="123")
    (aligned,), _ = align_resonance(curves, warp=warp, target_hz=target_hz)
    assert aligned.level_db[:, STILL] == pytest.approx(curves.level_db[:, STILL], abs=1e-9)
    assert not np.allclose(aligned.level_db, curves.level_db, atol=1)


@settings(deadline=None, max_examples=25)
@given(
    shifts=st.lists(st.floats(-0.1, 0.1), min_size=2, max_size=6),
    warp=st.sampled_from(["local", "detail"]),
    base_hz=st.floats(7300, 8700),
)
def test_aligning_twice_equals_once(shifts, warp, base_hz):
    curves = condition([ear(shift, base_hz=base_hz) for shift in shifts], seats="123456"[: len(shifts)])
    (once,), report = align_resonance(curves, warp=warp)
    (twice,), _ = align_resonance(once, warp=warp)
    assert report.certain
    assert np.max(np.abs(twice.level_db - once.level_db)) < 0.02


def test_the_order_of_sets_does_not_matter():
    without, with_added = seated([-0.05, 0.02], seats="12"), seated([0.04], seats="3", added_ohm=33.0)
    (a, b), _ = align_resonance([without, with_added])
    (d, c), _ = align_resonance([with_added, without])
    assert a.level_db == pytest.approx(c.level_db, abs=1e-9)
    assert b.level_db == pytest.approx(d.level_db, abs=1e-9)


def test_rows_not_reseated_share_one_shift():
    without = seated([-0.05, 0.02, 0.06], seats="123")
    moved = condition([row + 1.5 * X + bump(9500, 0.2, 1.0) for row in without.level_db], seats="123", added_ohm=33.0)
    report = find_shifts([without, moved])
    shifts = [row.shift_octaves for row in report.channels[0].rows]
    assert shifts[:3] == shifts[3:]
    assert len(set(shifts)) == 3
    assert {row.added_ohm for row in report.channels[0].rows} == {0.0, 33.0}


def test_one_seating_is_not_moved():
    without = seated([0.03], seats="1")
    with_added = condition(without.level_db + bump(7000, 0.1, 0.5), seats="1", added_ohm=33.0)
    moved, report = align_resonance([without, with_added])
    assert report.certain
    assert "one seating" in report.summarise()
    assert np.array_equal(moved[0].level_db, without.level_db)
    assert np.array_equal(moved[1].level_db, with_added.level_db)


def test_channels_are_aligned_apart():
    left, right = seated([-0.02, 0.02], seats="12"), seated([0.06, 0.1], seats="12", channel="right")
    both = replace(
        left,
        level_db=np.concatenate([left.level_db, right.level_db]),
        channel=(*left.channel, *right.channel),
        seat=(*left.seat, *right.seat),
    )
    (aligned,), report = align_resonance(both)
    assert [channel.channel for channel in report.channels] == ["left", "right"]
    assert peak_hz(aligned.level_db[0]) == pytest.approx(8000, rel=0.003)
    assert peak_hz(aligned.level_db[2]) == pytest.approx(8000 * OCTAVE_RATIO**0.08, rel=0.003)


def test_target_moves_every_row_there_and_says_that_it_is_for_display():
    (shown,), report = align_resonance(seated([-0.05, 0.1], seats="12"), target_hz=7500.0)
    assert [peak_hz(row) for row in shown.level_db] == pytest.approx([7500, 7500], rel=0.003)
    assert "use='display only'" in str(shown.history[-1])
    compared = shift_resonance(seated([-0.05, 0.1], seats="12"), report)
    assert "use='comparison'" in str(compared.history[-1])


def test_target_too_far_is_refused():
    curves = seated([0.0, 0.02], seats="12")
    with pytest.raises(CurveError, match=r"moved by 0\.3 octave at most"):
        align_resonance(curves, target_hz=12_500.0)
    with pytest.raises(CurveError, match="above 0 Hz"):
        align_resonance(curves, target_hz=-8000.0)


def uncertain(curves: ResponseSet, **choices) -> str:
    """Check that nothing is moved, not even to a target, and give the reason."""
    (same,), report = align_resonance(curves, target_hz=8000.0, **choices)
    assert not report.certain
    assert report.channels[0].resonance_hz is None
    assert np.array_equal(same.level_db, curves.level_db)
    assert "moved='none'" in str(same.history[-1])
    assert report.summarise().endswith("above 5 kHz read the heights of peaks, not their positions.")
    return report.channels[0].why


def test_weak_peaks_are_not_aligned():
    why = uncertain(condition([ear(shift, height_db=2.5) for shift in (-0.03, 0.05)], seats="12"))
    assert why.startswith("the peak of seat 1 stands out by ")


def test_curves_without_a_peak_are_not_aligned():
    curves = condition([-6 * X, -5 * X], seats="12")
    assert uncertain(curves) == "seat 1 has no peak between 5500 and 11500 Hz"


def test_a_peak_that_changes_place_with_another_is_not_aligned():
    def two(high_db):
        return body() + bump(6500, 0.09, 8.0) + bump(9500, 0.09, high_db)

    why = uncertain(condition([two(6.5), two(9.5)], seats="ab"))
    assert "peaks and slopes disagree by" in why


def test_data_that_end_early_are_not_aligned():
    short = F < 12_000
    curves = seated([0.0, 0.05], seats="12")
    curves = replace(curves, frequency_hz=F[short], level_db=curves.level_db[:, short])
    assert uncertain(curves) == "the data do not cover 4050 to 14800 Hz"


def test_stricter_limits_can_be_asked_for():
    curves = seated([-0.05, 0.02], seats="12")
    assert "below 20" in uncertain(curves, least_prominence_db=20.0)
    assert "disagree" in uncertain(curves, largest_disagreement=0.0)


def test_an_uncertain_channel_leaves_the_other_aligned():
    left, right = seated([-0.05, 0.05], seats="12"), condition([body(), body()], seats="12", channel="right")
    both = replace(
        left,
        level_db=np.concatenate([left.level_db, right.level_db]),
        channel=(*left.channel, *right.channel),
        seat=(*left.seat, *right.seat),
    )
    (aligned,), report = align_resonance(both)
    assert not report.certain
    assert np.array_equal(aligned.level_db[2:], both.level_db[2:])
    assert not np.allclose(aligned.level_db[:2], both.level_db[:2])
    assert report.summarise().startswith("Left: the resonance lies at ")
    assert "Right: no seat is moved, because " in report.summarise()


def test_a_row_without_a_shift_is_refused():
    report = find_shifts(seated([0.0, 0.05], seats="12"))
    with pytest.raises(CurveError, match="ladle, left, seat 3: every row needs a shift"):
        shift_resonance(seated([0.0], seats="3"), report)
    with pytest.raises(CurveError, match="at least one set"):
        find_shifts([])


def test_sets_on_another_grid_are_aligned_too():
    native = np.geomspace(20, 20_000, 1500)
    levels = np.array([np.interp(np.log(native), np.log(F), ear(shift)) for shift in (-0.05, 0.05)])
    curves = ResponseSet(frequency_hz=native, level_db=levels, channel=("left",) * 2, seat=("1", "2"))
    (aligned,), report = align_resonance(curves)
    assert [row.shift_octaves for row in report.channels[0].rows] == pytest.approx([-0.05, 0.05], abs=0.001)
    assert aligned.frequency_hz.size == 1500


# Warps


@pytest.mark.source("analytic", ref="g(x + s) in closed form above 6.5 kHz, g below 4.5 kHz, and g at the last point")
@pytest.mark.parametrize("shift", [-0.12, 0.05, 0.2])
def test_local_warp_moves_by_the_whole_shift(shift):
    def g(x):
        return np.sin(5 * x) + 0.5 * np.cos(11 * x)

    (moved,) = warp_levels(F, g(X)[np.newaxis], [shift])
    full = (F > 6500) & (X[-1] - 2 * max(shift, 0) > X)
    assert moved[full] == pytest.approx(g(X[full] + shift), abs=1e-4)
    assert np.array_equal(moved[STILL], g(X)[STILL])
    assert np.all(np.abs(moved) <= 1.5)


@pytest.mark.parametrize("shift", [-0.3, -0.1, 0.1, 0.3])
def test_warp_never_folds_nor_reads_beyond_the_data(shift):
    (source_octaves,) = warp_levels(F, X[np.newaxis], [shift])
    assert np.all(np.diff(source_octaves) > 0)
    assert source_octaves.max() <= X[-1]


@pytest.mark.source("analytic", ref="the trend of a straight line is that line: nothing is left to move")
def test_detail_warp_leaves_a_slope_where_local_warp_does_not():
    slope = 10 * X[np.newaxis]
    inside = F < 6200  # where the trend's window is not cut off
    detail = warp_levels(F, slope, [0.1], warp="detail")
    local = warp_levels(F, slope, [0.1], warp="local")
    assert detail[0, inside] == pytest.approx(slope[0, inside], abs=1e-3)
    assert np.max(np.abs(local - slope)[0, inside]) > 0.9


def test_no_shift_changes_nothing():
    level = ear(0.0)[np.newaxis]
    for warp in ("local", "detail"):
        assert np.array_equal(warp_levels(F, level, [0.0], warp=warp), level)


@pytest.mark.parametrize(("shift", "warp", "rule"), [(0.31, "local", "0.3 octave at most"), (0.1, "whole", '"local"')])
def test_warp_refuses(shift, warp, rule):
    with pytest.raises(CurveError, match=rule):
        warp_levels(F, ear(0.0)[np.newaxis], [shift], warp=warp)


def study(move) -> list[list[ResponseSet]]:
    rng = np.random.default_rng(8)
    groups = []
    for _ in range(4):
        sets = [
            condition([move(shift) for shift in rng.normal(0, 0.06, 3)], seats=seats, added_ohm=ohm)
            for seats, ohm in (("123", 0.0), ("456", 33.0))
        ]
        groups.append(sets)
    return groups


@pytest.mark.source(
    "analytic", ref="all above 6.5 kHz moves by the shift, steep trend included: the local warp undoes it"
)
def test_local_warp_is_chosen_where_everything_moves():
    tilted = body() - 12 * np.clip(X - octaves_from_frequency(5000), 0, None) + bump(8000)
    groups = study(lambda shift: warp_levels(F, tilted[np.newaxis], [-shift])[0])
    assert choose_warp(warp_variances(find_shifts(sets), sets) for sets in groups) == "local"


@pytest.mark.source("analytic", ref="only the resonance moves over a steep trend that stays: the detail warp undoes it")
def test_detail_warp_is_chosen_where_only_the_resonance_moves():
    tilted = body() - 12 * np.clip(X - octaves_from_frequency(5000), 0, None)
    groups = study(lambda shift: tilted + bump(8000 * OCTAVE_RATIO**shift))
    assert choose_warp(warp_variances(find_shifts(sets), sets) for sets in groups) == "detail"


def test_local_warp_is_chosen_where_nothing_tells():
    assert choose_warp([warp_variances(find_shifts(seated([0.0], seats="1")), [seated([0.0], seats="1")])]) == "local"
    assert choose_warp([]) == "local"
