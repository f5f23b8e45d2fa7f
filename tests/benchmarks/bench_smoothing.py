"""Speed and error of fractional-octave smoothing.

Run `python tests/benchmarks/bench_smoothing.py`. The error is that of the whole way from a sampled curve to its
smoothed level, against the integral of the curve itself on 20,000 points a window.
"""

from __future__ import annotations

import numpy as np
import pyfar
from race import race

from ohmshift.curves import windows
from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.curves.smoothing import band_levels, smooth_fractional_octave
from ohmshift.curves.values import Response, ResponseSet
from ohmshift.units import octaves_from_frequency

SAMPLING_RATE_HZ = 48_000
BINS = 32_769


def curve_db(frequency_hz: np.ndarray) -> np.ndarray:
    """Give an earphone-like level with resonances of quality 1 to 12."""
    level = np.zeros_like(frequency_hz)
    for centre_hz, quality, height_db in ((3000, 1.2, 9), (5200, 5, 4), (8000, 12, 11), (13_000, 9, 6), (400, 8, -5)):
        detune = quality * (frequency_hz / centre_hz - centre_hz / frequency_hz)
        gain = 10 ** (abs(height_db) / 10)
        level += np.sign(height_db) * 10 * np.log10(1 + (gain - 1) / (1 + detune**2))
    return level + 6 / (1 + (frequency_hz / 150) ** 1.5)


def truth_db(target_hz: np.ndarray, fraction: float, average: str) -> np.ndarray:
    """Integrate the curve itself over each whole rectangular window by the midpoint rule."""
    octaves = (
        octaves_from_frequency(target_hz)[:, None] + (np.arange(20_000) + 0.5) / 20_000 / fraction - 0.5 / fraction
    )
    level = curve_db(1000 * 10 ** (0.3 * octaves))
    return level.mean(axis=1) if average == "level" else 10 * np.log10(np.mean(10 ** (level / 10), axis=1))


def bench_errors() -> None:
    frequency_hz = np.linspace(0, SAMPLING_RATE_HZ / 2, BINS)[1:]
    response = Response(frequency_hz=frequency_hz, level_db=curve_db(frequency_hz))
    target = octave_grid(low_hz=40, high_hz=17_000)
    print(f"\n### Error against the exact integral, {BINS} linear bins (largest, dB)\n")
    print("| average | 1/n octave | 40-200 Hz | 200 Hz-17 kHz | target |")
    print("|---|---|---|---|---|")
    for average in ("level", "power"):
        for fraction in (3, 12, 48):
            smooth = smooth_fractional_octave(response, fraction, average=average, frequency_hz=target)
            error = np.abs(smooth.level_db - truth_db(target, fraction, average))
            low, high = error[target < 200].max(), error[target >= 200].max()
            print(f"| {average} | {fraction} | {low:.2g} | {high:.2g} | {'<= 0.003' if fraction == 3 else ''} |")


def race_pyfar() -> None:
    frequency_hz = np.linspace(0, SAMPLING_RATE_HZ / 2, BINS)[1:]
    response = Response(frequency_hz=frequency_hz, level_db=curve_db(frequency_hz))
    magnitude = 10 ** (np.concatenate([[1.0], response.level_db]) / 20)
    signal = pyfar.Signal(magnitude, SAMPLING_RATE_HZ, 2 * (BINS - 1), "freq")
    grid = octave_grid()

    def planned() -> None:
        windows._plan_windows.cache_clear()
        smooth_fractional_octave(response, 3)

    race(
        {
            f"pyfar {pyfar.__version__}": lambda: pyfar.dsp.smooth_fractional_octave(signal, 3),
            "level, every bin": lambda: smooth_fractional_octave(response, 3),
            "level, every bin, with planning": planned,
            "power, every bin": lambda: smooth_fractional_octave(response, 3, average="power"),
            "level, at the common grid": lambda: smooth_fractional_octave(response, 3, frequency_hz=grid),
            "gaussian, at the common grid": lambda: smooth_fractional_octave(
                response, 3, window="gaussian", frequency_hz=grid
            ),
        },
        base=f"pyfar {pyfar.__version__}",
        title=f"1/3 octave on {BINS} linear bins",
        target={"level, every bin": 0.015, "level, every bin, with planning": 0.06},
    )


def race_batch() -> None:
    grid = octave_grid()
    levels = curve_db(grid) + np.random.default_rng(1).normal(0, 1, (1000, grid.size))
    curves = ResponseSet(frequency_hz=grid, level_db=levels, channel=("left",) * 1000, seat=("1",) * 1000)
    x = octaves_from_frequency(grid)
    low, high = np.maximum(x - 1 / 6, x[0]), np.minimum(x + 1 / 6, x[-1])

    i, j = (np.clip(np.searchsorted(x, edge, "right") - 1, 0, x.size - 2) for edge in (low, high))
    share_low, share_high = (low - x[i]) / np.diff(x)[i], (high - x[j]) / np.diff(x)[j]

    def areas() -> np.ndarray:
        steps = (levels[:, 1:] + levels[:, :-1]) / 2 * np.diff(x)
        return np.concatenate([np.zeros((len(levels), 1)), np.cumsum(steps, axis=1)], axis=1)

    def cumulative() -> np.ndarray:
        """Interpolate the running trapezoid integral at both edges of every window, all curves at once."""
        area = areas()
        at_high = area[:, j] * (1 - share_high) + area[:, j + 1] * share_high
        return (at_high - area[:, i] * (1 - share_low) - area[:, i + 1] * share_low) / (high - low)

    def cumulative_interp() -> np.ndarray:
        return np.array([np.interp(high, x, row) - np.interp(low, x, row) for row in areas()]) / (high - low)

    bands = fractional_octave_bands(3)
    race(
        {
            "cumulative sums": cumulative,
            "cumulative sums, np.interp curve by curve": cumulative_interp,
            "blocks of weights alone": lambda: windows.average_windows(
                grid, levels, grid, width=1 / 3, window="rectangular"
            ),
            "smooth_fractional_octave": lambda: smooth_fractional_octave(curves, 3),
            "smooth_fractional_octave, gaussian": lambda: smooth_fractional_octave(curves, 3, window="gaussian"),
            "band_levels, 29 bands": lambda: band_levels(grid, levels, bands),
        },
        base="cumulative sums",
        title="1/3 octave, 1,000 curves of 480 points",
        target={"blocks of weights alone": 0.1, "smooth_fractional_octave": 0.1},
    )


if __name__ == "__main__":
    bench_errors()
    race_pyfar()
    race_batch()
