"""Verdicts and changes in plain language."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.floors import estimate_noise_floor
from ohmshift.evidence.verdicts import Verdict, judge_change
from ohmshift.evidence.wording import Thresholds, choose_word, describe_change, name_frequency, say_verdict

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet

    Shelves = Callable[..., ResponseSet]

FOUR = ("1", "2", "1", "2")
OTHER_FOUR = ("3", "4", "3", "4")


def judged(
    shelves: Shelves, bass_db: float, treble_db: float, noise_db: float = 0.02, margin_db: float = 1.0
) -> tuple[Change, Verdict]:
    step = np.array([-noise_db, noise_db] * 2)
    without = shelves(list(step), list(step), seat=FOUR)
    with_added = shelves(list(bass_db + step), list(treble_db + step), seat=OTHER_FOUR, added_ohm=15.0)
    change = measure_change(without, with_added)
    return change, judge_change(change, estimate_noise_floor([]), margin_db=margin_db)


@pytest.mark.source("analytic", ref="the table in the docstring of describe_change")
@pytest.mark.parametrize(
    ("bass_db", "treble_db", "word"),
    [
        (2, -2, "warmer"),
        (2, 0, "more bass"),
        (2, 2, "V-shaped"),
        (0, -2, "less treble"),
        (0.3, 0.3, "uneven"),
        (0, 2, "more treble"),
        (-2, -2, "midrange forward"),
        (-2, 0, "less bass"),
        (-2, 2, "brighter"),
    ],
)
def test_words(shelves: Shelves, bass_db: float, treble_db: float, word: str) -> None:
    described = describe_change(*judged(shelves, bass_db, treble_db))
    assert described.words == (word,)
    assert str(described).startswith(word[0].upper() + word[1:])
    assert "0.5 dB" in described.sentence


@pytest.mark.source("analytic", ref="a shelf of 0.7 dB is above 0.5 dB and below 1 dB")
def test_threshold_decides(shelves: Shelves) -> None:
    change, verdict = judged(shelves, 0.7, 0.0)
    assert describe_change(change, verdict).words == ("more bass",)
    assert describe_change(change, verdict, thresholds=Thresholds(change_db=1.0)).words == ("uneven",)
    wide = Thresholds(change_db=0.65, bass_high_hz=500, middle_low_hz=600)
    assert describe_change(change, verdict, thresholds=wide).words == ("uneven",)  # the mean over more bands is less


@pytest.mark.source("analytic", ref="a bump of 1.5 dB lies in one zone and lifts the level by less than 0.5 dB")
@pytest.mark.parametrize(
    ("low_hz", "high_hz", "words"),
    [(180, 360, ("more lower midrange",)), (2300, 4400, ("more upper midrange",)), (900, 1270, ("uneven",))],
)
def test_words_between_bass_and_treble(shelves: Shelves, low_hz: float, high_hz: float, words: tuple[str, ...]) -> None:
    step = np.array([-0.02, 0.02] * 2)
    without = shelves(list(step), list(step), seat=FOUR)
    plain = shelves(list(step), list(step), seat=OTHER_FOUR)
    bump = 1.5 * ((plain.frequency_hz > low_hz) & (plain.frequency_hz < high_hz))
    noise = 0.02 * np.outer([1, -1, 1, -1], (plain.frequency_hz > 160) & (plain.frequency_hz < 3000))
    change = measure_change(
        replace(without, level_db=without.level_db + noise), replace(plain, level_db=plain.level_db + noise + bump)
    )
    described = describe_change(change, judge_change(change, estimate_noise_floor([])))
    assert described.words == words


def test_only_what_the_verdict_carries_gets_a_word(shelves: Shelves) -> None:
    change, verdict = judged(shelves, 2.0, 0.0, noise_db=3.0)
    described = describe_change(change, verdict)
    assert described.words == ("cannot tell",)
    assert described.sentence == verdict.sentence
    change, verdict = judged(shelves, 0.0, 0.0, margin_db=2.0)
    assert describe_change(change, verdict).words == ("no change above 2 dB",)


def test_verdict_on_another_change_is_refused(shelves: Shelves) -> None:
    change, _ = judged(shelves, 2.0, 0.0)
    _, verdict = judged(shelves, 1.0, 0.0)
    with pytest.raises(EvidenceError, match="about the change"):
        describe_change(change, verdict)


@pytest.mark.parametrize("wrong", [{"change_db": 0.0}, {"bass_high_hz": 6000.0}])
def test_thresholds_are_checked(wrong: dict[str, float]) -> None:
    with pytest.raises(EvidenceError, match="change_db must be above 0"):
        Thresholds(**wrong)


def test_sentences_carry_their_numbers(shelves: Shelves) -> None:
    assert judged(shelves, 2.0, 0.0)[1].sentence.startswith(
        "Changed, certainly by more than 1 dB: 9 bands changed, most +2 dB at"
    )
    assert judged(shelves, -0.6, 0.0)[1].sentence.startswith(
        "Changed, by no more than 1 dB: 9 bands changed, most -0.6"
    )
    assert judged(shelves, 0.0, 0.0)[1].sentence.startswith(
        "No change larger than 1 dB: no band changed by more than 0."
    )
    assert "one may have changed by" in judged(shelves, 2.0, 0.0, noise_db=3.0)[1].sentence
    assert "larger than 0.5 dB" in judged(shelves, 0.0, 0.0, margin_db=0.5)[1].sentence


@pytest.mark.source("analytic", ref="a bound may only be rounded up, two digits are within 10 %")
@given(bound=st.floats(1e-3, 900))
def test_bound_in_words_still_holds(bound: float) -> None:
    none = np.zeros(1, dtype=bool)
    sentence = say_verdict(
        "no change larger than",
        margin_db=1000,
        bound_db=bound,
        change_db=np.zeros(1),
        mid_hz=np.array([50.0]),
        changed=none,
        beyond=none,
    )
    said = float(sentence.split("more than ")[1].split(" dB")[0])
    assert bound * (1 - 1e-6) <= said <= 1.11 * bound


def test_word_follows_from_two_answers() -> None:
    words = [choose_word(changed=changed, bounded=bounded) for changed in (True, False) for bounded in (True, False)]
    assert words == ["changed, by no more than", "changed", "no change larger than", "cannot tell"]


@pytest.mark.source("memory", ref="nominal mid-band frequencies of IEC 61260-1:2014, annex E, not looked up again")
def test_nominal_names_of_third_octaves() -> None:
    nominal = """25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000 1250 1600 2000 2500 3150 4000 5000
    6300 8000 10000 12500 16000"""
    names = [name_frequency(float(f)) for f in fractional_octave_bands(3).mid_hz]
    assert [float(x) for x in nominal.split()] == [
        float(name.split()[0]) * (1000 if name.endswith("kHz") else 1) for name in names
    ]
    assert name_frequency(440.0) == "440 Hz"
