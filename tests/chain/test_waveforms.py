"""Clipping, offsets and silence are seen, and clean signals are left in peace."""

from __future__ import annotations

import numpy as np
import pytest

from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.chain.waveforms import PIECE, inspect_waveform

RATE = 48_000
SWEEP = make_sweep(Sweep(duration_s=2, level_dbfs=-3, lead_in_s=0.2, lead_out_s=0.2))


@pytest.mark.source("analytic", ref="a sine spends (2/pi) arccos(0.999) = 2.85 % of its time within 0.1 % of its peaks")
def test_share_of_a_clean_sine() -> None:
    tone = 0.7 * np.sin(2 * np.pi * 997 * np.arange(20 * PIECE) / RATE)
    report = inspect_waveform([tone])
    assert report.flat_share == pytest.approx(0.0285, abs=0.003)
    assert report.peak == pytest.approx(0.7, abs=1e-4)
    assert report.rms == pytest.approx(0.7 / 2**0.5, rel=1e-3)
    assert not report.clipped
    assert report.caveats("left") == ()


@pytest.mark.source(
    "analytic", ref="clipped by x dB, a sine is flat for (2/pi) arccos(10^(-x/20)) of its time: 9.6 % at 0.1 dB"
)
@pytest.mark.parametrize("by_db", [0.1, 0.5, 3])
@pytest.mark.parametrize("bits", [16, 24])
def test_clipping_is_seen_from_a_tenth_of_a_decibel(by_db: float, bits: int) -> None:
    top = np.abs(SWEEP).max() * 10 ** (-by_db / 20)
    scale = 2 ** (bits - 1)
    report = inspect_waveform([np.rint(np.clip(SWEEP, -top, top) * scale) / scale])
    assert report.clipped
    assert report.at_full_scale == 0
    assert "clipped" in report.caveats("left")[0]


@pytest.mark.parametrize("level_db", [0, -20, -40])
def test_clean_sweeps_noise_and_tones_do_not_count_as_clipped(level_db: float) -> None:
    gain = 10 ** (level_db / 20)
    rng = np.random.default_rng(0)
    low = np.sin(2 * np.pi * 20 * np.arange(4 * RATE) / RATE)
    for signal in (SWEEP, low, np.clip(rng.standard_normal(RATE) / 6, -0.99, 0.99)):
        for bits in (16, 24):
            scale = 2 ** (bits - 1)
            assert not inspect_waveform([np.rint(gain * 0.9 * signal * scale) / scale]).clipped


def test_full_scale_counts_only_where_samples_are_bounded() -> None:
    few = 0.3 * SWEEP
    few[30_000:30_005] = 1.0
    assert inspect_waveform([few]).clipped
    assert not inspect_waveform([few], bounded=False).clipped
    assert not inspect_waveform([2.5 * SWEEP], bounded=False).clipped


def test_offset_and_silence() -> None:
    report = inspect_waveform([0.01 * SWEEP + 0.02])
    assert report.offset == pytest.approx(0.02, abs=1e-4)
    assert "offset of 2 %" in report.caveats("left")[0]
    assert inspect_waveform([np.full(5000, 0.25)]).silent
    assert inspect_waveform([np.zeros(10)]).peak_dbfs == -np.inf
    assert not inspect_waveform([np.full(5000, 0.25)]).clipped


def test_blocks_add_up() -> None:
    whole, parts = inspect_waveform([SWEEP]), inspect_waveform(np.split(SWEEP, range(PIECE, SWEEP.size, 4 * PIECE)))
    assert (whole.samples, whole.peak, whole.at_full_scale) == (parts.samples, parts.peak, parts.at_full_scale)
    assert parts.rms == pytest.approx(whole.rms)
