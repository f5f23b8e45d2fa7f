"""The noise floor: variances, prior, correlation, guard."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats

from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.floors import MOST_DEGREES, Repeatability, estimate_noise_floor, guard_factor

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet

    Shelves = Callable[..., ResponseSet]
    Noisy = Callable[..., tuple[ResponseSet, ResponseSet]]

FOUR = ("1", "2", "1", "2")
OTHER_FOUR = ("3", "4", "3", "4")


def study(noisy: Noisy, seed: int, count: int, **options: object) -> list[ResponseSet]:
    rng = np.random.default_rng(seed)
    return [curves for i in range(count) for curves in noisy(rng, label=f"earphone {i}", **options)]


@pytest.mark.source(
    "analytic", ref="bass: left 0, 2, 4 (squares 8), right 1, 1, 1 (0) and left 3, 5 (2): 10 over 2 + 2 + 1; level 0"
)
def test_variances_pool_over_channels_and_conditions(shelves: Shelves) -> None:
    first = shelves([0.0, 2.0, 4.0, 1.0, 1.0, 1.0])
    second = shelves([3.0, 5.0], channel=("left", "left"), seat=("8", "9"), added_ohm=15.0)
    part = estimate_noise_floor([first, second]).reseated
    assert part is not None
    assert part.labels == ("ladle",)
    np.testing.assert_allclose(part.variance_db2[0, :8], 2.0)
    np.testing.assert_array_equal(part.degrees, 5)
    assert (part.level_db2, part.level_degrees) == (pytest.approx(0, abs=1e-20), 5)
    assert not part.prior_degrees.any()  # one earphone tells nothing about others


@pytest.mark.source(
    "analytic", ref="each seat's offset and each condition's drop out of differences; 3 seats, 2 channels"
)
def test_unreseated_floor_ignores_what_the_seats_share(shelves: Shelves) -> None:
    seat = ("1", "2", "3") * 2
    offset, drift = np.array([0.0, 3.0, -2.0, 1.0, 4.0, 0.0]), np.array([-0.1, 0.0, 0.1, 0.2, 0.0, -0.2])
    floor = estimate_noise_floor(
        [shelves(list(offset), seat=seat), shelves(list(offset + 5 + drift), seat=seat, added_ohm=15.0)]
    )
    assert floor.unreseated is not None
    assert floor.reseated is not None
    differences = (0.1**2 + 0.1**2 + 0.2**2 + 0.2**2) / 4
    np.testing.assert_allclose(floor.unreseated.variance_db2[0, :8], differences / 2)
    np.testing.assert_array_equal(floor.unreseated.degrees, 4)
    np.testing.assert_array_equal(floor.reseated.degrees, 4)  # shared seats count once
    np.testing.assert_array_equal(floor.unreseated.correlation, np.eye(29))


@pytest.mark.source("analytic", ref="(3 - 1)(3 - 1) degrees a channel; residuals of a constructed table, by hand 0.04")
def test_several_resistances_at_the_same_seats_share_a_table(shelves: Shelves) -> None:
    seat, one = ("1", "2", "3"), ("left",) * 3
    rows = [[0.0, 0.0, 0.0], [1.2, 1.0, 0.8], [1.8, 2.0, 2.2]]
    sets = [
        shelves(row, seat=seat, channel=one, added_ohm=ohm) for row, ohm in zip(rows, (0.0, 5.0, 15.0), strict=True)
    ]
    part = estimate_noise_floor(sets).unreseated
    assert part is not None
    np.testing.assert_array_equal(part.degrees, 4)
    np.testing.assert_allclose(part.variance_db2[0, :8], 4 * 0.2**2 / 4)


def test_floor_agrees_with_the_change_it_judges(noisy: Noisy) -> None:
    for reseated in (True, False):
        pair = noisy(np.random.default_rng(1), label="ladle", reseated=reseated)
        floor = estimate_noise_floor(pair)
        part = floor.reseated if reseated else floor.unreseated
        change = measure_change(*pair)
        assert part is not None
        np.testing.assert_allclose(part.variance_db2[0], change.own_variance_db2)
        np.testing.assert_array_equal(part.degrees[0], change.own_degrees)


def test_no_repeats_make_no_floor(noisy: Noisy) -> None:
    floor = estimate_noise_floor(study(noisy, 1, 3, seats=1))
    assert floor.reseated is None
    assert floor.unreseated is None


def variance_of_noise() -> np.ndarray:
    """Give the variance of a band's mean less the level's, from the covariance of the fixture's noise."""
    f, bands = octave_grid(), fractional_octave_bands(3)
    octave = np.log2(f / 1000)
    profile = np.interp(octave, [-6, 1, 4, 4.4], [0.15, 0.15, 0.5, 0.5])
    covariance = np.exp(-0.5 * ((octave[:, None] - octave) * 3) ** 2) * np.outer(profile, profile)
    inside = [(f >= low) & (f <= high) for low, high in zip(bands.low_hz, bands.high_hz, strict=True)]
    mean = np.array([row / row.sum() for row in [*inside, (f >= 200) & (f <= 2000)]])
    weight = mean[:-1] - mean[-1]
    return np.einsum("bi,ij,bj->b", weight, covariance, weight)


