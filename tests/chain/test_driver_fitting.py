"""The number of resonances, on simulated drivers."""

from __future__ import annotations

import numpy as np
import pytest

from ohmshift.chain.circuits import Series, circuit_numbers, series
from ohmshift.chain.driver_fitting import STRONG_EVIDENCE, fit_driver
from ohmshift.chain.elements import LossyInductor, Resistor, Resonator
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

GRID = octave_grid(24)


def truth() -> Series:
    """A driver with three resonances, in the order in which the fit finds them: by what they do to |Z|."""
    return series(
        Resistor(resistance_ohm=16),
        LossyInductor(coefficient=0.004, exponent=0.68),
        Resonator(peak_ohm=8, resonance_hz=180, quality=1.4),
        Resonator(peak_ohm=2, resonance_hz=3300, quality=4),
        Resonator(peak_ohm=1.2, resonance_hz=7200, quality=6),
    )


def with_noise(Z: np.ndarray, noise: float, seed: int, *, alike: float = 0.0) -> Impedance:
    """Relative noise on both parts; `alike` is its correlation from one frequency to the next."""
    white = np.random.default_rng(seed).standard_normal((2, GRID.size))
    for i in range(1, GRID.size):
        white[:, i] = alike * white[:, i - 1] + np.sqrt(1 - alike**2) * white[:, i]
    return Impedance(frequency_hz=GRID, impedance_ohm=Z * (1 + noise * (white[0] + 1j * white[1])), label="ladle")


@pytest.mark.source("analytic", ref="data made from a circuit give its resonances and its numbers back")
def test_clean_data_give_the_circuit_back() -> None:
    found = fit_driver(truth().sample(GRID, label="ladle"))
    assert found.resonances == 3
    assert [p.value for p in found.best.parameters] == pytest.approx([v for _, v in circuit_numbers(truth())], rel=1e-5)
    assert found.best.caveats == ()
    assert len(found.candidates) == len(found.criterion) == 5  # none to three, and three without the inductor
    assert found.criterion[3] <= min(found.criterion) + STRONG_EVIDENCE < found.criterion[2]


@pytest.mark.source(
    "analytic", ref="three resonances were made; in 5 of 6 simulations or more they are found, never a fourth"
)
@pytest.mark.parametrize(("noise", "alike"), [(0.003, 0.0), (0.01, 0.0), (0.01, 0.8)])
def test_number_of_resonances(noise: float, alike: float) -> None:
    counts, caveats = [], []
    for seed in range(100, 106):
        found = fit_driver(with_noise(truth().impedance_ohm(GRID), noise, seed, alike=alike))
        counts.append(found.resonances)
        caveats += found.best.caveats
    assert counts.count(3) >= 5
    assert max(counts) == 3
    assert caveats == []


@pytest.mark.source("analytic", ref="a bare resistance needs no inductor and no resonance")
def test_a_resistance_is_a_resistance() -> None:
    found = fit_driver(with_noise(np.full(GRID.size, 18.0), 0.002, 1), most_resonances=2)
    assert found.resonances == 0
    (only,) = found.best.parameters
    assert abs(only.value - 18) < 4 * only.standard_uncertainty


@pytest.mark.source(
    "analytic", ref="18 ohm and one peak of 9 ohm at 90 Hz with Q 2, no inductor: the circuit without one is taken"
)
def test_no_inductor_where_none_is_needed() -> None:
    made = series(Resistor(resistance_ohm=18), Resonator(peak_ohm=9, resonance_hz=90, quality=2))
    found = fit_driver(with_noise(made.impedance_ohm(GRID), 0.003, 2), most_resonances=2)
    assert found.resonances == 1
    for parameter, right in zip(found.best.parameters, (18, 9, 90, 2), strict=True):
        assert abs(parameter.value - right) < 4 * parameter.standard_uncertainty


@pytest.mark.source("analytic", ref="either weighting finds the peak that is there")
def test_uniform_weighting() -> None:
    made = series(Resistor(resistance_ohm=32), LossyInductor(coefficient=0.01, exponent=0.7))
    made = series(*made.parts, Resonator(peak_ohm=64, resonance_hz=100, quality=2.5))
    data = Impedance(
        frequency_hz=GRID,
        impedance_ohm=made.impedance_ohm(GRID) + np.random.default_rng(3).normal(0, 0.1, GRID.size),
    )
    found = fit_driver(data, most_resonances=2, weighting="uniform")
    assert found.resonances == 1
    assert [p.value for p in found.best.parameters][3:] == pytest.approx([64, 100, 2.5], rel=0.01)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CurveError, match="most_resonances"):
        fit_driver(truth().sample(GRID), most_resonances=-1)
