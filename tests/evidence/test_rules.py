"""Rules: which earphones they speak of, and what a collection says of them."""

from __future__ import annotations

import numpy as np
import pytest
from inventing import invent_collection, invent_earphone

from ohmshift.errors import EvidenceError
from ohmshift.evidence.collection import ImpedanceFeatures
from ohmshift.evidence.rules import Rule, Subject, predictor_value
from ohmshift.evidence.ruling import judge_rule

ALL = Subject()
WITHIN = Rule(subject=ALL, metric="size", relation="stays within", limit=1.0)
EXCEEDS = Rule(subject=ALL, metric="size", relation="exceeds", limit=1.0)
POSITIVE = Rule(subject=ALL, metric="bass", relation="is always positive")
NEGATIVE = Rule(subject=ALL, metric="bass", relation="is always negative")
MORE = Rule(subject=ALL, metric="size", relation="rises with", predictor="driver count")
STRICT = Rule(subject=ALL, metric="size", relation="always rises with", predictor="driver count")
T8 = "one-sided t bounds with 8 degrees of freedom and u = 0.05: 0.093 at 5 %, 0.12 at 2 %"


def sizes(*values: object, **fields: object) -> object:
    return invent_collection(*(invent_earphone(f"e{i}", size=value, **fields) for i, value in enumerate(values)))


def basses(*values: object) -> object:
    return invent_collection(*(invent_earphone(f"e{i}", bass=value) for i, value in enumerate(values)))


@pytest.mark.source("analytic", ref=T8)
@pytest.mark.parametrize(
    ("rule", "collection", "word"),
    [
        (WITHIN, sizes(0.2, 0.5, 0.89), "holds"),
        (WITHIN, sizes(0.2, 0.5, 0.95), "cannot tell"),
        (WITHIN, sizes(0.2, 0.5, 1.4), "fails"),
        (EXCEEDS, sizes(1.2, 1.5), "holds"),
        (EXCEEDS, sizes(1.2, 0.5), "fails"),
        (EXCEEDS, sizes(1.2, 1.02), "cannot tell"),
        (POSITIVE, basses(0.1, 0.3), "holds"),
        (POSITIVE, basses(0.1, -0.3), "fails"),
        (POSITIVE, basses(0.3, -0.05), "cannot tell"),
        (NEGATIVE, basses(-0.1, -0.3), "holds"),
        (NEGATIVE, basses(-0.1, 0.3), "fails"),
    ],
)
def test_rule_about_each(rule: Rule, collection: object, word: str) -> None:
    verdict = judge_rule(collection, rule)
    assert verdict.word == word
    assert verdict.sentence.startswith({"holds": "Holds", "fails": "Fails", "cannot tell": "Cannot tell"}[word])


@pytest.mark.parametrize(
    "parts",
    [
        {"driver_class": "planar", "least_count": 2},
        {"feature": "impedance spread"},
        {"above": 3.0},
        {"feature": "impedance spread", "above": 2.0, "below": 3.0},
    ],
)
def test_a_subject_that_would_not_be_said_whole_is_refused(parts: dict[str, object]) -> None:
    with pytest.raises(EvidenceError, match="no two of them"):
        Subject(**parts)


@pytest.mark.source("analytic", ref="-1.5 dB is as far out as 1.5 dB: within counts either way")
def test_within_counts_either_way() -> None:
    rule = Rule(subject=ALL, metric="bass", relation="stays within", limit=1.0)
    assert judge_rule(basses(-1.5, 0.0), rule).counterexamples == ("e0",)
    assert (
        judge_rule(basses(-1.5, 1.6), Rule(subject=ALL, metric="bass", relation="exceeds", limit=1.0)).word == "holds"
    )


@pytest.mark.source(
    "analytic", ref="t(8) bounds at 5 % for one of 2 earphones, at 2.5 % each: 0.115; for one of 40 at 0.125 %: 0.22"
)
def test_counterexamples_are_adjusted_for_their_number() -> None:
    few, many = sizes(1.13, 0.2), sizes(1.13, *[0.2] * 39)
    assert judge_rule(few, WITHIN).word == "fails"
    assert judge_rule(many, WITHIN).word == "cannot tell"


