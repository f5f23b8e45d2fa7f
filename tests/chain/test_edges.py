"""What is left over at the edges of the chain: where a resistor gets hottest, loads that cannot be."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from ohmshift.chain.attenuators import Pad, predict_pad_power
from ohmshift.chain.consistency import check_without_phase
from ohmshift.chain.deconvolution import deconvolve, estimate_noise, plan_deconvolution
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.gainphase import minimum_phase, plan_gain_phase
from ohmshift.chain.gating import gate_response
from ohmshift.chain.harmonics import separate_harmonics
from ohmshift.chain.hiss import compare_hiss, predict_hiss
from ohmshift.chain.listening import Sensitivity
from ohmshift.chain.loudness import loudness_change
from ohmshift.chain.meter_budget import Influence, state_budget
from ohmshift.chain.meter_calibration import fit_correction
from ohmshift.chain.meter_inputs import known
from ohmshift.chain.pad_design import tabulate_pads
from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError


@pytest.mark.source("analytic", ref="the current through a series resistor is largest where the load is smallest")
@pytest.mark.parametrize(("loads", "at"), [((16, 160), "20 Hz"), ((160, 16), "2e+04 Hz")])
def test_a_resistor_is_said_to_be_hottest_where_it_is(loads: tuple[float, float], at: str) -> None:
    load = Impedance(frequency_hz=[20, 20_000], impedance_ohm=list(loads))
    heat = predict_pad_power(load, Pad(series_ohm=32), drive_v=4, rating_w=0.1)
    assert f"W at {at}, more than its 0.1 W" in heat.caveats[0]


@pytest.mark.source(
    "analytic", ref="Re Y >= 0 and Re Y <= |Y| for a passive load: -8 ohm is none, nor is a rise of level"
)
def test_loads_that_cannot_be_are_told_without_phase() -> None:
    R = [33.0, 75.0]
    for Z, possible in ((16 + 5j, True), (4 - 90j, True), (-8 + 60j, False)):
        check = check_without_phase([1000.0], divider_change_db([Z], added_ohm=R), added_ohm=R)
        assert bool(check.possible[0]) is possible
        assert check.magnitude_ohm[0] == pytest.approx(abs(Z))
    risen = check_without_phase([1000.0], np.array([[1.0], [1.5]]), added_ohm=R)
    assert not risen.possible[0]


@pytest.mark.source(
    "analytic", ref="the loopback's sweep starts 0.5 s later than the recording's: -0.5 s to the arrival"
)
def test_a_loopback_that_started_later_is_a_negative_delay() -> None:
    sweep = Sweep(duration_s=1, lead_in_s=0.2, lead_out_s=0.8)
    x = make_sweep(sweep)
    late = np.concatenate([np.zeros(24_000), x[:-24_000]])
    impulse = deconvolve(plan_deconvolution(sweep, x.size, loopback=late), x)
    assert impulse.delay == -24_000


@pytest.mark.source("analytic", ref="1 s after the sweep less 0.2 s in which the response dies away; known noise")
def test_without_a_silence_before_noise_is_taken_from_after_the_sweep() -> None:
    sweep = Sweep(duration_s=1, lead_in_s=0, lead_out_s=1)
    x = make_sweep(sweep)
    y = x + 0.001 * np.random.default_rng(1).standard_normal(x.size)
    noise = estimate_noise(deconvolve(plan_deconvolution(sweep, y.size), y), y)
    assert noise is not None
    assert noise.seconds == pytest.approx(0.8, abs=0.001)
    assert noise.density.mean() == pytest.approx(0.001**2, rel=0.05)


@pytest.mark.source(
    "analytic",
    ref="slope s in the band, s exp(-x/1 octave) below and s exp(-x/2 octaves) above it, by adaptive quadrature of "
    "Bode's integral",
)
def test_slope_dies_out_over_one_octave_below_and_two_above() -> None:
    f, s = octave_grid(12, low_hz=100, high_hz=5000), 0.3
    phase = minimum_phase(plan_gain_phase(f), s * np.log(f), continuation="slope")
    low, high, octave = np.log(f[0]), np.log(f[-1]), np.log(2)

    def bode(u: float, at: float, slope: float) -> float:
        return -slope * np.log(np.tanh(abs(u - at) / 2)) / np.pi

    for i in (3, f.size // 2, f.size - 4):
        at = np.log(f[i])
        exact = sum(
            quad(lambda u, at=at, slope=slope: bode(u, at, slope(u)), *ends)[0]
            for ends, slope in (
                ((low - 6 * octave, low), lambda u: s * np.exp((u - low) / octave)),
                ((low, at), lambda _: s),
                ((at, high), lambda _: s),
                ((high, high + 6 * octave), lambda u: s * np.exp((high - u) / (2 * octave))),
            )
        )
        assert phase[i] == pytest.approx(exact, rel=2e-3)


def test_another_sweep_is_told_where_the_noise_is_known_too() -> None:
    played = Sweep(duration_s=2, lead_in_s=0.4, lead_out_s=0.4)
    y = make_sweep(played)
    y = y + 1e-5 * np.random.default_rng(1).standard_normal(y.size)
    for stated, told in ((played, False), (Sweep(duration_s=2, start_hz=15), True)):
        impulse = deconvolve(plan_deconvolution(stated, y.size), y)
        swept = gate_response(impulse, gate_ms=100, noise=estimate_noise(impulse, y))
        assert any("another sweep" in caveat for caveat in swept.caveats) is told


@pytest.mark.source(
    "analytic", ref="a clean sweep in white noise: what looks like a harmonic is noise, in the mean square"
)
def test_noise_of_harmonics_is_the_noise_that_comes() -> None:
    sweep = Sweep(duration_s=2, lead_in_s=0.6, lead_out_s=0.4)
    x, rng = make_sweep(sweep), np.random.default_rng(6)
    came, foretold = [], []
    for _ in range(4):
        y = x + 0.003 * rng.standard_normal(x.size)
        impulse = deconvolve(plan_deconvolution(sweep, y.size), y)
        found = separate_harmonics(impulse, noise=estimate_noise(impulse, y), least_snr_db=-200)
        inside = (found.frequency_hz > 300) & (found.frequency_hz < 3000)
        came.append(10 ** (found.level_db[:2, inside] / 10))
        foretold.append(10 ** (found.noise_db[:2, inside] / 10))
    np.testing.assert_allclose(np.mean(came, axis=(0, 2)) / np.mean(foretold, axis=(0, 2)), 1, atol=0.15)


@pytest.mark.source(
    "analytic", ref="thermal noise at the earphone is that of Re{Z || R}: 16 || 85 = 13.465 over 16 || 10 = 6.154 ohm"
)
def test_noise_of_resistances_is_not_turned_up_with_the_music() -> None:
    f = np.geomspace(20, 20_000, 61)
    sensitive = Sensitivity(level_db=110, reference="dB/mW", rated_ohm=16)
    args = {"sensitivity": sensitive, "noise_v": 0.0, "output_ohm": 10.0}
    without, behind = (predict_hiss(f, np.full(f.size, 16.0), **args, added_ohm=R) for R in (0.0, 75.0))
    found = compare_hiss(without, behind, loudness_db=-12.0)
    by_hand = 10 * np.log10((16 * 85 / 101) / (16 * 10 / 26))
    assert (found.after_db, found.before_db) == pytest.approx((by_hand, by_hand))


def test_the_worst_change_is_looked_for_where_it_is_heard() -> None:
    found = loudness_change([5, 20, 200, 2000, 20_000, 40_000], [9, -2, -4, -6, -8, -50])
    assert (found.largest_db, found.largest_hz) == (-2, 20)
    assert (found.least_db, found.least_hz) == (-8, 20_000)


@pytest.mark.source("analytic", ref="3, 4 and 12 ohm: 5 in the first group, 12 in the second, 13 in all")
def test_contributions_add_in_squares_by_group() -> None:
    numbers = {"gain": (known(0, 3), "meter"), "digits": (known(0, 4), "meter"), "leads": (known(0, 12), "leads")}
    parts = [
        Influence(number=number, quantity=name, unit="ohm", evaluation="B", group=group)
        for name, (number, group) in numbers.items()
    ]
    budget = state_budget(sum(part.number for part in parts), parts, unit="ohm")
    assert budget.groups() == pytest.approx({"leads": 12, "meter": 5})
    assert list(budget.groups()) == ["leads", "meter"]
    assert budget.standard_uncertainty == pytest.approx(13)


def test_a_calibration_refuses_a_reading_that_is_none() -> None:
    shown = np.array([1.0, 2.0, np.nan, 4.0])
    with pytest.raises(CurveError):
        fit_correction(shown, np.array([1.0, 2.1, 3.1, 4.1]))


@pytest.mark.source("analytic", ref="|R_a + R_b || Z| of a load that is mostly reactance, 8 - 30j ohm")
def test_lowest_load_of_a_reactive_earphone() -> None:
    Z = 8 - 30j
    load = Impedance(frequency_hz=[100, 200, 2000, 4000], impedance_ohm=[Z] * 4)
    table = tabulate_pads(load, resistors_ohm=[10, 22, 47])
    shunt = np.where(np.isinf(table.shunt_ohm), 1e12, table.shunt_ohm)
    by_hand = np.abs(table.series_ohm + shunt * Z / (shunt + Z))
    np.testing.assert_allclose(table.lowest_load_ohm, by_hand, rtol=1e-6)
