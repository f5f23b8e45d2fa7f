"""Phase from level against analytic minimum-phase pairs and numerical quadrature."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from ohmshift.chain.gainphase import edge_slope_spread, minimum_phase, plan_gain_phase
from ohmshift.curves.grids import octave_grid
from ohmshift.errors import CurveError


@pytest.mark.source(
    "analytic", ref="RC low-pass 1/(1 + jf/fc): -arctan(f/fc) at f/fc = 0.1, 0.5, 1, 2, 10, by hand in degrees"
)
def test_low_pass_pair() -> None:
    f = np.geomspace(1e-5, 1e6, 2201)
    phase = minimum_phase(plan_gain_phase(f), -0.5 * np.log1p(f**2), continuation="slope")
    at = [int(np.argmin(np.abs(np.log(f / ratio)))) for ratio in (0.1, 1, 10)]
    np.testing.assert_allclose(np.degrees(phase[at]), [-5.710593, -45, -84.289407], atol=1e-3)
    between = np.interp(np.log([0.5, 2]), np.log(f), np.degrees(phase))
    np.testing.assert_allclose(between, [-26.565051, -63.434949], atol=1e-3)


@pytest.mark.source("analytic", ref="a gain that goes as f^n for all f has the phase n 90 degrees")
@given(st.floats(-2, 2))
def test_straight_slope(n: float) -> None:
    f = np.geomspace(1e-4, 1e10, 141)
    phase = minimum_phase(plan_gain_phase(f), n * np.log(f), continuation="slope")
    assert np.degrees(phase[70]) == pytest.approx(90 * n, abs=1e-4)


@pytest.mark.source(
    "analytic", ref="(r + jwL)/(r + R + jwL) has the phase arctan(wL/r) - arctan(wL/(r + R)); likewise with 1/(jwC)"
)
@pytest.mark.parametrize(("r", "R"), [(16.0, 75.0), (32.0, 10.0)])
def test_divider_continuation_knows_coils_and_capacitors(r: float, R: float) -> None:
    f = octave_grid()
    w = 2 * np.pi * f
    for reactance, bound_deg in ((w * 50e-6, 9.0), (-1 / (w * 220e-6), 2.6)):
        H = (r + 1j * reactance) / (r + R + 1j * reactance)
        plan, A = plan_gain_phase(f), np.log(np.abs(H))
        error, plain = (
            np.abs(np.degrees(minimum_phase(plan, A, continuation=how) - np.angle(H))) for how in ("divider", "slope")
        )
        assert error.max() < bound_deg
        assert error.max() < 0.8 * plain.max()


@pytest.mark.source("analytic", ref="the integral of ln coth(|v|/2) over one straight piece, by adaptive quadrature")
def test_operator_is_the_integral() -> None:
    f = np.array([100.0, 150, 400, 900, 2000])
    plan = plan_gain_phase(f)
    knots = np.concatenate([np.log(f[0]) - plan.outside[::-1], np.log(f), np.log(f[-1]) + plan.outside])
    level = np.sin(np.arange(knots.size))

    def kernel(u: float, at: float) -> float:
        piece = min(max(int(np.searchsorted(knots, u)) - 1, 0), knots.size - 2)
        slope = (level[piece + 1] - level[piece]) / (knots[piece + 1] - knots[piece])
        return float(-slope * np.log(np.tanh(abs(u - at) / 2)) / np.pi)

    for i, at in enumerate(np.log(f)):
        pieces = [quad(kernel, a, b, args=(at,), points=None, limit=200)[0] for a, b in itertools.pairwise(knots)]
        assert level @ plan.operator[:, i] == pytest.approx(sum(pieces), abs=1e-7)


@pytest.mark.source("analytic", ref="phase does not depend on the level, nor on the unit of frequency")
@given(st.floats(-3, 3), st.floats(0.1, 10))
def test_phase_ignores_level_and_unit(level: float, unit: float) -> None:
    f = octave_grid(12)
    A = -0.5 * np.log1p((f / 3000) ** 2)
    phase = minimum_phase(plan_gain_phase(f), A, continuation="slope")
    other = minimum_phase(plan_gain_phase(f * unit), A + level, continuation="slope")
    np.testing.assert_allclose(other, phase, atol=1e-9)


@pytest.mark.source("analytic", ref="a resistive load behind a resistance has no phase, whatever its level")
@given(st.floats(-4, -0.01))
def test_flat_gain_has_no_phase(level: float) -> None:
    f = octave_grid(24)
    np.testing.assert_allclose(minimum_phase(plan_gain_phase(f), np.full(f.size, level)), 0, atol=1e-9)


@pytest.mark.source("analytic", ref="the extra slope s exp(-x/(3 octaves)) beyond the edge, by adaptive quadrature")
def test_edge_modes_are_the_integral() -> None:
    f = octave_grid(12, low_hz=100, high_hz=5000)
    plan = plan_gain_phase(f)
    reach, at = 3 * np.log(2), np.log(f[10])
    for edge, end in ((0, f[0]), (1, f[-1])):
        away = abs(np.log(end) - at)
        exact = quad(lambda x, d=away: -np.exp(-x / reach) * np.log(np.tanh((x + d) / 2)), 0, 6 * np.log(2))[0] / np.pi
        assert plan.edge_modes[edge, 10] == pytest.approx(exact, rel=1e-3)
        slope = np.eye(2)[edge] * 0.1
        with_slope = minimum_phase(plan, np.full(f.size, -0.5), edge_slope=slope)
        assert with_slope[10] == pytest.approx(0.1 * exact, rel=1e-3)


@pytest.mark.source("analytic", ref="the spread of edges grows with the slope at the edge and is never 0")
def test_edge_spread_grows_with_steepness() -> None:
    f = octave_grid(12)
    plan = plan_gain_phase(f)
    flat, steep = edge_slope_spread(plan, [np.full(f.size, -1.0), -1 - 0.3 * np.log(f / 20)])
    assert np.all(flat > 0)
    assert np.all(steep > flat)


def test_plans_are_kept_and_locked() -> None:
    f = octave_grid(24)
    assert plan_gain_phase(f) is plan_gain_phase(f.copy())
    with pytest.raises(ValueError, match="read-only"):
        plan_gain_phase(f).operator[0, 0] = 1


def test_a_grid_too_fine_is_refused() -> None:
    with pytest.raises(CurveError, match="resample"):
        plan_gain_phase(np.linspace(1, 24_000, 8192))


@pytest.mark.parametrize("f", [[100.0, 200, 300], [100.0, 200, 200, 300], [-1.0, 2, 3, 4], [1.0, np.nan, 3, 4]])
def test_a_grid_that_does_not_rise_is_refused(f: list[float]) -> None:
    with pytest.raises(CurveError, match="rising"):
        plan_gain_phase(f)


@pytest.mark.source("analytic", ref="Z = R_e + 1/(j w C) behind a resistance: arg H by complex arithmetic")
@pytest.mark.parametrize("corner_hz", [30.0, 66.0, 150.0])
def test_a_series_capacitor_goes_on_below_the_band(corner_hz: float) -> None:
    # A corner at 10 Hz makes so small a slope at 20 Hz that it is half taken for noise: 0.8 degree off.
    f = octave_grid()
    Z = 16 * (1 + corner_hz / (1j * f))
    H = Z / (Z + 15)
    phase = minimum_phase(plan_gain_phase(f), np.log(np.abs(H)))
    assert np.abs(np.degrees(phase - np.angle(H))).max() < 0.3
