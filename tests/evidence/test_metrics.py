"""The numbers that sum up a change, and their uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.floors import estimate_noise_floor
from ohmshift.evidence.metrics import METRICS, Estimate, measure_metrics, metric_values, metric_weights
from ohmshift.evidence.verdicts import judge_change

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.metrics import Metrics

BANDS = fractional_octave_bands(3)


def measure(pairs: list[tuple[ResponseSet, ResponseSet]]) -> list[tuple[Change, Metrics]]:
    floor = estimate_noise_floor([curves for pair in pairs for curves in pair], draws=2000)
    changes = [measure_change(*pair) for pair in pairs]
    return [(change, measure_metrics(change, floor, judge_change(change, floor), draws=1000)) for change in changes]


@pytest.mark.source("independent", ref="numpy polyfit over octaves; means of the 9 bands to 160 Hz, the 6 from 5 kHz")
def test_values_are_those_of_the_change(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    rng = np.random.default_rng(3)
    for change, metrics in measure([noisy(rng, label=f"{i}", change_db=float(i)) for i in range(4)]):
        got = {name: metrics.estimates[name].value for name in METRICS}
        assert got["size"] == pytest.approx(change.size_db)
        assert got["bass"] == pytest.approx(change.band_change_db[:9].mean())
        assert got["treble"] == pytest.approx(change.band_change_db[23:].mean())
        assert got["tilt"] == pytest.approx(np.polyfit(np.log10(BANDS.mid_hz) / 0.3, change.band_change_db, 1)[0])
        assert got["level drop"] == pytest.approx(change.level_drop_db)


@pytest.mark.source("analytic", ref="a slope of 0.3 dB an octave: tilt 0.3; bass its mean over the 9 bands to 160 Hz")
def test_a_straight_slope_has_its_tilt() -> None:
    octaves = np.log10(BANDS.mid_hz / 1000) / 0.3
    found = metric_values(0.3 * octaves, BANDS)
    assert found["tilt"] == pytest.approx(0.3)
    assert found["bass"] == pytest.approx(0.3 * octaves[BANDS.mid_hz < 165].mean())
    assert found["size"] == pytest.approx(0.3 * octaves.std())


@pytest.mark.source(
    "analytic", ref="weights of a mean add up to 1, those of a slope to 0, and to 1 against the octaves"
)
def test_weights_leave_out_what_is_not_covered() -> None:
    covered = BANDS.mid_hz > 50
    weights = metric_weights(BANDS, covered)
    assert all(np.all(weight[~covered] == 0) for weight in weights.values())
    assert weights["bass"].sum() == pytest.approx(1)
    assert weights["tilt"].sum() == pytest.approx(0, abs=1e-12)
    assert weights["tilt"] @ (np.log10(BANDS.mid_hz / 1000) / 0.3) == pytest.approx(1)
    nowhere = metric_weights(BANDS, BANDS.mid_hz > 1000)
    assert np.all(nowhere["bass"] == 0)
    assert np.isnan(metric_values(np.where(BANDS.mid_hz > 1000, 1.0, np.nan), BANDS)["bass"])


@pytest.mark.source("independent", ref="scipy 1.17 stats.t")
def test_bounds_are_those_of_a_t_variable() -> None:
    estimate = Estimate(value=0.4, uncertainty=0.1, degrees=6.5)
    for alpha in (0.025, 0.05, 0.002):
        half = 0.1 * stats.t.isf(alpha, 6.5)
        assert estimate.bounds(alpha) == pytest.approx((0.4 - half, 0.4 + half))
    assert (estimate.low, estimate.high) == estimate.bounds(0.025)
    unknown = Estimate(value=0.4)
    assert (unknown.low, unknown.high) == (-np.inf, np.inf)


@pytest.mark.source(
    "analytic", ref="the standard deviation of 29 independent errors of u is close to u for a zero change"
)
def test_a_size_that_variation_explains_reaches_down_to_none(
    noisy: Callable[..., tuple[ResponseSet, ResponseSet]],
) -> None:
    rng = np.random.default_rng(7)
    still = [metrics for _, metrics in measure([noisy(rng, label=f"{i}") for i in range(8)])]
    sizes = [metrics.estimates["size"] for metrics in still]
    assert sum(size.low == 0 for size in sizes) >= 7
    assert np.median([size.value / metrics.noise_size_db for size, metrics in zip(sizes, still, strict=True)]) == (
        pytest.approx(1, abs=0.35)
    )
    assert all(size.low <= size.value <= size.high for size in sizes)


@pytest.mark.source(
    "analytic", ref="the change is made with known bands; 95 % of intervals hold it, at 90 a share of 0.88 is 3 sd"
)
def test_intervals_hold_the_truth(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    rng = np.random.default_rng(11)
    inside: dict[str, list[bool]] = {name: [] for name in METRICS}
    for _ in range(9):
        pairs = [noisy(rng, label=f"{i}", change_db=-4.0, noise=0.5) for i in range(10)]
        for _, metrics in measure(pairs):
            true = {"size": 0.0, "bass": 0.0, "treble": 0.0, "tilt": 0.0, "level drop": -4.0}
            for name in METRICS:
                inside[name].append(metrics.estimates[name].low <= true[name] <= metrics.estimates[name].high)
    for name in METRICS:
        assert np.mean(inside[name]) >= 0.88, name


def test_without_repeats_nothing_is_claimed(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    rng = np.random.default_rng(5)
    without, with_added = noisy(rng, label="ladle", seats=1)
    floor = estimate_noise_floor([without, with_added])
    change = measure_change(without, with_added)
    metrics = measure_metrics(change, floor, judge_change(change, floor))
    assert np.isnan(metrics.estimates["level drop"].uncertainty)
    # Left and right alone tell something of the bands, with one degree of freedom, and nothing of their correlation.
    assert metrics.estimates["bass"].high - metrics.estimates["bass"].low > 1


def test_same_seed_same_interval(noisy: Callable[..., tuple[ResponseSet, ResponseSet]]) -> None:
    pairs = [noisy(np.random.default_rng(1), label=f"{i}") for i in range(3)]
    first, second = (measure(pairs)[0][1].estimates["size"] for _ in range(2))
    assert (first.low, first.high) == (second.low, second.high)