@pytest.mark.source("analytic", ref="n of n: 0.05^(1/n) = 37 % of such earphones for 3; 14 show 80 %")
def test_what_it_shows_of_others() -> None:
    verdict = judge_rule(sizes(0.1, 0.2, 0.3), WITHIN)
    assert "at least 37 % of such earphones" in verdict.sentence
    assert verdict.earphones_needed == 14
    assert "14 that all agree would show 80 %" in verdict.sentence


@pytest.mark.source(
    "analytic", ref="0.04 dB from the limit, half-width 0.093 at 3 seats: 3 (0.093/0.04)^2 = 16.2, so 17 seats"
)
def test_what_would_tell() -> None:
    verdict = judge_rule(sizes(0.2, 0.96), WITHIN)
    assert verdict.word == "cannot tell"
    assert verdict.seats_needed == 17
    assert "17 seats" in verdict.sentence
    assert [case.word for case in verdict.cases] == ["agrees", "open"]
    close = judge_rule(sizes(0.2, 0.999), WITHIN)
    assert close.seats_needed is None
    assert "too close to the limit" in close.sentence


@pytest.mark.source("analytic", ref="perfect order of 8: the interval of rho leaves out 0; reversed it lies below")
def test_trend_on_the_whole() -> None:
    rising = invent_collection(*(invent_earphone(f"e{i}", size=float(i), driver_count=i + 1) for i in range(8)))
    falling = invent_collection(*(invent_earphone(f"e{i}", size=float(-i), driver_count=i + 1) for i in range(8)))
    assert judge_rule(rising, MORE).word == "holds"
    assert judge_rule(falling, MORE).word == "fails"
    falls = Rule(subject=ALL, metric="size", relation="falls with", predictor="driver count")
    assert judge_rule(falling, falls).word == "holds"
    assert judge_rule(rising, falls).word == "fails"


def test_trend_that_cannot_be_told_names_the_earphones_needed() -> None:
    sizes_db, counts = [1.0, 3, 2, 4, 1.5, 2.5], [1, 2, 3, 3, 4, 5]
    rows = zip(sizes_db, counts, strict=True)
    some = invent_collection(*(invent_earphone(f"e{i}", size=s, driver_count=c) for i, (s, c) in enumerate(rows)))
    verdict = judge_rule(some, MORE)
    assert verdict.word == "cannot tell"
    assert verdict.earphones_needed is not None
    assert f"{verdict.earphones_needed} earphones would tell" in verdict.sentence
    assert ("e1", "e4") in verdict.pairs
    assert judge_rule(invent_collection(*some.earphones[:3]), MORE).sentence.startswith("Cannot tell: fewer than 5")


@pytest.mark.source(
    "analytic", ref="every pair is apart by 1 dB, 8 times both half-widths; or one pair is turned round"
)
def test_every_pair() -> None:
    ordered = [invent_earphone(f"e{i}", size=float(i), driver_count=i + 1) for i in range(4)]
    assert judge_rule(invent_collection(*ordered), STRICT).word == "holds"
    odd = [*ordered, invent_earphone("odd", size=2.0, driver_count=1)]
    verdict = judge_rule(invent_collection(*odd), STRICT)
    assert verdict.word == "fails"
    assert verdict.pairs == (("odd", "e1"),)
    assert "odd above e1" in verdict.sentence
    tied = [*ordered, invent_earphone("tied", size=1.02, driver_count=3)]
    assert judge_rule(invent_collection(*tied), STRICT).word == "cannot tell"
    same = [invent_earphone(f"e{i}", size=1.0) for i in range(3)]
    assert "do not differ" in judge_rule(invent_collection(*same), STRICT).sentence


@pytest.mark.source(
    "analytic", ref="t(8) one-sided at 5 %/6: 3.017, u = 0.05: pairs reach 0.302; 0.1 dB apart: 3 (0.302/0.1)^2 = 27.3"
)
def test_pairs_that_cannot_be_told_name_the_seats_needed() -> None:
    def rising(*values: float) -> object:
        return invent_collection(*(invent_earphone(f"e{i}", size=v, driver_count=i + 1) for i, v in enumerate(values)))

    verdict = judge_rule(rising(0.5, 0.6, 3.0), STRICT)
    assert (verdict.word, verdict.seats_needed) == ("cannot tell", 28)
    assert "28 seats a channel and condition would tell" in verdict.sentence
    close = judge_rule(rising(0.5, 0.501, 3.0), STRICT)
    assert close.seats_needed is None
    assert "too close together" in close.sentence


