"""Invented earphones on a simulated occluded-ear simulator.

A response is the sum of

- a tonal part that belongs to the earphone and stays where it is,
- the ear canal's resonances, which move together each time the earphone is seated,
- what else changes with the seat: level, height of the resonance, a smooth variation that grows towards high
  frequencies, a leak that takes bass away,
- the voltage divider of the earphone's own impedance with the resistance in front of it,
- noise, point by point.

All of it can be evaluated at any frequency, so that every measurement may have its own grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

LATTICE = np.arange(math.log2(12), math.log2(30_000), 1 / 8)
"""Where the random numbers of a smooth curve sit, in octaves."""

DEPTH_SD = 0.045
"""Spread of the resonance frequency over seats, standard deviation of its natural logarithm."""

LEVEL_SD_DB = 0.2
HEIGHT_SD_DB = 0.4
NOISE_SD_DB = 0.03
DRIFT = 0.15
"""Part of the seat's variation that is new when the earphone was not touched between two measurements."""


def smooth_curve(weights: np.ndarray, frequency_hz: np.ndarray, width_octaves: float) -> np.ndarray:
    """Give a smooth random curve of unit variance, from one random number a lattice point."""
    distance = (np.log2(frequency_hz)[:, None] - LATTICE) / width_octaves
    kernel = np.exp(-0.5 * distance**2)
    return (kernel * weights).sum(axis=1) / np.sqrt((kernel**2).sum(axis=1))


def variation_sd_db(frequency_hz: np.ndarray) -> np.ndarray:
    """Give the standard deviation of the smooth variation from seat to seat [dB]."""
    corners = np.log2([20, 2000, 5000, 8000, 16_000, 20_000])
    return np.interp(np.log2(frequency_hz), corners, [0.12, 0.12, 0.21, 0.30, 0.50, 0.55])


def bump(frequency_hz: np.ndarray, mid_hz: float, q: float, height_db: float) -> np.ndarray:
    """Give a resonance of a height [dB], positive or negative."""
    x = q * (frequency_hz / mid_hz - mid_hz / frequency_hz)
    size = 10 * np.log10(1 + (10 ** (abs(height_db) / 10) - 1) / (1 + x**2))
    return np.sign(height_db) * size


@dataclass(frozen=True)
class Design:
    """One channel of an earphone.

    `bumps` are (frequency [Hz], Q, height [dB]); `canal` the same for the resonances that move with the seat, the first
    being the ear-canal resonance proper. `noisiness` multiplies all that varies, and `leak_hz` is its usual leak.
    """

    level_db: float
    bass_db: float
    bass_hz: float
    bumps: tuple[tuple[float, float, float], ...]
    canal: tuple[tuple[float, float, float], ...]
    fall_db: float
    weights: np.ndarray
    noisiness: float = 1.0
    leak_hz: float = 5.0
    leak_spread: float = 0.4


@dataclass(frozen=True)
class Seat:
    """What one seating did."""

    shift: float
    level_db: float
    height_db: float
    leak_hz: float
    weights: np.ndarray


def invent(rng: np.random.Generator, *, level_db: float, resonance_db: float | None, noisiness: float) -> Design:
    """Invent the left channel of an earphone; `resonance_db` 0 leaves the canal's resonances out, None draws them."""
    height = rng.uniform(8, 13)
    height = height if resonance_db is None else resonance_db
    f_canal = 8000 * math.exp(0.05 * rng.standard_normal())
    q = rng.uniform(7, 11)
    return Design(
        level_db=level_db,
        bass_db=rng.uniform(0, 8),
        bass_hz=rng.uniform(90, 260),
        bumps=(
            (rng.uniform(2300, 3500), rng.uniform(0.9, 1.5), rng.uniform(6, 11)),
            (rng.uniform(4100, 5200), rng.uniform(2.5, 4.5), rng.uniform(-3, 3)),
        ),
        canal=(
            (f_canal, q, height),
            (f_canal * rng.uniform(1.58, 1.68), q * 0.9, height * rng.uniform(0.3, 0.6)),
            (f_canal * rng.uniform(2.02, 2.12), q * 0.8, height * rng.uniform(0.2, 0.5)),
        ),
        fall_db=rng.uniform(3, 10),
        weights=rng.standard_normal(LATTICE.size),
        noisiness=noisiness,
    )


