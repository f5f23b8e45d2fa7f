"""Verdicts: words, bounds and their error rates."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.floors import NoiseFloor, Repeatability, estimate_noise_floor
from ohmshift.evidence.verdicts import Verdict, judge_change

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet

    Shelves = Callable[..., ResponseSet]
    Noisy = Callable[..., tuple[ResponseSet, ResponseSet]]

ONE = fractional_octave_bands(3, low_hz=49, high_hz=51)
FOUR = ("1", "2", "1", "2")
OTHER_FOUR = ("3", "4", "3", "4")
NOTHING = estimate_noise_floor([], bands=ONE)
LIMMA = "R limma 3.54.1, tests/references/limma_prior.txt"


@pytest.fixture
def half_db(shelves: Shelves) -> Change:
    """A change of 0.5 dB in one band: variance 0.04 with 4 degrees, variance factor 1/2."""
    step = 0.2 / np.sqrt(2)
    without = shelves([-step, step, -step, step], seat=FOUR)
    with_added = shelves([0.5 - step, 0.5 + step] * 2, seat=OTHER_FOUR, added_ohm=15.0)
    return measure_change(without, with_added, bands=ONE)


def floor_of(prior_db2: float, degrees: float) -> NoiseFloor:
    part = Repeatability(
        reseated=True,
        labels=tuple("abcdef"),
        bands=ONE,
        variance_db2=np.full((6, 1), prior_db2),
        degrees=np.full((6, 1), 4.0),
        prior_variance_db2=np.array([prior_db2]),
        prior_degrees=np.array([degrees]),
        spread=100.0,
        correlation=np.eye(1),
        draws=np.abs(stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000))[None],
        level_db2=0.01,
        level_degrees=24,
        level_correlation=np.zeros(1),
    )
    return replace(NOTHING, reseated=part)


@pytest.mark.source("published", ref="t table, 4 degrees: 2.132 at 95 %, 2.776 at 97.5 %")
def test_own_repeats_give_the_t_interval(half_db: Change) -> None:
    verdict = judge_change(half_db, NOTHING)
    se = np.sqrt(0.04 / 2)
    assert verdict.basis == "own repeats"
    assert verdict.bound_db == pytest.approx(0.5 + 2.132 * se, abs=1e-4)
    assert verdict.half_width_db[0] == pytest.approx(2.776 * se, abs=1e-4)
    assert verdict.word == "changed, by no more than"


@pytest.mark.source("independent", ref=LIMMA)
def test_moderated_variance(half_db: Change, limma: dict[str, np.ndarray]) -> None:
    degrees = float(limma["df.prior"][0])
    verdict = judge_change(half_db, floor_of(float(limma["var.prior"][0]), degrees))
    se = np.sqrt(limma["var.post.first.and.last"][0] / 2)  # of the variance 0.04
    assert verdict.bound_db - 0.5 == pytest.approx(se * stats.t.isf(0.05, degrees + 4), rel=1e-8)
    assert verdict.basis == "noise floor and own repeats"


@pytest.mark.source("published", ref="t table, 1 degree: 6.314 at 95 %; variance (0.9 - 0.5)^2 / (2 + 2)")
def test_one_seat_and_no_repeats_anywhere(shelves: Shelves) -> None:
    change = measure_change(shelves([0.0, 0.0]), shelves([0.5, 0.9], seat=("8", "9")), bands=ONE)
    verdict = judge_change(change, NOTHING)
    assert verdict.basis == "left and right"
    assert verdict.bound_db == pytest.approx(0.7 + 6.314 * np.sqrt(0.04 * 1.0), abs=1e-3)
    assert verdict.word == "cannot tell"
    assert any("no repeats anywhere" in caveat for caveat in verdict.caveats)


def test_nothing_to_go_by_says_nothing(shelves: Shelves) -> None:
    one = measure_change(shelves([0.0], channel=("left",)), shelves([9.0], channel=("left",), seat=("9",)), bands=ONE)
    verdict = judge_change(one, NOTHING)
    assert (verdict.basis, verdict.word, verdict.bound_db) == ("none", "cannot tell", np.inf)
    assert not verdict.changed.any()
    assert "nothing here separates" in verdict.sentence


@pytest.mark.source("analytic", ref="Šidák: of 29 independent bands the largest stays below c if P(|z| < c)^29 = 0.95")
def test_largest_of_independent_bands(shelves: Shelves) -> None:
    rows = np.array([-0.1, 0.1, -0.1, 0.1])
    change = measure_change(
        shelves(list(rows), list(rows), seat=FOUR), shelves(list(rows), list(rows), seat=OTHER_FOUR)
    )
    verdict = judge_change(change, estimate_noise_floor([]))
    c = stats.norm.isf((1 - 0.95 ** (1 / 29)) / 2)
    expected = stats.t.isf(stats.norm.sf(c), 4) * np.sqrt(0.02 / 2)
    np.testing.assert_allclose(verdict.half_width_db[:8], expected, rtol=1e-3)


@pytest.mark.source(
    "analytic", ref="steps of 3 dB in the treble and noise of 0.02 dB: only the treble can have changed"
)
def test_regions_are_judged_apart(shelves: Shelves) -> None:
    step = np.array([-0.01, 0.01] * 2)
    change = measure_change(
        shelves(list(step), list(step), seat=FOUR), shelves(list(step), list(3 + step), seat=OTHER_FOUR)
    )
    verdict = judge_change(change, estimate_noise_floor([]))
    bass, midrange, treble = verdict.regions
    assert (verdict.word, bass.word, treble.word) == ("changed", "no change larger than", "changed")
    assert (bass.high_hz, midrange.low_hz) == (pytest.approx(89.125, abs=1e-3), pytest.approx(89.125, abs=1e-3))
    assert (midrange.high_hz, treble.low_hz) == (pytest.approx(5623.41, abs=1e-2), pytest.approx(5623.41, abs=1e-2))
    assert midrange.word == "changed"  # the step starts at 3 kHz
    assert treble.sentence.startswith("Changed, certainly by more than 1 dB: 5 bands changed, most +3 dB")


@pytest.mark.source(
    "analytic", ref="a bound that holds for a margin holds for any larger one; swapping only turns signs"
)
@given(bass=st.lists(st.floats(-2, 2), min_size=8, max_size=8), margin=st.floats(0.1, 3), more=st.floats(0, 3))
@settings(deadline=None, max_examples=25)
def test_words_are_consistent(shelves: Shelves, bass: list[float], margin: float, more: float) -> None:
    pair = shelves(bass[:4], seat=FOUR), shelves(bass[4:], bass[:4], seat=OTHER_FOUR)
    floor = estimate_noise_floor([])
    change = measure_change(*pair)
    verdict, loose = (judge_change(change, floor, margin_db=x) for x in (margin, margin + more))
    assert ("no" in loose.word.split()) >= ("no" in verdict.word.split())
    assert ("no" in verdict.word.split()) == (verdict.bound_db <= margin)
    assert verdict.word.startswith("changed") == bool(verdict.changed.any())
    assert not (verdict.beyond & ~verdict.changed).any()
    back = judge_change(measure_change(*pair[::-1]), floor, margin_db=margin)
    assert back.word == verdict.word
    assert back.bound_db == pytest.approx(verdict.bound_db)


def test_uncovered_bands_are_not_judged(noisy: Noisy) -> None:
    first, second = noisy(np.random.default_rng(1), label="ladle")
    kept = first.frequency_hz < 9000
    pair = [replace(s, frequency_hz=s.frequency_hz[kept], level_db=s.level_db[:, kept]) for s in (first, second)]
    verdict = judge_change(measure_change(*pair), estimate_noise_floor([first, second]))
    assert not verdict.judged[26:].any()
    assert np.isnan(verdict.half_width_db[26:]).all()
    assert not (verdict.changed | verdict.readable | verdict.beyond)[26:].any()
    assert np.isfinite(verdict.bound_db)
    assert verdict.regions[2].high_hz < 9000
    only_low = measure_change(*pair, bands=fractional_octave_bands(3, high_hz=4000))
    nothing = judge_change(only_low, estimate_noise_floor(pair, bands=only_low.bands)).regions[2]
    assert nothing.word == "cannot tell"
    assert np.isnan(nothing.low_hz)


def test_level_interval_is_borrowed_by_one_seat(noisy: Noisy) -> None:
    rng = np.random.default_rng(2)
    floor = estimate_noise_floor([s for i in range(6) for s in noisy(rng, label=f"{i}")])
    change = measure_change(*noisy(rng, label="ladle", seats=1))
    verdict = judge_change(change, floor)
    assert change.level_drop_interval_db is None
    assert floor.reseated is not None
    assert verdict.level_drop_interval_db is not None
    low, high = verdict.level_drop_interval_db
    half = stats.t.isf(0.025, floor.reseated.level_degrees) * np.sqrt(floor.reseated.level_db2)
    assert (high - low) / 2 == pytest.approx(half * np.sqrt(change.variance_factor))
    assert {"borrowed noise floor"} == {verdict.basis}
    assert any("level is borrowed" in caveat for caveat in verdict.caveats)
    assert any(caveat.startswith("one seat") for caveat in verdict.caveats)


def test_few_earphones_are_told(noisy: Noisy) -> None:
    rng = np.random.default_rng(3)
    sets = [s for i in range(3) for s in noisy(rng, label=f"{i}")]
    verdict = judge_change(measure_change(*sets[:2]), estimate_noise_floor(sets))
    assert "the noise floor rests on 3 earphones only: false alarms may be up to twice as frequent" in verdict.caveats


def test_unreseated_change_takes_the_unreseated_floor(noisy: Noisy) -> None:
    pair = noisy(np.random.default_rng(4), label="ladle", reseated=False)
    rng = np.random.default_rng(5)
    others = [s for i in range(6) for s in noisy(rng, label=f"{i}")]
    verdict = judge_change(measure_change(*pair), estimate_noise_floor([*others, *pair]))
    assert verdict.basis == "own repeats"


@pytest.mark.parametrize(
    ("options", "rule"),
    [({"margin_db": 0.0}, "above 0 dB"), ({"alpha": 0.0}, "error rate"), ({"alpha": 0.6}, "error rate")],
)
def test_options_out_of_range_are_refused(half_db: Change, options: dict[str, float], rule: str) -> None:
    with pytest.raises(EvidenceError, match=rule):
        judge_change(half_db, NOTHING, **options)


def test_other_bands_are_refused(half_db: Change) -> None:
    with pytest.raises(EvidenceError, match="same bands"):
        judge_change(half_db, estimate_noise_floor([]))


def simulate(
    noisy: Noisy,
    *,
    studies: int,
    earphones: int = 24,
    seats: int = 3,
    change_db: np.ndarray | float = 0.0,
    reseated: bool = True,
    noise: float = 1.0,
    seed: int = 1,
) -> list[tuple[Change, NoiseFloor, Verdict]]:
    """Judge simulated studies; one seat, or louder noise, borrows from as many ordinary earphones of three seats."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(studies):
        pairs = [
            noisy(rng, label=f"{i}", seats=seats, change_db=change_db, noise=noise, reseated=reseated)
            for i in range(earphones)
        ]
        lenders = pairs
        if seats == 1 or noise != 1:
            lenders = [noisy(rng, label=f"lender {i}", reseated=reseated) for i in range(earphones)]
        floor = estimate_noise_floor(s for pair in lenders for s in pair)
        changes = [measure_change(*pair) for pair in pairs]
        found += [(change, floor, judge_change(change, floor)) for change in changes]
    return found


