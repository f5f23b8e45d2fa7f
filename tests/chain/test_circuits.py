"""Elements and circuits against hand arithmetic and a circuit simulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from spice import run_ngspice

from ohmshift.chain.circuits import (
    Ladder,
    Parallel,
    Series,
    circuit_numbers,
    combine_parallel,
    parallel,
    replace_numbers,
    series,
)
from ohmshift.chain.elements import (
    Capacitor,
    Circuit,
    Inductor,
    LossyInductor,
    Resistor,
    Resonator,
    resonator_from_elements,
)
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path

POSITIVE = st.floats(1e-3, 1e3)


def ohm(value: float) -> Resistor:
    return Resistor(resistance_ohm=value)


def henry(value: float) -> Inductor:
    return Inductor(inductance_h=value)


def farad(value: float) -> Capacitor:
    return Capacitor(capacitance_f=value)


def rlc(resistance_ohm: float, inductance_h: float, capacitance_f: float) -> Resonator:
    return resonator_from_elements(
        resistance_ohm=resistance_ohm, inductance_h=inductance_h, capacitance_f=capacitance_f
    )


def three_way() -> Circuit:
    """The first circuit of tests/references/circuits.cir."""
    woofer = series(ohm(6.8), henry(0.22e-3), ohm(16.5), henry(33e-6), rlc(5.4, 2.9e-3, 560e-6))
    middle = series(farad(4.7e-6), ohm(11), henry(0.3e-3), rlc(27, 0.41e-3, 11e-6))
    high = series(farad(1e-6), ohm(5.6), ohm(8.2), parallel(henry(0.1e-3), ohm(43)), rlc(15, 75e-6, 9.1e-6))
    return parallel(woofer, middle, high)


def two_sections() -> Ladder:
    """The ladder of tests/references/circuits.cir."""
    sections = ((series(ohm(1.8), henry(0.47e-3)), farad(3.3e-6)), (series(henry(0.18e-3), ohm(2.2)), ohm(100)))
    return Ladder(sections=sections, load=series(ohm(31), rlc(24, 15e-3, 180e-6)))


@pytest.mark.source("analytic", ref="R, j w L, 1/(j w C) at 1 kHz with w = 2 pi 1000")
def test_elements_by_hand() -> None:
    w = 2 * np.pi * 1000
    assert ohm(16).impedance_ohm(1000) == 16
    assert henry(1e-3).impedance_ohm(1000) == pytest.approx(1j * w * 1e-3)
    assert farad(1e-6).impedance_ohm(1000) == pytest.approx(-1j / (w * 1e-6))
    assert ohm(16).impedance_ohm([20, 1000]).shape == (2,)


@pytest.mark.source(
    "published", ref="Leach 2002, K (j w)^n: phase 90 n degrees, slope 20 n dB a decade; n = 0.5 is Vanderkooy 1989"
)
@pytest.mark.parametrize(("n", "phase_deg", "slope_db"), [(0.5, 45, 10), (0.7, 63, 14), (1.0, 90, 20), (0.0, 0, 0)])
def test_lossy_inductor(n: float, phase_deg: float, slope_db: float) -> None:
    Z = LossyInductor(coefficient=0.01, exponent=n).impedance_ohm([100, 1000])
    np.testing.assert_allclose(np.angle(Z, deg=True), phase_deg, atol=1e-12)
    assert 20 * np.log10(abs(Z[1] / Z[0])) == pytest.approx(slope_db)


@pytest.mark.source("analytic", ref="at f_0 the peak is R; at 3 dB below, |Z| = R/sqrt 2 where Q |f/f_0 - f_0/f| = 1")
def test_resonator_peak_and_width() -> None:
    peak = Resonator(peak_ohm=64, resonance_hz=100, quality=2.5)
    edge = 1 / (2 * 2.5)
    low, high = (100 * (np.sqrt(1 + edge**2) + sign * edge) for sign in (-1, 1))
    assert high - low == pytest.approx(100 / 2.5)
    np.testing.assert_allclose(np.abs(peak.impedance_ohm([low, 100, high])), [64 / np.sqrt(2), 64, 64 / np.sqrt(2)])


@pytest.mark.source("analytic", ref="1/(1/R + 1/(j w L) + j w C), R = 64 ohm, L = 40 mH, C = 62 uF")
def test_resonator_is_its_three_elements() -> None:
    f = np.geomspace(20, 20000, 50)
    three = parallel(ohm(64), henry(40e-3), farad(62e-6))
    np.testing.assert_allclose(rlc(64, 40e-3, 62e-6).impedance_ohm(f), three.impedance_ohm(f), rtol=1e-12)
    again = rlc(64, 40e-3, 62e-6)
    assert (again.inductance_h, again.capacitance_f) == pytest.approx((40e-3, 62e-6), rel=1e-12)


@pytest.mark.source("independent", ref="ngspice 39.3 on tests/references/circuits.cir, v(p), zs and v(s3)")
def test_circuits_match_the_circuit_simulator() -> None:
    f = 20 * 2 ** (np.array([0, 60, 108]) / 12)
    expected = [23.3305634052 + 0.0141810035j, 17.3617485181 - 8.103988167j, 8.8546942115 + 2.7275816081j]
    np.testing.assert_allclose(three_way().impedance_ohm(f), expected, atol=1e-9)
    expected = [27.7964210533 + 0.9386911024j, 24.9259677471 - 6.150695835j, 2.6018815548 + 25.3183991757j]
    np.testing.assert_allclose(two_sections().impedance_ohm(f), expected, atol=1e-9)
    expected = [0.8561525545 + 0.0027721437j, 0.8665820521 - 0.1076003192j, -0.1616844764 + 0.0256897676j]
    np.testing.assert_allclose(two_sections().voltage_ratio(f), expected, atol=1e-9)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/circuits.cir")
def test_circuits_match_a_live_run(tmp_path: Path) -> None:
    f, (three, _, _, _, ladder, output) = run_ngspice("circuits", tmp_path)
    np.testing.assert_allclose(three_way().impedance_ohm(f), three, rtol=1e-11)
    np.testing.assert_allclose(two_sections().impedance_ohm(f), ladder, rtol=1e-11)
    np.testing.assert_allclose(two_sections().voltage_ratio(f), output, rtol=1e-11)


@pytest.mark.source("analytic", ref="a ladder is nested series and parallel: Z_a + (Z_b || (Z_c + Z_load))")
def test_ladder_is_nested_circuits() -> None:
    f = np.geomspace(20, 20000, 30)
    ladder = Ladder(sections=((ohm(3), farad(1e-6)), (henry(1e-4), None), (None, ohm(47))), load=ohm(16))
    nested = series(ohm(3), parallel(farad(1e-6), series(henry(1e-4), parallel(ohm(47), ohm(16)))))
    np.testing.assert_allclose(ladder.impedance_ohm(f), nested.impedance_ohm(f), rtol=1e-13)
    assert ladder.voltage_ratio(1e-6) == pytest.approx((16 * 47 / 63) / (3 + 16 * 47 / 63))


@pytest.mark.source("analytic", ref="addition of impedances and of admittances is commutative and associative")
@given(POSITIVE, POSITIVE, POSITIVE)
def test_order_does_not_matter(a: float, b: float, c: float) -> None:
    parts = (ohm(a), henry(b), farad(c))
    f = np.array([0.5, 3.0])
    for join in (series, parallel):
        one = join(*parts).impedance_ohm(f)
        np.testing.assert_allclose(join(*parts[::-1]).impedance_ohm(f), one, rtol=1e-9)
        np.testing.assert_allclose(join(join(*parts[:2]), parts[2]).impedance_ohm(f), one, rtol=1e-9)


@pytest.mark.source("analytic", ref="nothing across leaves the other; a short wins over anything")
def test_parallel_at_its_limits() -> None:
    np.testing.assert_array_equal(
        combine_parallel([np.inf, np.inf, 0, 0, 8], [16, np.inf, 5, 0, 8]), [16, np.inf, 0, 0, 4]
    )


@pytest.mark.source("analytic", ref="a driver with its numbers taken out and put back is the same driver")
def test_numbers_go_out_and_in() -> None:
    circuit = series(ohm(1), two_sections(), LossyInductor(coefficient=0.01, exponent=0.7))
    names, values = zip(*circuit_numbers(circuit), strict=True)
    assert names[2] == "parts[1].sections[0][0].parts[1].inductance_h"
    same = replace_numbers(circuit, values)
    np.testing.assert_array_equal(same.impedance_ohm([50, 5000]), circuit.impedance_ohm([50, 5000]))
    doubled = replace_numbers(circuit, [2 * values[0], *values[1:]])
    np.testing.assert_allclose(doubled.impedance_ohm([50]) - circuit.impedance_ohm([50]), 1)
    with pytest.raises(CurveError, match=f"the circuit has {len(values)}"):
        replace_numbers(circuit, values[1:])


def test_a_sample_is_a_curve() -> None:
    curve = ohm(16).sample([20, 200], label="ladle")
    assert (curve.label, curve.provenance.source, curve.impedance_ohm[1]) == ("ladle", "circuit", 16)


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        (Resistor, {"resistance_ohm": -1.0}),
        (Inductor, {"inductance_h": np.nan}),
        (Capacitor, {"capacitance_f": 0.0}),
        (LossyInductor, {"coefficient": 0.1, "exponent": 1.1}),
        (Resonator, {"peak_ohm": 1.0, "resonance_hz": 0.0, "quality": 1.0}),
        (Series, {"parts": ()}),
        (Parallel, {"parts": (16,)}),
    ],
)
def test_what_cannot_be_is_refused(kind: type, values: dict[str, object]) -> None:
    with pytest.raises(CurveError, match=f"{kind.__name__}.*, but "):
        kind(**values)


@pytest.mark.parametrize("frequency_hz", [0.0, -1.0, np.inf, np.nan])
def test_frequency_must_be_positive(frequency_hz: float) -> None:
    with pytest.raises(CurveError, match="frequency_hz"):
        ohm(16).impedance_ohm([1000.0, frequency_hz])
