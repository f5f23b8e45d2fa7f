"""Two channels against scipy, closed forms, circuits known exactly, and the time domain of ngspice."""

from __future__ import annotations

import tracemalloc
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import fft, signal
from spice import run_ngspice

from ohmshift.chain.sense_resistor import Corrections, best_sense_ohm, error_factor, sense_impedance
from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.chain.two_channel import (
    CrossSpectra,
    TransferFunction,
    accumulate_spectra,
    estimate_transfer,
    gather_bins,
)
from ohmshift.errors import CurveError, EvidenceError

if TYPE_CHECKING:
    from pathlib import Path

RATE = 48_000
SENSE_OHM = 33.0
SCIPY = "scipy.signal csd, welch and coherence, periodic Hann window, same segments"


def load_ohm(f: np.ndarray) -> np.ndarray:
    """An armature-like load of three resonances."""
    s = 2j * np.pi * np.maximum(f, 1e-3)
    humps = [
        1 / (1 / R + q / (R * (2 * np.pi * f_0)) * s + (2 * np.pi * f_0) * q / (R * s))
        for R, f_0, q in ((20, 2400, 3.5), (6, 110, 1.8), (12, 5200, 6))
    ]
    return 9 + s * 0.2e-3 + sum(humps)


def voltages(x: np.ndarray, load: object = load_ohm, *, sense_ohm: float = SENSE_OHM) -> np.ndarray:
    """Give source and earphone voltage of a signal played into a sense resistor and a load."""
    n = fft.next_fast_len(2 * x.size, real=True)
    Z = load(fft.rfftfreq(n, 1 / RATE))
    return np.array([x, fft.irfft(fft.rfft(x, n) * Z / (Z + sense_ohm), n)[: x.size]])


def measure(xy: np.ndarray, **options: object) -> TransferFunction:
    return estimate_transfer(gather_bins(accumulate_spectra([xy], sampling_rate_hz=RATE, **options)))


def sweep(duration_s: float = 2) -> np.ndarray:
    return make_sweep(Sweep(duration_s=duration_s, lead_in_s=0.4, lead_out_s=0.4, level_dbfs=-6))


