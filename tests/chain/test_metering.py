"""Resistances, budgets and verdicts against worked examples of the Guide, hand arithmetic and another library."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
import uncertainties
from GTC import log10
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.chain.meter_budget import Influence, coverage_factor, state_budget
from ohmshift.chain.meter_calibration import fit_correction
from ohmshift.chain.meter_inputs import known, rectangular, repeated_mean
from ohmshift.chain.meter_verdicts import (
    check_series,
    compare_resistances,
    en_score,
    judge_resistance,
    locate_resistance,
)
from ohmshift.chain.metering import MeterSpec, Readings, combine_readings, measure_resistance
from ohmshift.errors import CurveError

HAND = MeterSpec(percent=0.8, digits=3, resolution_ohm=0.1, meter="hand meter", range_ohm=200)
OTHER = MeterSpec(percent=0.8, digits=3, resolution_ohm=0.1, meter="another", range_ohm=200)


def read(*ohms: float, spec: MeterSpec = HAND, label: str = "item", lead: float | None = 0.3) -> Readings:
    leads = np.array([]) if lead is None else np.array([lead])
    return Readings(label=label, reading_ohm=np.array(ohms), lead_ohm=leads, spec=spec, zero="today")


TOTAL = read(75.3, 75.4, 75.3, 75.3, 75.4, label="plug and cable")
CABLE = read(0.5, 0.5, 0.6, 0.5, 0.5, label="cable")


# ------------------------------------------------------------ the worked example


@pytest.mark.source(
    "analytic",
    ref="D = 75.34 - 0.52; u^2 = (0.8 % 74.82/sqrt 3)^2 + 2 (0.3/sqrt 3)^2 + (0.0548^2 + 0.0447^2)/5, by hand",
)
def test_plug_is_total_less_cable() -> None:
    plug = measure_resistance(TOTAL, less=CABLE)
    assert plug.resistance_ohm == pytest.approx(74.82, abs=1e-9)
    parts = {line.quantity: line.contribution for line in plug.budget.lines}
    assert parts["hand meter, 200-ohm range: 0.8 % of reading"] == pytest.approx(0.34558, abs=5e-6)
    digits = [value for name, value in parts.items() if name.endswith("3 digits")]
    assert math.hypot(*digits) == pytest.approx(0.24495, abs=5e-6)
    assert plug.standard_uncertainty_ohm == pytest.approx(0.4248, abs=5e-5)
    assert plug.budget.coverage_factor == pytest.approx(2.0, abs=1e-4)
    assert plug.expanded_uncertainty_ohm == pytest.approx(0.85, abs=5e-4)
    assert not any("zero" in name for name in parts)
    assert str(plug.budget) == "74.82 ± 0.85 ohm"


@pytest.mark.source("analytic", ref="(74.82 - 75)/hypot(0.85, 0.75) = -0.159")
def test_plug_against_its_stated_value() -> None:
    plug = measure_resistance(TOTAL, less=CABLE)
    en = en_score(plug.resistance_ohm, 75.0, expanded=plug.expanded_uncertainty_ohm, reference_expanded=0.75)
    assert en == pytest.approx(-0.159, abs=5e-4)


@pytest.mark.source("memory", ref="ISO 13528: E_n = (x - X)/sqrt(U_lab^2 + U_ref^2); 0.2/sqrt 0.1 = 0.632456 by hand")
def test_en_is_of_expanded_uncertainties() -> None:
    assert en_score(10.2, 10.0, expanded=0.3, reference_expanded=0.1) == pytest.approx(0.632456, abs=5e-7)


@pytest.mark.source("independent", ref="uncertainties 3.2, linear propagation of the same model, gain shared")
def test_another_library_propagates_the_same() -> None:
    gain = uncertainties.ufloat(0, 0.008 / 3**0.5)
    zero = uncertainties.ufloat(0.3, 0.1 / 12**0.5) + uncertainties.ufloat(0, 0.3 / 3**0.5)

    def corrected(readings: np.ndarray) -> uncertainties.UFloat:
        mean = uncertainties.ufloat(readings.mean(), readings.std(ddof=1) / readings.size**0.5)
        return (mean + uncertainties.ufloat(0, 0.3 / 3**0.5) - zero) * (1 + gain)

    total, cable = corrected(TOTAL.reading_ohm), corrected(CABLE.reading_ohm)
    for wanted, found in (
        (total - cable, measure_resistance(TOTAL, less=CABLE)),
        (total, measure_resistance(TOTAL)),
        (total + cable, measure_resistance(TOTAL, plus=CABLE)),
    ):
        assert found.resistance_ohm == pytest.approx(wanted.n, rel=1e-12)
        assert found.standard_uncertainty_ohm == pytest.approx(wanted.s, rel=1e-9)


@pytest.mark.source("analytic", ref="simulated meters of known gain, digits and noise: 95.45 % nominal, safe bounds")
def test_intervals_cover_the_truth() -> None:
    rng = np.random.default_rng(1)
    covered = 0
    runs = 250
    for _ in range(runs):
        gain, off = 1 + rng.uniform(-0.008, 0.008), rng.uniform(-0.3, 0.3, 3)
        true = rng.uniform(5, 100)

        def shown(ohm: float, n: int, error: float, g: float = gain) -> np.ndarray:
            return np.round((g * (ohm + 0.3) + error + 0.35 + rng.normal(0, 0.05, n)) / 0.1) * 0.1

        zero = shown(0.0, 3, off[2])
        sets = [
            Readings(label=str(i), reading_ohm=shown(ohm, 5, error), lead_ohm=zero, spec=HAND, zero="today")
            for i, (ohm, error) in enumerate(((0.22 + true, off[0]), (0.22, off[1])))
        ]
        low, high = measure_resistance(sets[0], less=sets[1]).interval_ohm
        covered += low <= true <= high
    assert covered / runs >= 0.93


# ------------------------------------------------------------ JCGM 100


@pytest.mark.source(
    "published",
    ref="JCGM 100:2008, H.1, as the manual of GTC 1.5 has it: 50000838(32) nm, contributions 25, 16.6, 2.9 nm; "
    "from memory: 16 degrees of freedom, k = 2.92, U99 = 93 nm",
)
def test_end_gauge() -> None:
    inputs = {
        "l_s": known(50_000_623.0, 25, 18),
        "d": known(215, 5.8, 24),
        "d1": known(0, 3.9, 5),
        "d2": known(0, 6.7, 8),
        "alpha": known(11.5e-6, rectangular(2e-6)),
        "theta": known(-0.1, 0.2),
        "cycle": known(0, 0.5 / 2**0.5),
        "d_alpha": known(0, rectangular(1e-6), 50),
        "d_theta": known(0, rectangular(0.05), 2),
    }
    q = inputs
    length = q["l_s"] + q["d"] + q["d1"] + q["d2"]
    length = length - q["l_s"] * (q["d_alpha"] * (q["theta"] + q["cycle"]) + q["alpha"] * q["d_theta"])
    parts = [Influence(number=value, quantity=name, unit="", evaluation="B") for name, value in inputs.items()]
    budget = state_budget(length, parts, unit="nm", coverage_percent=99)
    assert budget.estimate == pytest.approx(50_000_838)
    assert round(budget.standard_uncertainty) == 32
    assert math.floor(budget.degrees_of_freedom) == 16
    assert budget.coverage_factor == pytest.approx(2.92, abs=5e-3)
    assert budget.expanded_uncertainty == pytest.approx(93, abs=1)
    lines = {line.quantity: line for line in budget.lines}
    assert lines["l_s"].contribution == pytest.approx(25)
    assert lines["d_theta"].contribution == pytest.approx(16.6, abs=0.05)
    assert lines["d_alpha"].contribution == pytest.approx(2.9, abs=0.05)
    assert [line.contribution for line in budget.lines] == sorted(
        (line.contribution for line in budget.lines), reverse=True
    )


H3_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
H3_B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


@pytest.mark.source(
    "published", ref="JCGM 100:2008, H.3, as the manual of GTC 1.5 has it: -0.1712(29), 0.00218(67), -0.1494(41)"
)
def test_line_of_corrections() -> None:
    fit = fit_correction(H3_T, H3_T + H3_B, reference=20.0, unit="°C")
    assert fit.offset.estimate == pytest.approx(-0.1712038, abs=5e-8)
    assert fit.offset.standard_uncertainty == pytest.approx(0.0028776, abs=5e-8)
    assert fit.slope.estimate == pytest.approx(0.0021827, abs=5e-8)
    assert fit.slope.standard_uncertainty == pytest.approx(0.00066794, abs=5e-9)
    assert fit.correlation == pytest.approx(-0.930430, abs=5e-7)
    assert fit.residual_sd == pytest.approx(0.0034976, abs=5e-8)
    at_30 = fit.at(30.0)
    assert at_30.estimate == pytest.approx(-0.1493768, abs=5e-8)
    assert at_30.standard_uncertainty == pytest.approx(0.0041386, abs=5e-8)
    assert at_30.degrees_of_freedom == pytest.approx(9)


@pytest.mark.source(
    "memory", ref="JCGM 100:2008, 4.3.7, example 2 and 5.1.5: 12 µV and ±15 µV give 15 µV; example 1: 0.23"
)
def test_voltmeter_and_copper() -> None:
    assert rectangular(0.40e-6) == pytest.approx(0.23e-6, abs=0.005e-6)
    mean, a = 0.928571, 14e-6 * 0.928571 + 2e-6
    assert a == pytest.approx(15e-6, abs=0.5e-6)
    assert rectangular(a) == pytest.approx(8.7e-6, abs=0.05e-6)
    parts = [
        Influence(number=known(mean, 12e-6), quantity="mean", unit="V", evaluation="A"),
        Influence(number=known(0, rectangular(a)), quantity="specification", unit="V", evaluation="B"),
    ]
    total = state_budget(parts[0].number + parts[1].number, parts, unit="V")
    assert total.standard_uncertainty == pytest.approx(15e-6, abs=0.5e-6)


@pytest.mark.source("memory", ref="JCGM 100:2008, table G.2, columns 95.45 %, 95 % and 99 %")
@pytest.mark.parametrize(
    ("df", "percent", "k"),
    [(1, 95.45, 13.97), (4, 95.45, 2.87), (10, 95.45, 2.28), (50, 95.45, 2.05), (10, 95, 2.23), (16, 99, 2.92)],
)
def test_coverage_factors(df: float, percent: float, k: float) -> None:
    assert coverage_factor(df, coverage_percent=percent) == pytest.approx(k, abs=5e-3)
    assert coverage_factor(df + 0.9, coverage_percent=percent) == coverage_factor(df, coverage_percent=percent)


@pytest.mark.source("published", ref="NIST StRD, Norris: certified intercept, slope, their deviations, and residual sd")
def test_line_of_a_certified_data_set() -> None:
    text = files("scipy.stats").joinpath("tests/data/nist_linregress/Norris.dat").read_text(encoding="utf-8")
    y, x = np.array([line.split() for line in text.splitlines()[60:] if line.strip()], dtype=float).T
    assert x.size == 36
    fit = fit_correction(x, x + y)
    assert fit.offset.estimate == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.offset.standard_uncertainty == pytest.approx(0.232818234301152, rel=1e-9)
    assert fit.slope.estimate == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.slope.standard_uncertainty == pytest.approx(0.000429796848199937, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


@pytest.mark.source(
    "analytic", ref="dL/d ln Z = 8.68589 R/(R + Z) dB, opposite for R: 16 and 75 ohm, 1 % each: 0.10124 dB"
)
def test_level_behind_uncertain_resistances() -> None:
    Z, R = known(16.0, 0.16), known(75.0, 0.75)
    parts = [Influence(number=n, quantity=q, unit="ohm", evaluation="B") for n, q in ((Z, "Z"), (R, "R"))]
    level = state_budget(20 * log10(Z / (Z + R)), parts, unit="dB")
    assert level.estimate == pytest.approx(-15.09843, abs=5e-6)
    assert level.standard_uncertainty == pytest.approx(0.10124, abs=5e-6)
    slope = 8.68589 * 75 / 91
    found = {line.quantity: line.sensitivity for line in level.lines}
    assert found["Z"] == pytest.approx(slope / 16, rel=1e-5)
    assert found["R"] == pytest.approx(-slope / 75, rel=1e-5)


# ------------------------------------------------------------ laws


@pytest.mark.source("analytic", ref="s/sqrt n, and resolution/sqrt 12 where the display hides the spread")
def test_spread_is_never_below_the_display() -> None:
    assert repeated_mean([0.34] * 4, resolution=0.01)[1:] == (pytest.approx(0.01 / 12**0.5), math.inf)
    assert repeated_mean([5.0], resolution=0.1)[1:] == (pytest.approx(0.1 / 12**0.5), math.inf)
    mean, u, df = repeated_mean([1.0, 2.0, 3.0], resolution=0.1)
    assert (mean, df) == (2.0, 2.0)
    assert u == pytest.approx(1 / 3**0.5)


@pytest.mark.source("analytic", ref="readings of any true value, rounded: their mean is within k u 95.45 % of the time")
@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3])
def test_rounded_readings_cover_the_truth(noise: float) -> None:
    rng = np.random.default_rng(2)
    true = rng.uniform(10, 11, 1500)
    covered = 0
    for value in true:
        mean, u, df = repeated_mean(np.round(value + noise * rng.standard_normal(5)), resolution=1.0)
        covered += abs(mean - value) <= coverage_factor(df) * u
    assert covered / true.size >= 0.94  # standard error 0.5 %


@pytest.mark.source(
    "analytic", ref="two meters without a name, of 0.8 and 5 %: their gains add in squares on 75 ohm each"
)
def test_gains_of_two_meters_without_a_name_do_not_cancel() -> None:
    one, other = (
        read(75.0, spec=MeterSpec(percent=percent, digits=0, resolution_ohm=1e-6), lead=None) for percent in (0.8, 5)
    )
    difference = measure_resistance(one, less=other)
    assert difference.standard_uncertainty_ohm == pytest.approx(75 * math.hypot(0.008, 0.05) / 3**0.5, rel=1e-6)
    assert any("different meters" in said for said in difference.caveats)


@pytest.mark.source("analytic", ref="the same readings cancel in their difference; swapping flips its sign")
@given(st.lists(st.floats(0.1, 100), min_size=1, max_size=5), st.floats(0, 3), st.floats(0, 10))
def test_differences(ohms: list[float], percent: float, digits: float) -> None:
    spec = MeterSpec(percent=percent, digits=digits, resolution_ohm=0.1)
    one = read(*ohms, spec=spec, label="one")
    nothing = combine_readings([(1.0, one), (-1.0, one)], label="nothing")
    assert nothing.resistance_ohm == pytest.approx(0, abs=1e-12)
    assert nothing.standard_uncertainty_ohm == pytest.approx(0, abs=1e-12)
    a, b = measure_resistance(one), measure_resistance(read(7.0, 7.1, spec=spec, label="other"))
    assert compare_resistances(a, b).en == pytest.approx(-compare_resistances(b, a).en)


@pytest.mark.source("analytic", ref="one meter: gain on 0.4 ohm only; two meters: on 15 ohm and 14.6 ohm in squares")
def test_gain_common_to_one_meter_cancels() -> None:
    spec = MeterSpec(percent=5, digits=0, resolution_ohm=1e-6, meter="a", range_ohm=100)
    own = MeterSpec(percent=5, digits=0, resolution_ohm=1e-6, meter="b", range_ohm=100)
    one, same = (measure_resistance(read(ohm, spec=spec, lead=None)) for ohm in (15.0, 14.6))
    other = measure_resistance(read(14.6, spec=own, lead=None))
    g = 0.05 / 3**0.5
    assert compare_resistances(one, same).difference.standard_uncertainty_ohm == pytest.approx(0.4 * g, rel=1e-6)
    two = compare_resistances(one, other)
    assert two.difference.standard_uncertainty_ohm == pytest.approx(g * math.hypot(15, 14.6), rel=1e-6)
    U = [2 * g * 15, 2 * g * 14.6]
    assert two.en == pytest.approx(en_score(15, 14.6, expanded=U[0], reference_expanded=U[1]), rel=1e-4)


# ------------------------------------------------------------ words


@pytest.mark.source("analytic", ref="the interval lies below, above or across 1 ohm")
def test_words_for_a_resistance() -> None:
    fine = MeterSpec(percent=0.1, digits=1, resolution_ohm=0.01)
    for ohm, word in ((0.5, "ordinary"), (4.7, "acts as a resistor"), (1.3, "cannot tell")):
        assert judge_resistance(measure_resistance(read(ohm, spec=fine))).word == word
    assert judge_resistance(measure_resistance(read(1.4))).word == "cannot tell"
    verdict = judge_resistance(measure_resistance(TOTAL, less=CABLE, label="the plug"))
    assert verdict.sentence == "the plug acts as a resistor of 74.82 ± 0.85 ohm."


@pytest.mark.source("analytic", ref="d and U by hand for 3 digits of 0.1 ohm: U(d) = 2 sqrt 2 0.3/sqrt 3 = 0.490 ohm")
@pytest.mark.parametrize(
    ("other", "margin", "word"),
    [
        (15.0, 1.0, "agree"),
        (15.0, 0.1, "cannot tell"),
        (14.0, 0.5, "differ"),
        (14.4, 2.0, "differ, by no more than the margin"),
    ],
)
def test_words_for_two_samples(other: float, margin: float, word: str) -> None:
    spec = MeterSpec(percent=0, digits=3, resolution_ohm=0.1)
    one, two = (measure_resistance(read(*[ohm] * 5, spec=spec)) for ohm in (15.0, other))
    found = compare_resistances(one, two, margin_ohm=margin)
    assert found.word == word
    assert found.difference.expanded_uncertainty_ohm == pytest.approx(0.490, abs=0.01)
    assert found.bound_ohm == pytest.approx(abs(15 - other) + found.difference.expanded_uncertainty_ohm)


@pytest.mark.source("analytic", ref="(c + a + b) - (c + a) - (c + b) + c = 0")
def test_two_in_series_add() -> None:
    cable = measure_resistance(read(0.5, label="cable"))
    first, second, both = (measure_resistance(read(ohm)) for ohm in (15.5, 33.5, 48.5))
    assert check_series(both, first, second, cable=cable).consistent
    assert check_series(both, first, second, cable=cable).residual.resistance_ohm == pytest.approx(0, abs=1e-12)
    assert not check_series(measure_resistance(read(52.0)), first, second, cable=cable).consistent
    assert "look for a contact" in check_series(measure_resistance(read(52.0)), first, second, cable=cable).sentence


def test_where_a_resistance_sits() -> None:
    fine = MeterSpec(percent=0.1, digits=1, resolution_ohm=0.01)

    def at(ohm: float) -> object:
        return measure_resistance(read(ohm, spec=fine, lead=0.0))

    both = locate_resistance({"left": at(15), "right": at(15), "return": at(0.1)})
    assert both.carrying == ("left", "right")
    assert "The return is ordinary" in both.sentence
    shared = locate_resistance({"left": at(0.1), "right": at(0.1), "return": at(15)})
    assert shared.carrying == ("return",)
    assert "part of each side reaches the other" in shared.sentence
    lame = locate_resistance({"left": at(15), "right": at(0.1)})
    assert "Only one side" in lame.sentence
    assert "was not measured" in lame.sentence
    none = locate_resistance({name: at(0.1) for name in ("left", "right", "return")})
    assert (none.carrying, none.open_question) == ((), ())
    assert none.sentence == "No conductor carries more than is ordinary."


def test_a_side_that_could_not_be_told_is_not_called_ordinary() -> None:
    fine, coarse = (MeterSpec(percent=0.1, digits=digits, resolution_ohm=0.1) for digits in (1, 30))
    left = measure_resistance(read(15.0, spec=fine, lead=0.0))
    right = measure_resistance(read(2.0, spec=coarse, lead=0.0))
    found = locate_resistance({"left": left, "right": right, "return": measure_resistance(read(0.1, spec=fine))})
    assert found.carrying == ("left",)
    assert "Only one side" not in found.sentence
    assert "Whether right carries more than is ordinary could not be told." in found.sentence


@pytest.mark.source("analytic", ref="independent parts add in squares, JCGM 100, 5.1.2, however they are grouped")
def test_groups_hold_the_whole_uncertainty() -> None:
    budget = measure_resistance(TOTAL, less=CABLE).budget
    assert sum(part**2 for part in budget.groups().values()) == pytest.approx(budget.standard_uncertainty**2)


def test_table_and_caveats() -> None:
    plug = measure_resistance(read(15.2, lead=None, label="plug"), less=read(0.5, spec=OTHER, lead=None, label="cable"))
    table = plug.budget.table()
    assert list(table) == ["quantity", "estimate", "u", "type", "df", "sensitivity", "contribution (ohm)"]
    assert set(table["type"]) == {"B", ""}
    assert table["quantity"].iloc[-1].startswith("result, k = 2.00")
    said = " ".join(plug.caveats)
    for words in ("leads was not taken off", "one reading only", "different meters or ranges"):
        assert words in said
    beyond = measure_resistance(read(1000.0, spec=replace(HAND, range_ohm=100.0), label="plug"))
    assert any("1000 ohm is no reading of a 100-ohm range" in caveat for caveat in beyond.caveats)
    assert not any("range" in caveat for caveat in measure_resistance(read(120.0, spec=OTHER)).caveats)


def test_bad_input_is_refused() -> None:
    with pytest.raises(CurveError, match="there is none"):
        read()
    with pytest.raises(CurveError, match="0 or more"):
        read(-1.0)
    with pytest.raises(CurveError, match="digits"):
        MeterSpec(percent=1, digits=-1, resolution_ohm=0.1)
    with pytest.raises(CurveError, match="two sets"):
        measure_resistance(read(1.0, lead=0.2), less=read(1.0, lead=0.3))
    with pytest.raises(CurveError, match="three known resistors"):
        fit_correction([1, 2], [1, 2])
    with pytest.raises(CurveError, match="uncertainties"):
        en_score(1, 2, expanded=0, reference_expanded=0)