@pytest.mark.source(
    "analytic",
    ref="variances that are log-normal with sd 0.5 have trigamma(d0/2) = 0.25, d0 = 8.96, and a prior that lies below "
    "their median by exp(digamma(d0/2))/(d0/2) = 0.89",
)
def test_floor_finds_the_truth(noisy: Noisy) -> None:
    part = estimate_noise_floor(study(noisy, 2, 100)).reseated
    assert part is not None
    assert np.median(part.prior_degrees) == pytest.approx(8.96, rel=0.2)
    assert np.median(part.prior_variance_db2 / (0.89 * variance_of_noise())) == pytest.approx(1, abs=0.12)
    assert part.spread == pytest.approx(0.25, abs=0.1)
    assert (part.prior_degrees <= MOST_DEGREES).all()


@pytest.mark.source("analytic", ref="normal draws with correlation rho(d) = the fixture's, less a tenth of shrinkage")
def test_draws_have_the_correlation_of_the_residuals(noisy: Noisy) -> None:
    part = estimate_noise_floor(study(noisy, 4, 24)).reseated
    assert part is not None
    assert (np.linalg.eigvalsh(part.correlation) > 0).all()
    # E|x||y| of normal values with correlation rho is 2/pi (sqrt(1 - rho^2) + rho asin rho).
    rho = part.correlation[10, 11]
    expected = 2 / np.pi * (np.sqrt(1 - rho**2) + rho * np.arcsin(rho))
    assert float((part.draws[10] * part.draws[11]).mean()) == pytest.approx(expected, abs=0.03)
    assert part.draws.mean() == pytest.approx(np.sqrt(2 / np.pi), abs=0.01)
    assert 0.2 < rho < 0.9
    assert abs(part.correlation[10, 20]) < 0.2


@pytest.mark.source(
    "analytic",
    ref="3 residuals of 144 at the ends add (2.7^2 + 2 * 2.1^2) / 144 = 0.11; without ranks 0.99 would result",
)
def test_one_leaking_seat_does_not_make_the_correlation(noisy: Noisy) -> None:
    sets = study(noisy, 5, 12)
    clean = estimate_noise_floor(sets).reseated
    leak = np.zeros(sets[0].level_db.shape)
    leak[0] = -20 * (sets[0].frequency_hz < 150)
    leaking = estimate_noise_floor([replace(sets[0], level_db=sets[0].level_db + leak), *sets[1:]]).reseated
    assert clean is not None
    assert leaking is not None
    np.testing.assert_allclose(leaking.correlation, clean.correlation, atol=0.15)