def other_channel(rng: np.random.Generator, design: Design) -> Design:
    """Give the right channel: the same design, made with the care of a factory."""
    ratio, height = math.exp(0.01 * rng.standard_normal()), 0.8 * rng.standard_normal()
    present = design.canal[0][2] > 0
    canal = tuple((f * ratio, q, max(h + height, 0.0) if present else 0.0) for f, q, h in design.canal)
    weights = design.weights + 0.4 * rng.standard_normal(LATTICE.size)
    return replace(design, level_db=design.level_db + 0.5 * rng.standard_normal(), canal=canal, weights=weights)


def take_seat(rng: np.random.Generator, design: Design, *, after: Seat | None = None) -> Seat:
    """Seat an earphone; `after` a seat it was not touched since, only a little drift is new."""
    k = design.noisiness
    fresh = Seat(
        shift=DEPTH_SD * rng.standard_normal(),
        level_db=k * LEVEL_SD_DB * rng.standard_normal(),
        height_db=k * HEIGHT_SD_DB * rng.standard_normal(),
        leak_hz=design.leak_hz * math.exp(design.leak_spread * rng.standard_normal()),
        weights=k * rng.standard_normal(LATTICE.size),
    )
    if after is None:
        return fresh
    return Seat(
        shift=after.shift + 0.3 * DRIFT * fresh.shift,
        level_db=after.level_db + DRIFT * fresh.level_db,
        height_db=after.height_db + DRIFT * fresh.height_db,
        leak_hz=after.leak_hz * (fresh.leak_hz / design.leak_hz) ** DRIFT,
        weights=after.weights + DRIFT * fresh.weights,
    )


def resonance_hz(design: Design, seat: Seat) -> float:
    """Give where the ear-canal resonance lies in a seat [Hz]."""
    return design.canal[0][0] * math.exp(seat.shift)


def tonal_db(design: Design, frequency_hz: np.ndarray) -> np.ndarray:
    """Give the part of a response that stays where it is [dB], the level at 1 kHz being the design's."""

    def shape(f: np.ndarray) -> np.ndarray:
        level = design.bass_db / (1 + (f / design.bass_hz) ** 1.5)
        level = level + sum(bump(f, *part) for part in design.bumps)
        level = level - design.fall_db * np.clip(np.log2(f / 9000), 0, None)
        return level + 0.8 * smooth_curve(design.weights, f, 0.8)

    return design.level_db + shape(frequency_hz) - shape(np.array([1000.0]))


def measure(
    rng: np.random.Generator, design: Design, seat: Seat, frequency_hz: np.ndarray, ratio: np.ndarray
) -> np.ndarray:
    """Give the level measured in a seat [dB]; `ratio` is the complex divider at the same frequencies."""
    f = frequency_hz
    move = math.exp(seat.shift)
    level = tonal_db(design, f)
    for number, (mid_hz, q, height_db) in enumerate(design.canal):
        if height_db > 0:
            more = seat.height_db if number == 0 else seat.height_db / 2
            level = level + bump(f, mid_hz * move, q, max(height_db + more, 0.0))
    level = level + seat.level_db + variation_sd_db(f) * smooth_curve(seat.weights, f, 0.25)
    level = level - 10 * np.log10(1 + (seat.leak_hz / f) ** 2)
    level = level + 20 * np.log10(np.abs(ratio))
    return level + design.noisiness * NOISE_SD_DB * rng.standard_normal(f.size)


def minimum_phase_deg(frequency_hz: np.ndarray, level_db: np.ndarray, delay_s: float) -> np.ndarray:
    """Give the phase that belongs to a level on any grid, with a delay, wrapped to -180..180 degrees.

    The level is brought onto a linear grid up to 48 kHz, held constant beyond its ends, and turned into a minimum phase
    by folding its cepstrum.
    """
    n = 2**15
    grid = np.arange(n // 2 + 1) * (96_000 / n)
    log_gain = np.interp(grid, frequency_hz, level_db) * math.log(10) / 20
    cepstrum = np.fft.irfft(log_gain)
    cepstrum[1 : n // 2] *= 2
    cepstrum[n // 2 + 1 :] = 0
    phase = np.interp(frequency_hz, grid, np.fft.rfft(cepstrum).imag)
    degrees = np.degrees(phase) - 360 * frequency_hz * delay_s
    return (degrees + 180) % 360 - 180
