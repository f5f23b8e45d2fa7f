"""Sweeps are what their formulas say, and their harmonics are themselves, earlier."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import chirp

from ohmshift.chain.sweeps import Sweep, make_sweep, say_caution
from ohmshift.errors import CurveError

FARINA = "L = T / ln(f2/f1) = 10 / ln 1000; harmonic m leads by L ln m"


def plain(**options: float) -> Sweep:
    return Sweep(**{"start_hz": 20, "stop_hz": 20_000, "duration_s": 10, "form": "plain", **options})


@pytest.mark.source("analytic", ref=FARINA)
def test_rate_and_lead_of_a_plain_sweep() -> None:
    sweep = plain()
    assert sweep.rate_s == pytest.approx(1.4476482730, abs=1e-10)
    assert sweep.length_s == pytest.approx(10)
    assert sweep.lead_s(2) == pytest.approx(1.0034333, abs=1e-7)
    assert sweep.lead_s(3) == pytest.approx(1.5904042, abs=1e-7)


@pytest.mark.source(
    "analytic", ref="f1 L is a whole number of periods: round(20 x 10/ln 1000)/20 = 29/20 s; T = L ln 1000"
)
def test_rate_of_a_synchronised_sweep_is_a_whole_number_of_periods() -> None:
    sweep = Sweep(start_hz=20, stop_hz=20_000, duration_s=10)
    assert sweep.start_hz * sweep.rate_s == pytest.approx(29, abs=1e-12)
    assert sweep.length_s == pytest.approx(10.0162451545, abs=1e-10)
    assert sweep.lead_s(2) == pytest.approx(1.0050634, abs=1e-7)


@pytest.mark.source("independent", ref="scipy.signal.chirp, method logarithmic, phase -90 degrees")
def test_a_plain_sweep_is_the_chirp_of_scipy() -> None:
    sweep = plain(duration_s=1, fade_in_s=0, fade_out_s=0, level_dbfs=0)
    x = make_sweep(sweep, silence=False)
    t = np.arange(x.size) / sweep.sampling_rate_hz
    np.testing.assert_allclose(x, chirp(t, 20, 1, 20_000, method="logarithmic", phi=-90), atol=1e-8)


@pytest.mark.source("analytic", ref="m f1 L exp(t/L) = f1 L exp((t + L ln m)/L)")
@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_a_harmonic_of_a_synchronised_sweep_is_the_sweep_earlier(order: int) -> None:
    sweep = Sweep(start_hz=20, stop_hz=20_000, duration_s=2)
    L, f_1 = sweep.rate_s, sweep.start_hz
    t = np.linspace(0, 1, 1000)
    phase = 2 * np.pi * f_1 * L * np.expm1(t / L)
    earlier = 2 * np.pi * f_1 * L * np.expm1((t + sweep.lead_s(order)) / L)
    np.testing.assert_allclose(np.sin(order * phase), np.sin(earlier), atol=1e-9)


@pytest.mark.source(
    "analytic", ref="-20 dBFS is a peak of 0.1; silences of 0.5 and 0.25 s are 24,000 and 12,000 samples"
)
def test_level_fades_and_silences() -> None:
    sweep = Sweep(duration_s=2, level_dbfs=-20, lead_in_s=0.5, lead_out_s=0.25)
    x = make_sweep(sweep)
    assert x.size == 24_000 + sweep.samples + 12_000
    assert not x[:24_000].any()
    assert not x[-12_000:].any()
    assert np.abs(x).max() == pytest.approx(0.1, abs=1e-4)
    inside = x[24_000:-12_000]
    assert abs(inside[0]) < 1e-12
    assert abs(inside[-1]) < 1e-12
    assert np.abs(inside[: round(0.025 * 48_000)]).max() <= 0.051


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ({"start_hz": 0}, "0 < start_hz"),
        ({"stop_hz": 24_000}, "half the sampling rate"),
        ({"level_dbfs": 1}, "0 dBFS or less"),
        ({"duration_s": 0.1}, "lasts at least"),
        ({"duration_s": float("inf")}, "lasts at least"),
        ({"level_dbfs": float("-inf")}, "0 dBFS or less"),
        ({"lead_in_s": -1}, "0 s or more"),
        ({"lead_out_s": float("inf")}, "0 s or more"),
        ({"form": "other"}, "synchronised or plain"),
    ],
)
def test_an_impossible_sweep_is_refused(options: dict[str, float], found: str) -> None:
    with pytest.raises(CurveError, match=found):
        Sweep(**options)


def test_the_default_is_quiet_and_the_caution_says_level_and_hearing() -> None:
    quiet = Sweep()
    assert quiet.level_dbfs <= -30
    text = say_caution(quiet)
    assert "-30 dB re full scale" in text
    assert "hurt hearing" in text
    assert "out of your ears" in text
    assert "never plays" in text
    assert "which is loud" not in text
    assert "which is loud" in say_caution(Sweep(level_dbfs=-6))