def most(rate: float, n: int) -> float:
    """Give the share that n trials of that rate exceed once in a thousand."""
    return float(stats.binom.isf(0.001, n, rate)) / n


@pytest.mark.source("analytic", ref="family-wise 5 % by construction; binomial 99.9 % limits for that many earphones")
@pytest.mark.parametrize(
    ("studies", "options"),
    [
        (16, {}),
        (16, {"seats": 1}),
        (16, {"seats": 2}),
        (50, {"earphones": 4}),
        (10, {"reseated": False}),
        (100, {"earphones": 1, "reseated": False}),
    ],
    ids=["n=3", "n=1", "n=2", "4 earphones", "not reseated", "1 earphone, not reseated"],
)
def test_false_alarms_stay_near_five_percent(noisy: Noisy, studies: int, options: dict[str, int]) -> None:
    found = simulate(noisy, studies=studies, **options)
    alarms = [bool(verdict.changed.any()) for _, _, verdict in found]
    assert np.mean(alarms) <= most(0.05, len(alarms))


@pytest.mark.source(
    "analytic", ref="5 % is not kept with two earphones, which the caveat says: twice that, binomial limit"
)
@pytest.mark.parametrize("seats", [2, 3])
def test_two_earphones_alarm_at_most_twice_as_often(noisy: Noisy, seats: int) -> None:
    found = simulate(noisy, studies=80, earphones=2, seats=seats, seed=6)
    alarms = [bool(verdict.changed.any()) for _, _, verdict in found]
    assert np.mean(alarms) <= most(0.10, len(alarms))
    assert all(any("up to twice as frequent" in caveat for caveat in verdict.caveats) for _, _, verdict in found)


