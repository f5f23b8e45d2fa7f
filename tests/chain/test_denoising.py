"""Smoothing by noise: what is kept, what goes, and what it says is left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ohmshift.chain.denoising import smooth_by_noise
from ohmshift.chain.divider import divider_change_db
from ohmshift.curves.grids import octave_grid

F = octave_grid()
X = np.log2(F / 1000)


def draw(rng: np.random.Generator, count: int, octaves: float, size_db: float) -> np.ndarray:
    root = np.linalg.cholesky(np.exp(-0.5 * ((X[:, None] - X) / octaves) ** 2) + 1e-8 * np.eye(F.size))
    return size_db * rng.standard_normal((count, F.size)) @ root.T


@pytest.mark.source("analytic", ref="a parabola is its own least-squares parabola in every window")
@settings(max_examples=20, deadline=None)
@given(st.floats(-30, 0), st.floats(-2, 2), st.floats(-0.3, 0.3))
def test_parabolas_stay(level: float, slope: float, bend: float) -> None:
    curve = level + slope * X + bend * X**2
    noise = draw(np.random.default_rng(1), 20, 0.15, 0.1)
    np.testing.assert_allclose(smooth_by_noise(F, curve, noise)[0], curve, atol=1e-7)


@pytest.mark.source("analytic", ref="the divider on a resistor and a weak resonance, noise drawn with known covariance")
def test_noise_on_a_smooth_change_is_halved_in_power() -> None:
    rng = np.random.default_rng(2)
    Z = 16 + 8 / (1 + 0.8j * (F / 80 - 80 / F))
    truth = divider_change_db(Z, added_ohm=15.0)
    known = draw(rng, 60, 0.15, 0.1)
    errors, said = [], []
    for noise in draw(rng, 40, 0.15, 0.1):
        smooth, left = smooth_by_noise(F, truth + noise, known)
        errors.append(np.mean((smooth - truth) ** 2))
        said.append(np.mean(left**2))
    assert np.mean(errors) < 0.5 * 0.1**2
    # What it says is left is what is left, but for choosing by the same data.
    assert np.mean(said) == pytest.approx(np.mean(errors), rel=0.35)


@pytest.mark.source("analytic", ref="a resonance of 6 dB and Q 8 beside 0.1 dB of noise, height known")
def test_a_peak_out_of_the_noise_keeps_its_height() -> None:
    rng = np.random.default_rng(3)
    peak = -6 / (1 + (8 * (F / 3000 - 3000 / F)) ** 2)
    known = draw(rng, 60, 0.15, 0.1)
    at = int(np.argmin(peak))
    off = [smooth_by_noise(F, peak - 3 + noise, known)[0][at] - peak[at] + 3 for noise in draw(rng, 20, 0.15, 0.1)]
    assert abs(np.mean(off)) < 0.06
    assert np.std(off) < 0.15


def test_without_noise_nothing_is_smoothed() -> None:
    rough = np.random.default_rng(4).standard_normal(F.size)
    smooth, left = smooth_by_noise(F, rough, np.empty((0, F.size)))
    np.testing.assert_array_equal(smooth, rough)
    assert left.shape == (0, F.size)
