"""Output impedance by loads, and impedance at one frequency, against hand arithmetic and JCGM 100."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ohmshift.chain.output_impedance import CAUTIONS, LoadedVoltage, VoltmeterSpec, measure_output_impedance
from ohmshift.chain.spot_impedance import measure_spot_impedance
from ohmshift.errors import CurveError

SPEC = VoltmeterSpec(percent=1.0, digits=3, resolution_v=0.0001)
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def across(ohm: float, output_ohm: float, *, open_v: float = 0.2, n: int = 1) -> LoadedVoltage:
    shown = round(open_v * ohm / (ohm + output_ohm), 4)
    return LoadedVoltage(load_ohm=ohm, voltage_v=np.full(n, shown))


@pytest.mark.source(
    "published", ref="JCGM 100:2008, H.2, data and method as in GTC 1.5.1; R, X, Z, u and r to 6 digits"
)
def test_impedance_from_voltage_current_and_phase() -> None:
    found = measure_spot_impedance(VOLTS, AMPERES, RADIANS)
    parts = (found.resistance, found.reactance, found.magnitude)
    np.testing.assert_allclose([part.estimate for part in parts], [127.732170, 219.846512, 254.259702], atol=5e-7)
    u = [part.standard_uncertainty for part in parts]
    np.testing.assert_allclose(u, [0.0710714, 0.2955817, 0.2363361], atol=5e-8)
    r = found.correlation[[0, 0, 1], [1, 2, 2]]
    np.testing.assert_allclose(r, [-0.588430, -0.485259, 0.992512], atol=5e-7)
    assert [part.degrees_of_freedom for part in parts] == pytest.approx([4, 4, 4])
    inputs = {line.quantity: line for line in found.resistance.lines}
    assert inputs["voltage"].standard_uncertainty == pytest.approx(3.20936e-3, abs=5e-9)
    assert inputs["current"].standard_uncertainty == pytest.approx(9.47101e-6, abs=5e-12)
    assert inputs["phase"].standard_uncertainty == pytest.approx(7.52064e-4, abs=5e-10)


def test_sets_that_wander_together_or_not_at_all() -> None:
    assert measure_spot_impedance([1, 1.01], [0.05, 0.051], [0.3, 0.31]).magnitude.estimate == pytest.approx(
        19.9, abs=0.1
    )
    still = measure_spot_impedance([1, 1, 1], [0.05] * 3, [0.3] * 3)
    assert still.magnitude.standard_uncertainty == pytest.approx(0, abs=1e-9)
    with pytest.raises(CurveError, match="two sets or more"):
        measure_spot_impedance([1], [1], [1])
    with pytest.raises(CurveError, match="above 0"):
        measure_spot_impedance([1, 0], [1, 1], [1, 1])


@pytest.mark.source(
    "analytic", ref="R_L (E/V - 1) = 32 (0.4/0.32 - 1) = 8; dR/dE = 100, dR/dV = -125 ohm/V, dR/dR_L = 1/4"
)
def test_one_load_by_hand() -> None:
    found = measure_output_impedance(np.array([0.4]), [LoadedVoltage(load_ohm=32, voltage_v=[0.32])], spec=SPEC)
    assert found.budget.estimate == pytest.approx(8)
    digits, floor = 3e-4 / 3**0.5, 1e-4 / 12**0.5
    load = 0.25 * 0.32 / 3**0.5
    wanted = math.sqrt((100**2 + 125**2) * (digits**2 + floor**2) + load**2)
    assert found.budget.standard_uncertainty == pytest.approx(wanted, rel=1e-9)
    assert not any("% of reading" in line.quantity for line in found.budget.lines)
    assert found.drop_percent[0] == pytest.approx(20)
    assert "One load cannot show" in found.caveats[0]


@pytest.mark.source(
    "analytic", ref="a divider of 0.6 ohm, and of 47 ohm, read to 0.1 mV: the truth lies in the interval"
)
@pytest.mark.parametrize("true", [0.6, 2.2, 10.0, 47.0])
def test_several_loads_find_the_truth(true: float) -> None:
    loads = [across(ohm, true) for ohm in (33.0, 68.0, 220.0)]
    found = measure_output_impedance(np.array([0.2]), loads, spec=SPEC)
    low, high = found.budget.interval
    assert low <= true <= high
    assert found.consistent
    assert "3 loads that agree" in found.sentence
    alone = [budget.standard_uncertainty for budget in found.by_load]
    assert found.budget.standard_uncertainty <= min(alone) * 1.0001


@pytest.mark.source(
    "analytic", ref="an amplifier that limits its voltage to 0.15 V at the smaller load reads 11 ohm there"
)
def test_loads_that_disagree_are_told() -> None:
    loads = [across(150.0, 1.0), LoadedVoltage(load_ohm=33, voltage_v=[0.15])]
    found = measure_output_impedance(np.array([0.2]), loads, spec=SPEC)
    assert not found.consistent
    assert "do not agree" in found.sentence
    assert any("limited" in caveat for caveat in found.caveats)


def test_small_output_impedance_is_a_limit() -> None:
    found = measure_output_impedance(np.array([0.2]), [across(120.0, 0.05)], spec=SPEC)
    assert "at most" in found.sentence
    assert any("digits rule" in caveat for caveat in found.caveats)


def test_what_harms_or_cannot_be_is_refused() -> None:
    with pytest.raises(CurveError, match="never short"):
        LoadedVoltage(load_ohm=0.0, voltage_v=[0.1])
    with pytest.raises(CurveError, match="16 ohm"):
        measure_output_impedance(np.array([0.2]), [across(8.0, 1.0)], spec=SPEC)
    with pytest.raises(CurveError, match="there is none"):
        measure_output_impedance(np.array([0.2]), [], spec=SPEC)
    with pytest.raises(CurveError, match="does not rise"):
        measure_output_impedance(np.array([0.2]), [LoadedVoltage(load_ohm=33, voltage_v=[0.3])], spec=SPEC)
    with pytest.raises(CurveError, match="stand out"):
        measure_output_impedance(np.array([0.2]), [LoadedVoltage(load_ohm=33, voltage_v=[1e-7])], spec=SPEC)
    with pytest.raises(CurveError, match="above 0 V"):
        LoadedVoltage(load_ohm=33, voltage_v=[])
    assert any("Never short" in caution for caution in CAUTIONS)
