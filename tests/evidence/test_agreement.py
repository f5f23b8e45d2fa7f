"""Agreement of two parties: words, bounds, degrees of freedom, and their error rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.errors import EvidenceError
from ohmshift.evidence.agreement import judge_agreement
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.estimates import ChangeEstimate, borrow_uncertainty, correct_estimate, estimate_change
from ohmshift.evidence.floors import estimate_noise_floor

BANDS = fractional_octave_bands(3)
B = len(BANDS)
F = octave_grid()
HALF_DB = np.where(BANDS.mid_hz > 3000, 0.5, 0.0)


def estimate(change_db=0.0, *, sd_db=0.1, degrees=20.0, party="own", **fields) -> ChangeEstimate:
    return ChangeEstimate(
        **{
            "party": party,
            "label": "ladle",
            "added_ohm": 15.0,
            "bands": BANDS,
            "change_db": np.zeros(B) + change_db,
            "variance_db2": np.full((1, B), sd_db**2),
            "degrees": np.full((1, B), degrees),
            "parts": ("measurement variation",),
        }
        | fields
    )


@pytest.mark.parametrize(
    ("difference", "sd", "word"),
    [
        (0.0, 0.1, "reproduced"),
        (0.7, 0.05, "reproduced"),
        (1.1, 0.01, "not reproduced"),
        (3.0, 0.2, "not reproduced"),
        (1.0, 0.15, "differs"),
    ],
)
def test_words(difference, sd, word):
    shape = np.where(BANDS.mid_hz > 900, difference, 0.0)
    agreement = judge_agreement(estimate(sd_db=sd), estimate(shape, sd_db=sd, party="theirs"))
    assert agreement.first.word == agreement.whole.word == word
    assert agreement.first.sentence.lower().startswith(word)


def test_cannot_tell():
    agreement = judge_agreement(estimate(sd_db=1.0), estimate(0.2, sd_db=1.0, party="theirs"))
    assert agreement.whole.word == "cannot tell"
    assert agreement.concordance is None


def test_a_difference_is_named_where_it_stands_out():
    """The largest difference is in a noisy band, which does not differ for certain: 2.5 dB there, 1.2 dB elsewhere."""
    variance = np.where(BANDS.mid_hz < 60, 4.0, 0.01)[np.newaxis]
    shape = np.select([BANDS.mid_hz < 60, BANDS.mid_hz > 900], [2.5, 1.2], 0.0)
    for steps, word in ((shape, "differs"), (shape + 0.8 * (BANDS.mid_hz > 900), "not reproduced")):
        whole = judge_agreement(estimate(), estimate(steps, party="theirs", variance_db2=variance), alpha=0.1).whole
        assert whole.word == word
        assert "at 1 kHz (90 %: +" in whole.sentence
        assert (whole.largest_db, whole.largest_hz) == pytest.approx((2.5, BANDS.mid_hz[0]))


def test_the_midrange_is_judged_first_and_apart():
    shape = np.where(BANDS.mid_hz > 6000, 5.0, 0.0)
    agreement = judge_agreement(estimate(), estimate(shape, party="theirs"))
    assert [region.name for region in agreement.regions] == ["midrange", "bass", "treble"]
    assert [region.word for region in agreement.regions] == ["reproduced", "reproduced", "not reproduced"]
    assert agreement.whole.word == "not reproduced"
    assert agreement.first.low_hz == pytest.approx(89.1, abs=0.1)
    assert agreement.first.high_hz == pytest.approx(5623, abs=1)


@pytest.mark.source(
    "analytic",
    ref="Welch-Satterthwaite of variances 0.04 with 4 and 0.01 with 10 degrees: 0.05^2/(0.04^2/4 + 0.01^2/10)",
)
def test_degrees_and_bound_by_hand():
    own, theirs = estimate(sd_db=0.2, degrees=4.0), estimate(0.3, sd_db=0.1, degrees=10.0, party="theirs")
    agreement = judge_agreement(own, theirs)
    degrees = 0.05**2 / (0.04**2 / 4 + 0.01**2 / 10)
    assert agreement.degrees == pytest.approx(degrees)
    assert agreement.band_bound_db == pytest.approx(0.3 + np.sqrt(0.05) * stats.t.isf(0.01, degrees))
    critical = stats.norm.isf((1 - 0.95 ** (1 / B)) / 2)
    assert agreement.half_width_db == pytest.approx(np.sqrt(0.05) * stats.t.isf(stats.norm.sf(critical), degrees))


@pytest.mark.source(
    "independent", ref="scipy.stats.ttest_ind(equal_var=False) on two samples gives the same degrees and t"
)
def test_one_band_is_welchs_t_test():
    rng = np.random.default_rng(5)
    x, y = rng.normal(0, 1, 5), rng.normal(1, 3, 9)
    one = fractional_octave_bands(3, low_hz=990, high_hz=1010)
    sides = [
        ChangeEstimate(
            party="p",
            label="ladle",
            added_ohm=15.0,
            bands=one,
            change_db=np.array([values.mean()]),
            variance_db2=np.array([[values.var(ddof=1) / values.size]]),
            degrees=np.array([[values.size - 1.0]]),
            parts=("variation",),
        )
        for values in (x, y)
    ]
    agreement = judge_agreement(*sides)
    welch = stats.ttest_ind(y, x, equal_var=False)
    assert agreement.degrees[0] == pytest.approx(welch.df)
    assert agreement.difference_db[0] / agreement.sd_db[0] == pytest.approx(welch.statistic)
    interval = welch.confidence_interval(0.95)
    assert agreement.half_width_db[0] == pytest.approx((interval.high - interval.low) / 2)


@given(st.floats(-3, 3), st.floats(0.05, 1.0))
def test_swapping_the_parties_flips_the_difference_and_keeps_the_word(difference, sd):
    one, other = estimate(sd_db=sd), estimate(difference, sd_db=0.2, party="theirs")
    there, back = judge_agreement(one, other), judge_agreement(other, one)
    assert np.allclose(there.difference_db, -back.difference_db)
    assert [region.word for region in there.regions] == [region.word for region in back.regions]
    assert np.allclose(there.band_bound_db, back.band_bound_db)


def test_concordance_only_where_both_changes_stand_out():
    shape = 3 * np.sin(np.log2(BANDS.mid_hz))
    big = judge_agreement(estimate(shape), estimate(shape + 0.05, party="theirs"))
    assert big.concordance == pytest.approx(1.0, abs=0.01)
    flat = judge_agreement(estimate(shape), estimate(0.0, party="theirs"))
    assert flat.concordance is None


@pytest.mark.source(
    "published", ref="L. I-K. Lin 1989: 2 s_xy / (s_x^2 + s_y^2 + (x - y)^2), here over the bands judged"
)
def test_concordance_leaves_out_bands_that_are_not_judged():
    x, y = 3 * np.sin(np.log2(BANDS.mid_hz)), 2 * np.sin(np.log2(BANDS.mid_hz) + 0.4)
    y[12] = np.nan
    agreement = judge_agreement(estimate(x), estimate(y, party="theirs"))
    used = np.isfinite(y) & (BANDS.mid_hz > 90) & (BANDS.mid_hz < 5600)
    assert used.sum() == 17
    (xx, xy), (_, yy) = np.cov(x[used], y[used], bias=True)
    expected = 2 * xy / (xx + yy + (x[used].mean() - y[used].mean()) ** 2)
    assert agreement.concordance == pytest.approx(expected)


@pytest.mark.source(
    "analytic", ref="an interval is wide enough for all bands of both sides by the larger critical value"
)
@pytest.mark.parametrize("draws", [(2.0, 2.6), (2.6, 2.0), (2.0, None), (None, 2.0)])
def test_the_larger_critical_value_counts(noisy, draws):
    rng = np.random.default_rng(7)
    part = estimate_noise_floor([c for i in range(2) for c in noisy(rng, label=f"{i}")], draws=10).reseated
    sides = [estimate(repeats=None if one is None else replace(part, draws=np.full((B, 10), one))) for one in draws]
    independent = stats.norm.isf((1 - 0.95 ** (1 / B)) / 2)
    critical = independent if None in draws else 2.6
    expected = np.sqrt(0.02) * stats.t.isf(stats.norm.sf(critical), 40)
    assert judge_agreement(*sides).half_width_db == pytest.approx(expected)


def test_bands_that_one_side_lacks_are_not_judged():
    change = np.zeros(B)
    change[:3] = np.nan
    degrees = np.full((1, B), 20.0)
    degrees[0, -1] = 0
    agreement = judge_agreement(estimate(), estimate(change, party="theirs", degrees=degrees))
    assert not agreement.judged[:3].any()
    assert not agreement.judged[-1]
    assert np.isnan(agreement.half_width_db[0])
    nothing = judge_agreement(estimate(), estimate(np.full(B, np.nan), party="theirs"))
    assert nothing.whole.word == "cannot tell"


@pytest.mark.parametrize(
    ("theirs", "options", "match"),
    [
        (estimate(added_ohm=33.0), {}, "one added resistance"),
        (estimate(), {"margin_db": 0.0}, "above 0"),
        (estimate(), {"alpha": 0.7}, "at most 0.5"),
    ],
)
def test_what_cannot_be_compared_is_refused(theirs, options, match):
    with pytest.raises(EvidenceError, match=match):
        judge_agreement(estimate(), theirs, **options)
    with pytest.raises(EvidenceError, match="same bands"):
        judge_agreement(estimate(), estimate_of_one_band())


def estimate_of_one_band() -> ChangeEstimate:
    one = fractional_octave_bands(3, low_hz=990, high_hz=1010)
    nothing = np.ones((1, 1))
    return ChangeEstimate(
        party="p",
        label="ladle",
        added_ohm=15.0,
        bands=one,
        change_db=np.zeros(1),
        variance_db2=nothing,
        degrees=nothing,
        parts=("variation",),
    )


@pytest.mark.source("analytic", ref="sds that may go along add: (0.3 + 0.4)^2 - 0.4^2 is what the correction adds")
def test_a_correction_that_rests_on_the_same_data_adds_its_sd():
    own = estimate(sd_db=0.4)
    corrected = correct_estimate(
        estimate(party="theirs", added_ohm=33.0),
        np.full(B, 0.5),
        np.full(B, 0.3),
        added_ohm=15.0,
        along_db=own.sd_db,
    )
    assert corrected.change_db == pytest.approx(np.full(B, 0.5))
    assert corrected.variance_db2[1] == pytest.approx(0.7**2 - 0.4**2)
    assert judge_agreement(own, corrected).sd_db == pytest.approx(np.sqrt(0.7**2 + 0.1**2))
    assert "brought to 15 ohm" in corrected.caveats[-1]


@pytest.fixture(scope="module")
def study(noisy):
    rng = np.random.default_rng(8)
    return [noisy(rng, label=f"{i}", seats=3) for i in range(8)]


def test_a_measured_change_keeps_its_own_floor(study):
    floor = estimate_noise_floor(curves for pair in study for curves in pair)
    change = measure_change(*study[0])
    known = estimate_change(change, floor, party="own")
    assert known.known.all()
    assert known.repeats is floor.reseated
    other = fractional_octave_bands(3, low_hz=100, high_hz=1000)
    with pytest.raises(EvidenceError, match="same bands"):
        estimate_change(measure_change(*study[0], bands=other), floor, party="own")


@pytest.mark.source("analytic", ref="one seat each way has twice the variance of one measurement; a mean of two, once")
def test_borrowed_uncertainty_is_that_of_two_curves(study):
    floor = estimate_noise_floor(curves for pair in study for curves in pair)
    change = 2.0 * (F > 3000)
    args = {"party": "theirs", "label": "0", "added_ohm": 15.0}
    one = borrow_uncertainty(F, change, floor, **args, reading_db=np.full(F.size, 0.2))
    two = borrow_uncertainty(F, change, floor, **args, seats=2)
    assert one.variance_db2[0] == pytest.approx(2 * floor.reseated.prior_variance_db2)
    assert two.variance_db2[0] == pytest.approx(floor.reseated.prior_variance_db2)
    assert one.variance_db2[1] == pytest.approx(np.full(B, 0.04))
    assert one.change_db[-1] == pytest.approx(2.0, abs=0.01)
    assert one.caveats[0].endswith("as for 1 seat, and too small if theirs repeat worse")
    with pytest.raises(EvidenceError, match="200 to 2000 Hz"):
        borrow_uncertainty(F[F > 500], change[F > 500], floor, **args)


def test_error_rates_stay_low(noisy):
    """Twelve pairs of small studies: 48 earphones that do not differ, and 48 that differ by 1.5 dB above 3 kHz."""
    rng = np.random.default_rng(11)
    counts = {True: [], False: []}
    for _ in range(12):
        shift = {f"{i}": 1.5 * (i % 2) for i in range(8)}
        own = [noisy(rng, label=name) for name in shift]
        theirs = [noisy(rng, label=name, noise=1.4, change_db=size * (F > 3000)) for name, size in shift.items()]
        floors = [estimate_noise_floor(curves for pair in side for curves in pair) for side in (own, theirs)]
        for mine, other, size in zip(own, theirs, shift.values(), strict=True):
            sides = [
                estimate_change(measure_change(*pair), floor, party="p")
                for pair, floor in zip((mine, other), floors, strict=True)
            ]
            counts[size == 0].append(judge_agreement(*sides).whole)
    same = [region.word for region in counts[True]]
    other_words = [region.word for region in counts[False]]
    assert same.count("not reproduced") == 0
    assert same.count("differs") / len(same) < 0.15
    assert other_words.count("reproduced") == 0
    assert other_words.count("cannot tell") < 0.5 * len(other_words)


def test_estimates_check_their_counts():
    with pytest.raises(EvidenceError, match="one value a band"):
        replace(estimate(), parts=("one", "two"))
    with pytest.raises(EvidenceError, match="one value a band"):
        estimate(variance_db2=np.full((1, B), -1.0))
