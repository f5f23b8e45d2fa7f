"""Parties put together: against an independent program, by hand, and by simulation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.estimates import ChangeEstimate, estimate_change
from ohmshift.evidence.floors import estimate_noise_floor
from ohmshift.evidence.parties import pool_parties, summarise_estimate

STATSMODELS = "statsmodels 0.15.0, combine_effects(method_re='pm'), tests/references/parties.txt"
LINES = (Path(__file__).resolve().parents[1] / "references/parties.txt").read_text(encoding="utf-8").splitlines()
VALUES = {
    line.partition(":")[0]: [float(cell) for cell in line.partition(":")[2].split()]
    for line in LINES
    if line and line[0] != "#"
}
BANDS = fractional_octave_bands(3, low_hz=25, high_hz=16_000)
B = len(BANDS)


def vaccine() -> tuple[np.ndarray, np.ndarray]:
    """Thirteen trials of a vaccine (Colditz et al., JAMA 271 (1994) 698): log risk ratios and standard errors."""
    tp = np.array([4, 6, 3, 62, 33, 180, 8, 505, 29, 17, 186, 5, 27])
    tn = np.array([119, 300, 228, 13536, 5036, 1361, 2537, 87886, 7470, 1699, 50448, 2493, 16886])
    cp = np.array([11, 29, 11, 248, 47, 372, 10, 499, 45, 65, 141, 3, 29])
    cn = np.array([128, 274, 209, 12619, 5761, 1079, 619, 87892, 7232, 1600, 27197, 2338, 17825])
    y = np.log(tp / (tp + tn)) - np.log(cp / (cp + cn))
    return y, np.sqrt(1 / tp - 1 / (tp + tn) + 1 / cp - 1 / (cp + cn))


FIVE = (np.array([-1.781, -1.810, -1.842, -1.642, -1.755]), np.array([0.063, 0.075, 0.135, 0.041, 0.09]))


@pytest.mark.source("independent", ref=STATSMODELS)
@pytest.mark.parametrize(("name", "data"), [("bcg", vaccine()), ("five", FIVE)])
def test_agrees_with_another_program(name, data):
    tau2, mean, error, q, inconsistency, low, high = VALUES[name]
    pooled = pool_parties(*data)
    assert pooled.between_variance == pytest.approx(tau2, rel=2e-5)  # theirs is iterated to 1e-5 of Q
    assert pooled.mean == pytest.approx(mean, rel=1e-6)
    assert (pooled.low, pooled.high) == pytest.approx((low, high), rel=1e-5)
    assert pooled.q == pytest.approx(q, rel=1e-10)
    assert pooled.inconsistency == pytest.approx(inconsistency, rel=1e-10)
    assert (pooled.high - pooled.low) / 2 > 1.9 * error


@pytest.mark.source("memory", ref="the between-trial variance of these trials by Paule and Mandel is printed as 0.3181")
def test_the_vaccine_trials():
    assert pool_parties(*vaccine()).between_variance == pytest.approx(0.3181, abs=5e-5)


@pytest.mark.source("analytic", ref="equal errors: tau^2 is the sample variance less the error's, here 1 - 0.25")
def test_equal_errors_by_hand():
    pooled = pool_parties([1.0, 2.0, 3.0], [0.5, 0.5, 0.5])
    assert pooled.between_variance == pytest.approx(0.75)
    assert pooled.mean == pytest.approx(2.0)
    assert (pooled.high - pooled.low) / 2 == pytest.approx(4.302652729911275 / np.sqrt(3))
    assert pooled.weights == pytest.approx([1 / 3] * 3)


@pytest.mark.source(
    "analytic", ref="parties nearer than their errors: tau^2 = 0 and the interval is not below t / sqrt(k)"
)
def test_agreeing_parties_are_not_made_surer_than_they_are():
    pooled = pool_parties([1.0, 1.0, 1.0], [0.3, 0.3, 0.3])
    assert pooled.between_variance == 0
    assert (pooled.high - pooled.low) / 2 == pytest.approx(4.302652729911275 * 0.3 / np.sqrt(3))
    assert "3 parties only" in pooled.caveats[0]


def test_the_interval_covers_the_truth():
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(600):
        s = rng.uniform(0.05, 0.3, 6)
        y = 1.0 + rng.normal(0, 0.2, 6) + rng.normal(0, 1, 6) * s
        pooled = pool_parties(y, s)
        hits += pooled.low <= 1.0 <= pooled.high
    assert 0.92 < hits / 600 < 0.985


@pytest.mark.parametrize(
    ("estimates", "errors", "names"),
    [([1.0], [0.1], ()), ([1.0, 2.0], [0.1], ()), ([1.0, 2.0], [0.1, 0.0], ()), ([1.0, 2.0], [0.1, 0.1], ("one",))],
)
def test_what_cannot_be_pooled_is_refused(estimates, errors, names):
    with pytest.raises(EvidenceError, match="two parties or more"):
        pool_parties(estimates, errors, parties=names)


def step(bass_db: float, variance: float = 0.04, degrees: float = 8.0) -> ChangeEstimate:
    change = np.where(BANDS.mid_hz < 170, bass_db, 0.0)
    return ChangeEstimate(
        party="one",
        label="ladle",
        added_ohm=15.0,
        bands=BANDS,
        change_db=change,
        variance_db2=np.full((1, B), variance),
        degrees=np.full((1, B), degrees),
        parts=("measurement variation",),
    )


@pytest.mark.source(
    "analytic", ref="a mean of equal values is that value; fully correlated errors of 0.2 dB stay 0.2 dB"
)
def test_bass_by_hand():
    assert summarise_estimate(step(2.0), "bass") == pytest.approx((2.0, 0.2))
    assert summarise_estimate(step(2.0), "treble") == pytest.approx((0.0, 0.2))


@pytest.mark.source("analytic", ref="a straight line of 0.5 dB per octave has that tilt")
def test_tilt_by_hand():
    line = step(0.0)
    slope = 0.5 * np.log2(BANDS.mid_hz / 1000)
    tilted = ChangeEstimate(**{name: getattr(line, name) for name in line.__slots__} | {"change_db": slope})
    assert summarise_estimate(tilted, "tilt")[0] == pytest.approx(0.5, rel=0.01)


@pytest.mark.source(
    "analytic",
    ref="a step up to 125 Hz that moves as a whole: the 8 bands that it fills have its variance, as has their mean; "
    "the ninth, at 160 Hz, holds its edge",
)
@pytest.mark.parametrize("earphones", [1, 3, 12])
def test_bands_that_move_together_do_not_average_out(shelves, earphones):
    rng = np.random.default_rng(4)
    pairs = [
        [shelves(rng.normal(0, 0.5, 4), seat=[f"{c}{i}" for i in range(4)], added_ohm=c) for c in (0.0, 15.0)]
        for _ in range(earphones)
    ]
    pairs = [[replace(curves, label=f"{i}") for curves in pair] for i, pair in enumerate(pairs)]
    floor = estimate_noise_floor([curves for pair in pairs for curves in pair], bands=BANDS, draws=100)
    estimate = estimate_change(measure_change(*pairs[0], bands=BANDS), floor, party="one")
    sd = estimate.sd_db[:8].mean()
    assert 8 / 9 * sd <= summarise_estimate(estimate, "bass")[1] <= sd


def test_a_zone_that_is_not_known_gives_no_figure():
    known = step(2.0)
    change = known.change_db.copy()
    change[0] = np.nan
    gap = ChangeEstimate(**{name: getattr(known, name) for name in known.__slots__} | {"change_db": change})
    assert np.isnan(summarise_estimate(gap, "bass")).all()
    assert np.isnan(summarise_estimate(gap, "tilt")).all()
    assert np.isfinite(summarise_estimate(gap, "treble")).all()
    with pytest.raises(EvidenceError, match="bass, treble, tilt"):
        summarise_estimate(gap, "sparkle")  # type: ignore[arg-type]
