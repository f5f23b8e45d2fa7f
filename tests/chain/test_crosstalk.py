"""The shared return wire against a circuit simulator, the nodal solver and hand arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from spice import run_ngspice

from ohmshift.chain.circuits import series
from ohmshift.chain.crosstalk import predict_crosstalk
from ohmshift.chain.elements import Resistor, resonator_from_elements
from ohmshift.chain.nodal import Branch, Network, VoltageSource
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path

F = 20 * 2 ** (np.array([0, 60, 108]) / 12)
SIDE = series(
    Resistor(resistance_ohm=32), resonator_from_elements(resistance_ohm=64, inductance_h=40e-3, capacitance_f=62e-6)
)


@pytest.mark.source(
    "analytic", ref="R_c/(Z + R_c) = 0.5/16 is -30.1030 dB; mono sees 2 R_c = 1 ohm, 20 log10(15.5/16.5)"
)
def test_by_hand() -> None:
    flat = Impedance(frequency_hz=np.array([20.0, 20000]), impedance_ohm=np.array([15.5, 15.5]))
    shared = predict_crosstalk(flat, return_ohm=0.5)
    np.testing.assert_allclose(shared.crosstalk_db, -30.10300, atol=5e-6)
    np.testing.assert_allclose(shared.mono_change_db, 20 * np.log10(15.5 / 16.5))
    assert (shared.mono_source_ohm, shared.difference_source_ohm) == (1.0, 0.0)
    np.testing.assert_allclose(shared.driven_source_ohm, 0.5 * 15.5 / 16)


@pytest.mark.source("independent", ref="ngspice 39.3 on tests/references/pads.cir: dl, dr, el, gl")
def test_matches_the_circuit_simulator() -> None:
    driven = np.array([0.9569225594 + 0.0065797165j, 0.9563462423 - 0.0052813347j, 0.9553638774 - 0.0003330641j])
    silent = np.array([-0.0110358013 + 0.0016129177j, -0.0111731109 - 0.0012931014j, -0.0114063864 - 8.13833e-05j])
    mono = np.array([0.9458867581 + 0.0081926343j, 0.9451731313 - 0.0065744361j, 0.943957491 - 0.0004144474j])
    difference = np.array([0.9679583607 + 0.0049667988j, 0.9675193532 - 0.0039882332j, 0.9667702638 - 0.0002516808j])
    _compare(F, driven, silent, mono, difference, rtol=1e-8)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/pads.cir")
def test_matches_a_live_run(tmp_path: Path) -> None:
    f, vectors = run_ngspice("pads", tmp_path)
    _compare(f, *vectors[7:11], rtol=1e-11)


def _compare(
    f: np.ndarray,
    driven: np.ndarray,
    silent: np.ndarray,
    mono: np.ndarray,
    difference: np.ndarray,
    *,
    rtol: float,
) -> None:
    Z = SIDE.impedance_ohm(f)
    shared = predict_crosstalk(SIDE.sample(f), return_ohm=0.4, series_ohm=1.1)
    np.testing.assert_allclose(shared.crosstalk_ratio, silent / driven, rtol=rtol)
    np.testing.assert_allclose(Z / (Z + shared.driven_source_ohm), driven, rtol=rtol)
    np.testing.assert_allclose(Z / (Z + shared.mono_source_ohm), mono, rtol=rtol)
    np.testing.assert_allclose(Z / (Z + shared.difference_source_ohm), difference, rtol=rtol)
    np.testing.assert_allclose(shared.mono_change_db, 20 * np.log10(np.abs(mono / difference)), atol=20 * rtol)


@pytest.mark.source("analytic", ref="one side alone is half the mono and half the difference signal")
def test_one_side_is_half_mono_half_difference() -> None:
    Z = SIDE.impedance_ohm(F)
    shared = predict_crosstalk(SIDE.sample(F), return_ohm=3.0, series_ohm=10.0)
    mono, difference = (Z / (Z + R) for R in (shared.mono_source_ohm, shared.difference_source_ohm))
    np.testing.assert_allclose(Z / (Z + shared.driven_source_ohm), (mono + difference) / 2, rtol=1e-12)
    silent = shared.crosstalk_ratio * Z / (Z + shared.driven_source_ohm)
    np.testing.assert_allclose(silent, (mono - difference) / 2, rtol=1e-12)


@pytest.mark.source("analytic", ref="the same three wires in the nodal solver")
def test_nodal_solver_agrees() -> None:
    branches = [("l", "dl", 1.1), ("0", "dr", 1.1), ("dc", "0", 0.4)]
    network = Network(
        elements=(
            VoltageSource(positive="l"),
            *(Branch(first=a, second=b, part=Resistor(resistance_ohm=ohm)) for a, b, ohm in branches),
            *(Branch(first=side, second="dc", part=SIDE) for side in ("dl", "dr")),
        )
    )
    solved = network.solve(F)
    shared = predict_crosstalk(SIDE.sample(F), return_ohm=0.4, series_ohm=1.1)
    np.testing.assert_allclose(
        solved.between("dr", "dc") / solved.between("dl", "dc"), shared.crosstalk_ratio, rtol=1e-12
    )


@pytest.mark.source("analytic", ref="no shared resistance, no crosstalk")
def test_four_wires_have_none() -> None:
    shared = predict_crosstalk(SIDE.sample(F), return_ohm=0, series_ohm=1.0)
    assert np.all(shared.crosstalk_db == -np.inf)
    np.testing.assert_array_equal(shared.mono_change_db, 0)
    np.testing.assert_array_equal(shared.driven_source_ohm, 1.0)


def test_negative_resistance_is_refused() -> None:
    for name in ("return_ohm", "series_ohm"):
        with pytest.raises(CurveError, match=name):
            predict_crosstalk(SIDE.sample(F), **{"return_ohm": 0.1, name: -1.0})