@pytest.mark.source("analytic", ref="95 % by construction; of 240 earphones at least 90.4 %, the binomial 0.1 % limit")
def test_intervals_of_all_bands_hold_together(noisy: Noisy) -> None:
    found = simulate(noisy, studies=10, seed=2)
    holds = [bool((np.abs(verdict.change_db) <= verdict.half_width_db).all()) for _, _, verdict in found]
    assert np.mean(holds) >= 1 - most(0.05, len(holds))
    assert np.mean(holds) < 1


@pytest.mark.source("analytic", ref="5 % by construction at a true change of exactly the margin; binomial 99.9 % limit")
def test_no_change_larger_than_is_seldom_wrong_at_the_boundary(noisy: Noisy, shelves: Shelves) -> None:
    shelf = np.where(shelves([0.0]).frequency_hz < 150, 1.0, 0.0)
    for options in ({"seats": 3}, {"seats": 5}, {"seats": 3, "reseated": False}):
        found = simulate(noisy, studies=5, change_db=shelf, seed=3, **options)
        small = [verdict.bound_db <= 1 for _, _, verdict in found]
        beyond = [bool(verdict.beyond.any()) for _, _, verdict in found]
        assert np.mean(small) <= most(0.05, len(small))
        assert np.mean(beyond) <= most(0.05, len(beyond))


