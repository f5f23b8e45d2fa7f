"""The nodal solver against hand arithmetic, a circuit simulator and the ladder formulas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from spice import run_ngspice

from ohmshift.chain.circuits import Ladder, series
from ohmshift.chain.elements import Capacitor, Circuit, Inductor, LossyInductor, Resistor
from ohmshift.chain.nodal import Branch, CoupledInductors, Network, VoltageSource
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path


def ohm(value: float) -> Resistor:
    return Resistor(resistance_ohm=value)


def branch(first: str, second: str, part: Circuit) -> Branch:
    return Branch(first=first, second=second, part=part)


def lattice() -> Network:
    """The third circuit of tests/references/circuits.cir."""
    return Network(
        elements=(
            branch("r", "ra", ohm(22)),
            branch("r", "rb", ohm(47)),
            CoupledInductors(first=("ra", "0"), second=("rb", "rc"), first_h=1.5e-3, second_h=3.3e-3, coupling=0.6),
            branch("ra", "rb", Capacitor(capacitance_f=2.2e-6)),
            branch("rc", "0", ohm(12)),
            branch("r", "rc", Capacitor(capacitance_f=0.47e-6)),
        )
    )


@pytest.mark.source(
    "analytic",
    ref="28 V behind 4 ohm beside 7 V behind 1 ohm: (28/4 + 7)/(1/4 + 1) = 11.2 V behind 0.8 ohm; 8 V on 2 ohm",
)
def test_two_sources() -> None:
    sources = (VoltageSource(positive="a", voltage_v=28), VoltageSource(positive="b", voltage_v=7))
    network = Network(elements=(*sources, branch("a", "c", ohm(4)), branch("b", "c", ohm(1)), branch("c", "0", ohm(2))))
    np.testing.assert_allclose(network.solve([20, 2000]).between("c"), 8)
    unloaded = Network(elements=network.elements[:-1])
    np.testing.assert_allclose(unloaded.solve([1000]).between("c"), 11.2)
    np.testing.assert_allclose(unloaded.impedance_ohm([1000], "c"), 0.8)


@pytest.mark.source(
    "published", ref="a worked Thevenin example: 12 V, 1 + 5 + 4 ohm in a row, seen across the 4 ohm: 4.8 V, 2.4 ohm"
)
def test_thevenin() -> None:
    network = Network(
        elements=(VoltageSource(positive="a", voltage_v=12), branch("a", "b", ohm(6)), branch("b", "0", ohm(4)))
    )
    assert network.solve([50]).between("b")[0] == pytest.approx(4.8)
    assert network.impedance_ohm([50], "b")[0] == pytest.approx(2.4)


@pytest.mark.source("independent", ref="ngspice 39.3 on tests/references/circuits.cir, v(r) and v(rb)")
def test_lattice_matches_the_circuit_simulator() -> None:
    f = 20 * 2 ** (np.array([0, 60, 108]) / 12)
    expected = [16.0251030391 + 0.1844141091j, 16.4624523325 + 5.9617299151j, 26.5433160502 - 40.3502501928j]
    np.testing.assert_allclose(lattice().impedance_ohm(f, "r"), expected, atol=1e-9)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/circuits.cir")
def test_lattice_matches_a_live_run(tmp_path: Path) -> None:
    f, vectors = run_ngspice("circuits", tmp_path)
    np.testing.assert_allclose(lattice().impedance_ohm(f, "r"), vectors[2], rtol=1e-11)
    driven = Network(elements=(VoltageSource(positive="r"), *lattice().elements))
    np.testing.assert_allclose(driven.solve(f).between("rb"), vectors[3] / vectors[2], rtol=1e-11)
    np.testing.assert_allclose(driven.solve(f).between("r", "rb"), 1 - vectors[3] / vectors[2], rtol=1e-11)


@pytest.mark.source(
    "analytic", ref="two coils in series, dots the same way, are L1 + L2 + 2 k sqrt(L1 L2); the other way, minus"
)
@pytest.mark.parametrize(("second", "sign"), [(("m", "0"), 1), (("0", "m"), -1)])
def test_dots(second: tuple[str, str], sign: int) -> None:
    coils = CoupledInductors(first=("p", "m"), second=second, first_h=1e-3, second_h=4e-3, coupling=0.5)
    Z = Network(elements=(coils,)).impedance_ohm([1000], "p")
    np.testing.assert_allclose(Z, 2j * np.pi * 1000 * (5e-3 + sign * 2e-3), rtol=1e-12)


@pytest.mark.source("analytic", ref="the same ladder as a continued fraction")
def test_ladder_and_nodal_agree() -> None:
    f = np.geomspace(20, 20000, 50)
    coil, capacitor = LossyInductor(coefficient=0.004, exponent=0.7), Capacitor(capacitance_f=3.3e-6)
    load = series(ohm(16), Inductor(inductance_h=1e-4))
    ladder = Ladder(sections=((coil, capacitor), (ohm(3), ohm(50))), load=load)
    network = Network(
        elements=(
            branch("in", "a", coil),
            branch("a", "0", capacitor),
            branch("a", "b", ohm(3)),
            branch("b", "0", ohm(50)),
            branch("b", "0", load),
        )
    )
    np.testing.assert_allclose(network.impedance_ohm(f, "in"), ladder.impedance_ohm(f), rtol=1e-12)
    driven = Network(elements=(VoltageSource(positive="in"), *network.elements))
    np.testing.assert_allclose(driven.solve(f).between("b"), ladder.voltage_ratio(f), rtol=1e-12)


@pytest.mark.source(
    "analytic", ref="reciprocity: in a network of R, L, C a current into a gives b the voltage that b's gives a"
)
def test_reciprocity() -> None:
    f = np.array([100.0, 3000.0])
    ends = [lattice().impedance_ohm(f, *pair) for pair in (("r",), ("rb",), ("r", "rb"))]
    # Z_ab from three one-port impedances: Z(a,b) = Z_aa + Z_bb - 2 Z_ab.
    transfer = (ends[0] + ends[1] - ends[2]) / 2
    driven = Network(elements=(VoltageSource(positive="r"), *lattice().elements))
    np.testing.assert_allclose(driven.solve(f).between("rb") * ends[0], transfer, rtol=1e-12)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CurveError, match="q, s does not"):
        Network(elements=(branch("p", "0", ohm(1)), branch("q", "s", ohm(1))))
    with pytest.raises(CurveError, match="the empty network"):
        Network(elements=())
    with pytest.raises(CurveError, match="'x' was asked for"):
        lattice().impedance_ohm([1000], "x")
    with pytest.raises(CurveError, match=r"Branch p-0.*0 ohm"):
        Network(elements=(branch("p", "0", ohm(0)),)).impedance_ohm([1000], "p")
    with pytest.raises(CurveError, match="one solution"):
        Network(elements=(VoltageSource(positive="p"), VoltageSource(positive="p", voltage_v=2))).solve([1000])
    with pytest.raises(CurveError, match="coupling"):
        CoupledInductors(first=("a", "0"), second=("b", "0"), first_h=1, second_h=1, coupling=1.2)
