"""Sweeps through filters that are known exactly: response, harmonics, noise, gate, loopback, calibration."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import fft

from ohmshift.chain.deconvolution import ImpulseResponse, deconvolve, estimate_noise, plan_deconvolution
from ohmshift.chain.gating import SweptResponse, full_scale_from_tone, gate_response
from ohmshift.chain.harmonics import separate_harmonics
from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.curves.values import Response
from ohmshift.errors import CurveError, EvidenceError

RATE = 48_000
EXACT = "transfer function of analog sections, applied to the sweep's spectrum with padding: linear, no wrapping"
SWEEP = Sweep(duration_s=2, lead_in_s=0.4, lead_out_s=0.4, level_dbfs=-6)


def ear(f: np.ndarray, *, delay_s: float = 0.003) -> np.ndarray:
    """A leak of second order, a bass resonance, two high ones and a delay."""
    s = 2j * np.pi * f

    def bump(f_0: float, q: float, gain: float) -> np.ndarray:
        w = 2 * np.pi * f_0
        return (s**2 + gain * w / q * s + w**2) / (s**2 + w / q * s + w**2)

    leak = (s / (s + 2 * np.pi * 5)) ** 2
    return leak * bump(120, 1.5, 1.5) * bump(2800, 1.2, 3) * bump(8000, 9, 3.2) * np.exp(-s * delay_s)


def through(x: np.ndarray, transfer: object) -> np.ndarray:
    n = fft.next_fast_len(2 * x.size, real=True)
    return fft.irfft(fft.rfft(x, n) * transfer(fft.rfftfreq(n, 1 / RATE)), n)[: x.size]


@cache
def recorded() -> np.ndarray:
    return through(make_sweep(SWEEP), ear)


def respond(y: np.ndarray, sweep: Sweep = SWEEP, **options: object) -> ImpulseResponse:
    return deconvolve(plan_deconvolution(sweep, y.size, **options), y)


def error_db(swept: SweptResponse, transfer: object, *, gain_db: float = SWEEP.level_dbfs) -> np.ndarray:
    f = swept.response.frequency_hz
    return swept.response.level_db - gain_db - 20 * np.log10(np.abs(transfer(f)))


def between(swept: SweptResponse, low: float, high: float) -> np.ndarray:
    f = swept.response.frequency_hz
    return (f >= low) & (f <= high)


@pytest.mark.source("analytic", ref=EXACT)
def test_a_filter_is_found() -> None:
    swept = gate_response(respond(recorded()))
    error = error_db(swept, ear)
    assert np.abs(error[between(swept, 20, 20_000)]).max() < 0.05
    assert np.abs(error[between(swept, 40, 2000)]).max() < 0.005
    assert (
        np.abs(error[between(swept, 2000, 20_000)]).max() < 0.03
    )  # a grid step's mean cuts a resonance of Q 9 so much
    f = swept.response.frequency_hz
    phase = np.exp(1j * np.radians(swept.response.phase_deg)) * np.exp(-1j * np.angle(ear(f, delay_s=0)))
    inside = between(swept, 40, 15_000)
    # The arrival is a whole sample: up to half a sample is left as a delay, 56 degrees at 15 kHz.
    slope = np.polyfit(f[inside], np.unwrap(np.angle(phase[inside])), 1)[0]
    assert abs(slope) / (2 * np.pi) <= 1 / RATE
    rest = np.angle(phase[inside] * np.exp(-1j * slope * f[inside]))
    assert np.degrees(np.abs(rest - rest.mean())).max() < 1


@pytest.mark.source("analytic", ref=EXACT)
@pytest.mark.parametrize("form", ["synchronised", "plain"])
@pytest.mark.parametrize(("start_hz", "stop_hz", "duration_s"), [(20, 20_000, 5), (5, 23_000, 2)])
def test_other_sweeps_keep_the_promise_of_the_lowest_frequency(
    form: str, start_hz: float, stop_hz: float, duration_s: float
) -> None:
    sweep = Sweep(start_hz=start_hz, stop_hz=stop_hz, duration_s=duration_s, form=form, lead_in_s=0.4, lead_out_s=0.4)
    impulse = respond(through(make_sweep(sweep), ear), sweep)
    for gate_ms in (40, 100, 300):
        swept = gate_response(impulse, gate_ms=gate_ms)
        error = np.abs(error_db(swept, ear, gain_db=sweep.level_dbfs))
        assert error[between(swept, swept.lowest_hz, stop_hz / 1.1)].max() < 0.3
        assert error[between(swept, 2 * swept.lowest_hz, stop_hz / 1.1)].max() < 0.05
        assert swept.lowest_hz == pytest.approx(max(2000 / gate_ms, 2**0.5 * start_hz))
        assert not swept.readable[between(swept, 0, swept.lowest_hz * 0.999)].any()


def distort(sweep: Sweep) -> np.ndarray:
    """Add powers at four times the rate, so that no harmonic folds back, behind a coupling capacitor of 0.5 Hz."""
    fine = make_sweep(replace(sweep, sampling_rate_hz=4 * RATE))
    n = make_sweep(sweep).size
    y = np.concatenate([fine + 0.1 * fine**2 + 0.05 * fine**3, np.zeros(4 * n)])[: 4 * n]
    s = 2j * np.pi * fft.rfftfreq(n, 1 / RATE)
    return fft.irfft(fft.rfft(y)[: n // 2 + 1] * s / (s + 2 * np.pi * 0.5), n) / 4


@pytest.mark.source(
    "analytic", ref="(sin)^2, (sin)^3: fundamental 1 + 0.05 * 3/4, second 0.1/2, third 0.05/4; lag L ln m"
)
def test_harmonics_stand_at_their_lags_with_their_levels() -> None:
    sweep = Sweep(start_hz=20, stop_hz=20_000, duration_s=2, level_dbfs=0, lead_in_s=0, lead_out_s=1)
    impulse = respond(distort(sweep), sweep)
    assert sweep.rate_s == pytest.approx(0.3)
    assert impulse.arrival == 0
    for expected in (-9981, -15_820):
        piece = np.abs(impulse.around(expected, 200, 200))
        assert abs(int(np.argmax(piece)) - 200) <= 1
    swept = gate_response(impulse)
    inside = between(swept, 50, 18_000)
    assert swept.response.level_db[inside] == pytest.approx(0.31976, abs=0.005)
    found = separate_harmonics(impulse)
    assert found.orders == (2, 3, 4, 5)
    for order, amplitude, highest in ((2, 0.05, 9000), (3, 0.0125, 6000)):
        f = found.frequency_hz
        level = found.level_db[order - 2, (f > 60) & (f < highest)]
        assert level == pytest.approx(20 * np.log10(amplitude / 1.0375), abs=0.1)
    f = found.frequency_hz
    total = found.total_db()[(f > 100) & (f < 3000)]
    assert total == pytest.approx(20 * np.log10(np.hypot(0.05, 0.0125) / 1.0375), abs=0.1)


def test_orders_that_do_not_fit_are_left_out() -> None:
    short = Sweep(start_hz=50, stop_hz=20_000, duration_s=0.2, fade_in_s=0.02, lead_in_s=0, lead_out_s=0.3)
    found = separate_harmonics(respond(make_sweep(short), short), gate_ms=20, highest_order=9)
    assert found.orders == (2, 3, 4, 5)  # L = 0.04 s: order 6 would stand 7.3 ms before order 5
    with pytest.raises(CurveError, match="order 2"):
        separate_harmonics(respond(make_sweep(short), short), gate_ms=20, highest_order=1)


@pytest.mark.source(
    "analytic", ref="variance of a windowed transform of noise: sum of w^2 times density, by simulation"
)
def test_the_noise_that_is_foretold_is_the_noise_that_comes() -> None:
    sweep = Sweep(duration_s=1, lead_in_s=0.6, lead_out_s=0.2, level_dbfs=-10)
    clean = through(make_sweep(sweep), ear)
    truth = gate_response(respond(clean, sweep), gate_ms=100)
    rng = np.random.default_rng(5)
    strays, foretold = [], []
    for _ in range(25):
        y = clean + 0.003 * rng.standard_normal(clean.size)
        impulse = respond(y, sweep)
        swept = gate_response(impulse, gate_ms=100, noise=estimate_noise(impulse, y))
        strays.append(swept.response.level_db - truth.response.level_db)
        foretold.append(swept.uncertainty_db)
    f = truth.response.frequency_hz
    scatter, expected = np.sqrt(np.mean(np.square(strays), axis=0)), np.mean(foretold, axis=0)
    inside = (f > 40) & (f < 300)
    assert scatter[inside].mean() == pytest.approx(expected[inside].mean(), rel=0.1)
    inside = (f > 2000) & (f < 16_000)  # here a step of the grid averages several points
    assert 0.1 < (scatter / expected)[inside].mean() < 1


def test_what_drowns_in_noise_is_not_readable() -> None:
    rng = np.random.default_rng(1)
    y = 1e-3 * recorded() + 3e-5 * rng.standard_normal(recorded().size)
    impulse = respond(y)
    noise = estimate_noise(impulse, y)
    assert noise is not None
    assert noise.seconds == pytest.approx(0.4 - 0.01 + 0.003, abs=0.002)
    swept = gate_response(impulse, noise=noise, least_snr_db=30)
    assert 0 < swept.readable.mean() < 0.9
    assert (swept.snr_db[swept.readable] >= 30).all()
    part = swept.readable_part()
    assert part.frequency_hz[0] == swept.response.frequency_hz[swept.readable][0]
    with pytest.raises(EvidenceError, match="stands 200 dB above"):
        gate_response(impulse, noise=noise, least_snr_db=200).readable_part()


def test_digital_silence_tells_nothing_of_the_noise() -> None:
    y = np.where(np.arange(recorded().size) < 0.4 * RATE, 0.0, recorded())
    impulse = respond(y)
    assert estimate_noise(impulse, y) is None
    assert any("noise" in caveat for caveat in gate_response(impulse).caveats)


def interface(f: np.ndarray) -> np.ndarray:
    """An input that is coupled by capacitors, droops at the top, is late and not of unit gain."""
    s = 2j * np.pi * f
    return 0.7 * (s / (s + 2 * np.pi * 8)) ** 2 / (1 + s / (2 * np.pi * 30_000)) * np.exp(-0.0125 * s)


@pytest.mark.source("analytic", ref=EXACT)
@pytest.mark.parametrize("late", [0, 24_000], ids=["same start", "loopback recorded half a second later"])
def test_a_loopback_takes_the_interface_out(late: int) -> None:
    wire = through(make_sweep(SWEEP), interface)[late // 2 :]
    y = through(recorded(), interface)
    impulse = respond(y, loopback=wire)
    swept = gate_response(impulse)
    error = error_db(swept, ear)[between(swept, 20, 20_000)]
    assert np.ptp(error) < 0.05
    assert error.mean() == pytest.approx(20 * np.log10(0.7), abs=0.02)  # its gain at mid-band stays in the level
    assert impulse.delay / RATE == pytest.approx(0.003 + late / 2 / RATE, abs=2 / RATE)
    assert not any("loopback" in caveat for caveat in swept.caveats)
    noisy = y + 1e-4 * np.random.default_rng(2).standard_normal(y.size)
    assert estimate_noise(respond(noisy, loopback=wire), noisy).seconds == pytest.approx(0.4, abs=0.02)


@pytest.mark.parametrize("kind", ["noise", "reversed", "another"])
def test_a_sweep_that_is_not_there_is_not_found(kind: str) -> None:
    y = {
        "noise": np.random.default_rng(0).standard_normal(recorded().size),
        "reversed": recorded()[::-1],
        "another": recorded(),
    }[kind]
    with pytest.raises(EvidenceError, match="sampling rate, the channel"):
        respond(y, Sweep(duration_s=1.6) if kind == "another" else SWEEP)


@pytest.mark.parametrize(
    "stated",
    [
        Sweep(duration_s=2, sampling_rate_hz=44_100, stop_hz=20_000),
        Sweep(duration_s=2, sampling_rate_hz=44_100, stop_hz=22_000),
        Sweep(duration_s=2, form="plain"),
        Sweep(duration_s=2, start_hz=15),
    ],
    ids=["rate and stop", "rate", "form", "start"],
)
def test_another_sweep_than_stated_is_a_caveat(stated: Sweep) -> None:
    impulse = respond(recorded(), stated)
    assert any("another sweep" in caveat for caveat in gate_response(impulse, gate_ms=100).caveats)


@pytest.mark.parametrize("noise", [0, 0.003, 0.1])
def test_the_right_sweep_is_compact_in_noise_too(noise: float) -> None:
    y = recorded() + noise * np.random.default_rng(3).standard_normal(recorded().size)
    impulse = respond(y)
    swept = gate_response(impulse, noise=estimate_noise(impulse, y))
    assert [caveat[:11] for caveat in swept.caveats] == ["No loopback"]


def test_a_recording_must_be_long_enough_and_as_planned() -> None:
    with pytest.raises(CurveError, match="whole sweep"):
        plan_deconvolution(SWEEP, 40_000)
    with pytest.raises(CurveError, match="plan is for"):
        deconvolve(plan_deconvolution(SWEEP, recorded().size), recorded()[:-1])
    with pytest.raises(EvidenceError, match="loopback"):
        plan_deconvolution(SWEEP, recorded().size, loopback=np.random.default_rng(0).standard_normal(150_000))
    for gate_ms in (0.1, 5000):
        with pytest.raises(CurveError, match="a gate lasts"):
            gate_response(respond(recorded()), gate_ms=gate_ms)
    with pytest.raises(CurveError, match="full_scale_pa"):
        gate_response(respond(recorded()), full_scale_pa=-1.0)


@pytest.mark.source(
    "analytic", ref="94 dB is 1.0024 Pa; full scale 20 Pa, a level of -6 dBFS and unit gain give 113.98 dB"
)
def test_calibration_and_correction() -> None:
    tone = 0.05 * np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE) + 0.01
    assert full_scale_from_tone(tone) == pytest.approx(20e-6 * 10**4.7 / (0.05 / 2**0.5), rel=1e-6)
    with pytest.raises(EvidenceError, match="silent"):
        full_scale_from_tone(np.full(100, 0.3))
    impulse = respond(make_sweep(SWEEP))
    swept = gate_response(impulse, full_scale_pa=20.0)
    inside = between(swept, 20, 20_000)
    expected = 20 * np.log10(20 / 20e-6 / 2**0.5) - 6
    assert swept.response.level_db[inside] == pytest.approx(expected, abs=0.01)
    assert swept.response.level_reference == "absolute"
    f = np.geomspace(30, 16_000, 200)
    microphone = Response(frequency_hz=f, level_db=3 * np.log10(f / 1000), label="microphone")
    corrected = gate_response(impulse, correction=microphone)
    assert corrected.response.level_reference == "relative"
    g = corrected.response.frequency_hz
    assert g[0] >= 30
    assert g[-1] <= 16_000
    np.testing.assert_allclose(corrected.response.level_db, -6 - 3 * np.log10(g / 1000), atol=0.01)
    narrow = Response(frequency_hz=[1000, 1500], level_db=[0, 0], label="microphone")
    with pytest.raises(CurveError, match="covers the sweep's band"):
        gate_response(impulse, correction=narrow)
    kept = gate_response(impulse, level_reference="absolute")
    assert kept.response.level_reference == "absolute"