def test_subjects() -> None:
    z = ImpedanceFeatures(origin="measured", at_1khz_ohm=20.0, lowest_ohm=10.0, highest_ohm=40.0)
    ladle = invent_earphone("Ladle", size=0.1, driver_class="hybrid", driver_count=3, impedance=z)
    bowl = invent_earphone("Bowl", size=0.2, driver_class="planar", driver_count=None)
    assert Subject(driver_class="Hybrid").includes(ladle)
    assert not Subject(driver_class="planar").includes(ladle)
    assert Subject(least_count=2).includes(ladle)
    assert not Subject(most_count=2).includes(ladle)
    assert Subject(least_count=3, most_count=3).includes(ladle)
    assert not Subject(least_count=4).includes(ladle)
    assert not Subject(least_count=1).includes(bowl)
    assert not Subject(least_count=1).knows(bowl)
    assert Subject(feature="impedance spread", above=3.0).includes(ladle)
    assert not Subject(feature="lowest impedance", below=9.0).includes(ladle)
    assert not Subject(feature="impedance at 1 kHz", below=90.0).includes(bowl)
    single = Rule(subject=Subject(least_count=1), metric="size", relation="stays within", limit=1.0)
    verdict = judge_rule(invent_collection(ladle, bowl), single)
    assert verdict.unmeasured == ("Bowl",)
    assert "Not known of Bowl" in verdict.sentence


def test_nothing_to_judge_by() -> None:
    nothing = Rule(subject=Subject(driver_class="tribrid"), metric="size", relation="stays within", limit=1.0)
    assert "none of the 2 earphones" in judge_rule(sizes(0.1, 0.2), nothing).sentence
    unknown = judge_rule(sizes(None, None), WITHIN)
    assert unknown.word == "cannot tell"
    assert unknown.unmeasured == ("e0", "e1")


def test_a_prediction_from_the_same_responses_is_not_known() -> None:
    z = ImpedanceFeatures(origin="recovered", at_1khz_ohm=20.0)
    own = invent_earphone("own", size=1.0, impedance=z, predicted={"size": 1.0})
    assert np.isnan(predictor_value(own, "predicted change"))
    measured = invent_earphone(
        "m", size=1.0, impedance=ImpedanceFeatures(origin="measured"), predicted={"size": 1.0, "bass": 0.4}
    )
    assert predictor_value(measured, "predicted change", metric="bass") == 0.4
    assert predictor_value(measured, "driver count") == 1.0


@pytest.mark.parametrize(
    "parts",
    [
        {"relation": "stays within"},
        {"relation": "stays within", "limit": -1.0},
        {"relation": "stays within", "limit": 0.0},
        {"relation": "is always positive", "limit": 1.0},
        {"relation": "rises with"},
        {"relation": "rises with", "predictor": "driver count", "limit": 1.0},
    ],
)
def test_a_rule_takes_what_its_relation_needs(parts: dict[str, object]) -> None:
    with pytest.raises(EvidenceError, match="take a limit above 0"):
        Rule(subject=ALL, metric="size", **parts)


@pytest.mark.source(
    "analytic", ref="at the boundary each error is at most 5 %; of 300 collections 9 % is 3 standard deviations"
)
def test_error_rates_at_the_boundary() -> None:
    rng = np.random.default_rng(12)
    wrong = {"fails": 0, "holds": 0}
    for _ in range(300):
        u = 0.1 * np.sqrt(rng.chisquare(8, 12) / 8)
        on_limit = [(1 + 0.1 * z, s) for z, s in zip(rng.standard_normal(12), u, strict=True)]
        wrong["fails"] += judge_rule(sizes(*on_limit), WITHIN).word == "fails"
        one_over = [(1 + 0.1 * rng.standard_normal(), u[0]), *[(0.1, s) for s in u[1:]]]
        wrong["holds"] += judge_rule(sizes(*one_over), WITHIN).word == "holds"
    assert max(wrong.values()) <= 0.09 * 300
    assert wrong["holds"] > 0