def multitone(rng: np.random.Generator) -> np.ndarray:
    """Twelve tones an octave, a whole number of periods a segment, faded in and out and left to die away."""
    spacing = RATE / 32_768
    tones = np.unique(np.round(1000 * 10 ** (0.3 * np.arange(-5.6, 4.3, 1 / 12)) / spacing) * spacing)
    t = np.arange(8 * RATE) / RATE
    x = sum(np.sin(2 * np.pi * f * t + rng.uniform(0, 2 * np.pi)) for f in tones) / len(tones)
    return np.concatenate([np.zeros(RATE // 2), x * signal.windows.tukey(t.size, 0.25), np.zeros(RATE // 2)])


@pytest.mark.source("independent", ref=SCIPY)
@pytest.mark.parametrize(("segment", "overlap"), [(4096, 0.5), (4096, 0.75), (2048, 0.0)])
def test_spectra_are_those_of_scipy(segment: int, overlap: float) -> None:
    rng = np.random.default_rng(3)
    x = rng.standard_normal(segment * 12)
    y = signal.lfilter([0.3, 0.2], [1, -0.5], x) + 0.3 * rng.standard_normal(x.size) + 0.2
    x = x + 0.1
    found = accumulate_spectra([[x, y]], sampling_rate_hz=RATE, segment=segment, overlap=overlap)
    step = round(segment * (1 - overlap))
    edge = np.zeros(segment - step)
    padded = [np.concatenate([edge, values, edge]) for values in (x, y)]
    options = {"fs": RATE, "nperseg": segment, "noverlap": segment - step, "detrend": False, "scaling": "spectrum"}
    f, G_xy = signal.csd(*padded, **options)
    G_xx, G_yy = (signal.welch(values, **options)[1] for values in padded)
    scale = 2 / np.sum(signal.windows.hann(segment, sym=False)) ** 2
    np.testing.assert_allclose(found.frequency_hz, f[3:])
    middle = slice(3, -1)
    np.testing.assert_allclose(found.power_x[:-1] * scale, G_xx[middle], rtol=1e-9)
    np.testing.assert_allclose(found.power_y[:-1] * scale, G_yy[middle], rtol=1e-9)
    np.testing.assert_allclose(found.cross[:-1] * scale, G_xy[middle], rtol=1e-8, atol=1e-12)
    transfer = estimate_transfer(found)
    del options["scaling"]
    coherence = signal.coherence(*padded, **options)[1]
    np.testing.assert_allclose(transfer.coherence[:-1], coherence[middle], rtol=1e-9)
    np.testing.assert_allclose(transfer.ratio[:-1], (G_xy / G_xx)[middle], rtol=1e-8)


def test_blocks_of_any_length_give_the_same_spectra_in_bounded_memory() -> None:
    rng = np.random.default_rng(0)
    x = rng.standard_normal((2, 20_000))
    whole = accumulate_spectra([x], sampling_rate_hz=RATE, segment=2048)
    cuts = np.cumsum(rng.integers(1, 3000, 20))
    pieces = accumulate_spectra(np.split(x, cuts[cuts < 20_000], axis=1), sampling_rate_hz=RATE, segment=2048)
    np.testing.assert_allclose(pieces.cross, whole.cross, rtol=1e-9)
    assert (pieces.segments, pieces.lengths) == (whole.segments, whole.lengths)
    block = rng.standard_normal((2, 2**15))
    tracemalloc.start()
    accumulate_spectra((block for _ in range(80)), sampling_rate_hz=RATE, segment=4096)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10e6 < 80 * block.nbytes


@pytest.mark.source("memory", ref="Bendat & Piersol, Random Data: sqrt(1 - g2) / (|g| sqrt(2 n)); numbers by hand")
@pytest.mark.parametrize(
    ("coherence", "n", "expected"), [(0.9, 100, 0.023570), (0.99, 16, 0.017767), (0.99, 100, 0.0071067)]
)
def test_random_error_from_coherence(coherence: float, n: int, expected: float) -> None:
    spectra = CrossSpectra(
        frequency_hz=[100, 200],
        power_x=[1, 1],
        power_y=[1, 1],
        cross=[coherence**0.5, 1],
        averages=[n, n],
        segments=n,
        segment=1024,
        lengths=float(n),
    )
    found = estimate_transfer(spectra)
    assert found.coherence[0] == pytest.approx(coherence)
    assert found.random_error[0] == pytest.approx(expected, rel=1e-4)
    few = estimate_transfer(
        CrossSpectra(**{name: getattr(spectra, name) for name in spectra.__slots__} | {"averages": [1, 1]})
    )
    assert np.isnan(few.random_error).all()


@pytest.mark.source("analytic", ref="H1 = H/(1 + Nx/Sx), H2 = H (1 + Ny/Sy), coherence = H1/H2, by simulation")
def test_bias_of_the_estimators() -> None:
    rng = np.random.default_rng(7)
    clean = rng.standard_normal(30 * RATE)
    x, y = clean + 0.5 * rng.standard_normal(clean.size), 0.8 * clean + 0.4 * rng.standard_normal(clean.size)
    spectra = accumulate_spectra([[x, y]], sampling_rate_hz=RATE, segment=1024)
    mean = {name: estimate_transfer(spectra, estimator=name).ratio.mean().real for name in ("H1", "H2", "Hv")}
    assert mean["H1"] == pytest.approx(0.8 / 1.25, rel=0.01)
    assert mean["H2"] == pytest.approx(0.8 * (1 + 0.16 / 0.64), rel=0.01)
    assert mean["Hv"] == pytest.approx((mean["H1"] * mean["H2"]) ** 0.5, rel=0.01)
    coherence = estimate_transfer(spectra).coherence.mean()
    assert coherence == pytest.approx(mean["H1"] / mean["H2"], rel=0.01)
    with pytest.raises(CurveError, match="H1, H2 or Hv"):
        estimate_transfer(spectra, estimator="H3")


@pytest.mark.source("analytic", ref="scatter of 25 simulated recordings against the error each of them foretells")
@pytest.mark.parametrize("kind", ["sweep", "noise"])
def test_scatter_is_what_the_random_error_says(kind: str) -> None:
    rng = np.random.default_rng(11)
    ratios, errors = [], []
    for _ in range(25):
        x = sweep(1.5) if kind == "sweep" else rng.standard_normal(2 * RATE)
        y = 0.5 * x + (0.02 if kind == "sweep" else 0.5) * rng.standard_normal(x.size)
        found = measure(np.array([x, y]), segment=8192)
        ratios.append(found.ratio)
        errors.append(found.random_error)
    f = found.frequency_hz
    for low, high in ((50, 300), (300, 3000), (3000, 18_000)):
        inside = (f > low) & (f < high)
        foretold = np.mean(errors, axis=0)[inside].mean()
        assert np.std(np.abs(ratios), axis=0)[inside].mean() / 0.5 == pytest.approx(foretold, rel=0.2)
        assert np.std(np.angle(ratios), axis=0)[inside].mean() == pytest.approx(foretold, rel=0.2)


@pytest.mark.source("analytic", ref="Z/(Z + R_s) of a circuit in closed form, applied to the signal's spectrum")
@pytest.mark.parametrize("kind", ["sweep", "noise", "multitone"])
def test_an_impedance_is_found_within_half_a_per_cent_and_half_a_degree(kind: str) -> None:
    rng = np.random.default_rng(2)
    x = {"sweep": sweep, "noise": lambda: 0.1 * rng.standard_normal(20 * RATE), "multitone": lambda: multitone(rng)}
    xy = voltages(x[kind]())
    xy = xy + 10 ** (-90 / 20) * rng.standard_normal(xy.shape)
    sensed = sense_impedance(measure(xy), sense_ohm=SENSE_OHM)
    Z = sensed.readable_part()
    f = Z.frequency_hz
    inside = (f > 20) & (f < 20_000)
    error = Z.impedance_ohm[inside] / load_ohm(f[inside])
    assert inside.sum() > (80 if kind == "multitone" else 400)
    assert np.abs(np.abs(error) - 1).max() < 0.005
    assert np.degrees(np.abs(np.angle(error))).max() < 0.5


@pytest.mark.source("independent", ref="ngspice 39: transient analysis of tests/references/sense_resistor.cir")
def test_an_impedance_from_the_time_domain_of_ngspice(tmp_path: Path) -> None:
    t, rows = run_ngspice("sense_resistor", tmp_path)
    rate = 100_000
    even = np.arange(0, t[-1], 1 / rate)
    source, after = rows[0].real, rows[0].imag  # two real vectors, read as one complex one
    xy = np.array([np.interp(even, t, source), np.interp(even, t, after)])
    spectra = gather_bins(accumulate_spectra([xy], sampling_rate_hz=rate, segment=16_384))
    Z = sense_impedance(estimate_transfer(spectra), sense_ohm=22.0).readable_part()
    f = Z.frequency_hz
    inside = (f > 150) & (f < 4500)
    s = 2j * np.pi * f
    expected = 9 + s * 0.3e-3 + 1 / (1 / 25 + 1 / (s * 1e-3) + s * 5e-6)
    error = (Z.impedance_ohm / expected)[inside]
    assert np.abs(np.abs(error) - 1).max() < 0.005
    assert np.degrees(np.abs(np.angle(error))).max() < 0.5


@pytest.mark.source("analytic", ref="dZ/Z = (1 + Z/R_s) dH/H; e (1 + r)^2 / r, least at r = 1")
@pytest.mark.parametrize(("r", "expected"), [(1, 4.0), (2, 4.5), (5, 7.2), (10, 12.1), (0.1, 12.1), (20, 22.05)])
def test_error_grows_away_from_the_sense_resistor(r: float, expected: float) -> None:
    assert error_factor(r, sense_ohm=1.0) == pytest.approx(expected)
    Z, e = 30.0 * r, 1e-6
    H = Z / (Z + 30.0)
    assert abs(30.0 * (H + e) / (1 - H - e) / Z - 1) / e == pytest.approx(expected, rel=1e-3)


@pytest.mark.source("analytic", ref="30 ohm at 10, 30, 100, 1000 ohm: (1 + r)^2 / r by hand")
def test_the_best_sense_resistor() -> None:
    assert error_factor(30, sense_ohm=[10, 30, 100, 1000]) == pytest.approx([5.333, 4, 5.633, 35.363], abs=1e-3)
    assert best_sense_ohm([8, 20 + 5j, 200]) == pytest.approx(40)
    worst = [error_factor([8, 200], sense_ohm=R).max() for R in (30, 40, 50)]
    assert worst[1] == min(worst)


def transfer(f: np.ndarray, ratio: np.ndarray) -> TransferFunction:
    return TransferFunction(
        frequency_hz=f, ratio=ratio, coherence=np.ones(f.size), random_error=np.full(f.size, 1e-3), estimator="H1"
    )


def bench(
    f: np.ndarray, Z: np.ndarray | float, *, leads_ohm: float = 0.3, input_ohm: float = 5000.0
) -> TransferFunction:
    """A divider with leads, a loading input, and inputs of unequal gain."""
    s = 2j * np.pi * f
    behind = Z + leads_ohm + s * 2e-6
    across = 1 / (1 / behind + 1 / input_ohm + s * 300e-12)
    return transfer(f, 0.95 / (1 + s / 3e6) * across / (across + SENSE_OHM))


F = np.geomspace(20, 20_000, 300)


@pytest.mark.source("analytic", ref="three known loads settle any bilinear circuit")
def test_known_resistor_open_and_short_correct_everything() -> None:
    corrections = Corrections(known=bench(F, 47.0), known_ohm=47.0, open=bench(F, 1e15), short=bench(F, 0.0))
    for sense_ohm in (SENSE_OHM, 10.0):  # it need not even be known
        found = sense_impedance(bench(F, load_ohm(F)), sense_ohm=sense_ohm, corrections=corrections)
        np.testing.assert_allclose(found.impedance.impedance_ohm, load_ohm(F), rtol=1e-6)
    assert found.corrected_by == "known resistor, open, short"


@pytest.mark.source("analytic", ref="gain from a known load or from equal voltages; leads in series")
def test_fewer_corrections_correct_what_they_can() -> None:
    ideal = {"leads_ohm": 0.3, "input_ohm": 1e12}
    measured, short = bench(F, load_ohm(F), **ideal), bench(F, 0.0, **ideal)
    opened = bench(F, 1e15, **ideal)
    raw = sense_impedance(measured, sense_ohm=SENSE_OHM).impedance.impedance_ohm
    assert np.abs(raw / load_ohm(F) - 1).max() > 0.05
    known = Corrections(known=bench(F, 47.0, **ideal), known_ohm=47.0, short=short)
    both = Corrections(open=opened, short=short)
    low = F < 2000  # the input's capacitance is left
    for corrections in (known, both):
        Z = sense_impedance(measured, sense_ohm=SENSE_OHM, corrections=corrections).impedance.impedance_ohm
        np.testing.assert_allclose(Z[low], load_ohm(F)[low], rtol=2e-4)
    only = sense_impedance(measured, sense_ohm=SENSE_OHM, corrections=Corrections(open=opened))
    np.testing.assert_allclose((only.impedance.impedance_ohm - load_ohm(F))[low].real, 0.3, atol=0.02)


def test_corrections_reach_only_as_far_as_they_were_recorded() -> None:
    part = F[50:250]
    corrections = Corrections(known=bench(part, 47.0), known_ohm=47.0, open=bench(part, 1e15), short=bench(part, 0.0))
    found = sense_impedance(bench(F, load_ohm(F)), sense_ohm=SENSE_OHM, corrections=corrections)
    assert found.impedance.frequency_hz[0] == pytest.approx(part[0], rel=0.03)
    assert found.impedance.frequency_hz[-1] == pytest.approx(part[-1], rel=0.03)


def test_what_cannot_be_measured_is_refused() -> None:
    noise = np.random.default_rng(0).standard_normal((2, 100_000))
    with pytest.raises(EvidenceError, match="as long as a segment"):
        accumulate_spectra([noise[:, :1000]], sampling_rate_hz=RATE)
    with pytest.raises(EvidenceError, match="silent"):
        accumulate_spectra([noise * [[0], [1]]], sampling_rate_hz=RATE)
    for options in ({"segment": 1001}, {"segment": 8}, {"overlap": 0.95}):
        with pytest.raises(CurveError):
            accumulate_spectra([noise], sampling_rate_hz=RATE, **options)
    with pytest.raises(CurveError, match="two channels"):
        accumulate_spectra([noise[0]], sampling_rate_hz=RATE)
    apart = sense_impedance(measure(noise), sense_ohm=33)
    assert not apart.readable.any()
    with pytest.raises(EvidenceError, match="coherence"):
        apart.readable_part()
    same = measure(np.array([noise[0], noise[0]]))
    with pytest.raises(EvidenceError, match="differs"):
        sense_impedance(same, sense_ohm=33, corrections=Corrections(open=same))
    with pytest.raises(CurveError, match="above 0 ohm"):
        sense_impedance(same, sense_ohm=0)
    with pytest.raises(CurveError, match="a known resistor has"):
        Corrections(known=same)
