"""Speed of sweep deconvolution and of two-channel spectra against their bare transforms, and against scipy.

Run `OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_recordings.py`. The bare transforms are those that no route
can do without: of a recording forth and back, and of every windowed segment once, in blocks that fit the cache.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile
from race import race
from scipy import fft, signal

from ohmshift.chain.deconvolution import deconvolve, estimate_noise, plan_deconvolution
from ohmshift.chain.gating import gate_response
from ohmshift.chain.harmonics import separate_harmonics
from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.chain.two_channel import accumulate_spectra, estimate_transfer, gather_bins
from ohmshift.study.recordings import read_recording

RATE = 96_000
SEGMENT = 65_536


def race_deconvolution() -> None:
    sweep = Sweep(duration_s=10, sampling_rate_hz=RATE, stop_hz=40_000, lead_in_s=0.5, lead_out_s=0.5)
    y = make_sweep(sweep) + 1e-5 * np.random.default_rng(0).standard_normal(make_sweep(sweep).size)
    plan = plan_deconvolution(sweep, y.size)

    def bare() -> None:
        fft.irfft(fft.rfft(y, plan.size), plan.size, overwrite_x=True)

    def both_sided() -> None:
        fft.irfft(fft.rfft(y, plan.size) / fft.rfft(make_sweep(sweep), plan.size), plan.size)

    race(
        {
            "bare transforms": bare,
            "deconvolve": lambda: deconvolve(plan, y),
            "textbook division, sweep made anew": both_sided,
        },
        base="bare transforms",
        rounds=15,
        title=f"Deconvolution of a 10 s sweep at 96 kHz, {y.size} samples, transform of {plan.size}",
        target={"deconvolve": 1.1},
    )
    impulse = deconvolve(plan, y)
    noise = estimate_noise(impulse, y)
    race(
        {
            "bare transforms": bare,
            "gate of 300 ms, noise, common grid": lambda: gate_response(impulse, noise=noise),
            "harmonics 2 to 5": lambda: separate_harmonics(impulse, noise=noise),
        },
        base="bare transforms",
        rounds=9,
        title="What a slider move costs afterwards",
    )


def race_two_channels() -> None:
    rng = np.random.default_rng(0)
    x = rng.standard_normal(30 * RATE)
    y = signal.lfilter([0.3, 0.2], [1, -0.5], x) + 0.1 * rng.standard_normal(x.size)
    xy = np.array([x, y])
    for segment, overlap in ((16_384, 0.5), (SEGMENT, 0.75)):
        step = round(segment * (1 - overlap))
        w = signal.windows.hann(segment, sym=False)
        views = np.lib.stride_tricks.sliding_window_view(xy, segment, axis=1)[:, ::step]

        def bare(views: np.ndarray = views, w: np.ndarray = w) -> None:
            room = np.empty((2, 2, w.size))
            for first in range(0, views.shape[1], 2):
                some = views[:, first : first + 2]
                fft.rfft(np.multiply(some, w, out=room[:, : some.shape[1]]), axis=2)

        def ours(segment: int = segment, overlap: float = overlap) -> None:
            spectra = accumulate_spectra([xy], sampling_rate_hz=RATE, segment=segment, overlap=overlap)
            for estimator in ("H1", "H2"):
                estimate_transfer(gather_bins(spectra), estimator=estimator)

        def scipy_calls(segment: int = segment, step: int = step) -> None:
            options = {"fs": RATE, "window": "hann", "nperseg": segment, "noverlap": segment - step}
            signal.csd(x, y, **options)
            signal.welch(x, **options)
            signal.welch(y, **options)

        ratios = race(
            {"bare transforms": bare, "H1, H2, coherence": ours, "scipy csd and welch": scipy_calls},
            base="bare transforms",
            rounds=7,
            title=f"30 s of two channels at 96 kHz, segments of {segment}, overlap {overlap:g}",
            target={"H1, H2, coherence": 2.0},
        )
        faster = ratios["scipy csd and welch"] / ratios["H1, H2, coherence"]
        print(f"\n{faster:.1f} times as fast as csd and welch (target >= 3.5, {'met' if faster >= 3.5 else 'MISSED'})")


def race_reading() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "a.wav")
        soundfile.write(path, 0.1 * np.random.default_rng(0).standard_normal((30 * RATE, 2)), RATE, subtype="PCM_24")
        race(
            {
                "soundfile.read": lambda: soundfile.read(path),
                "read_recording": lambda: read_recording(path, channels=(1, 2)),
            },
            base="soundfile.read",
            rounds=7,
            title="Reading 30 s of two channels, 24 bits, 96 kHz, checked and hashed",
        )


if __name__ == "__main__":
    race_deconvolution()
    race_two_channels()
    race_reading()
