"""Rules as people write them: read back as written, refused with what may be said."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.errors import EvidenceError
from ohmshift.evidence.metrics import METRICS
from ohmshift.evidence.rules import FEATURES, LIMITED, PREDICTORS, SIGNED, TRENDS, Rule, Subject
from ohmshift.study.rulewords import EXAMPLES, LONGEST_RULE, read_rule

CLASSES = ("single dynamic", "single balanced armature", "planar", "multi-armature", "hybrid")

limits = st.integers(1, 9999).map(lambda n: n / 100)
subjects = st.one_of(
    st.just(Subject()),
    st.sampled_from(CLASSES).map(lambda name: Subject(driver_class=name)),
    st.integers(1, 99).map(lambda n: Subject(least_count=n, most_count=n)),
    st.integers(1, 99).map(lambda n: Subject(least_count=n)),
    st.integers(1, 99).map(lambda n: Subject(most_count=n)),
    st.builds(Subject, feature=st.sampled_from(FEATURES), above=limits),
    st.builds(Subject, feature=st.sampled_from(FEATURES), below=limits),
)
metrics = st.sampled_from(METRICS)
rules = st.one_of(
    st.builds(Rule, subject=subjects, metric=metrics, relation=st.sampled_from(LIMITED), limit=limits),
    st.builds(Rule, subject=subjects, metric=metrics, relation=st.sampled_from(SIGNED)),
    st.builds(
        Rule, subject=subjects, metric=metrics, relation=st.sampled_from(TRENDS), predictor=st.sampled_from(PREDICTORS)
    ),
)


@given(rules)
def test_every_rule_can_be_written_and_read(rule: Rule) -> None:
    assert str(read_rule(str(rule), CLASSES)) == str(rule)


@given(rules)
def test_capitals_and_blanks_do_not_matter(rule: Rule) -> None:
    assert str(read_rule(str(rule).upper().replace(" ", "   "), CLASSES)) == str(rule)


@given(st.text(max_size=80))
def test_anything_else_is_refused_in_one_way(text: str) -> None:
    with pytest.raises(EvidenceError) as caught:
        read_rule(text, CLASSES)
    assert caught.value.mend.startswith("write ")


@pytest.mark.parametrize("text", EXAMPLES)
def test_examples_are_rules(text: str) -> None:
    assert str(read_rule(text, CLASSES)) == text


def test_the_mend_is_about_the_half_that_is_wrong() -> None:
    with pytest.raises(EvidenceError) as first:
        read_rule("armature earphones: size exceeds 1 dB", CLASSES)
    with pytest.raises(EvidenceError) as second:
        read_rule("all earphones: sparkle exceeds 1 dB", CLASSES)
    assert ("planar earphones" in first.value.mend, "stays within" in first.value.mend) == (True, False)
    assert ("planar earphones" in second.value.mend, "stays within" in second.value.mend) == (False, True)
    assert all(relation in second.value.mend for relation in (*METRICS, *LIMITED, *SIGNED, *TRENDS, *PREDICTORS))


def test_what_people_type_is_understood() -> None:
    said = read_rule("Single driver earphones: size stays within 0,5 dB", CLASSES)
    assert str(said) == "single-driver earphones: size stays within 0.5 dB"


@pytest.mark.parametrize(
    ("said", "read"),
    [
        ("single-driver earphones do not change by more than 1 dB", "single-driver earphones: size stays within 1 dB"),
        ("an added resistance always lifts the bass", "all earphones: bass is always positive"),
        ("More drivers, more change.", "all earphones: size rises with driver count"),
        ("hybrids change by more than 1 dB", "hybrid earphones: size exceeds 1 dB"),
        ("all IEMs: the bass is positive", "all earphones: bass is always positive"),
        ("every earphone: level stays within ±3 decibels", "all earphones: level drop stays within 3 dB"),
        ("earphones with 3 or more drivers: size > 1 dB", "earphones with at least 3 drivers: size exceeds 1 dB"),
        (
            "earphones with lowest impedance under 8 ohms: size is below 0.5 dB",
            "earphones with lowest impedance below 8 ohm: size stays within 0.5 dB",
        ),
        ("all earphones size rises with the number of drivers", "all earphones: size rises with driver count"),
        ("all earphones: tilt exceeds 0.2 dB per octave", "all earphones: tilt exceeds 0.2 dB/octave"),
    ],
)
def test_what_people_also_say_is_read_as_the_rule_it_means(said: str, read: str) -> None:
    assert str(read_rule(said, CLASSES)) == read


def test_a_class_of_the_study_is_never_reworded() -> None:
    assert str(read_rule("IEMs: size exceeds 1 dB", ["IEMs"])) == "IEMs earphones: size exceeds 1 dB"


def test_a_class_may_stand_alone() -> None:
    assert read_rule("planar: size exceeds 0.5", CLASSES).subject == Subject(driver_class="planar")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "it is empty"),
        ("planars change most", "no colon"),
        ("tribrid earphones: size exceeds 1 dB", "'tribrid earphones' is not understood"),
        ("all earphones: loudness exceeds 1 dB", "'loudness exceeds 1 dB' is not understood"),
        ("all earphones: size exceeds", "something is missing"),
        ("planarish: size exceeds 1 dB", "'planarish' is not understood"),
        ("all earphones: treble is above 1 dB", "'above 1 dB' is not understood"),  # up, or either way?
        ("all earphones: size exceeds 0 dB", "it is 0"),
        ("all earphones: size exceeds 1 dB or more", "'or more' is not understood"),
        ("__import__('os').system('true'): size exceeds 1 dB", "is not understood"),
        ("all earphones: size exceeds 1e5", "is not understood"),
        ("x" * (LONGEST_RULE + 1), "at most 200 characters"),
    ],
)
def test_a_bad_rule_gets_one_clear_error(text: str, told: str) -> None:
    with pytest.raises(EvidenceError) as caught:
        read_rule(text, CLASSES)
    assert told in str(caught.value)


def test_a_study_without_classes() -> None:
    assert read_rule("all earphones: size exceeds 1 dB", []).subject == Subject()
