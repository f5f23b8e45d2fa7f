"""Circuit fits on known circuits, on measured bench circuits and against another fitting routine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

from ohmshift.chain.circuits import Series, circuit_numbers, parallel, series
from ohmshift.chain.elements import Capacitor, LossyInductor, Resistor, Resonator
from ohmshift.chain.fitting import fit_circuit
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

BENCH = Path(__file__).resolve().parents[3] / "shared" / "data" / "rrc_bench"
GRID = octave_grid(24)


def lossy_pair(first_ohm: float, second_ohm: float, capacitance_f: float) -> Series:
    """A resistance in series with a resistance and a capacitance side by side."""
    return series(
        Resistor(resistance_ohm=first_ohm),
        parallel(Resistor(resistance_ohm=second_ohm), Capacitor(capacitance_f=capacitance_f)),
    )


def truth() -> Series:
    """A driver with three resonances."""
    return series(
        Resistor(resistance_ohm=16),
        LossyInductor(coefficient=0.004, exponent=0.68),
        Resonator(peak_ohm=8, resonance_hz=180, quality=1.4),
        Resonator(peak_ohm=2, resonance_hz=3300, quality=4),
        Resonator(peak_ohm=1.2, resonance_hz=7200, quality=6),
    )


def with_noise(noise: float, seed: int, *, alike: float = 0.0) -> Impedance:
    """The driver with relative noise on both parts; `alike` is its correlation from one frequency to the next."""
    white = np.random.default_rng(seed).standard_normal((2, GRID.size))
    for i in range(1, GRID.size):
        white[:, i] = alike * white[:, i - 1] + np.sqrt(1 - alike**2) * white[:, i]
    Z = truth().impedance_ohm(GRID) * (1 + noise * (white[0] + 1j * white[1]))
    return Impedance(frequency_hz=GRID, impedance_ohm=Z, label="ladle")


def read_bench(number: int, repeat: int) -> Impedance:
    """Frequency and impedance of one file of the bench circuits, columns 1, 5 and 6 after its header."""
    path = BENCH / f"Circuit{number}_EIS_{repeat}.z"
    if not path.exists():
        pytest.skip("the bench circuits' data are not here")
    lines = path.read_text(encoding="latin-1").splitlines()
    start = max(i for i, line in enumerate(lines) if "End Comments" in line)
    table = np.array([[float(word) for word in line.split()] for line in lines[start + 1 :] if line.strip()])
    table = table[np.argsort(table[:, 0])]
    return Impedance(frequency_hz=table[:, 0], impedance_ohm=table[:, 4] + 1j * table[:, 5])


@pytest.mark.source("analytic", ref="data made from a circuit give its numbers back, however far off the start is")
@pytest.mark.parametrize("weighting", ["relative", "uniform"])
def test_numbers_come_back(weighting: str) -> None:
    data = lossy_pair(29, 47, 10e-6).sample(GRID)
    fit = fit_circuit(data, lossy_pair(100, 100, 1e-6), weighting=weighting)
    assert [p.value for p in fit.parameters] == pytest.approx([29, 47, 10e-6], rel=1e-6)
    assert fit.worst_misfit < 1e-6
    assert fit.caveats == ()


@pytest.mark.source(
    "published", ref="open bench data of three R + (R || C) circuits, and the fits of their own library to them"
)
@pytest.mark.parametrize(
    ("number", "repeat", "values"),
    [
        (1, 1, (29.141, 46.653, 10.428e-6)),
        (1, 2, (29.125, 46.655, 10.428e-6)),
        (2, 1, (150.376, 502.384, 31.161e-9)),
        (3, 1, (1507.03, 4630.26, 20.193e-9)),
    ],
)
def test_bench_circuits(number: int, repeat: int, values: tuple[float, float, float]) -> None:
    data = read_bench(number, repeat)
    fit = fit_circuit(data, lossy_pair(100, 100, 1e-6), weighting="uniform")
    # That library's fits stop early by up to 0.1 %: ours must be as close to the data or closer.
    assert [p.value for p in fit.parameters] == pytest.approx(values, rel=1.2e-3)
    theirs = lossy_pair(*values).impedance_ohm(data.frequency_hz) - data.impedance_ohm
    assert fit.sum_of_squares <= np.sum(np.abs(theirs) ** 2)
    assert all(p.standard_uncertainty < 0.02 * p.value for p in fit.parameters)


@pytest.mark.source(
    "independent", ref="scipy.optimize.curve_fit on the same data, real and imaginary part stacked, tight tolerances"
)
def test_another_routine_agrees() -> None:
    data = read_bench(1, 1)
    stacked = np.concatenate([data.impedance_ohm.real, data.impedance_ohm.imag])

    def model(_: np.ndarray, first: float, second: float, micro: float) -> np.ndarray:
        Z = first + 1 / (1 / second + 2j * np.pi * data.frequency_hz * micro * 1e-6)
        return np.concatenate([Z.real, Z.imag])

    best, spread = curve_fit(model, data.frequency_hz, stacked, p0=(20, 30, 5), xtol=1e-12, ftol=1e-12)
    fit = fit_circuit(data, lossy_pair(100, 100, 1e-6), weighting="uniform")
    scale = np.array([1, 1, 1e6])
    np.testing.assert_allclose([p.value for p in fit.parameters] * scale, best, rtol=1e-6)
    # Theirs counts all residuals as independent; ours widens by the count of independent ones.
    widening = np.sqrt(2 * data.frequency_hz.size / fit.effective_n)
    found = np.array([p.standard_uncertainty for p in fit.parameters]) * scale
    np.testing.assert_allclose(found, np.sqrt(np.diag(spread)) * widening, rtol=1e-3)


@pytest.mark.source(
    "analytic",
    ref="95 % intervals hold the truth in 88 % or more of 12 simulations of 12 numbers, at either kind of noise",
)
@pytest.mark.parametrize("alike", [0.0, 0.8])
def test_uncertainties_cover(alike: float) -> None:
    expected = np.array([value for _, value in circuit_numbers(truth())])
    inside = []
    for seed in range(12):
        fit = fit_circuit(with_noise(0.005, seed, alike=alike), truth())
        z = [(p.value - right) / p.standard_uncertainty for p, right in zip(fit.parameters, expected, strict=True)]
        inside.append(np.abs(z) < 1.96)
    assert np.mean(inside) >= 0.88
    assert np.mean(inside) < 1.0


@pytest.mark.source(
    "analytic",
    ref="a first-order autoregressive noise of correlation r counts (1 - r)/(1 + r) of its number: 1/9 at 0.8",
)
def test_independent_residuals_are_counted() -> None:
    # One curve has few residuals, so the mean of several.
    names = [name for name, _ in circuit_numbers(truth())]
    curves = [with_noise(0.005, seed, alike=0.8) for seed in range(8)]
    counts = [fit_circuit(curve, truth(), hold=names[1:]).effective_n for curve in curves]
    assert np.mean(counts) / (2 * GRID.size) == pytest.approx(1 / 9, rel=0.25)
    assert fit_circuit(with_noise(0.005, 3), truth()).effective_n == pytest.approx(2 * GRID.size, rel=0.15)


@pytest.mark.source("analytic", ref="a held number stays, and is marked")
def test_hold() -> None:
    fit = fit_circuit(with_noise(0.003, 5), truth(), hold=("parts[0].resistance_ohm",))
    held = fit.parameters[0]
    assert (held.value, held.standard_uncertainty, held.held) == (16, 0, True)
    assert not any(p.held for p in fit.parameters[1:])


def test_doubts_are_said() -> None:
    poor = fit_circuit(truth().sample(GRID), lossy_pair(10, 10, 1e-6))
    assert any("% off at" in caveat for caveat in poor.caveats)
    # Two resistances in series cannot be told apart.
    twice = series(Resistor(resistance_ohm=5), Resistor(resistance_ohm=5))
    noise = np.random.default_rng(1).standard_normal((2, GRID.size))
    data = Impedance(frequency_hz=GRID, impedance_ohm=18 * (1 + 0.002 * (noise[0] + 1j * noise[1])))
    assert any("left open by the data" in caveat for caveat in fit_circuit(data, twice).caveats)


def test_what_cannot_be_is_refused() -> None:
    data = lossy_pair(29, 47, 10e-6).sample([100, 1000])
    with pytest.raises(CurveError, match="more data than free numbers"):
        fit_circuit(data, truth())
    with pytest.raises(CurveError, match="'parts' is none"):
        fit_circuit(data, lossy_pair(1, 1, 1), hold=("parts",))
    with pytest.raises(CurveError, match="weighting"):
        fit_circuit(data, lossy_pair(1, 1, 1), weighting="square")
