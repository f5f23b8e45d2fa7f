"""What is left over at the edges: intervals of few earphones, bands that one lacks, a study without repeats."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from inventing import invent_collection, invent_earphone
from scipy import special, stats

from ohmshift.curves.grids import fractional_octave_bands, octave_grid, pick_channel
from ohmshift.evidence.bandvectors import compare_vectors
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.concordance import measure_concordance
from ohmshift.evidence.estimates import borrow_uncertainty
from ohmshift.evidence.explained import ExplainedDifference, explain_values
from ohmshift.evidence.floors import Repeatability, estimate_noise_floor, guard_factor
from ohmshift.evidence.metrics import measure_metrics
from ohmshift.evidence.rules import Rule, Subject
from ohmshift.evidence.ruling import judge_rule
from ohmshift.evidence.verdicts import judge_change

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet

F = octave_grid()


@pytest.mark.source(
    "analytic",
    ref="y = +-1: the others' mean errs by 8/7 each time, so R^2 is the mean of 8 shares g: -+ t(0.975, 7) s/sqrt 8",
)
def test_interval_of_few_earphones_is_as_wide_as_a_t_interval() -> None:
    y = np.tile([1.0, -1.0], 4)
    g = 0.5 + 0.2 * stats.norm.ppf((np.arange(8) + 0.5) / 8)
    predicted = y - 8 / 7 * np.sqrt(1 - g)
    found = explain_values(
        y,
        list("abcdefgh"),
        classes=["x"] * 8,
        counts=np.ones(8),
        features=np.ones((8, 1)),
        predicted=predicted,
        resamples=19_999,
        seed=1,
    ).explained[-1]
    assert found.r2 == pytest.approx(g.mean())
    half = stats.t.isf(0.025, 7) * g.std(ddof=1) / np.sqrt(8)
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=0.04)


@pytest.mark.parametrize(("low", "high", "certain"), [(-2, -1, True), (-1, 1, False), (1, 2, True)])
def test_difference_is_certain_where_its_interval_leaves_out_0(*, low: float, high: float, certain: bool) -> None:
    one = ExplainedDifference(better="divider", worse="type", difference=(low + high) / 2, low=low, high=high)
    assert one.certain is certain


def test_a_band_that_one_earphone_lacks_is_left_out_for_all() -> None:
    rows = np.random.default_rng(3).standard_normal((8, 3))
    classes = list("aaaabbbb")
    lacking = rows.copy()
    lacking[5, 2] = np.nan
    without, with_gap = compare_vectors(rows[:, :2], classes), compare_vectors(lacking, classes)
    assert (with_gap.statistic, with_gap.p) == (without.statistic, without.p)


def test_three_pairs_are_enough() -> None:
    assert measure_concordance(np.array([1.0, 2, 3]), np.array([1.0, 2, 3])) == pytest.approx(1)


def test_nothing_is_known_of_a_change_that_can_borrow_nothing() -> None:
    nothing = estimate_noise_floor([])
    found = borrow_uncertainty(F, 2.0 * (F > 3000), nothing, party="theirs", label="ladle", added_ohm=15.0)
    assert found.repeats is None
    np.testing.assert_array_equal(found.degrees[0], 0)
    assert not found.known.any()


@pytest.mark.source(
    "analytic",
    ref="log variances of normal data with d degrees vary by trigamma(d/2) and correlate by the square of the data's "
    "correlation rho: the mean of b of them varies by (1 + (b - 1) rho^2)/b of that",
)
@pytest.mark.parametrize("rho", [0.0, 0.5, 1.0])
def test_guard_starts_where_chance_ends(rho: float) -> None:
    b, d = 16, 4.0
    bands = fractional_octave_bands(3, low_hz=99, high_hz=3200)
    assert len(bands) == b
    part = Repeatability(
        reseated=True,
        labels=tuple("abcdef"),
        bands=bands,
        variance_db2=np.full((6, b), 0.01),
        degrees=np.full((6, b), d),
        prior_variance_db2=np.full(b, 0.01),
        prior_degrees=np.full(b, 1e9),
        spread=0.0,
        correlation=rho + (1 - rho) * np.eye(b),
        draws=np.ones((1, 9)),
        level_db2=0.01,
        level_degrees=24,
        level_correlation=np.zeros(b),
    )
    error = special.polygamma(1, d / 2) * (1 + (b - 1) * rho**2) / b
    limit = stats.norm.isf(0.10) * np.sqrt(error)
    bias = special.digamma(d / 2) - np.log(d / 2)
    for share, widened in ((0.97, False), (1.03, True)):
        own = np.full(b, 0.01 * np.exp(bias + share * limit))
        factor = guard_factor(part, own, np.full(b, d), judged=np.ones(b, dtype=bool))
        assert (factor > 1) is widened


@pytest.mark.source("analytic", ref="bands that all have 4 degrees of freedom give a mean that has 4")
def test_a_mean_of_bands_has_their_degrees(shelves: Callable[..., ResponseSet]) -> None:
    step = np.array([-0.1, 0.1] * 2)
    change = measure_change(
        shelves(list(step), list(step), seat=("1", "2", "1", "2")),
        shelves(list(step), list(1 + step), seat=("3", "4", "3", "4"), added_ohm=15.0),
    )
    floor = estimate_noise_floor([])
    metrics = measure_metrics(change, floor, judge_change(change, floor))
    for name in ("bass", "treble", "tilt", "size"):
        assert metrics.estimates[name].degrees == pytest.approx(4), name


@pytest.mark.source(
    "analytic",
    ref="5 earphones, 10 bounds at 0.5 % each: t(8) 3.355 x 0.05 = 0.168 dB; a pair turned round by twice that fails",
)
@pytest.mark.parametrize(("other_way_db", "word"), [(0.32, "cannot tell"), (0.35, "fails")])
def test_pairs_turned_round_are_adjusted_for_their_number(other_way_db: float, word: str) -> None:
    ordered = [invent_earphone(f"e{i}", size=float(i), driver_count=i + 1) for i in range(4)]
    odd = invent_earphone("odd", size=1 + other_way_db, driver_count=1)
    rule = Rule(subject=Subject(), metric="size", relation="always rises with", predictor="driver count")
    assert judge_rule(invent_collection(*ordered, odd), rule).word == word


def test_a_long_list_of_counterexamples_says_how_many_more() -> None:
    rule = Rule(subject=Subject(), metric="size", relation="stays within", limit=1.0)
    told = judge_rule(invent_collection(*(invent_earphone(f"e{i}", size=3.0) for i in range(9))), rule)
    assert len(told.counterexamples) == 9
    listed = sum(f"e{i} (" in told.sentence for i in range(9))
    assert 0 < listed < 9
    assert f"and {9 - listed} more" in told.sentence


def test_what_a_borrowed_floor_is_said_to_lack(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    rng = np.random.default_rng(3)
    pairs = [noisy(rng, label=f"{i}") for i in range(5)]
    four = estimate_noise_floor(curves for pair in pairs[:4] for curves in pair)
    member, stranger = (judge_change(measure_change(*pair), four) for pair in (pairs[0], pairs[4]))
    assert not any("earphones only" in caveat for caveat in member.caveats)
    outside = "this earphone's repeats are not part of the noise floor"
    assert [outside in verdict.caveats for verdict in (member, stranger)] == [False, True]


@pytest.mark.source(
    "published", ref="t table, 4 degrees: 2.776 at 97.5 %; times 0.2 / sqrt 2 that is 0.393 dB in one band"
)
@pytest.mark.parametrize(("margin_db", "readable"), [(0.38, False), (0.40, True)])
def test_a_band_is_readable_where_its_half_width_is_within_the_margin(
    shelves: Callable[..., ResponseSet], *, margin_db: float, readable: bool
) -> None:
    step = 0.2 / np.sqrt(2)
    without = shelves([-step, step] * 2, seat=("1", "2") * 2)
    with_added = shelves([5 - step, 5 + step] * 2, seat=("3", "4") * 2, added_ohm=15.0)
    one = fractional_octave_bands(3, low_hz=49, high_hz=51)
    change = measure_change(without, with_added, bands=one)
    verdict = judge_change(change, estimate_noise_floor([], bands=one), margin_db=margin_db)
    assert verdict.half_width_db[0] == pytest.approx(0.393, abs=1e-3)
    assert verdict.readable.tolist() == [readable]


@pytest.mark.source("analytic", ref="one seat on one side: with less without has twice the variance of one measurement")
def test_borrowed_level_of_one_seat_on_one_side(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    rng = np.random.default_rng(2)
    floor = estimate_noise_floor(curves for i in range(6) for curves in noisy(rng, label=f"{i}"))
    left = [pick_channel(curves, "left") for curves in noisy(rng, label="ladle", seats=1)]
    interval = judge_change(measure_change(*left), floor).level_drop_interval_db
    assert interval is not None
    assert floor.reseated is not None
    half = stats.t.isf(0.025, floor.reseated.level_degrees) * np.sqrt(2 * floor.reseated.level_db2)
    assert (interval[1] - interval[0]) / 2 == pytest.approx(half)