@pytest.mark.source("analytic", ref="a change of ten standard errors in eight bands cannot be missed")
def test_large_changes_are_found(noisy: Noisy, shelves: Shelves) -> None:
    shelf = np.where(shelves([0.0]).frequency_hz < 150, 2.0, 0.0)
    found = simulate(noisy, studies=1, change_db=shelf, seed=4)
    assert np.mean([verdict.word.startswith("changed") for _, _, verdict in found]) == 1
    assert np.mean([verdict.changed[:8].mean() for _, _, verdict in found]) > 0.95


@pytest.mark.source("analytic", ref="three times the noise triples t; without the guard nearly all alarm, with it few")
@pytest.mark.parametrize(("seats", "limit"), [(1, 0.15), (3, 0.08)])
def test_guard_keeps_noisy_earphones_quiet(noisy: Noisy, seats: int, limit: float) -> None:
    found = simulate(noisy, studies=4, seats=seats, noise=3.0, seed=5)
    alarms = np.mean([bool(verdict.changed.any()) for _, _, verdict in found])
    unguarded = np.mean([bool(judge_change(change, without_guard(floor)).changed.any()) for change, floor, _ in found])
    assert alarms <= most(limit, len(found))
    assert unguarded > alarms + 0.2
    widened = [verdict for _, _, verdict in found if verdict.guard > 1]
    assert len(widened) > len(found) / 2
    told = "left and right disagree by more" if seats == 1 else "noisier than the floor"
    assert all(any(told in caveat for caveat in verdict.caveats) for verdict in widened)


def without_guard(floor: NoiseFloor) -> NoiseFloor:
    assert floor.reseated is not None
    return replace(floor, reseated=replace(floor.reseated, spread=np.inf))