@pytest.mark.source(
    "analytic", ref="a bass that goes with the level by rho = 0.6 in normal numbers, less a tenth of shrinkage"
)
def test_level_goes_with_the_bands_as_the_residuals_do(shelves: Shelves) -> None:
    rng = np.random.default_rng(7)
    level, other = rng.standard_normal((2, 400))
    bass = 0.6 * level + 0.8 * other
    part = estimate_noise_floor([shelves(list(bass), list(rng.standard_normal(400)), level_db=list(level))]).reseated
    assert part is not None
    np.testing.assert_allclose(part.level_correlation[:7], 0.9 * 0.6, atol=0.08)
    np.testing.assert_allclose(part.level_correlation[24:27], 0.0, atol=0.12)
    whole = part.with_level()
    np.testing.assert_array_equal(whole[:-1, :-1], part.correlation)
    np.testing.assert_array_equal(whole[-1, :-1], part.level_correlation)
    assert (np.linalg.eigvalsh(whole) > 0).all()


def test_draws_follow_the_seed(noisy: Noisy) -> None:
    sets = study(noisy, 6, 3)
    first, again, other = (estimate_noise_floor(sets, seed=seed, draws=100).reseated for seed in (1, 1, 2))
    assert first is not None
    assert again is not None
    assert other is not None
    np.testing.assert_array_equal(first.draws, again.draws)
    assert not np.array_equal(first.draws, other.draws)


def test_bands_that_some_do_not_cover(noisy: Noisy) -> None:
    sets = study(noisy, 7, 4)
    f = sets[0].frequency_hz
    kept = f < 9000
    short = [replace(s, frequency_hz=f[kept], level_db=s.level_db[:, kept]) for s in sets]
    mixed = estimate_noise_floor([*short[:6], *sets[6:]]).reseated
    assert mixed is not None
    assert (mixed.prior_degrees[:25] > 0).all()
    assert not mixed.prior_degrees[26:].any()  # one earphone only
    assert np.isfinite(mixed.prior_variance_db2).all()
    nowhere = estimate_noise_floor(short).reseated
    assert nowhere is not None
    assert np.isnan(nowhere.prior_variance_db2[26:]).all()
    np.testing.assert_array_equal(nowhere.correlation[26:, 26:], np.eye(3))


def test_sets_without_the_level_band_are_passed_over_and_refused(noisy: Noisy, shelves: Shelves) -> None:
    high = shelves([0.0, 1.0, 2.0, 3.0], frequency_hz=octave_grid(low_hz=1000))
    floor = estimate_noise_floor([high, *study(noisy, 8, 2)])
    assert floor.reseated is not None
    assert floor.reseated.labels == ("earphone 0", "earphone 1")
    with pytest.raises(EvidenceError, match=r"ladle.* needs all of that band"):
        measure_change(high, replace(high, added_ohm=15.0))


def guards(noisy: Noisy, part: Repeatability, noise: float, count: int, seats: int) -> list[float]:
    rng = np.random.default_rng(9)
    found = []
    for _ in range(count):
        change = measure_change(*noisy(rng, label="other", noise=noise, seats=seats))
        judged = np.ones(29, dtype=bool)
        found.append(guard_factor(part, change.own_variance_db2, change.own_degrees, judged=judged))
    return found


@pytest.mark.source(
    "analytic", ref="limit set at 10 %: of 150 at most 10 % + 3 standard errors 7.3 %; 3x noise is plain"
)
def test_guard_finds_the_noisy(noisy: Noisy) -> None:
    part = estimate_noise_floor(study(noisy, 10, 24)).reseated
    assert part is not None
    assert np.mean(np.array(guards(noisy, part, 1.0, 150, 3)) > 1) <= stats.binom.isf(0.001, 150, 0.1) / 150
    noisy_ones = np.array(guards(noisy, part, 3.0, 20, 3))
    assert (noisy_ones > 1).mean() > 0.9
    assert np.median(noisy_ones) == pytest.approx(9, rel=0.5)


def test_guard_needs_a_prior(shelves: Shelves) -> None:
    sets = [shelves([0.0, 0.1, 0.0, 0.1], seat=FOUR), shelves([0.0, 0.1, 0.0, 0.1], seat=OTHER_FOUR, added_ohm=15.0)]
    part = estimate_noise_floor(sets).reseated
    assert part is not None
    assert guard_factor(part, np.full(29, 9.0), np.full(29, 4.0), judged=np.ones(29, dtype=bool)) == 1.0
