"""Planning, against power tables and other software."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from inventing import invent_collection, invent_earphone, read_reference
from scipy import stats

from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.floors import estimate_noise_floor
from ohmshift.evidence.planning import (
    earphones_for_difference,
    earphones_for_half_width,
    measure_spread,
    plan_seats,
    power_of_classes,
    seats_to_tell,
    share_shown,
    units_for_share,
)
from ohmshift.evidence.verdicts import judge_change

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet

REFERENCE = read_reference("collection_statistics.txt")
STATSMODELS = "statsmodels 0.15.0 TTestIndPower, commands in tests/references/collection_statistics.txt"


@pytest.mark.source("independent", ref=STATSMODELS)
def test_power() -> None:
    for n, ratio, power in REFERENCE["power.n.ratio"].reshape(-1, 3):
        assert power_of_classes(int(n), ratio) == pytest.approx(power, abs=1e-9)
        assert power_of_classes(int(n), -ratio) == pytest.approx(power, abs=1e-9)


@pytest.mark.source("independent", ref=STATSMODELS)
def test_earphones_a_class() -> None:
    for ratio, n in REFERENCE["solve_power.ratio.power80"].reshape(-1, 2):
        assert earphones_for_difference(ratio) == int(np.ceil(n))


@pytest.mark.source(
    "analytic", ref="with power nearly 1 everything stays a probability, and more earphones never tell less"
)
def test_plans_do_not_break_far_out() -> None:
    for ratio in (2.0, 8.0, 8.3):  # at 8 the noncentral F of scipy 1.17 has no answer for 45 to 47 earphones
        powers = [power_of_classes(n, ratio) for n in range(2, 400)]
        assert all(0 <= one <= other + 1e-12 <= 1 + 1e-12 for one, other in pairwise(powers))
    needed = [earphones_for_difference(ratio) for ratio in (0.05, 0.1, 0.4, 1.0, 4.0)]
    assert needed == sorted(needed, reverse=True)
    assert earphones_for_difference(0.01) is None
    assert earphones_for_half_width(1e-4, 1.0) is None


@pytest.mark.source("analytic", ref="t(0.975, 2n - 2) sd sqrt(2/n) is at most the half-width at n, and not at n - 1")
def test_earphones_for_a_half_width() -> None:
    for half, sd in ((0.5, 0.6), (0.2, 1.0), (1.0, 0.3)):
        n = earphones_for_half_width(half, sd)
        widths = [float(stats.t.isf(0.025, 2 * k - 2)) * sd * np.sqrt(2 / k) for k in (n, max(n - 1, 2))]
        assert widths[0] <= half
        assert n == 2 or widths[1] > half


@pytest.mark.source(
    "published", ref="SciPy manual, binomtest(7, 50).proportion_ci; R binom.test(682, 925), W. J. Conover 1971"
)
def test_clopper_pearson() -> None:
    assert share_shown(7, 50, alpha=0.025) == pytest.approx(0.05819170033997342, abs=1e-9)
    assert share_shown(682, 925, alpha=0.025) == pytest.approx(0.7076682640790390, abs=1e-9)


@pytest.mark.source(
    "analytic", ref="n of n agree with probability p^n: p = 0.05^(1/n); log 0.05 / log 0.8, 0.9, 0.95 rounded up"
)
def test_all_agree() -> None:
    assert share_shown(2, 2) == pytest.approx(np.sqrt(0.05))
    assert [units_for_share(share) for share in (0.8, 0.9, 0.95)] == [14, 29, 59]
    assert all(share_shown(units_for_share(p), units_for_share(p)) >= p for p in (0.5, 0.8, 0.9, 0.95))
    assert share_shown(0, 3) == 0.0


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: earphones_for_difference(1.0, power=1.0), "power"),
        (lambda: earphones_for_half_width(0.0, 1.0), "above 0"),
        (lambda: share_shown(3, 2), "3 of 2"),
        (lambda: units_for_share(1.0), "share"),
    ],
)
def test_what_cannot_be_planned(call: Callable[[], object], told: str) -> None:
    with pytest.raises(EvidenceError, match=told):
        call()


@pytest.mark.source(
    "analytic", ref="classes 0, 2 and 10, 14: variances 2 and 8 pool to 5; 0.5 squared of measurement comes off"
)
def test_spread_within_classes() -> None:
    collection = invent_collection(
        *(invent_earphone(f"{i}", size=(value, 0.5)) for i, value in enumerate([0.0, 2.0, 10.0, 14.0, 99.0]))
    )
    spread = measure_spread(collection, "size", ["a", "a", "b", "b", "c"])
    assert spread is not None
    assert (spread.degrees, spread.seats) == (2, 3)
    assert spread.between == pytest.approx(np.sqrt(5 - 0.25))
    assert spread.total(3) == pytest.approx(np.sqrt(5))
    assert spread.total(12) == pytest.approx(np.sqrt(4.75 + 0.25 / 4))
    assert measure_spread(collection, "size", list("abcde")) is None


@pytest.mark.source(
    "analytic",
    ref="variance over n: from 3 seats to 12 the half-width halves at least, as degrees of freedom are gained",
)
def test_seats_narrow_the_interval(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    rng = np.random.default_rng(2)
    sets = [curves for i in range(8) for curves in noisy(rng, label=f"{i}")]
    floor = estimate_noise_floor(sets, draws=2000)
    plan = plan_seats(floor)
    assert plan is not None
    assert plan.half_width_db.shape == (3, 12)
    assert np.all(np.diff(plan.half_width_db, axis=1) < 0)
    assert 0.35 < plan.half_width_db[1, 11] / plan.half_width_db[1, 2] < 0.5
    needed = plan.needed(float(plan.half_width_db[1, 4]))
    assert needed[1] == 5
    assert plan.needed(1e-6) == (None, None, None)
    assert plan_seats(floor, reseated=False) is None


@pytest.mark.source(
    "analytic", ref="half-widths go with 1/sqrt(seats): at the seats named it is told, at one fewer not"
)
@pytest.mark.parametrize("margin_db", [0.8, 1.0, 1.3])
def test_seats_that_would_tell(noisy: Callable[..., tuple[ResponseSet, ResponseSet]], margin_db: float) -> None:
    rng = np.random.default_rng(5)
    pairs = [noisy(rng, label=f"e{i}", seats=2, noise=3.0) for i in range(8)]
    changes = [measure_change(*pair) for pair in pairs]
    floor = estimate_noise_floor([one for pair in pairs for one in pair])
    verdicts = [judge_change(change, floor, margin_db=margin_db) for change in changes]
    open_ones = [verdict for verdict in verdicts if verdict.word == "cannot tell"]
    assert len(open_ones) > 3
    for verdict in open_ones:
        needed = seats_to_tell(verdict, 2)
        for seats in () if needed is None else (needed - 1, needed):
            d, narrower = np.abs(verdict.change_db), np.sqrt(2 / seats)
            told = bool((d > verdict.half_width_db * narrower).any()) or bool(
                (d + (verdict.band_bound_db - d) * narrower <= margin_db).all()
            )
            assert told == (seats == needed)
    narrow = [seats_to_tell(verdict, 2) for verdict in open_ones]
    assert any(narrow)
    hopeless = replace(open_ones[0], band_bound_db=np.full(29, np.inf), half_width_db=np.full(29, np.inf))
    assert seats_to_tell(hopeless, 2) is None


@pytest.mark.source(
    "analytic",
    ref="variance v (1 + r) / n of a mean over sides that go together by r; degrees d0 and, of n seats in 2 conditions "
    "of 2 channels, 4 (n - 1), without reseating 2 (n - 1); c normal deviations become t by equal probability",
)
@pytest.mark.parametrize("reseated", [True, False])
def test_half_widths_by_hand(noisy: Callable[..., tuple[ResponseSet, ResponseSet]], *, reseated: bool) -> None:
    rng, n, own = np.random.default_rng(3), 3, 8 if reseated else 4
    pairs = [noisy(rng, label=f"{i}", reseated=reseated, seats=n) for i in range(4)]
    assert (measure_change(*pairs[0]).own_degrees == own).all()
    floor = estimate_noise_floor([curves for pair in pairs for curves in pair], draws=10)
    part = floor.reseated if reseated else floor.unreseated
    assert part is not None
    known = replace(
        part,
        draws=np.full((29, 10), 2.9),
        prior_variance_db2=np.full(29, 0.07),
        prior_degrees=np.full(29, 5.0),
        sides=0.3,
    )
    plan = plan_seats(replace(floor, reseated=known, unreseated=known), reseated=reseated)
    assert plan is not None
    expected = np.sqrt(0.07 * 1.3 / n) * stats.t.isf(stats.norm.sf(2.9), 5 + own)
    assert plan.half_width_db[:, n - 1] == pytest.approx([expected] * 3)
    assert plan.half_width_db[:, 0] == pytest.approx([np.sqrt(0.07 * 1.3) * stats.t.isf(stats.norm.sf(2.9), 5)] * 3)
